"""What a person reads of a baseline that moved while it was learnt."""

from __future__ import annotations

from typing import Any, cast

from dashboard.text.baseline_text import autocorrelation_note, moving_baseline
from ingest.documents.stream import StreamDocument


def document(**keys: Any) -> StreamDocument:
    return cast(StreamDocument, keys)


def test_a_baseline_learnt_on_a_moving_level_names_the_lot_and_what_to_do() -> None:
    move = {"lot": "L7", "since_at": "2026-03-12T09:00:00+00:00", "direction": -1, "lots": 19}
    assert moving_baseline(document(baseline_moving=move)) == (
        "These control limits were learnt on a moving level: it has been falling since lot L7 (12 Mar 2026), in 19 baseline lots. "
        "Set the baseline again from a day after the move has ended."
    )
    assert "rising" in moving_baseline(document(baseline_moving={**move, "direction": 1}))
    assert moving_baseline(document(baseline_moving=None)) == ""


def test_lots_that_do_not_decide_their_autocorrelation_are_named_as_such() -> None:
    detector = {"autocorrelation": 0.12, "low": 0.0, "high": 0.5, "undecided": True, "scatter_from_others": 0.4}
    note = autocorrelation_note(document(detector=detector))
    assert note.startswith("the lots so far do not decide whether they are correlated: 0 to 0.5 is possible")
    assert autocorrelation_note(document(detector={**detector, "undecided": False})) == ""
    assert autocorrelation_note(document(detector=None)) == ""
