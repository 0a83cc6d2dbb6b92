"""A stream whose last lots lie beyond the range of the meter: its level has a sign wherever it stands, and its lots are in the picture."""

from __future__ import annotations

import json
import math
from datetime import timedelta
from typing import Any

import pytest
from support.commands import call, document
from support.labs import LAB_TOML, MONDAY, Bench, lot_rows
from support.page_text import words

from dashboard.charts.sparkline import sparkline
from dashboard.delivery import weekly_digest
from dashboard.pages import board
from dashboard.pages.stream import stream as stream_page
from dashboard.queries import stored_documents
from dashboard.queries.lab_reader import LabReader
from dashboard.scorecard import scorecard, wording
from dashboard.text.formatting import now_text

STREAM = ("Alder Film", "MB-10", "shielding_energy")
LIMITS = 'upper_limit = [ { value = 50.0, document = "older edition" }, { value = 20.0, from = 2018-10-01 } ]'
# The range of the meter ends at 21 nJ; on the side of the lower limit it begins at 19 nJ.
OVER = [10.0, 10.4, 9.8, 10.2, 12.1, 14.0, 15.8, 17.9, 19.5, ">21", ">21", ">21", ">21"]
UNDER = [40.0, 41.0, 39.0, 40.5, 36.0, 32.0, 28.0, 24.0, 21.0, "<19", "<19", "<19", "<19"]


@pytest.fixture
def filled(bench: Bench, request: pytest.FixtureRequest) -> Bench:
    levels = request.param
    if levels is UNDER:
        bench.declare(LAB_TOML.replace(LIMITS, "lower_limit = [ { value = 20.0 } ]"))
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 14)
    for week, level in enumerate(levels):
        values = (
            level
            if isinstance(level, list)
            else [[level]] * 6
            if isinstance(level, str)
            else [[level + 0.1 * (bag % 3 - 1)] for bag in range(6)]
        )
        bench.drop_tests(f"wk{week:02}.csv", lot_rows(f"L{week}", MONDAY + timedelta(weeks=week), values))
    bench.run()
    return bench


@pytest.mark.parametrize(
    ("filled", "stated", "bound", "end"),
    [(OVER, "> 21.0 nJ", 1, 21.0), (UNDER, "< 19.0 nJ", -1, 19.0)],
    indirect=["filled"],
)
@pytest.mark.usefixtures("lab_clock")
def test_a_level_beyond_the_range_of_the_meter_has_its_sign_everywhere(
    filled: Bench, stated: str, bound: int, end: float
) -> None:
    reader = LabReader(filled.folder)
    with reader.reading() as connection:
        (row,) = stored_documents.board(connection, reader.lab)
        alerts = stored_documents.alerts(connection, reader.lab)
        (card,) = scorecard.documents(connection, reader.lab, "2026-Q1")
        week = weekly_digest.document(connection, reader.lab, MONDAY + timedelta(weeks=13))
        picture = stored_documents.sketches(connection, [STREAM])[STREAM]

    assert (row["level"], row["level_bound"]) == (pytest.approx(end, rel=1e-9), bound)
    assert document(filled.folder, "board")[0]["level_bound"] == bound
    assert stated in call(filled.folder, "board").stdout
    assert f"now: level {stated}" in now_text(row)
    assert stated in " ".join(words(board.layout(reader)))
    assert f"The level is {stated}" in " ".join(words(stream_page.layout(reader, **named())))
    assert any(alert["now"] is not None and alert["now"]["level_bound"] == bound for alert in alerts)
    if week["closest"]:
        assert f"now {stated}, limit" in weekly_digest.as_message(week, {}, None).text
    (of_card,) = card["streams"]
    assert (of_card["level_now"], of_card["level_now_bound"]) == (pytest.approx(end, rel=1e-9), bound)
    assert dict(wording.facts(of_card, card))["forecast as of 31 Mar 2026"].startswith(f"level {stated}")
    assert dict(wording.facts(of_card, card))["level"].endswith("with readings beyond the range of the meter left out")

    # The picture: the bounded lots with their end and sign, and the line through the others.
    assert len(picture.lots) == 9
    assert [one[2] for one in picture.bounded] == [bound] * 4
    assert [one[1] for one in picture.bounded] == pytest.approx([math.log(end)] * 4, abs=1e-4)
    assert picture.bounded[-1][0] == 0.0
    svg = sparkline(picture, "")
    assert svg.count('class="open"') == svg.count('class="end"') == 4


def named() -> dict[str, Any]:
    return dict(zip(("supplier", "product", "characteristic"), STREAM, strict=True))


@pytest.mark.parametrize("filled", [OVER[:9]], indirect=True)
def test_a_level_within_the_range_has_no_sign(filled: Bench) -> None:
    (row,) = document(filled.folder, "board")
    assert row["level_bound"] == 0
    assert row["level"] == pytest.approx(19.5, rel=0.1)
    assert "bounded" not in json.dumps(row)


# Two of six bags within the range: the estimate of such a lot lies beyond the range, its known end within.
PARTLY = [10.0, 10.4, 9.8, 10.2, 12.1, 14.0, 15.8, 17.9, 19.5, *[[[">21"]] * 4 + [[20.5], [20.9]]] * 4]


@pytest.mark.parametrize("filled", [PARTLY], indirect=True)
def test_an_estimate_beyond_the_range_is_no_level_to_state(filled: Bench) -> None:
    (row,) = document(filled.folder, "board")
    # The geometric mean of the known ends: four times 21, 20.5 and 20.9.
    end = (21.0**4 * 20.5 * 20.9) ** (1 / 6)
    assert (row["level"], row["level_bound"]) == (pytest.approx(end, rel=1e-9), 1)
    assert "> 20.9 nJ" in call(filled.folder, "board").stdout
