"""The one order of alerts, on every screen and in every message."""

from __future__ import annotations

import random

from dashboard.queries.alert_order import urgent_first


def test_open_alerts_come_first_then_the_grade_then_the_newest() -> None:
    ordered = [
        {"state": state, "grade": grade, "raised_at": f"2026-0{month}-01T00:00:00+00:00"}
        for states in (("open", "acknowledged"), ("closed",))
        for grade in ("act", "look", "note")
        for month, state in zip((3, 2), (states * 2)[:2], strict=True)
    ]
    shuffled = random.Random(1).sample(ordered, len(ordered))

    assert urgent_first(shuffled) == ordered
