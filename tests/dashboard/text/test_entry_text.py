"""Entries in words: no program text, no day read out of a name."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from dashboard.text.entry_text import details, reason
from ingest.documents.entries import HistoryEntry, StoredEntryBody

ZONE = ZoneInfo("Europe/London")


def entry(what: str, because: str, body: StoredEntryBody) -> HistoryEntry:
    return HistoryEntry(
        at="2026-07-30T14:05:00+01:00", who="Ann", what=what, subject="s", about="a", reason=because, body=body
    )


@pytest.mark.parametrize(
    ("body", "text"),
    [
        (
            {"event": {"at": "2026-07-30T13:05:00+00:00", "chamber": "C1", "lot": "20260730", "specimens": "7-12"}},
            "on 30 Jul 2026, 14:05, chamber C1, lot 20260730, specimens 7-12",
        ),
        ({"alerts": ["07a0a761b05d"], "owner": "bench lead", "due": "2026-12-10"}, "owner bench lead, due 10 Dec 2026"),
        (
            {"on": "2026-11-27", "cause": "roll worn", "first_lot": "L7"},
            "on 27 Nov 2026, cause roll worn, first lot L7",
        ),
        ({"lot": "L1", "started_us": 1_767_603_600_000_000}, "lot L1, test of 5 Jan 2026, 09:00"),
        ({"event": {"planned_test": "2026-08-02T10:00"}}, "planned test 2 Aug 2026, 10:00"),
        ({"event": {"planned_test": "Monday"}}, "planned test Monday"),
        ({"value": 20.0, "side": "upper", "document": ""}, "value 20, side upper"),
        ({"declared": '[[alias]]\nname = "A"\n'}, 'added to lab.toml: [[alias]]; name = "A"'),
    ],
)
def test_the_details_of_an_entry_are_words(body: StoredEntryBody, text: str) -> None:
    assert details(entry("enter", "", body), ZONE) == text


def test_a_reason_that_repeats_the_entry_is_none() -> None:
    assert [reason(entry("assign", because, {})) for because in ("assign", "ring back on Monday")] == [
        "",
        "ring back on Monday",
    ]
