"""What becomes of each row: stored, duplicate, corrected or refused, and what is kept of it."""

from __future__ import annotations

import csv
import io
import random
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from sqlalchemy import text
from support.labs import LAB_TOML, MONDAY, NOW, TEST_COLUMNS, Bench, csv_text, lot_rows

from dashboard.queries import stored_documents, stream_document
from ingest.common.instants import microseconds
from ingest.config.lab import load
from ingest.intake.drops import Entry
from ingest.store.store import known_store

BOTH_STORES = True

WIDE = LAB_TOML.replace(
    'folder = "drops/tests"', 'folder = "drops/tests"\nreadings = ["d1", "d2", "d3"]\nunits = { value = "nJ" }'
)
WIDE_COLUMNS = ("tested_at", "chamber", "supplier", "product", "lot", "specimen", "characteristic", "d1", "d2", "d3")


def rows_of(bench: Bench, sql: str) -> list[tuple[Any, ...]]:
    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        return [tuple(row) for row in connection.execute(text(sql))]


def fates(entry: Entry) -> tuple[int, int, int, int]:
    return entry.stored, entry.duplicate, entry.corrected, entry.refused


def wide(*readings: tuple[object, object, object], specimen: int = 1) -> str:
    """A row a bag, a column a discharge; the bags numbered from `specimen`."""
    return csv_text(
        WIDE_COLUMNS,
        [
            (MONDAY.isoformat(), "C1", "Alder Film", "MB-10", "L0", number, "shielding_energy", *own)
            for number, own in enumerate(readings, start=specimen)
        ],
    )


# A wide row is one data row


def test_a_wide_row_counts_once_whatever_became_of_its_readings(bench: Bench) -> None:
    bench.declare(WIDE)
    bench.drop("a.csv", wide((10, 11, 12), (9, "", ""), ("OL", 10, 10), (8, 8, 8)))
    (first,) = bench.run().entries

    bench.drop("b.csv", wide((10, 11, 12), (9, 9.5, ""), (7, 10, 10), (8, 8.5, 8)))
    (second,) = bench.run().entries

    assert fates(first) == (3, 0, 0, 1)
    # All known; one reading more; mended; one corrected beside two known ones.
    assert fates(second) == (2, 1, 1, 0)
    assert rows_of(bench, "SELECT count(*) FROM reading") == [(3 + 2 + 3 + 3,)]


def test_a_wide_row_that_stands_twice_in_a_file_is_a_duplicate(bench: Bench) -> None:
    bench.declare(WIDE)
    text_twice = wide((10, 11, 12), (9, 9, 9))
    bench.drop("a.csv", text_twice + text_twice.split("\n")[1] + "\n")

    (entry,) = bench.run().entries

    assert fates(entry) == (2, 1, 0, 0)


# Within one file


def test_an_agreeing_row_that_stands_twice_in_a_file_is_a_duplicate(bench: Bench) -> None:
    rows = lot_rows("L0", MONDAY, [[10.0, 11.0]])
    bench.drop_tests("a.csv", [*rows, {**rows[0], "value": "0.01", "unit": "uJ"}])

    (entry,) = bench.run().entries

    assert fates(entry) == (2, 1, 0, 0)


def test_rows_of_a_file_that_contradict_each_other_are_both_refused_and_both_reported(bench: Bench) -> None:
    rows = lot_rows("L0", MONDAY, [[10.0, 11.0]])
    bench.drop_tests("a.csv", [*rows, {**rows[0], "value": 12.5}])

    (entry,) = bench.run().entries

    assert fates(entry) == (1, 0, 0, 2)
    assert [line for (line,) in rows_of(bench, "SELECT line FROM refusal")] == [2, 4]


# Known already


def test_a_new_reading_of_a_known_lot_is_stored_beside_the_known_ones(bench: Bench) -> None:
    rows = lot_rows("L0", MONDAY, [[10.0, 11.0], [9.0, 9.5]])
    bench.drop_tests("a.csv", rows[:2])
    bench.run()

    bench.drop_tests("b.csv", rows)
    (entry,) = bench.run().entries

    assert fates(entry) == (2, 2, 0, 0)


def test_the_same_value_with_another_bound_is_a_correction(bench: Bench) -> None:
    rows = lot_rows("L0", MONDAY, [[0.5]])
    bench.drop_tests("a.csv", rows)
    bench.run()

    bench.drop_tests("b.csv", [{**rows[0], "value": "<0.5"}])
    (entry,) = bench.run().entries

    assert fates(entry) == (0, 0, 1, 0)
    assert rows_of(bench, "SELECT value, bound FROM reading") == [(0.5, -1)]


