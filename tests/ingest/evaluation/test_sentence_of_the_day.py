"""The sentence of an alert is of the day on which its evidence was complete, whatever comes later."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import numpy as np
from support.labs import MONDAY, Bench, lot_rows

from dashboard.queries import stored_documents
from dashboard.queries.lab_reader import LabReader


def lots_of(weeks: range) -> list[dict[str, object]]:
    """A stream that is still learned when it moves, and that goes on rising."""
    rows: list[dict[str, object]] = []
    for week in weeks:
        rng = np.random.default_rng([3, week])
        level = 9.0 * np.exp(0.03 * rng.standard_normal() + 0.05 * max(week - 11, 0))
        bags = [[round(float(level * np.exp(0.03 * rng.standard_normal())), 3)] for _ in range(6)]
        rows += lot_rows(f"L{week:02}", MONDAY + timedelta(weeks=week), bags)
    return rows


def alerts(bench: Bench) -> dict[str, Any]:
    reader = LabReader(bench.folder)
    with reader.reading() as connection:
        return {one["id"]: one for one in stored_documents.alerts(connection, reader.lab, closed_too=True)}


def test_later_lots_change_what_is_now_and_not_the_sentence(bench: Bench) -> None:
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 32)
    bench.drop_tests("first.csv", lots_of(range(23)))
    bench.run()
    then = alerts(bench)
    bench.drop_tests("later.csv", lots_of(range(23, 30)))
    bench.run()
    now = alerts(bench)

    moves = [one for one in then.values() if one["kind"] in ("drift", "forecast")]
    assert moves
    for alert in then.values():
        assert now[alert["id"]]["message"] == alert["message"]
    for alert in moves:
        assert now[alert["id"]]["now"]["last_lot"] == "L29"
        assert now[alert["id"]]["now"]["level"] > alert["now"]["level"]
