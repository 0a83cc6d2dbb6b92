"""A test report states the bags outside the limit beside its verdict, as the page of the lot does."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import pypdf
import pytest
from support.commands import call, document
from support.labs import MONDAY, Bench, lot_rows

from dashboard.text.lot_text import worry
from dashboard.verdict_papers import report

pytestmark = pytest.mark.usefixtures("lab_clock")

ISSUED = ("--issue", "--number", "R-1", "--by", "Bench 2", "--because", "by procedure")


def issue(bench: Bench, lot: str, out: Path, *more: str) -> tuple[dict[str, Any], str]:
    """The document of a report and the text of its paper."""
    result = call(bench.folder, "report", "Alder Film", lot, "--out", str(out), "--json", *more)
    assert result.exit_code == 0, result.output
    pages = pypdf.PdfReader(next(out.glob("report-*.pdf"))).pages
    return json.loads(result.stdout), " ".join(" ".join(page.extract_text().split()) for page in pages)


def test_an_issued_report_states_the_bags_outside_and_the_worst_beside_a_pass(bench: Bench, tmp_path: Path) -> None:
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 2)
    bench.drop_tests("out.csv", lot_rows("L1", MONDAY, [[23.0, 23.0], [22.0, 22.1], *[[12.0, 12.1]] * 4]))
    bench.drop_tests("in.csv", lot_rows("L2", MONDAY + timedelta(days=1), [[9.0, 9.1]] * 6))
    bench.run()
    (session,) = document(bench.folder, "lot", "Alder Film", "L1")["sessions"]
    assert worry(session) == "2 of 6 bags outside, worst bag 23.0 nJ"

    drawn, text = issue(bench, "L1", tmp_path / "issued", *ISSUED)
    assert "verdict pass on the mean; 2 of 6 bags outside, worst bag 23.0 nJ (limit under 20.0 nJ)" in text
    assert drawn["sessions"][0]["bag_count"] == session["bag_count"]

    _, inside = issue(bench, "L2", tmp_path / "inside")
    assert "verdict pass on the mean" in inside
    assert "outside" not in inside

    # A report that was issued before the count was kept in it stays as it was.
    del drawn["sessions"][0]["bag_count"]
    (tmp_path / "before.pdf").write_bytes(report.as_pdf(drawn))
    before = " ".join(page.extract_text() for page in pypdf.PdfReader(tmp_path / "before.pdf").pages)
    assert "bags outside" not in before


def test_a_report_states_a_level_outside_the_control_limits(bench: Bench, tmp_path: Path) -> None:
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 2)
    bench.drop_tests("in.csv", lot_rows("L1", MONDAY, [[9.0, 9.1]] * 6))
    bench.run()
    drawn, text = issue(bench, "L1", tmp_path)
    assert "control limits" not in text
    assert drawn["sessions"][0]["outside_control_limits"] is False

    drawn["sessions"][0]["outside_control_limits"] = True
    (tmp_path / "beyond.pdf").write_bytes(report.as_pdf(drawn))
    beyond = " ".join(" ".join(page.extract_text().split()) for page in pypdf.PdfReader(tmp_path / "beyond.pdf").pages)
    assert "verdict pass on the mean; level outside the control limits" in beyond
