"""Sessions cut from readings, and judged again when a log or a reading comes late."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest
from support.labs import MONDAY, Bench, csv_text, lot_rows

from dashboard.queries import lot_document
from ingest.config.lab import load
from ingest.store.store import known_store

BOTH_STORES = True

LOG_COLUMNS = ("logged_at", "chamber", "humidity_percent", "temperature_c")
DAY = timedelta(hours=24)


def sessions(bench: Bench, lot: str = "L0") -> list[dict[str, Any]]:
    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        told: list[dict[str, Any]] = lot_document.lot(connection, load(bench.folder), "Alder Film", lot)["sessions"]
    return told


def states(bench: Bench) -> list[str]:
    return [session["conditioning"]["state"] for session in sessions(bench)]


def reading(tested: datetime, number: int, chamber: str = "C1") -> dict[str, object]:
    (row,) = lot_rows("L0", tested, [[10.0]], chamber=chamber)
    return {**row, "specimen": number}


def log_entry(bench: Bench, name: str, at: datetime, humidity: float, chamber: str = "C1") -> None:
    bench.drop(name, csv_text(LOG_COLUMNS, [(at.isoformat(), chamber, humidity, 23.0)]), "climate")


# Where a session ends


@pytest.mark.parametrize(("pause", "count"), [(DAY, 1), (DAY + timedelta(seconds=1), 2)])
def test_a_longer_pause_than_session_hours_starts_a_new_session(bench: Bench, pause: timedelta, count: int) -> None:
    bench.drop_tests("a.csv", [reading(MONDAY, 1), reading(MONDAY + pause, 2)])
    bench.run()

    assert len(sessions(bench)) == count


def test_a_reading_that_comes_late_may_join_two_sessions(bench: Bench) -> None:
    bench.drop_tests("a.csv", [reading(MONDAY, 1), reading(MONDAY + 2 * DAY, 2)])
    bench.run()
    assert len(sessions(bench)) == 2

    bench.drop_tests("b.csv", [reading(MONDAY + DAY, 3)])
    bench.run()

    (joined,) = sessions(bench)
    assert joined["bags"] == 3


def test_characteristics_of_one_lot_have_sessions_of_their_own(bench: Bench) -> None:
    ohms = lot_rows("L0", MONDAY, [[1e6]], characteristic="surface_resistance", unit="ohm")
    bench.drop_tests("a.csv", [reading(MONDAY, 1), *ohms])
    bench.run()

    assert [session["characteristic"] for session in sessions(bench)] == ["shielding_energy", "surface_resistance"]


# Judged again


def test_a_log_that_is_corrected_changes_the_state_both_ways(bench: Bench) -> None:
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 72)
    bench.drop_tests("a.csv", [reading(MONDAY, 1)])
    bench.run()
    assert states(bench) == ["valid"]

    log_entry(bench, "humid.csv", MONDAY - timedelta(hours=20), 16.0)
    assert bench.run().evaluated == 1
    assert states(bench) == ["humid"]

    log_entry(bench, "mended.csv", MONDAY - timedelta(hours=20), 12.0)
    assert bench.run().evaluated == 1
    assert states(bench) == ["valid"]


def test_an_entry_in_the_midst_of_a_long_session_is_taken_to_heart(bench: Bench) -> None:
    # Thirty days of a reading every 20 hours are one session.
    steps = [MONDAY + timedelta(hours=20 * step) for step in range(36)]
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 34)
    bench.drop_tests("a.csv", [reading(step, number) for number, step in enumerate(steps)])
    bench.run()
    assert states(bench) == ["valid"]

    log_entry(bench, "humid.csv", MONDAY + timedelta(days=25), 16.0)
    bench.run()

    assert states(bench) == ["humid"]


def test_a_log_out_of_reach_evaluates_nothing(bench: Bench) -> None:
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 72)
    bench.drop_tests("a.csv", [reading(MONDAY, 1)])
    bench.run()

    bench.drop_climate("later.csv", MONDAY + 30 * DAY, 24)
    bench.drop_climate("other.csv", MONDAY - timedelta(hours=60), 72, humidity=30.0, chamber="C2")

    assert bench.run().evaluated == 0
    assert states(bench) == ["valid"]


# Several chambers


def two_chambers(bench: Bench, second_humidity: float) -> None:
    bench.drop_climate("one.csv", MONDAY - timedelta(hours=60), 72)
    bench.drop_climate("two.csv", MONDAY - timedelta(hours=60), 72, humidity=second_humidity, chamber="C2")
    bench.drop_tests("a.csv", [reading(MONDAY, 1), reading(MONDAY + timedelta(hours=1), 2, "C2")])
    bench.run()


@pytest.mark.parametrize(("humidity", "state"), [(12.0, "valid"), (16.0, "humid"), (8.0, "dry")])
def test_a_session_over_two_chambers_is_valid_where_both_show_the_conditioning(
    bench: Bench, humidity: float, state: str
) -> None:
    two_chambers(bench, humidity)

    assert states(bench) == [state]


def test_a_log_of_the_second_chamber_that_comes_late_changes_the_state(bench: Bench) -> None:
    bench.drop_climate("one.csv", MONDAY - timedelta(hours=60), 72)
    bench.drop_tests("a.csv", [reading(MONDAY, 1), reading(MONDAY + timedelta(hours=1), 2, "C2")])
    bench.run()
    assert states(bench) == ["unlogged"]

    bench.drop_climate("two.csv", MONDAY - timedelta(hours=60), 72, chamber="C2")
    assert bench.run().evaluated == 1

    assert states(bench) == ["valid"]


def test_a_reading_mended_to_the_first_chamber_lets_go_of_the_second(bench: Bench) -> None:
    two_chambers(bench, 30.0)
    assert states(bench) == ["humid"]

    # The chamber belongs to what a reading says: it changes with a corrected value.
    bench.drop_tests("b.csv", [{**reading(MONDAY + timedelta(hours=1), 2), "value": 10.1}])
    bench.run()

    assert states(bench) == ["valid"]
