"""Counts of the stock: what is stored, what repeats, what is corrected and what is refused."""

from __future__ import annotations

import csv

import pytest
from support.labs import LAB_TOML, MONDAY, NOW, Bench, csv_text, lot_rows

from ingest.common.errors import LabFileError
from ingest.config.lab import load
from ingest.intake.dry_run import check
from ingest.store.store import known_store

BOTH_STORES = True

COLUMNS = ("counted_on", "supplier", "product", "lot", "quantity", "unit", "storage", "opened_on")
COUNT = ("2026-11-20", "Alder Film", "MB-10", "L0", "1200", "bags", "shelf 1", "")


def drop_counts(bench: Bench, name: str, rows: list[tuple[object, ...]], columns: tuple[str, ...] = COLUMNS) -> None:
    (bench.folder / "drops" / "stock").mkdir(exist_ok=True)
    bench.drop(name, csv_text(columns, rows), "stock")


def counts(bench: Bench) -> list[tuple[object, ...]]:
    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        rows = connection.exec_driver_sql(
            "SELECT l.lot, c.counted_day, s.text, c.quantity, c.is_counted, c.unit, c.opened_on FROM stock_count c "
            "JOIN lot l ON l.id = c.lot_id JOIN label s ON s.id = c.storage_id ORDER BY 1, 2, 3"
        ).fetchall()
    store.close()
    return [tuple(row) for row in rows]


def outcome(bench: Bench) -> list[tuple[int, int, int, int]]:
    return [(one.stored, one.duplicate, one.corrected, one.refused) for one in bench.run().entries]


def test_a_count_is_stored_with_its_storage_and_the_day_of_opening(bench: Bench) -> None:
    drop_counts(bench, "a.csv", [COUNT, (*COUNT[:6], "shelf 2", "2026-11-01")])

    assert outcome(bench) == [(2, 0, 0, 0)]
    # 20 November 2026 is day 20,777 since 1970.
    assert counts(bench) == [
        ("L0", 20777, "shelf 1", 1200.0, 1, "bags", ""),
        ("L0", 20777, "shelf 2", 1200.0, 1, "bags", "2026-11-01"),
    ]


def test_the_same_count_again_is_a_duplicate_and_another_quantity_corrects_it(bench: Bench) -> None:
    drop_counts(bench, "a.csv", [COUNT])
    bench.run()
    drop_counts(bench, "b.csv", [COUNT, ("2026-11-24", *COUNT[1:])])
    assert outcome(bench) == [(1, 1, 0, 0)]

    drop_counts(bench, "c.csv", [(*COUNT[:4], "900", *COUNT[5:])])

    assert outcome(bench) == [(0, 0, 1, 0)]
    assert [row[3] for row in counts(bench)] == [900.0, 1200.0]
    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        earlier = connection.exec_driver_sql("SELECT quantity FROM earlier_count").fetchall()
    store.close()
    assert [tuple(row) for row in earlier] == [(1200.0,)]


@pytest.mark.parametrize(
    ("place", "value", "reason"),
    [
        (0, "", "counted_on: is blank; write the day of the count"),
        (
            0,
            "20.11.26",
            'counted_on: "20.11.26" is not a date; write it as 2026-03-02, or declare its order in [[source]], such as '
            'time_format = "%d.%m.%Y"',
        ),
        (0, "2026-11-26", 'counted_on: "2026-11-26" is not a day from 1990-01-01 to 2026-11-25; correct it'),
        (3, " ", "lot: is blank; write it"),
        (4, "-5", 'quantity: "-5" is not a quantity from 0 on; correct it'),
        (4, ">100", 'quantity: ">100" is bounded; write a number'),
        (4, "12 boxes", 'quantity: "12 boxes" carries a unit; write the number here and the unit in its own column'),
        (7, "2026-11-21", "opened_on: is after the day of the count; correct one of them"),
    ],
)
def test_a_row_that_cannot_be_meant_is_refused_with_its_reason_and_the_others_are_stored(
    bench: Bench, place: int, value: str, reason: str
) -> None:
    bad = [*COUNT]
    bad[place] = value
    drop_counts(bench, "a.csv", [tuple(bad), ("2026-11-20", "Alder Film", "MB-10", "L9", "0", "", "", "")])

    assert outcome(bench) == [(1, 0, 0, 1)]
    with (bench.folder / "refused" / "a.csv").open(encoding="utf-8") as file:
        assert [row["reason"] for row in csv.DictReader(file)] == [reason]
    assert [row[0] for row in counts(bench)] == ["L9"]


def test_two_rows_that_contradict_each_other_are_both_refused(bench: Bench) -> None:
    drop_counts(bench, "a.csv", [COUNT, (*COUNT[:4], "7", *COUNT[5:])])

    assert outcome(bench) == [(0, 0, 0, 2)]
    with (bench.folder / "refused" / "a.csv").open(encoding="utf-8") as file:
        reasons = [row["reason"] for row in csv.DictReader(file)]
    assert reasons[0].startswith("counted_on: contradicts line 3, which has other values for this lot, day and storage")


