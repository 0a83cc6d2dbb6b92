"""Files that are no feed: each kind is reported in one line, with what to do, and stops no other file."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import pytest
from support.commands import call, document
from support.labs import MONDAY, Bench, lot_rows

from ingest.config.lab import load
from ingest.intake.unread_files import unread_files

pytestmark = pytest.mark.usefixtures("lab_clock")

ROWS = lot_rows("L0", MONDAY, [[10.0, 11.0]])


def put(bench: Bench, name: str, data: bytes = b"x") -> Path:
    path = bench.folder / "drops" / "tests" / name
    path.write_bytes(data)
    return path


def workbook() -> bytes:
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w") as archive:
        archive.writestr("xl/workbook.xml", "<workbook/>")
    return data.getvalue()


@pytest.mark.parametrize(
    ("name", "what"),
    [
        ("week 12.xlsx", "save its sheet as CSV"),
        ("week12.txt", "let its name end in .csv"),
        ("week12.pdf", "export the readings as CSV"),
    ],
)
def test_a_file_that_no_round_reads_stays_and_is_reported_in_one_line(bench: Bench, name: str, what: str) -> None:
    path = put(bench, name)
    bench.drop_tests("a.csv", ROWS)

    outcome = document(bench.folder, "run")

    assert [file["name"] for file in outcome["files"]] == ["a.csv"]
    (line,) = outcome["unread"]
    assert line.startswith(f"drops/tests/{name}: ")
    assert what in line
    assert path.exists()
    assert document(bench.folder, "check")["unread"] == [line]
    again = call(bench.folder, "run")
    assert (again.exit_code, again.stderr) == (0, "")
    assert line in again.stdout


def test_a_hundred_files_of_one_kind_are_one_line_with_a_count(bench: Bench) -> None:
    for number in range(100):
        put(bench, f"{number:02}.xlsx")

    (line,) = document(bench.folder, "run")["unread"]

    assert line.startswith("drops/tests/00.xlsx: is a workbook")
    assert line.endswith("(and 99 more like this, the last: drops/tests/99.xlsx)")


def test_the_alert_about_an_unread_file_keeps_its_day_and_ends_when_the_file_is_gone(bench: Bench) -> None:
    path = put(bench, "a.xlsx")

    (raised,) = document(bench.folder, "run")["raised"]
    assert (raised["kind"], raised["grade"]) == ("feed", "note")
    assert document(bench.folder, "run")["raised"] == []
    (alert,) = document(bench.folder, "alerts")
    assert alert["raised_at"] == raised["raised_at"]
    path.unlink()
    document(bench.folder, "run")
    assert document(bench.folder, "alerts", "--all") == []


def test_names_of_unfinished_files_and_of_the_system_are_passed_over_in_silence(bench: Bench) -> None:
    for name in ("a.csv.part", "a.tmp", "a.csv~", "~$a.xlsx", ".a.csv", "a.swp", "Thumbs.db", "desktop.ini"):
        put(bench, name)

    assert unread_files(load(bench.folder)) == {}


def test_a_csv_file_that_fits_no_pattern_is_reported(bench: Bench) -> None:
    text = (bench.folder / "lab.toml").read_text()
    bench.declare(text.replace('folder = "drops/tests"', 'folder = "drops/tests"\npattern = "bench*.csv"'))
    put(bench, "other.csv")

    (line,) = unread_files(load(bench.folder)).values()

    assert line.startswith("drops/tests/other.csv: fits the pattern of no [[source]] of its folder")


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (workbook(), "is a workbook or another ZIP archive in spite of its name; open it, save its sheet as CSV"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600, "is a workbook in spite of its name"),
        (b"%PDF-1.7\n", "is a PDF in spite of its name"),
        (b"\x1f\x8b\x08\x00", "is a compressed file in spite of its name; unpack it"),
    ],
)
def test_another_kind_of_file_under_the_name_of_a_feed_is_refused_with_what_it_is(
    bench: Bench, data: bytes, what: str
) -> None:
    put(bench, "week.csv", data)

    (file,) = document(bench.folder, "run")["files"]

    assert file["state"] == "refused"
    assert file["reason"].startswith(f"week.csv: {what}")


def test_a_file_with_a_header_alone_is_filed_with_a_note(bench: Bench) -> None:
    put(bench, "empty.csv", b"tested_at,supplier,product,lot,specimen,reading,characteristic,value,unit\n")

    assert "holds a header and no row" in document(bench.folder, "check")["files"][0]["note"]
    (file,) = document(bench.folder, "run")["files"]

    assert (file["state"], file["stored"], file["reason"]) == ("stored", 0, None)
    assert file["note"].startswith("empty.csv: holds a header and no row, so nothing was stored of it")


def test_cells_left_out_are_counted_and_the_readings_stored(bench: Bench) -> None:
    rows = [{**row, "operator": "J\nK"} for row in ROWS]
    bench.drop_tests("a.csv", rows)

    assert document(bench.folder, "check")["files"][0]["omitted"] == 2
    (file,) = document(bench.folder, "run")["files"]

    assert (file["stored"], file["refused"], file["omitted"]) == (2, 0, 2)
    assert file["note"].startswith("a.csv: 2 cells that can't be read were left out")
    assert not list((bench.folder / "refused").glob("*"))
