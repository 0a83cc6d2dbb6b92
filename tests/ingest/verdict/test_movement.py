"""A level that moves over the compared lots gets no answer, also where it began before; one that stands again gets one."""

from __future__ import annotations

import json
from datetime import date, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import numpy as np
import pypdf
import pytest
from support.commands import call
from support.labs import LAB_TOML, MONDAY, Bench, lot_rows
from support.page_text import words

from dashboard.queries.lab_reader import LabReader
from dashboard.web.app import page
from ingest.common.instants import WEEK_US
from ingest.config.lab import load
from ingest.documents.verdict.comparison import Comparison
from ingest.store.store import Store, backend_of
from ingest.verdict.comparison import Request, compare
from ingest.verdict.movement import Movement, moves

DECLARED = LAB_TOML.replace('scale = "log"\n', 'scale = "log"\nconditioning = false\n')
WEEKS = 64
FIRST = MONDAY - timedelta(weeks=20)
SINCE = (FIRST + timedelta(weeks=40)).date()
STEADY, RISING, STOOD, LATE, RECENT, SUDDEN = (
    ("Alder Film", "MB-10"),
    ("Alder Film", "MB-20"),
    ("Birch Film", "BB-1"),
    ("Birch Film", "BB-2"),
    ("Birch Film", "BB-3"),
    ("Birch Film", "BB-4"),
)


def rise(week: int, name: tuple[str, str]) -> float:
    """Rise of the level on the log scale: from week 24 on and on, in week 24 at once, from week 44 on, in week 50 or 59 at once."""
    after = max(week - 24, 0)
    return {
        STEADY: 0.0,
        RISING: 0.009 * after,
        STOOD: 0.22 * (after > 0),
        LATE: 0.014 * max(week - 44, 0),
        RECENT: 0.3 * (week >= 50),
        SUDDEN: 0.3 * (week >= 59),
    }[name]


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    bench = Bench(tmp_path_factory.mktemp("lab"), DECLARED)
    rows = []
    for place, name in enumerate((STEADY, RISING, STOOD, LATE, RECENT, SUDDEN)):
        rng = np.random.default_rng([7, place])
        for week in range(WEEKS):
            level = 9.0 * float(np.exp(rise(week, name) + 0.04 * rng.standard_normal()))
            values = [[round(float(x), 3) for x in level * np.exp(0.04 * rng.standard_normal(2))] for _ in range(5)]
            day = FIRST + timedelta(weeks=week, hours=place)
            rows += lot_rows(f"L{place}-{week}", day, values, supplier=name[0], product=name[1])
    bench.drop_tests("all.csv", rows)
    bench.run()
    return bench


def compared(bench: Bench, *names: tuple[str, str], since: date = SINCE, until: date | None = None) -> Comparison:
    store = Store(backend_of(bench.folder))
    try:
        with store.reading() as connection:
            return compare(connection, load(bench.folder), Request("shielding_energy", names, since, until))
    finally:
        store.close()


def alerts(bench: Bench) -> list[dict[str, Any]]:
    return [one for one in json.loads(call(bench.folder, "alerts", "--json").stdout) if one["kind"] == "drift"]


def test_a_level_that_began_to_move_before_the_first_day_and_moves_on_gets_no_answer(filled: Bench) -> None:
    begun = [one["evidence"]["since_at"] for one in alerts(filled) if one["product"] == "MB-20"]
    assert begun
    assert all(moment < SINCE.isoformat() for moment in begun)

    result = compared(filled, STEADY, RISING)

    assert [one["moves"] for one in result["candidates"]] == [False, True]
    assert result["pairs"][0]["answer"] == "no answer"
    assert "Alder Film MB-20 moved in this time" in result["pairs"][0]["why"]


def test_where_there_is_no_answer_nothing_is_shown_of_the_pair(filled: Bench, tmp_path: Path) -> None:
    # Within such a margin the two would be alike.
    chosen = [part for name in (STEADY, RISING) for part in ("--candidate", *name)]
    question = (filled.folder, "compare", "shielding_energy", *chosen, "--margin", "90", "--since", SINCE.isoformat())
    (pair,) = json.loads(call(*question, "--json").stdout)["pairs"]
    assert (pair["answer"], pair["differs"], pair["alike"]) == ("no answer", None, None)

    query = {"characteristic": "shielding_energy", "margin": "90", "since": SINCE.isoformat()}
    query |= {f"c{place}": json.dumps(name) for place, name in enumerate((STEADY, RISING), start=1)}
    shown = " ".join(words(page(LabReader(filled.folder), "/compare", f"?{urlencode(query)}")))
    assert call(*question, "--pdf", "--out", str(tmp_path)).exit_code == 0
    (sheet,) = pypdf.PdfReader(tmp_path / "comparison.pdf").pages
    paper = " ".join(sheet.extract_text().split())

    for text in (shown, call(*question).stdout, paper):
        assert text.count("No answer for Alder Film MB-10 and Alder Film MB-20") == 1
        assert "Shown" not in text
        assert " reads " not in text
    # Among several pairs each answer stands with its pair.
    several = call(*question, "--candidate", *STOOD).stdout
    assert several.count("No answer for Alder Film MB-10 and Alder Film MB-20") == 1
    assert "Birch Film BB-1 reads +" in several
    assert "Alder Film MB-20 reads" not in several