def test_a_correction_keeps_what_was_said_before_by_which_file_and_when(bench: Bench) -> None:
    rows = lot_rows("L0", MONDAY, [[10.0]])
    bench.drop_tests("a.csv", rows)
    bench.run()
    for name, value in (("b.csv", 12.5), ("c.csv", 10.0)):
        # Another operator: the very bytes of the first file would be `seen`.
        bench.drop_tests(name, [{**rows[0], "value": value, "operator": "cd"}])
        bench.run()

    history = rows_of(
        bench,
        "SELECT e.value, e.written, e.line, was.name, now.name FROM earlier_value e "
        'JOIN "drop" was ON was.id = e.drop_id JOIN "drop" now ON now.id = e.replaced_by_drop_id ORDER BY e.id',
    )
    assert history == [(10.0, "10.0 nJ", 2, "a.csv", "b.csv"), (12.5, "12.5 nJ", 2, "b.csv", "c.csv")]


def test_a_mended_row_that_is_dropped_again_is_stored(bench: Bench) -> None:
    rows = lot_rows("L0", MONDAY, [[10.0, "OL"]])
    bench.drop_tests("a.csv", rows)
    bench.run()

    bench.drop_tests("a.csv", [rows[0], {**rows[1], "value": 11.0}])
    (entry,) = bench.run().entries

    assert fates(entry) == (1, 1, 0, 0)


def test_moments_and_units_written_otherwise_are_the_same_reading(bench: Bench) -> None:
    rows = lot_rows("L0", MONDAY, [[12.5]])
    bench.drop_tests("a.csv", rows)
    bench.run()

    bench.drop_tests("b.csv", [{**rows[0], "tested_at": "2026-01-05T10:00:00+01:00", "value": "0.0125", "unit": "µJ"}])
    (entry,) = bench.run().entries

    assert fates(entry) == (0, 1, 0, 0)


@pytest.mark.parametrize("first", ["2026-01-02", ""])
def test_the_day_of_receipt_is_the_last_one_named_and_a_blank_takes_nothing_away(bench: Bench, first: str) -> None:
    rows = lot_rows("L0", MONDAY, [[10.0, 11.0, 12.0]])
    bench.drop_tests("a.csv", [{**rows[0], "received_on": first}, {**rows[1], "received_on": "2026-01-03"}, rows[2]])
    bench.run()
    bench.drop_tests("b.csv", lot_rows("L0", MONDAY + timedelta(days=9), [[10.0]]))
    bench.run()

    assert rows_of(bench, "SELECT received_on, made_on FROM lot") == [("2026-01-03", "")]


# Climate


def test_log_entries_are_stored_known_or_corrected(bench: Bench) -> None:
    columns = ("logged_at", "chamber", "humidity_percent", "temperature_c")
    entries = [((MONDAY + timedelta(minutes=n)).isoformat(), "C1", 12.0, 23.0) for n in range(4)]
    bench.drop("a.csv", csv_text(columns, entries[:3]), "climate")
    (first,) = bench.run().entries

    moved = (entries[0][0], "C1", 12.5, 23.0)
    bench.drop("b.csv", csv_text(columns, [moved, *entries[1:], entries[3], (entries[1][0], "C2", 9, 9)]), "climate")
    (second,) = bench.run().entries

    assert fates(first) == (3, 0, 0, 0)
    assert fates(second) == (2, 3, 1, 0)
    assert rows_of(bench, "SELECT humidity_percent FROM climate ORDER BY chamber_id, logged_us LIMIT 1") == [(12.5,)]


def test_a_corrected_log_entry_keeps_what_was_said_before_by_which_file_and_when(bench: Bench) -> None:
    columns = ("logged_at", "chamber", "humidity_percent", "temperature_c")
    bench.drop("a.csv", csv_text(columns, [(MONDAY.isoformat(), "C1", 12.0, 23.0)]), "climate")
    bench.run()
    bench.drop("b.csv", csv_text(columns, [(MONDAY.isoformat(), "C1", 12.0, 24.5)]), "climate")
    bench.run()

    kept = rows_of(
        bench,
        "SELECT e.humidity_percent, e.temperature_c, e.line, e.logged_us, e.replaced_us, first.name, second.name "
        'FROM earlier_climate e JOIN "drop" first ON first.id = e.drop_id '
        'JOIN "drop" second ON second.id = e.replaced_by_drop_id',
    )

    assert kept == [(12.0, 23.0, 2, microseconds(MONDAY), microseconds(NOW), "a.csv", "b.csv")]
    assert rows_of(bench, "SELECT temperature_c FROM climate") == [(24.5,)]


# Refusals


