"""A comparison of products or suppliers by their lots."""

from __future__ import annotations

from typing import Literal

from typing_extensions import TypedDict

from ingest.documents.fields import Bound, Count, Day, Moment, Probability
from spc.vocabulary.enums import Scale

__all__ = ["Answer", "Candidate", "ComparedLot", "Comparison", "Pair"]

Answer = Literal["better", "worse", "alike", "no worse", "different", "not shown", "no answer"]


class ComparedLot(TypedDict):
    """A lot in a comparison; `block` names the load, or the day and chamber, that lots of several candidates share."""

    lot: str
    tested_at: Moment
    level: float
    block: str


class Candidate(TypedDict):
    """What is compared: a product of a supplier, `time` "before" or "since" the day of a split. Levels are in the unit; `spread` is the standard deviation between lots.

    `moves` says that its level moved inside the window, so that one number does not describe it; `level_now` is where it
    stands. `left_out` counts lots beyond the range of the meter. `room` is the difference of the level, or of `level_now`
    where it moves, to its limit, in percent of that level on a log scale, else in the unit.
    """

    supplier: str
    product: str
    time: str
    lots: list[ComparedLot]
    left_out: Count
    level: float | None
    spread: float | None
    level_now: float | None
    level_now_bound: Bound
    moves: bool
    limit_lower: float | None
    limit_upper: float | None
    room: float | None
    not_shown_worse: bool


class Pair(TypedDict):
    """The second candidate against the first, by place in the list from 0.

    `change` is the difference of the second from the first with its 95 % interval, in percent on a log scale, else in the
    unit; `change_low_together` and `change_high_together` hold for all pairs at once. `p_value` is adjusted for all pairs.
    `paired` says that lots of the same loads were compared, in `loads` loads; `unpaired_change` is then the other way.
    `never_together` says that no load, day or instrument is shared. `answer` follows the margin where there is one: better,
    worse and different are by more than the margin, and `alike` is shown to be within it. `differs` says that a difference of
    any size is shown; both are null where there is no answer. `lots_needed` each would decide what is not shown in 80 of 100 cases.
    """

    first: Count
    second: Count
    change: float | None
    change_low: float | None
    change_high: float | None
    change_low_together: float | None
    change_high_together: float | None
    p_value: Probability | None
    answer: Answer
    differs: bool | None
    alike: bool | None
    paired: bool
    loads: Count
    unpaired_change: float | None
    never_together: bool
    lots_needed: Count | None
    why: str


class Comparison(TypedDict):
    """A comparison of two or more candidates on one characteristic. `better` is the side of good levels: low, high or none.

    With `in_use`, a place in the list of candidates, each other one is compared with it alone; else all pairs are.
    """

    characteristic: str
    unit: str
    scale: Scale
    since: Day
    until: Day
    split_on: Day | None
    drawn_up_at: Moment
    better: Literal["low", "high", "none"]
    margin_percent: float | None
    margin_from: Literal["lab.toml", "the question", "nowhere"]
    in_use: Count | None
    candidates: list[Candidate]
    pairs: list[Pair]
    differ_p_value: Probability | None
