"""A stored document as screens, commands and papers show it: times as ISO 8601 in the lab's zone."""

from __future__ import annotations

from typing import Any, overload
from zoneinfo import ZoneInfo

from ingest.common.instants import from_microseconds
from ingest.documents.alert import (
    BenchEvidence,
    ClimateEvidence,
    Evidence,
    StoredBenchEvidence,
    StoredClimateEvidence,
    StoredEvidence,
    StoredStreamEvidence,
    StreamEvidence,
)
from ingest.documents.bench.bench_mark import BenchMark, StoredBenchMark
from ingest.documents.entries import EntryBody, StoredEntryBody
from ingest.documents.stream import Limit, StoredLimit, StoredStream, StreamFigures
from ingest.documents.verdict.conformity import RuleStep, StoredRuleStep
from ingest.documents.verdict.limit_change import LimitPreview, StoredLimitPreview
from ingest.documents.verdict.rule_change import RulePreview, StoredRulePreview

__all__ = ["SERVED", "TIMES", "iso", "served"]

TIMES = {
    "after_us": "after_at",
    "checked_us": "checked_at",
    "entered_us": "entered_at",
    "from_us": "from_at",
    "frozen_us": "frozen_at",
    "latest_tested_us": "latest_tested_at",
    "off_from_us": "off_from_at",
    "off_until_us": "off_until_at",
    "moved_on_us": "moved_on_at",
    "raised_us": "raised_at",
    "recorded_us": "recorded_at",
    "since_high_us": "since_high_at",
    "since_low_us": "since_low_at",
    "since_us": "since_at",
    "started_us": "started_at",
    "tested_us": "tested_at",
    "until_us": "until_at",
}
"""The key of each stored time and the key under which it is shown."""

SERVED: dict[type, type] = {
    StoredEntryBody: EntryBody,
    StoredBenchEvidence: BenchEvidence,
    StoredBenchMark: BenchMark,
    StoredClimateEvidence: ClimateEvidence,
    StoredStreamEvidence: StreamEvidence,
    StoredLimit: Limit,
    StoredLimitPreview: LimitPreview,
    StoredRulePreview: RulePreview,
    StoredRuleStep: RuleStep,
    StoredStream: StreamFigures,
}
"""The type of each stored document and of what `served` makes of it; a test compares them key by key."""


@overload
def iso(us: int, zone: ZoneInfo) -> str: ...
@overload
def iso(us: int | None, zone: ZoneInfo) -> str | None: ...
def iso(us: int | None, zone: ZoneInfo) -> str | None:
    """A stored time as ISO 8601 in the lab's zone."""
    return None if us is None else from_microseconds(us).astimezone(zone).isoformat()


@overload
def served(stored: StoredStreamEvidence, zone: ZoneInfo) -> StreamEvidence: ...
@overload
def served(stored: StoredEvidence, zone: ZoneInfo) -> Evidence: ...
@overload
def served(stored: StoredBenchMark, zone: ZoneInfo) -> BenchMark: ...
@overload
def served(stored: StoredLimitPreview, zone: ZoneInfo) -> LimitPreview: ...
@overload
def served(stored: StoredRulePreview, zone: ZoneInfo) -> RulePreview: ...
@overload
def served(stored: StoredRuleStep, zone: ZoneInfo) -> RuleStep: ...
@overload
def served(stored: StoredEntryBody, zone: ZoneInfo) -> EntryBody: ...
@overload
def served(stored: StoredLimit, zone: ZoneInfo) -> Limit: ...
@overload
def served(stored: StoredStream, zone: ZoneInfo) -> StreamFigures: ...
def served(stored: Any, zone: ZoneInfo) -> Any:
    """A stored document with each of its `TIMES`, at any depth, under the key and in the form in which it is shown."""
    if isinstance(stored, list):
        return [served(item, zone) for item in stored]
    if not isinstance(stored, dict):
        return stored
    return {
        TIMES.get(key, key): iso(value, zone) if key in TIMES else served(value, zone) for key, value in stored.items()
    }
