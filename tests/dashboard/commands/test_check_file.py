"""`check FILE` reads a file with lab.toml or proposes a source; what it proposes, pasted, brings the file in."""

from __future__ import annotations

from pathlib import Path

import jsonschema
import pytest
from support.commands import call, document
from support.exports import CALIBRATIONS, CAPTURES, GERMAN, GERMAN_LOG, GERMAN_STOCK, LOADS
from support.labs import LAB_TOML, MONDAY, Bench, lot_rows

from dashboard.schemas import schema

pytestmark = pytest.mark.usefixtures("lab_clock")

NO_SOURCE = LAB_TOML.split("[[source]]", maxsplit=1)[0]


def put(folder: Path, name: str, data: bytes) -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


def test_a_new_user_brings_a_german_export_in_by_the_proposal_alone(bench: Bench, tmp_path: Path) -> None:
    bench.declare(NO_SOURCE)
    for name, data, place in (("woche 12.csv", GERMAN, "tests"), ("klima.csv", GERMAN_LOG, "climate")):
        path = put(tmp_path, name, data)
        outcome = document(bench.folder, "check", str(path))
        jsonschema.validate(outcome, schema("check-file"))
        assert (outcome["problem"], outcome["refused"]) == (None, 0)
        lab_toml = bench.folder / "lab.toml"
        lab_toml.write_text(lab_toml.read_text() + "\n" + outcome["source"].replace("…", "Nord"))
        path.rename(bench.folder / "drops" / place / name)

    files = {file["name"]: file for file in document(bench.folder, "run")["files"]}

    assert [files[name]["stored"] for name in ("woche 12.csv", "klima.csv")] == [6, 2]
    lot = document(bench.folder, "lot", "Alder Folie", "CH-16")
    (session,) = lot["sessions"]
    assert (session["chamber"], len(session["readings"])) == ("Nord", 18)
    over = [one for one in session["readings"] if one["bound"]]
    assert [(one["value"], one["bound"], one["specimen"], one["reading"]) for one in over] == [(5e7, 1, 2, 5)]
    assert (
        document(bench.folder, "lot", "Alder Folie", "CH-17")["sessions"][0]["readings"][0]["operator"] == "Jürgen Groß"
    )


def test_a_file_is_read_as_lab_toml_declares_and_the_source_is_named(bench: Bench, tmp_path: Path) -> None:
    declared = NO_SOURCE + '[[source]]\nkind = "tests"\nfolder = "drops/tests"\nencoding = "cp1252"\n'
    bench.declare(declared)
    bench.drop_tests("a.csv", [{**row, "operator": "Jürgen"} for row in lot_rows("L0", MONDAY, [[9.0, 9.5]])])
    path = bench.folder / "drops" / "tests" / "a.csv"
    path.write_bytes(path.read_text().encode("cp1252"))

    inside = document(bench.folder, "check", str(path))
    outside = document(bench.folder, "check", str(put(tmp_path, "b.csv", path.read_bytes())))

    for outcome in (inside, outside):
        assert (outcome["source_number"], outcome["refused"], outcome["encoding"]) == (1, 0, "cp1252")
        assert outcome["first_rows"][0]["cells"]["operator"] == "Jürgen"
        assert outcome["doubts"] == []


def test_a_file_elsewhere_is_read_by_the_source_whose_pattern_fits_its_name(bench: Bench, tmp_path: Path) -> None:
    table = '[[source]]\nkind = "tests"\nfolder = "drops/tests"\npattern = "%s_*.csv"\nfixed = { operator = "%s" }\n'
    bench.declare(NO_SOURCE + table % ("pulse", "A") + table % ("ohms", "B"))
    rows = [{**row, "operator": ""} for row in lot_rows("L0", MONDAY, [[9.0, 9.5]])]
    fine = bench.drop_tests("ohms_1.csv", rows).read_bytes()
    bad = bench.drop_tests("ohms_2.csv", [{**row, "value": "x"} for row in rows]).read_bytes()

    for name, data, refused in (("ohms_2026-03.csv", fine, 0), ("ohms_2026-04.csv", bad, 2)):
        path = put(tmp_path, name, data)
        outcome = document(bench.folder, "check", str(path))
        assert (outcome["source_number"], outcome["refused"]) == (2, refused)
        assert "read as source 2 of lab.toml declares" in call(bench.folder, "check", str(path)).stdout


