"""Events of loads in words: what was recorded, and where the load is now."""

from __future__ import annotations

from dashboard.text.bench.ready_text import load_line, plan_line, when
from ingest.documents.bench.load_events import LoadEvent
from ingest.documents.bench.ready import ReadyDocument, ReadyLoad

__all__ = ["event_line", "in_chamber_line", "outcome_line"]

OUTCOMES = {
    "stored": "Recorded.",
    "duplicate": "Nothing changed: this event was on record already.",
    "corrected": "Recorded as a correction of an earlier record of this event.",
    "taken back": "The event was taken out of the record.",
}


def outcome_line(done: str, load: str, document: ReadyDocument) -> str:
    """What became of the event that was entered last, and where its load is now."""
    if done not in OUTCOMES:
        return ""
    for chamber in document["chambers"]:
        for one in chamber["loads"]:
            if one["load"] == load:
                return f"{OUTCOMES[done]} Load {load} is in chamber {chamber['name']} since {when(one['in_since'])}. {_state(one)}"
    return f"{OUTCOMES[done]} By the record, load {load} is in no chamber now."


def in_chamber_line(load: ReadyLoad) -> str:
    """Since when a load is in, its state, and where its last record came from."""
    return f"In since {when(load['in_since'])}. {_state(load)} Recorded in: {load['recorded_in']}."


def _state(load: ReadyLoad) -> str:
    return " ".join(filter(None, [load_line(load), plan_line(load)]))


def event_line(event: LoadEvent) -> str:
    """An event in a few words: "178 into north: Alder Film MB-10 L1 (6 bags), hung"; a plan states no place."""
    words = {"in": "into", "moved": "moved into", "out": "out of", "planned": "for"}
    lot = " ".join(part for part in (event["supplier"], event["product"], event["lot"]) if part)
    bags = f" ({event['specimens']})" if event["specimens"] else ""
    laid = f", {event['laid']}" if event["laid"] else ""
    planned = f", test planned for {when(event['planned_at'])}" if event["planned_at"] else ""
    if event["event"] == "planned" and not planned:
        planned = ", no test planned any more"
    return (
        f"{event['load']} {words[event['event']]} {event['chamber']}"
        + (f": {lot}{bags}{laid}" if lot else laid)
        + planned
    )
