"""`lotdrift lot` and the page of the lot are made of one document and state the same."""

from __future__ import annotations

from datetime import timedelta
from typing import Any
from urllib.parse import urlencode

import numpy as np
import pytest
from dash import html
from support.commands import call, document
from support.labs import MONDAY, NOW, Bench, lot_rows
from support.page_text import words

from dashboard.queries.lab_reader import LabReader
from dashboard.web.app import page
from ingest.audit.subjects import Subject
from ingest.decisions.responses import respond
from ingest.store.store import open_store

pytestmark = pytest.mark.usefixtures("lab_clock")

STEADY = 18


@pytest.fixture
def moved(bench: Bench) -> Bench:
    """Steady lots, then eight at half above; the last one but one fails, and the last one has two of four bags outside."""
    scatter = np.random.default_rng(4)
    levels = [9.0] * STEADY + [14.0] * 6 + [30.0]
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 40)
    rows = [
        row
        for number, level in enumerate(levels)
        for row in lot_rows(
            f"L{number:02d}",
            MONDAY + timedelta(weeks=number),
            [(level * np.exp(scatter.normal(0, 0.03, 3))).round(3).tolist() for _ in range(4)],
        )
    ]
    rows += lot_rows("L25", MONDAY + timedelta(weeks=25), [[22.0, 22.1], [22.0, 22.1], [12.0, 12.1], [12.0, 12.1]])
    rows += lot_rows("L26", MONDAY + timedelta(weeks=26), [[14.0, 14.1], [14.0, 14.1], [13.8, 14.1]])
    bench.drop_tests("all.csv", rows)
    bench.run()
    return bench


def shown(part: Any, kind: type, style: str = "") -> str:
    """The text of the first part of a kind on a page."""
    texts: list[str] = []

    def look(one: Any) -> None:
        if isinstance(one, kind) and (not style or getattr(one, "className", "") == style):
            texts.append(" ".join(words(one)))
        children = getattr(one, "children", None)
        for child in children if isinstance(children, (list, tuple)) else [children]:
            if child is not None:
                look(child)

    look(part)
    return texts[0]


@pytest.mark.parametrize("lot", ["L03", "L24", "L25", "L26"])
def test_the_command_states_what_the_page_of_the_lot_states(moved: Bench, lot: str) -> None:
    layout = page(LabReader(moved.folder), "/lot", f"?{urlencode({'supplier': 'Alder Film', 'lot': lot})}")
    text, command = " ".join(words(layout)), call(moved.folder, "lot", "Alder Film", lot).stdout

    raised, others = (document(moved.folder, "lot", "Alder Film", lot)[name] for name in ("alerts", "stream_alerts"))
    heading, lead = shown(layout, html.H1), shown(layout, html.P, "lead")
    assert command.startswith(f"Alder Film MB-10, lot {lot}: {heading.partition(': ')[2]}\n{lead}\n")
    assert others
    for alert in (*raised, *others):
        assert alert["message"] in text
        assert alert["message"] in command
    for surface in (text, command):
        assert "Open alerts that other lots of its streams raised" in surface
    assert ("This lot raised no alert." in command) == (not raised)


def test_a_lot_without_an_open_alert_beside_it_has_no_such_heading(bench: Bench) -> None:
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7)
    bench.drop_tests("all.csv", lot_rows("L00", MONDAY, [[9.0, 9.1], [9.2, 9.0]]))
    bench.run()

    assert "Open alerts" not in call(bench.folder, "lot", "Alder Film", "L00").stdout


def test_the_command_states_the_decision_with_its_reason(moved: Bench) -> None:
    with open_store(moved.folder).writing() as connection:
        respond(connection, str(Subject.lot("Alder Film", "L24")), "return", "Bench 2", "too high", "", NOW)

    text = call(moved.folder, "lot", "Alder Film", "L24").stdout

    assert "Decided: return, by Bench 2, 25 Nov 2026." in text
    assert "Reason of the decision: too high" in text