def test_four_columns_are_enough_and_a_blank_quantity_says_that_the_lot_is_held(bench: Bench) -> None:
    drop_counts(bench, "a.csv", [COUNT[:4]], COLUMNS[:4])

    assert outcome(bench) == [(1, 0, 0, 0)]
    assert counts(bench) == [("L0", 20777, "", 1.0, 0, "", "")]


def test_a_file_without_the_lot_is_refused_as_a_whole(bench: Bench) -> None:
    drop_counts(bench, "a.csv", [COUNT[:3]], COLUMNS[:3])

    (entry,) = bench.run().entries
    assert entry.state == "refused"
    assert 'lacks the column "lot"' in entry.reason


def test_decimal_commas_are_read_from_the_whole_column(bench: Bench) -> None:
    (bench.folder / "drops" / "stock").mkdir()
    bench.drop(
        "a.csv", "counted_on;supplier;product;lot;quantity\n2026-11-20;A;P;L1;1,5\n2026-11-20;A;P;L2;1,25\n", "stock"
    )

    assert outcome(bench) == [(2, 0, 0, 0)]
    assert [row[3] for row in counts(bench)] == [1.5, 1.25]


def test_a_source_may_name_its_columns_and_the_check_reads_it(bench: Bench) -> None:
    source = '\n[[source]]\nkind = "stock"\nfolder = "drops/stock"\ncolumns = { lot = "Charge" }\nfixed = { unit = "bags" }\n'
    bench.declare(LAB_TOML + source)
    drop_counts(bench, "a.csv", [COUNT[:4]], (*COLUMNS[:3], "Charge"))

    assert [file["state"] for file in check(load(bench.folder), NOW).files] == ["readable"]
    assert outcome(bench) == [(1, 0, 0, 0)]
    assert counts(bench)[0][5] == "bags"


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("[ageing]\ncoverage = 1.0", "lab.toml, ageing.coverage: expected a number from 0.5 to below 1, got 1.0"),
        ("[ageing]\nfrom_day = 3", "lab.toml, ageing.from_day: unknown key; did you mean from_days?"),
        (
            '[[product]]\nname = "P"\nkeep_months = 0',
            "lab.toml, product.P.keep_months: expected a number above 0, got 0",
        ),
        (
            '[[source]]\nkind = "stock"\nfolder = "drops/stock"\nreadings = ["a"]',
            'lab.toml, source.3: expected readings, values, characteristics and log10 only with kind = "tests"',
        ),
    ],
)
def test_a_wrong_declaration_of_the_stock_is_named(bench: Bench, text: str, complaint: str) -> None:
    bench.declare(LAB_TOML + "\n" + text + "\n")

    with pytest.raises(LabFileError) as error:
        load(bench.folder)
    assert complaint in str(error.value)


def test_a_lot_that_was_counted_and_never_tested_changes_no_other_result(bench: Bench) -> None:
    bench.drop_tests("t.csv", lot_rows("L1", MONDAY, [[10.0, 11.0]]))
    bench.run()
    drop_counts(bench, "a.csv", [COUNT])

    assert bench.run().evaluated == 0


GERMAN_STOCK = (
    LAB_TOML
    + """
[[source]]
kind = "stock"
folder = "drops/stock"
time_format = "%d.%m.%Y"
"""
)


def test_a_format_of_days_alone_reads_the_days_of_a_count(bench: Bench) -> None:
    bench.declare(GERMAN_STOCK)
    drop_counts(bench, "a.csv", [("20.11.2026", *COUNT[1:7], "1.11.2026"), ("2026-11-24", *COUNT[1:])])

    assert outcome(bench) == [(2, 0, 0, 0)]
    assert counts(bench) == [
        ("L0", 20777, "shelf 1", 1200.0, 1, "bags", "2026-11-01"),
        ("L0", 20781, "shelf 1", 1200.0, 1, "bags", ""),
    ]


def test_a_day_that_an_export_writes_with_a_time_is_read_where_the_format_has_one(bench: Bench) -> None:
    bench.declare(GERMAN_STOCK.replace("%Y", "%Y %H:%M"))
    drop_counts(bench, "a.csv", [("20.11.2026 00:00", *COUNT[1:7], "1.11.2026")])

    assert outcome(bench) == [(1, 0, 0, 0)]
    assert counts(bench) == [("L0", 20777, "shelf 1", 1200.0, 1, "bags", "2026-11-01")]


def test_a_format_without_a_whole_date_is_refused(bench: Bench) -> None:
    bench.declare(GERMAN_STOCK.replace("%d.%m.%Y", "%m.%Y"))

    with pytest.raises(LabFileError, match=r'expected a time_format with a date such as "%d\.%m\.%Y", got "%m\.%Y"'):
        load(bench.folder)
