"""Sentences on a baseline that moved while it was learnt, and on what the lots of a stream cannot tell yet."""

from __future__ import annotations

from dashboard.text.formatting import counted, day
from ingest.documents.stream import StreamDocument

__all__ = ["autocorrelation_note", "moving_baseline"]


def moving_baseline(document: StreamDocument) -> str:
    """Since when the level moved within the baseline, and what to do; empty where it did not."""
    move = document.get("baseline_moving")
    if not move:
        return ""
    going = "rising" if move["direction"] > 0 else "falling"
    return (
        f"These control limits were learnt on a moving level: it has been {going} since lot {move['lot']} "
        f"({day(move['since_at'])}), in {counted(move['lots'], 'baseline lot')}. Set the baseline again from a day after the move "
        "has ended."
    )


def autocorrelation_note(document: StreamDocument) -> str:
    """What the detector takes for the autocorrelation where the lots alone do not decide; empty where they do."""
    detector = document.get("detector")
    if not detector or not detector["undecided"]:
        return ""
    return (
        f"the lots so far do not decide whether they are correlated: {detector['low']:g} to {detector['high']:g} is possible, "
        f"and the detector takes {detector['autocorrelation']:.2f}, with what other streams of the characteristic show"
    )
