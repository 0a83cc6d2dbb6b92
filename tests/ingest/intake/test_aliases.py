"""A supplier, product or lot that files write in two ways is one: what comes later is read so, and what is stored moves."""

from __future__ import annotations

import pytest
from support.commands import call, document
from support.labs import LAB_TOML, MONDAY, Bench, csv_text, lot_rows

from ingest.common.errors import LabFileError
from ingest.config.lab import load
from ingest.store.store import known_store

BOTH_STORES = True

ALIAS = """
[[alias]]
column = "supplier"
written = "Alder Film Ltd"
name = "Alder Film"
"""
LOT_ALIAS = """
[[alias]]
column = "lot"
supplier = "Alder Film"
written = "L10"
name = "L01"
"""
STOCK = ("counted_on", "supplier", "product", "lot", "quantity", "storage")


def rows_of(bench: Bench, sql: str) -> list[tuple[object, ...]]:
    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        rows = [tuple(row) for row in connection.exec_driver_sql(sql).fetchall()]
    store.close()
    return rows


READINGS = (
    "SELECT t.supplier, l.supplier, l.lot, r.specimen, r.reading, r.value, r.notes FROM reading r JOIN stream t ON t.id = r.stream_id "
    "JOIN lot l ON l.id = r.lot_id ORDER BY 1, 3, 4, 5"
)
WRITTEN = '{"supplier as written": "Alder Film Ltd"}'


def test_what_is_read_later_comes_under_the_right_name_and_keeps_the_name_as_written(bench: Bench) -> None:
    bench.declare(LAB_TOML + ALIAS)
    bench.drop_tests("a.csv", lot_rows("L0", MONDAY, [[9.0]], supplier="Alder Film Ltd"))
    bench.run()

    assert rows_of(bench, READINGS) == [("Alder Film", "Alder Film", "L0", 1, 1, 9.0, WRITTEN)]


def test_a_stored_supplier_moves_with_its_counts_and_is_one_with_the_corrected_file(bench: Bench) -> None:
    (bench.folder / "drops" / "stock").mkdir()
    bench.drop_tests("stray.csv", lot_rows("L0", MONDAY, [[9.0, 9.5], [9.2]], supplier="Alder Film Ltd"))
    bench.drop("s.csv", csv_text(STOCK, [("2026-11-20", "Alder Film Ltd", "MB-10", "L0", "100", "a")]), "stock")
    bench.run()
    # The file under the right name, with one value corrected and one reading more.
    bench.drop_tests("right.csv", lot_rows("L0", MONDAY, [[9.0, 9.9], [9.2], [9.4]]))
    bench.run()
    assert len(document(bench.folder, "board")) == 2

    bench.declare(LAB_TOML + ALIAS)
    done = bench.run()

    assert done.notes == ['supplier "Alder Film Ltd" is read as "Alder Film": 1 lot moved']
    assert [row[:1] + row[2:6] for row in rows_of(bench, READINGS)] == [
        ("Alder Film", "L0", 1, 1, 9.0),
        ("Alder Film", "L0", 1, 2, 9.9),
        ("Alder Film", "L0", 2, 1, 9.2),
        ("Alder Film", "L0", 3, 1, 9.4),
    ]
    assert rows_of(bench, "SELECT value FROM earlier_value") == [(9.5,)]
    assert rows_of(bench, "SELECT l.supplier, c.quantity FROM stock_count c JOIN lot l ON l.id = c.lot_id") == [
        ("Alder Film", 100.0)
    ]
    assert [row["supplier"] for row in document(bench.folder, "board")] == ["Alder Film"]
    answers = document(bench.folder, "find", "Alder Film")["answers"]
    assert {one["supplier"] for one in answers if one["kind"] in ("lot", "product", "supplier")} == {"Alder Film"}
    (session,) = document(bench.folder, "lot", "Alder Film", "L0")["sessions"]
    assert len(session["readings"]) == 4
    assert bench.run().notes == []


def test_the_later_file_counts_where_the_stray_name_came_later(bench: Bench) -> None:
    bench.drop_tests("right.csv", lot_rows("L0", MONDAY, [[9.0]]))
    bench.run()
    bench.drop_tests("stray.csv", lot_rows("L0", MONDAY, [[9.7]], supplier="Alder Film Ltd"))
    bench.run()

    bench.declare(LAB_TOML + ALIAS)
    bench.run()

    assert [row[5] for row in rows_of(bench, READINGS)] == [9.7]
    assert rows_of(bench, "SELECT e.value, l.supplier FROM earlier_value e JOIN lot l ON l.id = e.lot_id") == [
        (9.0, "Alder Film")
    ]


def test_a_mistyped_lot_moves_within_its_stream_and_a_cumulative_export_brings_it_not_back(bench: Bench) -> None:
    wrong = lot_rows("L10", MONDAY, [[9.0, 9.5]])
    bench.drop_tests("a.csv", wrong)
    bench.run()
    bench.declare(LAB_TOML + LOT_ALIAS)
    bench.drop_tests("b.csv", [*wrong, *lot_rows("L11", MONDAY, [[8.0]])])

    (entry,) = bench.run().entries

    assert (entry.stored, entry.duplicate) == (1, 2)
    assert [row[2] for row in rows_of(bench, READINGS)] == ["L01", "L01", "L11"]
    assert len(document(bench.folder, "lot", "Alder Film", "L01")["sessions"]) == 1
    stray = call(bench.folder, "lot", "Alder Film", "L10")
    assert (stray.exit_code, stray.stdout) == (2, "")
    assert 'lab.toml reads supplier "Alder Film" lot "L10" as supplier "Alder Film" lot "L01"' in stray.stderr


def test_two_files_in_one_round_are_one_lot(bench: Bench) -> None:
    bench.declare(LAB_TOML + ALIAS)
    bench.drop_tests("a.csv", lot_rows("L0", MONDAY, [[9.0]], supplier="Alder Film Ltd"))
    bench.drop_tests("b.csv", lot_rows("L0", MONDAY, [[9.0]]))

    assert [(one.stored, one.duplicate) for one in bench.run().entries] == [(1, 0), (0, 1)]


@pytest.mark.parametrize(
    ("table", "complaint"),
    [
        (LOT_ALIAS.replace('supplier = "Alder Film"\n', ""), 'alias.L01: expected supplier with column = "lot"'),
        (ALIAS.replace("Alder Film Ltd", "Alder Film"), "alias.Alder Film: expected another name than the written one"),
        (ALIAS + ALIAS, "alias.2.written: expected another name than alias 1 has"),
        (
            ALIAS + ALIAS.replace("Alder Film Ltd", "Alder").replace('name = "Alder Film"', 'name = "Alder Film Ltd"'),
            "alias.2.name: expected the right name",
        ),
    ],
)
def test_an_alias_that_cannot_be_meant_is_refused(bench: Bench, table: str, complaint: str) -> None:
    bench.declare(LAB_TOML + table)

    with pytest.raises(LabFileError, match=complaint.replace("[", r"\[")):
        load(bench.folder)
