"""A stream before and after its evaluation, with all that its documents and alerts are made of."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

from ingest.audit.audit_log import AuditEntry
from ingest.common.instants import from_weeks
from ingest.common.streams import Stream
from ingest.config.lab import Lab, Limits
from ingest.config.models import Characteristic
from ingest.sessions.suspect_values import Suspect
from spc import detection
from spc.kernels.columns import Rows
from spc.stream.evaluate import Evaluation, EvaluationCache
from spc.stream.level_uncertainty import BenchPart

__all__ = ["CountedBags", "StreamContext", "StreamInput"]


class CountedBags(NamedTuple):
    """The bags of a test outside its limits and all of its bags, with the limits against which they were counted."""

    outside: int
    bags: int
    limit_lower: float | None
    limit_upper: float | None


@dataclass(frozen=True, slots=True, eq=False)
class StreamInput:
    """What the evaluation of a stream starts from.

    `sessions` are its rows of `sessions_of`, `entries` what people entered on it, `pool` the prior from all streams of
    its characteristic, `bench` its bench part of the uncertainty by check standards and `study` that by gauge studies, `cache` the results of its last evaluation, `bags`
    the counts of its tests with bags outside the limits, by session.
    """

    stream: Stream
    sessions: Rows
    entries: list[AuditEntry]
    pool: detection.PooledPrior
    bench: BenchPart
    study: BenchPart
    cache: EvaluationCache
    bags: Mapping[int, CountedBags]


@dataclass(frozen=True, slots=True, eq=False)
class StreamContext:
    """An evaluated stream: the declarations, the entries of people on it, and its marked sessions by number.

    `bags` as in `StreamInput`.
    """

    lab: Lab
    stream: Stream
    entries: list[AuditEntry]
    marked: Mapping[int, Suspect]
    evaluation: Evaluation
    bags: Mapping[int, CountedBags]

    @property
    def declared(self) -> Characteristic:
        """The declaration of its characteristic."""
        return self.lab.characteristic(self.stream.characteristic)

    @property
    def scale(self) -> str:
        """The scale in which it is charted."""
        return self.declared.scale

    @property
    def is_check_standard(self) -> bool:
        """Whether its film is a check standard of the bench."""
        return self.lab.is_check_standard(self.stream.supplier, self.stream.product)

    @property
    def limits_now(self) -> Limits:
        """The specification limits in force at its last point."""
        last = from_weeks(float(self.evaluation.points["weeks"][-1]))
        return self.lab.limits_at(self.stream.product, self.stream.characteristic, last)
