"""The notice to a supplier about one alert."""

from __future__ import annotations

from typing_extensions import TypedDict

from ingest.documents.alert import StreamEvidence
from ingest.documents.fields import Bound, Count, JudgedBy, Microseconds, Moment, PointState
from ingest.documents.stream import StreamNames
from spc.vocabulary.enums import Kind, Scale, Verdict

__all__ = ["NoticeConditioning", "NoticeDocument", "NoticeLot", "NoticePoint", "NoticeSpans"]


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
    bag_spread: float | None
    bag_spread_upper: float | None
    reading_spread: float | None
    reading_spread_upper: float | None
    verdict: Verdict
    state: PointState
    signals: list[str]
    worst: float | None
    hours: float | None
    humidity_min: float | None
    humidity_max: float | None


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
    scale: Scale
    judged_by: JudgedBy
    guard_percent: float
    conditioning: NoticeConditioning | None
    limit_lower: float | None
    limit_upper: float | None
    limit_document: str
    evidence: StreamEvidence
    difference: float | None
    difference_percent: float | None
    from_lots: Count
    lots: list[NoticeLot]
    points: list[NoticePoint]
    left_out: Count
    conditioning_shown: NoticeSpans | None
