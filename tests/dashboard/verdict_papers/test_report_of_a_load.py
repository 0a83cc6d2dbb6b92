"""What a test report states of the load of its bags and of the rule by which they were judged."""

from __future__ import annotations

import io
import json
from datetime import timedelta
from pathlib import Path

import pypdf
from support.commands import call
from support.labs import LAB_TOML, MONDAY, Bench, csv_text, lot_rows
from support.page_text import words

from dashboard.queries.lab_reader import LabReader
from dashboard.web import app

COLUMNS = ("at", "load", "chamber", "event", "supplier", "product", "lot", "laid")
LOT = ("Alder Film", "MB-10", "L1")


def report(bench: Bench, out: Path) -> tuple[dict, str]:
    """The record of the chamber in the document, and the text of the PDF."""
    result = call(bench.folder, "report", "Alder Film", "L1", "--out", str(out), "--json")
    assert result.exit_code == 0, result.output
    pages = pypdf.PdfReader(io.BytesIO(next(out.glob("report-*.pdf")).read_bytes())).pages
    return json.loads(result.stdout)["sessions"][0]["chamber_record"], " ".join(
        " ".join(page.extract_text().split()) for page in pages
    )


def record(bench: Bench, name: str, *events: tuple[float, str, str]) -> None:
    rows = [((MONDAY + timedelta(hours=h)).isoformat(), "N-1", "C1", event, *LOT, laid) for h, event, laid in events]
    (bench.folder / "drops" / "loads").mkdir(exist_ok=True)
    bench.drop(name, csv_text(COLUMNS, rows), "loads")
    bench.run()


def test_a_report_states_from_when_to_when_the_bags_were_in_and_how_they_lay(bench: Bench, tmp_path: Path) -> None:
    bench.drop_climate("a.csv", MONDAY - timedelta(hours=100), 120)
    bench.drop_tests("t.csv", lot_rows("L1", MONDAY, [[10.0, 11.0]] * 3))
    bench.run()
    _, text = report(bench, tmp_path / "none")
    assert "bags in the chamber not recorded how the bags lay not recorded" in text

    # The test names no load; its lot does.
    record(bench, "in.csv", (-60, "in", ""))
    chamber, text = report(bench, tmp_path / "in")
    assert chamber["out_at"] is None
    assert (
        "bags in the chamber from 2 Jan 2026, 21:00; when they came out is not recorded how the bags lay not recorded"
        in text
    )
    record(bench, "out.csv", (-60, "in", "hung"), (2, "out", ""))
    chamber, text = report(bench, tmp_path / "out")
    assert chamber["laid"] == "hung"
    assert "bags in the chamber from 2 Jan 2026, 21:00 to 5 Jan 2026, 11:00 how the bags lay hung" in text
    assert "in since" not in text


def test_a_guard_band_in_percent_is_the_rule_on_report_and_page(bench: Bench, tmp_path: Path) -> None:
    declared = LAB_TOML.replace('scale = "log"\n', 'scale = "log"\nguard_percent = 5\n', 1)
    assert declared != LAB_TOML
    bench.declare(declared)
    bench.drop_climate("a.csv", MONDAY - timedelta(hours=100), 120)
    bench.drop_tests("t.csv", lot_rows("L1", MONDAY, [[19.4, 19.5]] * 3))
    bench.run()

    _, text = report(bench, tmp_path / "out")
    shown = " ".join(words(app.page(LabReader(bench.folder), "/lot", "?supplier=Alder%20Film&lot=L1")))

    assert "guard band of 5 % of the limit (as declared; passes to 19.0 nJ) verdict undecided" in text
    assert "simple acceptance" not in text + shown
    assert "Decision rule: guard band of 5 % of the limit. A lot with these bags passes up to 19.0 nJ." in " ".join(
        shown.split()
    )


def deviations(bench: Bench, lot: str, out: Path) -> list[str]:
    result = call(bench.folder, "report", "Alder Film", lot, "--out", str(out), "--json")
    assert result.exit_code == 0, result.output
    lines: list[str] = json.loads(result.stdout)["sessions"][0]["deviations"]
    return lines


def test_fewer_bags_deviate_from_what_is_usual_for_the_product_and_from_no_other_number(
    bench: Bench, tmp_path: Path
) -> None:
    bench.drop_climate("a.csv", MONDAY - timedelta(hours=100), 24 * 7 * 6)
    for number, (bags, readings) in enumerate([(5, 2), (4, 2), (5, 2), (5, 2), (4, 2), (5, 1)]):
        day = MONDAY + timedelta(weeks=number)
        bench.drop_tests(f"t{number}.csv", lot_rows(f"L{number}", day, [[10.0, 11.0][:readings]] * bags))
    bench.run()

    # One earlier test shows no usual number.
    for usual in ("L0", "L1", "L2", "L3"):
        assert not any("most earlier tests" in line for line in deviations(bench, usual, tmp_path / usual))
    assert "4 bags tested; most earlier tests of this product had 5." in deviations(bench, "L4", tmp_path / "few")
    lines = deviations(bench, "L5", tmp_path / "short")
    assert "1 reading a bag; most earlier tests of this product had 2." in lines
    assert not any("bags tested" in line for line in lines)


def test_each_range_of_humidity_names_its_hours(bench: Bench, tmp_path: Path) -> None:
    # Dry for the required 48 hours, and drier before, after the bags had gone in.
    bench.drop_climate("a.csv", MONDAY - timedelta(hours=100), 49, humidity=10.0)
    bench.drop_climate("b.csv", MONDAY - timedelta(hours=50.5), 52, humidity=12.0)
    bench.drop_tests("t.csv", lot_rows("L1", MONDAY, [[10.0, 11.0]] * 3))
    bench.run()
    record(bench, "in.csv", (-90, "in", ""))

    _, text = report(bench, tmp_path / "out")
    shown = " ".join(
        " ".join(words(app.page(LabReader(bench.folder), "/lot", "?supplier=Alder%20Film&lot=L1"))).split()
    )

    required = "90.0 h within tolerance up to the test; 12.0 to 12.0 % RH in the required hours up to the test"
    assert f"documented conditioning {required}" in text
    assert required in shown
    assert "chamber log all entries from 1 Jan 2026, 15:00 to 5 Jan 2026, 09:00: least 10.0, mean" in text
