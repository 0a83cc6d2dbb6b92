"""What a change of limits changes: to each stream's limits, verdicts, signals and alerts."""

from __future__ import annotations

from typing import Literal, NotRequired

from typing_extensions import TypedDict

from ingest.documents.entries import EntryBody, StoredEntryBody
from ingest.documents.fields import Count, Digits, Microseconds, Moment
from ingest.documents.stream import Limit, StoredLimit, StreamNames
from spc.vocabulary.enums import AlertState, Grade, Kind, Verdict

__all__ = [
    "Change",
    "ChangedAlerts",
    "ChangedSignals",
    "ChangedVerdict",
    "LimitChange",
    "LimitFigures",
    "LimitPreview",
    "PreviewAlert",
    "StoredChangedAlerts",
    "StoredChangedSignals",
    "StoredChangedVerdict",
    "StoredLimitFigures",
    "StoredLimitPreview",
    "StoredPreviewAlert",
    "StoredStreamDifference",
    "StreamDifference",
]


class _Figures(TypedDict):
    center: float | None
    lower: float | None
    upper: float | None
    from_lots: Count
    widened_for_dependence: float | None
    limit_lower: float | None
    limit_upper: float | None


class StoredLimitFigures(_Figures):
    """The control limits in force, and the specification limit of the last lot."""

    from_us: Microseconds | None
    frozen_us: Microseconds | None


class LimitFigures(_Figures):
    """The limits in force as they are shown."""

    from_at: Moment | None
    frozen_at: Moment | None


class _Verdicts(TypedDict):
    lot: str
    before: Verdict
    after: Verdict


class StoredChangedVerdict(_Verdicts):
    """A session that would be judged otherwise."""

    tested_us: Microseconds


class ChangedVerdict(_Verdicts):
    """A session that would be judged otherwise, as it is shown."""

    tested_at: Moment


class _Signals(TypedDict):
    lot: str
    before: list[str]
    after: list[str]


class StoredChangedSignals(_Signals):
    """A lot that would stand out for another reason, or no longer."""

    tested_us: Microseconds


class ChangedSignals(_Signals):
    """A lot that would stand out for another reason, as it is shown."""

    tested_at: Moment


class _Alert(TypedDict):
    id: str
    kind: Kind
    grade: Grade
    lot: str | None
    message: str
    state: AlertState


class StoredPreviewAlert(_Alert):
    """An alert in a preview."""

    raised_us: Microseconds


class PreviewAlert(_Alert):
    """An alert in a preview, as it is shown."""

    raised_at: Moment


class StoredChangedAlerts(TypedDict):
    """The alerts that would go, stay and come."""

    go: list[StoredPreviewAlert]
    stay: list[StoredPreviewAlert]
    come: list[StoredPreviewAlert]


class ChangedAlerts(TypedDict):
    """The alerts that would go, stay and come, as they are shown."""

    go: list[PreviewAlert]
    stay: list[PreviewAlert]
    come: list[PreviewAlert]


class StoredStreamDifference(StreamNames):
    """What a change of limits changes in one stream."""

    unit: str
    digits: NotRequired[Digits]
    limits_before: StoredLimitFigures
    limits_after: StoredLimitFigures
    verdicts: list[StoredChangedVerdict]
    stands_out: list[StoredChangedSignals]
    alerts: StoredChangedAlerts


class StreamDifference(StreamNames):
    """What a change of limits changes in one stream, as it is shown."""

    unit: str
    digits: NotRequired[Digits]
    limits_before: LimitFigures
    limits_after: LimitFigures
    verdicts: list[ChangedVerdict]
    stands_out: list[ChangedSignals]
    alerts: ChangedAlerts


Change = Literal["set baseline", "take back baseline", "leave out", "put back", "change limit", "take back limit"]


class StoredLimitPreview(StoredEntryBody):
    """What an entry would change; the keys of its body stand beside its own."""

    change: Change
    streams: list[StoredStreamDifference]
    looser_than: list[StoredLimit]


class LimitPreview(EntryBody):
    """What an entry would change, as it is shown."""

    change: Change
    streams: list[StreamDifference]
    looser_than: list[Limit]


class LimitChange(LimitPreview):
    """What an entry changes, and whether it was recorded or only shown."""

    done: bool
