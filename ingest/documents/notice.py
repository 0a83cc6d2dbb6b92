"""The notice to a supplier about one alert."""

from __future__ import annotations

from typing import Literal, NotRequired

from typing_extensions import TypedDict

from ingest.documents.alert import StreamEvidence
from ingest.documents.bench.bench_mark import BenchMark
from ingest.documents.fields import Bound, Count, Digits, JudgedBy, Microseconds, Moment, PointState, Probability
from ingest.documents.lot import LevelRange
from ingest.documents.stream import StreamNames
from ingest.documents.verdict.bag_count import BagCount
from spc.vocabulary.enums import Kind, Scale, Verdict

__all__ = [
    "NoticeBasis",
    "NoticeConditioning",
    "NoticeDocument",
    "NoticeLot",
    "NoticePoint",
    "NoticeRetest",
    "NoticeSpans",
]


class NoticeConditioning(TypedDict):
    """What the chamber log must show for a test to be valid."""

    humidity_percent: float
    humidity_tolerance: float
    temperature_c: float
    temperature_tolerance_c: float
    hours: float
    longest_gap_minutes: float


class NoticePoint(TypedDict):
    """A point of the picture on a notice."""

    tested_at: Moment
    shown: float | None
    bound: Bound
    verdict: Verdict
    concerned: bool


class NoticeLot(TypedDict):
    """A lot that a notice is about."""

    tested_us: Microseconds
    tested_at: Moment
    lot: str
    shown: float | None
    bound: Bound
    bags: Count
    n: Count
    level: float | None
    level_range: LevelRange | None
    bag_spread: float | None
    bag_spread_upper: float | None
    reading_spread: float | None
    reading_spread_upper: float | None
    verdict: Verdict
    state: PointState
    signals: list[str]
    worst: float | None
    worst_bound: Bound
    bag_count: BagCount | None
    outside_control_limits: bool
    hours: float | None
    humidity_min: float | None
    humidity_max: float | None
    bench_findings: list[BenchMark]


class NoticeRetest(TypedDict):
    """A later test of a lot of the notice. It is shown beside the first valid test, which counts."""

    lot: str
    tested_at: Moment
    level: float | None
    level_range: LevelRange | None
    worst: float | None
    worst_bound: Bound
    bag_count: BagCount | None
    bags: Count
    n: Count
    state: PointState
    verdict: Verdict
    bench_findings: list[BenchMark]


class NoticeBasis(TypedDict):
    """The lots together on which a statement about a run of lots rests, and the lots before them.

    `of` is what was averaged or pooled: levels in the unit, or standard deviations (of the natural logarithm on a log scale).
    """

    of: Literal["level", "bag_spread", "reading_spread"]
    lots: Count
    bags: Count
    value: float | None
    lots_before: Count
    value_before: float | None


class NoticeSpans(TypedDict):
    """The fewest hours and the range of humidity that the chamber log documents for the lots of a notice."""

    hours: float
    humidity_min: float
    humidity_max: float


class NoticeDocument(StreamNames):
    """All that a notice says about an alert."""

    kind: Kind
    lot: str
    alert: str
    lab: str
    drawn_up_at: Moment
    raised_at: Moment
    unit: str
    digits: NotRequired[Digits]
    scale: Scale
    judged_by: JudgedBy
    guard_percent: float
    conditioning: NoticeConditioning | None
    limit_lower: float | None
    limit_upper: float | None
    limit_document: str
    evidence: StreamEvidence
    # The chance of a failing lot from which a forecast raises an alert.
    likely: Probability
    difference: float | None
    difference_percent: float | None
    from_lots: Count
    level_now: float | None
    level_now_bound: Bound
    lots: list[NoticeLot]
    # Valid lots since the first of these that the statement is not about.
    others: list[NoticeLot]
    basis: NoticeBasis | None
    retests: list[NoticeRetest]
    asks_for_answer: bool
    points: list[NoticePoint]
    left_out: Count
    conditioning_shown: NoticeSpans | None
