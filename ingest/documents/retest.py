"""The lots to test again, and since when each chamber has kept its tolerance."""

from __future__ import annotations

from typing import Literal

from typing_extensions import TypedDict

from ingest.documents.fields import ConditioningState, Count, Moment
from ingest.documents.stream import StreamNames

__all__ = ["ChamberState", "Retest", "RetestReason"]

RetestReason = Literal[
    "short", "humid", "dry", "warm", "cold", "unlogged", "instrument", "set aside", "fail", "undecided"
]


class Retest(StreamNames):
    """A lot whose tests of one characteristic leave it without a result that counts.

    `load` is the load in a chamber that holds fresh bags of it and is not ready by the last round, null where there is none; `not_before_at` the
    time at which that load is ready, null where no time can be stated.
    """

    lot: str
    reason: RetestReason
    since_at: Moment
    last_tested_at: Moment
    sessions: Count
    chamber: str
    to_do: str
    load: str | None
    not_before_at: Moment | None


class ChamberState(TypedDict):
    """The newest break of a chamber's log; `valid_from_at` is null while the chamber is out of tolerance.

    `silent`: `last_at`, the last entry, is longer ago than a gap in the log may last.
    """

    name: str
    state: ConditioningState
    hours: float
    last_at: Moment
    began_at: Moment | None
    back_at: Moment | None
    valid_from_at: Moment | None
    ready: bool
    silent: bool
