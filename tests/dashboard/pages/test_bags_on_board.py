"""A lot that passes on its mean with bags outside the limit raises no alert; the board shows it until a person decides."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from support.commands import call, document
from support.labs import MONDAY, NOW, Bench, lot_rows
from support.page_text import words

from dashboard.pages import board
from dashboard.queries.lab_reader import LabReader
from ingest.audit.subjects import Subject
from ingest.decisions.responses import respond
from ingest.store.store import open_store

BOTH_STORES = True

pytestmark = pytest.mark.usefixtures("lab_clock")

GOOD = [[9.0, 9.1]] * 6
TWO_OUTSIDE = [[22.0, 22.1]] * 2 + [[12.0, 12.1]] * 4


def drop(bench: Bench, week: int, values: list[list[Any]], **names: str) -> None:
    bench.drop_tests(f"{week}.csv", lot_rows(f"L{week}", MONDAY + timedelta(weeks=week), values, **names))


@pytest.fixture
def passing(bench: Bench) -> Bench:
    """A stream of too few lots for control limits; its last lot passes with two of six bags outside the limit."""
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 10)
    for week in range(3):
        drop(bench, week, GOOD)
    drop(bench, 3, TWO_OUTSIDE)
    bench.run()
    return bench


def shown(bench: Bench) -> str:
    return " ".join(words(board.layout(LabReader(bench.folder))))


def test_the_board_shows_the_lot_without_an_alert_until_a_person_decides(passing: Bench) -> None:
    assert document(passing.folder, "alerts") == []
    assert document(passing.folder, "lot", "Alder Film", "L3")["sessions"][0]["verdict"] == "pass"

    text = shown(passing)

    assert "Decide on Alder Film L3: passes on the mean with bags outside the limit." in text
    assert "Decide on L3 passes on the mean, 2 of 6 bags outside" in text
    assert "Nothing to do here" not in text
    (row,) = document(passing.folder, "board")
    assert (row["last_bags_outside"], row["last_bags"]) == (2, 6)
    assert "L3, 26 Jan 2026, 2 of 6 bags outside" in call(passing.folder, "board").stdout

    with open_store(passing.folder).writing() as connection:
        respond(connection, str(Subject.lot("Alder Film", "L3")), "release", "Bench 2", "by procedure", "", NOW)

    assert "Decide on" not in shown(passing)


def test_a_good_lot_an_invalid_test_and_a_check_standard_are_no_such_row(bench: Bench) -> None:
    bench.declare(
        (bench.folder / "lab.toml").read_text() + '\n[[check_standard]]\nsupplier = "Kept"\nproduct = "coupon"\n'
    )
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 3)
    drop(bench, 1, GOOD)
    drop(bench, 2, TWO_OUTSIDE, supplier="Kept", product="coupon")
    # After the end of the log.
    drop(bench, 8, TWO_OUTSIDE, supplier="Birch Film")
    bench.run()

    assert "Decide on" not in shown(bench)
    outside = {row["supplier"]: row["last_bags_outside"] for row in document(bench.folder, "board")}
    assert outside["Alder Film"] == outside["Birch Film"] == 0
