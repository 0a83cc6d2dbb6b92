"""The record of loads through the store: a load put in late makes a test short, and late records change states both ways."""

from __future__ import annotations

import csv
from datetime import datetime, timedelta

import pytest
from support.labs import LAB_TOML, MONDAY, Bench, csv_text, lot_rows

from ingest.store.store import known_store

BOTH_STORES = True

COLUMNS = ("at", "load", "chamber", "event", "supplier", "product", "lot", "specimens", "laid")
LOT = ("Alder Film", "MB-10", "L1")
# The log begins 60 hours before the test.
LOGGED = MONDAY - timedelta(hours=60)


def drop_loads(bench: Bench, name: str, *events: tuple[object, ...]) -> None:
    (bench.folder / "drops" / "loads").mkdir(exist_ok=True)
    rows = [
        [at.isoformat() if isinstance(at, datetime) else at, *rest, *[""] * (8 - len(rest))] for at, *rest in events
    ]
    bench.drop(name, csv_text(COLUMNS, rows), "loads")


def put_tests(bench: Bench, name: str = "t.csv", load: str = "N-1", tested: datetime = MONDAY) -> None:
    rows = lot_rows("L1", tested, [[10.0, 11.0], [10.5, 11.5]])
    bench.drop_tests(name, [{**row, "load": load} for row in rows])


def judged(bench: Bench) -> list[tuple[object, ...]]:
    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        rows = connection.exec_driver_sql(
            "SELECT conditioning, round(hours), clock, doors FROM session ORDER BY started_us"
        ).fetchall()
    store.close()
    return [tuple(row) for row in rows]


def test_without_a_record_the_chamber_is_judged_and_a_late_record_changes_the_state_both_ways(bench: Bench) -> None:
    bench.drop_climate("c.csv", LOGGED, 61)
    put_tests(bench)
    bench.run()
    assert judged(bench) == [("valid", 60, "chamber", 0)]

    # Put in 20 hours late: the specimens had 40 hours.
    drop_loads(bench, "l.csv", (MONDAY - timedelta(hours=40), "N-1", "C1", "in"))
    bench.run()
    assert judged(bench) == [("short", 40, "specimen", 0)]

    # A correction of the record: it had been in since hour 50.
    drop_loads(bench, "m.csv", (MONDAY - timedelta(hours=50), "N-1", "C1", "in"))
    bench.run()
    assert judged(bench) == [("valid", 50, "specimen", 0)]


def test_the_record_may_come_first_and_name_the_lot_instead_of_the_load(bench: Bench) -> None:
    drop_loads(bench, "l.csv", (MONDAY - timedelta(hours=47), "N-1", "C1", "in", *LOT))
    bench.run()
    bench.drop_climate("c.csv", LOGGED, 61)
    put_tests(bench, load="")
    bench.run()
    assert judged(bench) == [("short", 47, "specimen", 0)]


IN = (MONDAY - timedelta(hours=60), "N-1", "C1", "in", *LOT)
OUT = (MONDAY - timedelta(hours=2), "N-1", "C1", "out")


@pytest.mark.parametrize("order", [[[IN], [OUT], "tests"], [[OUT], "tests", [IN]], ["tests", [IN, OUT]]])
def test_a_whole_load_that_was_taken_out_takes_its_lots_out_for_tests_that_name_no_load(
    bench: Bench, order: list[object]
) -> None:
    bench.drop_climate("c.csv", LOGGED, 61)
    for number, part in enumerate(order):
        if isinstance(part, list):
            drop_loads(bench, f"l{number}.csv", *part)
        else:
            put_tests(bench, load="")
        bench.run()
    assert judged(bench) == [("unlogged", 58, "specimen", 0)]


def test_of_several_loads_of_a_lot_a_test_that_names_none_belongs_to_the_one_in_the_chamber(bench: Bench) -> None:
    bench.drop_climate("c.csv", LOGGED, 61)
    put_tests(bench, load="")
    again = (MONDAY - timedelta(hours=9), "N-2", "C1", "in", *LOT)
    # Fresh bags went in an hour before the whole load of the first test came out: that is not the end of their stay, nor its beginning.
    drop_loads(bench, "l.csv", IN, (MONDAY - timedelta(hours=8), "N-1", "C1", "out"), again)
    bench.run()
    assert judged(bench) == [("short", 9, "specimen", 0)]


def test_a_lot_that_joins_a_load_is_not_in_it_before(bench: Bench) -> None:
    bench.drop_climate("c.csv", LOGGED, 61)
    put_tests(bench)
    put_tests(bench, "u.csv", load="", tested=MONDAY + timedelta(minutes=5))
    drop_loads(bench, "l.csv", (LOGGED, "N-1", "C1", "in"), (MONDAY - timedelta(hours=20), "N-1", "C1", "in", *LOT))
    bench.run()
    assert {state for state, *_ in judged(bench)} == {"short"}


