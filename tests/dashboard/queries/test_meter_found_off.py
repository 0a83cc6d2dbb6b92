"""A calibration shows that a meter was off, and not since when: no surface states its first possible day as the day."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import numpy as np
import pytest
from support.commands import call, document
from support.labs import LAB_TOML, MONDAY, Bench, csv_text, lot_rows
from support.page_text import words

from dashboard.charts import plotly_figures
from dashboard.notice import notice, wording
from dashboard.queries import stream_document
from dashboard.queries.lab_reader import LabReader
from dashboard.scorecard import scorecard
from dashboard.scorecard.wording import bench_marks
from dashboard.text.bench.bench_mark_text import Fault, faults
from dashboard.web.app import page
from ingest.documents.bench.bench_mark import BenchMark
from ingest.verdict.report import draft

pytestmark = pytest.mark.usefixtures("lab_clock")

STREAM = {"supplier": "Alder Film", "product": "MB-10", "characteristic": "shielding_energy"}
LAST_GOOD, FOUND = "5 Jan 2026", "8 Jun 2026"
SPAN = f"at its calibration of {FOUND}; since when is not known, not before {LAST_GOOD}"
CALIBRATIONS = ("instrument", "done_at", "due_on", "as_found", "as_left", "uncertainty")


@pytest.fixture
def found_off(tmp_path: Path) -> Bench:
    """A meter found 12 % high in week 22, after a lot of week 18 that failed."""
    bench = Bench(tmp_path / "lab", LAB_TOML + '\n[[instrument]]\nname = "T1"\ntolerance_percent = 5\n')
    scatter = np.random.default_rng(2)
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 24)
    rows = [
        {**row, "instrument": "T1"}
        for number, level in enumerate([9.0] * 18 + [30.0, 9.0])
        for row in lot_rows(
            f"L{number:02d}",
            MONDAY + timedelta(weeks=number, hours=2),
            [(level * np.exp(scatter.normal(0, 0.03, 3))).round(3).tolist() for _ in range(4)],
        )
    ]
    bench.drop_tests("all.csv", rows)
    (bench.folder / "drops" / "calibrations").mkdir()
    calibrations = [
        ("T1", MONDAY.isoformat(), "2026-12-31", "0", "0", "2"),
        ("T1", (MONDAY + timedelta(weeks=22)).isoformat(), "2027-06-30", "12", "0", "2"),
    ]
    bench.drop("k.csv", csv_text(CALIBRATIONS, calibrations), "calibrations")
    bench.run()
    return bench


def surfaces(bench: Bench) -> dict[str, str]:
    """Every surface that names the finding beside a test."""
    reader = LabReader(bench.folder)
    (failed,) = [one for one in document(bench.folder, "alerts") if one["kind"] == "limit"]
    with reader.reading() as connection:
        paper = notice.document(connection, reader.lab, failed["id"])
        (card,) = scorecard.documents(connection, reader.lab, "2026-Q2", "Alder Film")
        stream = stream_document.stream(connection, reader.lab, *STREAM.values())
        lot = document(bench.folder, "lot", "Alder Film", "L18")
        report = draft(connection, reader.lab, lot)
    figure: dict[str, Any] = plotly_figures.stream(stream)
    hover = [text for trace in figure["data"] for text in trace.get("text") or ()]
    return {
        "notice": " ".join([*wording.bench(paper), *wording.restrictions(paper)]),
        "card": bench_marks(card["streams"][0]),
        "lot page": " ".join(words(page(reader, "/lot", f"?{urlencode({'supplier': 'Alder Film', 'lot': 'L18'})}"))),
        "command": call(bench.folder, "lot", "Alder Film", "L18").stdout,
        "report": str(report),
        "bench": " ".join(words(page(reader, "/bench", ""))),
        "stream page": " ".join(words(page(reader, "/stream", f"?{urlencode(STREAM)}"))),
        "chart": " ".join(text for text in hover if "Lot L18" in text),
    }


def test_no_surface_states_the_first_possible_day_as_the_day(found_off: Bench) -> None:
    texts = surfaces(found_off)

    for name in ("notice", "card", "lot page", "command", "report"):
        assert SPAN in texts[name], (name, texts[name])
    assert f"not known, not before {LAST_GOOD}" in texts["bench"]
    for name, text in texts.items():
        for wrong in (
            f"from {LAST_GOOD}",
            f"since {LAST_GOOD}",
            f"normal again from {FOUND}",
            "while the bench was off:",
        ):
            assert wrong not in text, (name, wrong)


def test_the_level_without_the_deviation_has_its_condition(found_off: Bench) -> None:
    texts = surfaces(found_off)

    for name in ("notice", "card", "lot page", "command"):
        assert "if it was off by then" in texts[name], name
    assert "Tested when the bench may have been off: T1 read 12 % high" in texts["lot page"]
    assert "They may explain part of the values" in texts["notice"]
    assert "bench may have been off by +12 %" in texts["chart"]
    assert "bench may have been off by +12 %" in texts["stream page"]


# One fault, two findings


def mark(finding: str, first: str, last: str | None, source: str = "T1", **other: Any) -> BenchMark:
    values: BenchMark = {
        "finding": finding, "source": source, "size": 12.0, "size_unit": "%", "level_without": 9.0, "closed": True,
        "shown_by": None, "off_from_at": f"{first}T08:00:00+00:00",
        "off_until_at": None if last is None else f"{last}T08:00:00+00:00",
    }  # fmt: skip
    return {**values, **other}  # type: ignore[typeddict-item]


def test_the_lots_and_the_calibration_that_show_one_fault_are_listed_once() -> None:
    by_lots = mark("a", "2026-03-02", "2026-06-08")
    by_calibration = mark("b", "2026-01-05", "2026-06-08", shown_by="calibration")

    (fault,) = faults([("lot 1", [by_lots]), ("lot 2", [by_calibration]), ("lot 3", [by_lots])])

    assert fault.tests == ["lot 1", "lot 2", "lot 3"]
    assert str(fault) == (
        "T1 read 12 % high from about 2 Mar 2026, normal again from 8 Jun 2026 (finding a) and "
        "read 12 % high at its calibration of 8 Jun 2026; since when is not known, not before 5 Jan 2026 (finding b)"
    )


@pytest.mark.parametrize(
    "other",
    [
        mark("b", "2026-03-02", "2026-06-08", source="T2"),
        mark("b", "2025-01-02", "2025-06-08"),
        mark("b", "2026-06-09", None),
    ],
)
def test_another_source_and_other_weeks_are_a_fault_of_their_own(other: BenchMark) -> None:
    every: list[Fault] = faults([("lot 1", [mark("a", "2026-03-02", "2026-06-08")]), ("lot 2", [other])])

    assert [one.tests for one in every] == [["lot 1"], ["lot 2"]]


def test_a_test_with_both_findings_is_listed_once() -> None:
    both = [mark("a", "2026-03-02", None), mark("b", "2026-04-02", None, size=3.0)]

    (fault,) = faults([("lot 1", both)])

    assert fault.tests == ["lot 1"]