def test_a_report_holds_file_line_and_reason_and_then_the_cells_unchanged(bench: Bench) -> None:
    head = ",".join(TEST_COLUMNS)
    good = csv_text(TEST_COLUMNS, [[row.get(c, "") for c in TEST_COLUMNS] for row in lot_rows("L0", MONDAY, [[1.0]])])
    bad = '2026-01-05T09:00:00Z,C1,,,"Alder, ""Film""",MB-10,L0,,,1, 2 ,shielding_energy, 1e999 ,nJ,"two\nlines"'
    short = "2026-01-05T09:00:00Z,C1"
    bench.drop("a.csv", f"{good}{bad}\n{short}\n".encode() + b"\xff\xfe,x\n")

    (entry,) = bench.run().entries

    assert fates(entry) == (1, 0, 0, 3)
    report = (bench.folder / "refused" / "a.csv").read_bytes()
    header, *rows = csv.reader(io.StringIO(report.decode("utf-8", "surrogateescape"), newline=""))
    assert header == ["file", "line", "reason", *TEST_COLUMNS]
    # The record of line 3 runs over two lines, so the next one starts on line 5.
    assert [row[:2] for row in rows] == [["a.csv", "3"], ["a.csv", "5"], ["a.csv", "6"]]
    assert rows[0][3:] == next(csv.reader(io.StringIO(bad)))
    assert rows[1][3:] == short.split(",")
    assert all(row[2] for row in rows)
    assert head == ",".join(header[3:])


# Any split, any order

WHOLE = [
    row
    for number in range(3)
    for row in lot_rows(f"L{number}", MONDAY + timedelta(days=7 * number), [[10.0 + number, "<0.5"], [9.0, 11.5]])
] + lot_rows("L0", MONDAY + timedelta(days=3), [[8.0, 8.5]], chamber="C2")


def outcome(bench: Bench) -> tuple[object, ...]:
    """What a store says of readings and streams, files and numbers of rows left out."""
    store, lab = known_store(bench.folder), load(bench.folder)
    assert store is not None
    with store.reading() as connection:
        board = stored_documents.board(connection, lab)
        streams = [
            stream_document.stream(connection, lab, *(row[n] for n in ("supplier", "product", "characteristic")))
            for row in board
        ]
        alerts = stored_documents.alerts(connection, lab, closed_too=True)
    readings = rows_of(
        bench,
        "SELECT t.characteristic, l.lot, r.tested_us, r.specimen, r.reading, r.value, r.bound, r.written, c.text FROM reading r "
        "JOIN stream t ON t.id = r.stream_id JOIN lot l ON l.id = r.lot_id JOIN label c ON c.id = r.chamber_id",
    )
    sessions = rows_of(
        bench,
        "SELECT l.lot, s.started_us, s.ended_us, s.readings, s.level, s.conditioning, s.hours, s.verdict FROM session s "
        "JOIN lot l ON l.id = s.lot_id",
    )
    return board, streams, alerts, sorted(readings), sorted(sessions)


@pytest.fixture(scope="module")
def expected(tmp_path_factory: pytest.TempPathFactory) -> tuple[object, ...]:
    bench = Bench(tmp_path_factory.mktemp("whole"))
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 16)
    bench.drop_tests("a.csv", WHOLE)
    bench.run()
    return outcome(bench)


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@example(parts=[0] * (len(WHOLE) - 1) + [1], seed=0)  # The last row is stored before the others.
@given(parts=st.lists(st.integers(0, 3), min_size=len(WHOLE), max_size=len(WHOLE)), seed=st.integers(0, 10**6))
def test_any_split_and_any_order_of_drops_ends_in_the_same_store(
    parts: list[int], seed: int, expected: tuple[object, ...], tmp_path_factory: pytest.TempPathFactory
) -> None:
    bench, rng = Bench(tmp_path_factory.mktemp("split")), random.Random(seed)
    drops = [[row for row, part in zip(WHOLE, parts, strict=True) if part == number] for number in range(4)]
    halves = [(MONDAY - timedelta(hours=60), 24 * 8), (MONDAY - timedelta(hours=60) + timedelta(days=8), 24 * 8)]
    waiting: list[Any] = [*drops, *halves]
    rng.shuffle(waiting)
    for number, drop in enumerate(waiting):
        if isinstance(drop, tuple):
            bench.drop_climate(f"{number}.csv", *drop)
        elif drop:
            # A row that comes a second time changes nothing.
            bench.drop_tests(f"{number}.csv", rng.sample([*drop, WHOLE[0]], len(drop) + 1))
        if rng.random() < 0.5:
            bench.run()
    bench.run()

    assert outcome(bench) == expected


def test_the_files_of_a_lab_are_its_own(bench: Bench, tmp_path: Path) -> None:
    """A source outside the lab folder keeps its files in its own place until they are filed."""
    outside = tmp_path / "share"
    outside.mkdir()
    bench.declare(LAB_TOML.replace('folder = "drops/tests"', f'folder = "{outside}"'))
    (outside / "a.csv").write_text(
        csv_text(TEST_COLUMNS, [[row.get(c, "") for c in TEST_COLUMNS] for row in lot_rows("L0", MONDAY, [[1.0]])])
    )

    (entry,) = bench.run().entries

    assert fates(entry) == (1, 0, 0, 0)
    assert (bench.folder / "filed" / "a.csv").exists()
    assert not any(outside.iterdir())