def test_a_level_that_moved_before_the_first_day_and_stands_since_is_compared(filled: Bench) -> None:
    open_ones = [one for one in alerts(filled) if one["product"] == "BB-1" and one["state"] != "closed"]
    assert open_ones

    result = compared(filled, STEADY, STOOD)

    assert [one["moves"] for one in result["candidates"]] == [False, False]
    assert result["pairs"][0]["answer"] == "worse"


def test_a_level_that_began_to_move_inside_the_compared_time_gets_no_answer(filled: Bench) -> None:
    result = compared(filled, STEADY, LATE)

    assert [one["moves"] for one in result["candidates"]] == [False, True]


def test_a_level_that_moved_once_inside_the_compared_time_gets_no_answer(filled: Bench) -> None:
    result = compared(filled, STEADY, STOOD, since=FIRST.date())

    assert [one["moves"] for one in result["candidates"]] == [False, True]


@pytest.mark.parametrize(("begun", "moving"), [(-1, False), (5, True), (20, False)])
def test_an_alert_counts_where_its_move_began_inside_the_time(begun: int, moving: bool) -> None:
    # Lots without a trend, as two that moved last would be.
    tested, levels = [week * WEEK_US for week in range(20)], [2.3 + 0.01 * (-1) ** week for week in range(20)]
    movement = Movement((begun * WEEK_US,), (), 0.0)

    assert moves(movement, 0, 20 * WEEK_US, tested, levels) == moving


def test_a_trend_needs_less_where_the_level_is_away_already_and_only_to_that_side() -> None:
    tested = [week * WEEK_US for week in range(8)]
    levels = [2.30, 2.34, 2.29, 2.33, 2.36, 2.32, 2.37, 2.36]
    away = {side: Movement((-3 * WEEK_US,), ((-3 * WEEK_US, side),), 0.0) for side in (1, -1)}

    answers = [moves(one, 0, 8 * WEEK_US, tested, levels) for one in (Movement((), (), 0.0), away[1], away[-1])]

    # One-sided p value 0.03.
    assert answers == [False, True, False]


def promise(bench: Bench, name: tuple[str, str]) -> tuple[dict[str, Any], str]:
    """What the bags page and command state of the next lot, as document and in words."""
    arguments = (bench.folder, "bags", *name, "shielding_energy")
    (line,) = (line for line in call(*arguments).stdout.splitlines() if "next lot" in line)
    return json.loads(call(*arguments, "--json").stdout)["next_lot"], line


def test_a_level_that_moves_has_no_promise_for_the_next_lot(filled: Bench) -> None:
    document, line = promise(filled, RISING)
    forecast = json.loads(call(filled.folder, "stream", *RISING, "shielding_energy", "--json").stdout)["forecast"]

    assert (document["moves"], document["bound"], document["inside"]) == (True, None, None)
    assert "prove" not in line
    # Lots come weekly, as the steps of the forecast do.
    assert [document["coming_low"], document["coming_high"]] == [forecast["fan"][1][key] for key in ("p10", "p90")]
    assert document["change_percent_per_month"] == forecast["change_percent_per_month"]
    assert line.startswith("No promise for the next lot: the level moves. It is at ")
    assert "By the forecast 8 of 10 next lots have a level between" in line


def test_a_level_that_stands_has_a_promise_also_after_a_move(filled: Bench) -> None:
    for name in (STEADY, STOOD):
        document, line = promise(filled, name)
        assert (document["moves"], document["lots"], document["since_at"]) == (False, 25, None)
        assert "The last 25 lots (125 bags) prove that 90 % of the next lot's bags lie below" in line


def test_of_a_level_that_moved_once_lately_the_lots_since_count(filled: Bench) -> None:
    document, line = promise(filled, RECENT)

    assert not document["moves"]
    assert 8 <= document["lots"] < 25
    assert f"The {document['lots']} lots ({document['bags']} bags) since the level moved about " in line
    # Below all lots before the move, whose bags would widen the bound.
    assert 9.0 * np.exp(0.3) < document["bound"] < 9.0 * np.exp(0.3 + 5 * 0.06)


def test_few_lots_after_a_move_do_not_show_that_it_is_over(filled: Bench) -> None:
    document, line = promise(filled, SUDDEN)

    assert (document["moves"], document["bound"]) == (True, None)
    assert 3 <= document["lots"] < 8
    assert line.startswith("No promise for the next lot: the level moves.")
