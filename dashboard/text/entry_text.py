"""What a person entered, in words: the reason, and what the entry says beside it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, tzinfo

from dashboard.text.formatting import day, moment
from ingest.common.instants import from_microseconds
from ingest.documents.entries import HistoryEntry

__all__ = ["details", "reason"]

# What the round needs beside the entry.
LEFT_OUT = ("alerts", "stream", "after_us", "report")
DAYS = ("on", "from", "due")
MOMENTS = ("at", "planned_test")
NAMES = {
    "on": "on",
    "from": "from",
    "from_us": "from",
    "started_us": "test of",
    "checked_us": "checked",
    "due": "due",
    "first_lot": "first lot",
    "declared": "added to lab.toml:",
    "temperature_c": "temperature in °C",
    "what": "event",
    "at": "on",
}


def reason(entry: HistoryEntry) -> str:
    """The reason that a person gave; empty where none was given and the store repeats what was entered."""
    return "" if entry["reason"] == entry["what"] else entry["reason"]


def details(entry: HistoryEntry, zone: tzinfo) -> str:
    """What an entry says beside its reason."""
    return ", ".join(_phrases({name: value for name, value in entry["body"].items() if name not in LEFT_OUT}, zone))


def _phrases(fields: dict[str, object], zone: tzinfo) -> Iterator[str]:
    for name, value in fields.items():
        if isinstance(value, dict):
            yield from _phrases(value, zone)
        elif value not in (None, ""):
            yield f"{NAMES.get(name, name.replace('_', ' '))} {_value(name, value, zone)}"


def _value(name: str, value: object, zone: tzinfo) -> str:
    if name.endswith("_us") and isinstance(value, int):
        return moment(from_microseconds(value).astimezone(zone).isoformat())
    if isinstance(value, float):
        return f"{value:g}"
    written = str(value)
    if name == "declared":
        return "; ".join(line for line in written.splitlines() if line)
    if name in DAYS:
        return day(written)
    if name not in MOMENTS:
        return written
    try:
        at = datetime.fromisoformat(written)
    except ValueError:
        return written
    return moment((at.astimezone(zone) if at.tzinfo else at).isoformat())
