"""Sentences of the contract's edges that have no better home: what holds whatever a lab drops, seen from the outside."""

from __future__ import annotations

import os
from datetime import timedelta
from pathlib import Path

import pytest
from support.commands import assert_one_line, call, document
from support.feedfiles import file_of, read, reasons
from support.labs import LAB_TOML, MONDAY, NOW, Bench, csv_text, lot_rows

from ingest.config.lab import load
from ingest.intake.drops import take_in_drops
from ingest.store.store import open_store

GOOD = lot_rows("L0", MONDAY, [[10.0, 11.0]])
BAD = lot_rows("L1", MONDAY, [["OL", 0]])


# Values and units


@pytest.mark.parametrize("text", ["12 %", "12%", "0.5 ohm", "12.5 uJ", "12.5 ohm/sq"])
def test_percent_and_a_unit_that_contradicts_the_column_are_refused(text: str) -> None:
    told = reasons(read(file_of({"value": text})))

    assert text in told[2]


def test_units_that_could_mean_two_things_are_refused_and_plain_letter_case_is_not() -> None:
    ohms = {"characteristic": "surface_resistance", "value": "5"}
    units = ["NJ", "OHM", "gohm", "MOHM", "mohm", "mOhm", "MJ", "ohm/sq"]
    rows = [{**({} if unit.endswith("J") else ohms), "unit": unit, "specimen": str(n)} for n, unit in enumerate(units)]

    parsed = read(file_of(*rows))

    assert sorted(reasons(parsed)) == [6, 7, 8, 9]
    # SI prefixes: 5 giga-ohm and 5 mega-ohm.
    assert parsed.rows["value"].tolist() == [12.5, 5.0, 5e9, 5e6]


# Rows and files


def test_a_file_of_nothing_but_bad_rows_is_stored_and_all_its_rows_are_counted(bench: Bench) -> None:
    bench.drop_tests("a.csv", BAD)

    (entry,) = bench.run().entries

    assert (entry.state, entry.stored, entry.refused) == ("stored", 0, 2)


def test_the_bytes_of_each_drop_stay_in_drops_filed_or_refused(bench: Bench) -> None:
    made = [
        bench.drop_tests("good.csv", GOOD),
        bench.drop_tests("bad.csv", BAD),
        bench.drop("none.csv", "no,table\n1,2\n"),
        bench.drop("empty.csv", ""),
        bench.drop("text.csv", b"\xff\xfe\x00"),
        bench.drop_climate("log.csv", MONDAY, 2),
        bench.drop_tests("young.csv", [*GOOD, *lot_rows("L2", MONDAY, [[9.0]])]),
    ]
    same = bench.drop_tests("good too.csv", GOOD)
    contents = [path.read_bytes() for path in (*made, same)]
    # One that is just being written, as far as anybody can tell.
    os.utime(made[-1], (NOW.timestamp(), NOW.timestamp()))

    for later in range(3):
        bench.run(NOW + timedelta(hours=later))
        kept = [
            path.read_bytes()
            for place in ("drops", "filed", "refused")
            for path in (bench.folder / place).rglob("*")
            if path.is_file()
        ]
        for content in contents:
            assert kept.count(content) >= contents.count(content)


def test_a_row_with_too_many_cells_is_reported_with_all_of_them(bench: Bench) -> None:
    columns = ("logged_at", "chamber", "humidity_percent", "temperature_c")
    log = csv_text(columns, [(MONDAY.isoformat(), "C1", 12, 23)]) + "a,b,c,d,e\na,b\n"
    bench.drop("log.csv", log, "climate")

    (entry,) = bench.run().entries

    report = (bench.folder / "refused" / "log.csv").read_text().splitlines()
    assert (entry.stored, entry.refused) == (1, 2)
    assert report[0] == "file,line,reason,logged_at,chamber,humidity_percent,temperature_c"
    assert report[1].startswith("log.csv,3,")
    assert report[1].endswith(",a,b,c,d,e")
    assert report[2].startswith("log.csv,4,")
    assert report[2].endswith(",a,b")


def test_a_report_of_thousands_of_rows_is_whole_and_in_the_order_of_the_file(bench: Bench) -> None:
    bench.drop_tests("a.csv", [{**BAD[0], "specimen": number} for number in range(12_000)])

    take_in_drops(open_store(bench.folder), load(bench.folder), NOW, piece_bytes=200_000)

    report = (bench.folder / "refused" / "a.csv").read_text().splitlines()[1:]
    assert [int(row.split(",")[1]) for row in report] == list(range(2, 12_002))


# Time


def test_a_stamp_of_ten_with_an_offset_of_two_hours_is_the_reading_of_eight_in_utc(bench: Bench) -> None:
    plain = {**GOOD[0], "tested_at": "2026-01-05T08:00Z", "value": "12.5"}
    bench.drop_tests("a.csv", [plain])
    bench.run()
    bench.drop_tests("b.csv", [{**plain, "tested_at": "2026-01-05T10:00+02:00", "value": "0.0125", "unit": "uJ"}])

    (entry,) = bench.run().entries

    assert (entry.stored, entry.duplicate, entry.corrected) == (0, 1, 0)


# Commands


@pytest.mark.parametrize("command", ["run", "board", "alerts"])
def test_a_store_that_can_not_be_opened_is_one_line_and_the_drops_stay(command: str, bench: Bench) -> None:
    path = bench.drop_tests("a.csv", GOOD)
    (bench.folder / "lotdrift.db").mkdir()

    assert_one_line(call(bench.folder, command), 3, "lotdrift.db")
    assert path.exists()
    assert (bench.folder / "lotdrift.db").is_dir()


def test_check_ends_with_1_for_a_contradiction_inside_a_file_as_a_round_does(bench: Bench) -> None:
    bench.drop_tests("a.csv", [*GOOD, {**GOOD[0], "value": 99}])

    checked = call(bench.folder, "check")
    told = document(bench.folder, "check")

    assert checked.exit_code == 1
    assert [one["line"] for one in told["refusals"]] == [2, 4]
    assert [entry["refused"] for entry in document(bench.folder, "run")["files"]] == [2]


def test_a_wrong_lab_toml_leaves_the_folder_as_it_was(bench: Bench) -> None:
    bench.drop_tests("a.csv", GOOD)
    bench.declare(LAB_TOML.replace("hours = 48", "hours = 0"))
    before = inventory(bench.folder)

    for command in ("run", "check", "board", "alerts"):
        assert_one_line(call(bench.folder, command), 2, "lab.toml", "hours")

    assert inventory(bench.folder) == before


def inventory(folder: Path) -> list[tuple[str, int]]:
    return sorted((str(path), path.stat().st_mtime_ns) for path in folder.rglob("*"))