def test_a_file_without_a_name_that_fits_is_read_by_the_source_of_its_layout(bench: Bench, tmp_path: Path) -> None:
    table = '[[source]]\nkind = "tests"\nfolder = "drops/tests"\ncolumns = { lot = "Batch" }\n'
    bench.declare(NO_SOURCE + table)
    rows = lot_rows("L0", MONDAY, [[9.0, 9.5, 9.2]])
    rows[1]["value"] = "x"
    data = bench.drop_tests("a.csv", rows).read_bytes().replace(b"lot", b"Batch", 1)

    outcome = document(bench.folder, "check", str(put(tmp_path, "b.csv", data)))

    assert (outcome["source_number"], outcome["refused"]) == (1, 1)


def test_the_first_rows_show_tester_load_and_days(bench: Bench, tmp_path: Path) -> None:
    shown = {"instrument": "T1", "load": "B-01", "received_on": "2026-02-20", "made_on": "2026-02-13"}
    path = bench.drop_tests("a.csv", [{**row, **shown} for row in lot_rows("L0", MONDAY, [[9.0]])])

    assert shown.items() <= document(bench.folder, "check", str(path))["first_rows"][0]["cells"].items()


def test_the_text_shows_columns_rows_doubts_and_the_table_to_paste(bench: Bench, tmp_path: Path) -> None:
    bench.declare(NO_SOURCE)

    result = call(bench.folder, "check", str(put(tmp_path, "klima.csv", GERMAN_LOG)))

    assert result.exit_code == 0
    head, *_ = result.stdout.splitlines()
    assert head == "klima.csv: climate, 2 data rows, encoding cp1252, delimiter semicolon, read as proposed below."
    for part in (
        "rel. Feuchte [%]  humidity_percent",
        "2026-03-14 08:00:00",
        "To settle before you use it:",
        "[[source]]",
    ):
        assert part in result.stdout


def test_a_second_source_of_a_folder_gets_a_pattern_so_that_it_is_not_ignored(bench: Bench, tmp_path: Path) -> None:
    outcome = document(bench.folder, "check", str(put(tmp_path, "woche 12.csv", GERMAN)))

    assert 'pattern = "woche*.csv"' in outcome["source"]
    bench.declare(LAB_TOML + outcome["source"].replace('pattern = "woche*.csv"\n', ""))
    result = call(bench.folder, "run")
    assert result.exit_code == 2
    assert "lab.toml, source.3: expected another folder or pattern than source 1 has" in result.stderr
    assert "add pattern, or run lotdrift check on the file once more without this source" in result.stderr


def test_a_file_that_is_no_table_is_one_line(bench: Bench, tmp_path: Path) -> None:
    result = call(bench.folder, "check", str(put(tmp_path, "a.csv", b"PK\x03\x04rest")))

    assert (result.exit_code, result.stdout) == (1, "")
    assert result.stderr.startswith("a.csv: is a workbook or another ZIP archive in spite of its name")


@pytest.mark.parametrize(
    ("name", "data", "first", "second"),
    [
        (
            "stock.csv",
            GERMAN_STOCK,
            {"counted_on": "2026-11-20", "quantity": "1200", "unit": "Beutel", "storage": "Halle 1"},
            {"counted_on": "2026-11-20", "quantity": "not counted"},
        ),
        (
            "loads.csv",
            LOADS,
            {"at": "2026-03-13 15:00:00", "load": "K1-01", "event": "in", "laid": "hung", "lot": "L1"},
            {"at": "2026-03-16 16:00:00", "event": "out"},
        ),
        (
            "calibrations.csv",
            CALIBRATIONS,
            {"done_at": "2026-01-08 10:00:00", "instrument": "T1", "due_on": "2027-01-08", "as_found": "0.8"},
            {},
        ),
        (
            "A_L1_1_2026-03-17.csv",
            CAPTURES,
            {"supplier": "A", "lot": "L1", "specimen": "1", "reading": "1", "day": "2026-03-17", "samples": "200"},
            {},
        ),
    ],
)
def test_the_rows_of_each_kind_are_shown_under_our_names_as_a_person_reads_them(
    bench: Bench, tmp_path: Path, name: str, data: bytes, first: dict[str, str], second: dict[str, str]
) -> None:
    bench.declare(NO_SOURCE)

    outcome = document(bench.folder, "check", str(put(tmp_path, name, data)))

    jsonschema.validate(outcome, schema("check-file"))
    rows = [row["cells"] for row in outcome["first_rows"]]
    assert first.items() <= rows[0].items()
    assert second.items() <= rows[-1].items()
    assert not {"counted_day", "is_counted", "at_us"} & set(rows[0])
    declared = bench.folder / "lab.toml"
    declared.write_text(declared.read_text() + "\n" + outcome["source"])
    assert document(bench.folder, "check", str(tmp_path / name))["source_number"] == 1