def test_events_of_another_lot_of_the_load_are_not_those_of_this_lot(bench: Bench) -> None:
    bench.drop_climate("c.csv", LOGGED, 61)
    put_tests(bench)
    drop_loads(
        bench,
        "l.csv",
        (MONDAY - timedelta(hours=50), "N-1", "C1", "in", *LOT),
        (MONDAY - timedelta(hours=10), "N-1", "C1", "in", *LOT[:2], "L2"),
    )
    bench.run()
    assert judged(bench) == [("valid", 50, "specimen", 0)]


def test_a_late_log_of_the_chamber_that_the_load_left_changes_the_state(bench: Bench) -> None:
    bench.declare(LAB_TOML.replace("longest_gap_minutes = 60", "longest_gap_minutes = 60\nout_minutes = 10"))
    moved = MONDAY - timedelta(hours=20)
    bench.drop_climate("b.csv", LOGGED, 61, chamber="C2")
    put_tests(bench)
    bench.drop_tests(
        "t.csv", [{**row, "load": "N-1", "chamber": "C2"} for row in lot_rows("L1", MONDAY, [[10.0, 11.0]])]
    )
    drop_loads(bench, "l.csv", (MONDAY - timedelta(hours=55), "N-1", "C1", "in"), (moved, "N-1", "C2", "moved"))
    bench.run()
    assert judged(bench) == [("short", 20, "specimen", 0)]

    bench.drop_climate("a.csv", LOGGED, 61, chamber="C1")
    bench.run()
    assert judged(bench) == [("valid", 55, "specimen", 0)]


def test_a_declared_door_opening_is_forgiven_and_counted(bench: Bench) -> None:
    bench.declare(
        LAB_TOML.replace(
            "longest_gap_minutes = 60", "longest_gap_minutes = 60\ndoor_minutes = 60\ndoor_peak_percent = 30"
        )
    )
    bench.drop_climate("a.csv", LOGGED, 20)
    bench.drop_climate("b.csv", LOGGED + timedelta(hours=20.5), 0, humidity=25.0)
    bench.drop_climate("c.csv", LOGGED + timedelta(hours=21), 40)
    put_tests(bench)
    bench.run()
    assert judged(bench) == [("valid", 60, "chamber", 1)]

    bench.declare(LAB_TOML)
    bench.run()
    assert judged(bench) == [("humid", 39, "chamber", 0)]


def test_many_rounds_and_one_round_end_alike(bench: Bench, tmp_path) -> None:
    once = Bench(tmp_path / "once")
    steps = [
        lambda b: put_tests(b),
        lambda b: drop_loads(b, "l.csv", (MONDAY - timedelta(hours=49), "N-1", "C1", "in")),
        lambda b: b.drop_climate("c.csv", LOGGED, 61),
        lambda b: drop_loads(
            b,
            "m.csv",
            (MONDAY - timedelta(hours=12), "N-1", "C1", "out"),
            (MONDAY - timedelta(hours=11), "N-1", "C1", "in"),
        ),
    ]
    for step in steps:
        step(bench)
        bench.run()
        step(once)
    once.run()
    assert judged(bench) == judged(once) == [("short", 11, "specimen", 0)]


@pytest.mark.parametrize(
    ("event", "reason"),
    [
        (("", "N-1", "C1", "in"), "at: is blank"),
        (("2026-01-03T09:00:00Z", "", "C1", "in"), "load: is blank; write it"),
        (("2026-01-03T09:00:00Z", "N-1", "C1", "into"), 'event: "into" is no event; write one of in, moved, out'),
        (
            ("2026-01-03T09:00:00Z", "N-1", "C1", "in", "", "", "", "", "flat"),
            'laid: "flat" is no way of laying; write one of hung, open, piled, closed',
        ),
        (("2026-01-03T09:00:00Z", "N-1", "C1", "in", "A", "", "L1"), "lot: a lot needs supplier, product and lot"),
    ],
)
def test_an_event_that_cannot_be_meant_is_refused_with_its_reason_and_the_others_are_stored(
    bench: Bench, event: tuple[object, ...], reason: str
) -> None:
    drop_loads(bench, "l.csv", event, (MONDAY, "N-2", "C1", "In"))
    (entry,) = bench.run().entries
    assert (entry.stored, entry.refused) == (1, 1)
    with (bench.folder / "refused" / "l.csv").open(encoding="utf-8") as file:
        (row,) = csv.DictReader(file)
    assert row["reason"].startswith(reason)


def test_two_chambers_at_one_moment_contradict_and_the_same_event_again_is_a_duplicate(bench: Bench) -> None:
    event = (MONDAY, "N-1", "C1", "in")
    drop_loads(bench, "l.csv", event, (MONDAY, "N-1", "C2", "in"))
    drop_loads(bench, "m.csv", event)
    drop_loads(bench, "n.csv", event, (MONDAY, "N-1", "C1", "out"))
    drop_loads(bench, "o.csv", (MONDAY, "N-1", "C2", "in"))
    outcomes = [(one.stored, one.duplicate, one.corrected, one.refused) for one in bench.run().entries]
    assert outcomes == [(0, 0, 0, 2), (1, 0, 0, 0), (1, 1, 0, 0), (0, 0, 1, 0)]
