"""A lot in stock past its date, near it or on hold: its page and command state what the shelf states."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from support.commands import call, document
from support.labs import NOW, Bench, lot_rows
from support.page_text import words
from support.shelves import FILM, FIRST, count, fill, film_rows

from dashboard.pages import stock
from dashboard.queries.lab_reader import LabReader
from dashboard.text.formatting import chance_text, day
from dashboard.text.shelf_text import state
from dashboard.web.app import page
from ingest.audit.subjects import Subject
from ingest.decisions.responses import respond
from ingest.stock.shelf_list import lots_on_hold
from ingest.store.store import open_store

pytestmark = pytest.mark.usefixtures("lab_clock")


@pytest.fixture
def shelf(bench: Bench) -> Bench:
    """Seven ageing lots and one with a bag outside its limit, all counted."""
    rows, moments = film_rows()
    last = FIRST + timedelta(days=500)
    rows += lot_rows("B1", last, [["1e9"], ["1e9"], ["3e11"]], **FILM)
    fill(bench, rows, [*moments, last])
    bench.run(datetime(2026, 11, 20, tzinfo=UTC))
    count(bench, "stock.csv", [*((f"L{number}", 100, "bags") for number in range(7)), ("B1", 100, "bags")])
    bench.run(NOW)
    return bench


def page_of(bench: Bench, lot: str) -> str:
    return " ".join(words(page(LabReader(bench.folder), "/lot", f"?supplier=Alder%20Film&lot={lot}")))


def test_a_lot_past_its_date_states_it_on_its_page_and_in_its_command(shelf: Bench) -> None:
    rows = {row["lot"]: row for row in document(shelf.folder, "stock")["rows"]}
    passed = [lot for lot, row in rows.items() if row["is_passed"]]
    assert passed
    for lot in passed:
        text, command = page_of(shelf, lot), call(shelf.folder, "lot", "Alder Film", lot).stdout
        for shown in (text, command):
            assert f"In stock. Date passed, keep until {day(rows[lot]['keep_until'])}, " in shown
            assert f"over today: {chance_text(rows[lot]['chance_today'])}." in shown
        layout = page(LabReader(shelf.folder), "/lot", f"?supplier=Alder%20Film&lot={lot}")
        assert f"'/stock?find={lot}'" in str(layout)
        (row,) = document(shelf.folder, "lot", "Alder Film", lot)["stock"]
        # Chances of one lot and of many differ in the last digit.
        assert row == {**rows[lot], **{key: pytest.approx(rows[lot][key]) for key in ("chance_today", "chance_by")}}
    held = call(shelf.folder, "lot", "Alder Film", "B1").stdout
    assert "In stock. Hold: bags outside the limit of surface resistance" in held


def test_an_open_stock_alert_is_an_alert_of_each_lot_that_it_names(shelf: Bench) -> None:
    (alert,) = (one for one in document(shelf.folder, "alerts") if one["id"].startswith("stock"))
    assert len(alert["evidence"]["lots"]) > 1
    for lot in alert["evidence"]["lots"]:
        assert [one["id"] for one in document(shelf.folder, "lot", "Alder Film", lot)["alerts"]] == [alert["id"]]
        assert "This lot raised no alert" not in call(shelf.folder, "lot", "Alder Film", lot).stdout
        assert alert["message"] in page_of(shelf, lot)


def test_lots_on_hold_stand_with_those_near_their_date_however_long_the_shelf(
    shelf: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    with open_store(shelf.folder).writing() as connection:
        respond(connection, str(Subject.lot("Alder Film", "L3")), "return", "Bench 2", "too old", "", NOW)
    monkeypatch.setattr(stock, "ROWS", 2)
    shown = " ".join(words(stock.layout(LabReader(shelf.folder))))
    near = shown.split("Lots past their date, near it or on hold")[1]
    assert "B1" in near.split("lots without a date")[0].split("More lots")[0]
    assert "hold: bags outside the limit of surface resistance" in near
    rows = {row["lot"]: row for row in document(shelf.folder, "stock")["rows"]}
    assert (rows["L3"]["hold"], state(rows["L3"])) == ("returned", "return: decided by a person")
    reader = LabReader(shelf.folder)
    with reader.reading() as connection:
        held = lots_on_hold(connection, reader.lab, NOW.date(), None, 50)
    # Whatever holds them: a bag outside, or a person. The row of a lot is the same as in the list.
    assert {row["lot"]: row["hold"] for row in held} == {lot: row["hold"] for lot, row in rows.items() if row["hold"]}
    assert {row["lot"] for row in held} == {"B1", "L3"}


def test_of_a_lot_that_is_not_counted_nothing_is_stated(bench: Bench) -> None:
    fill(bench, *film_rows())
    bench.run(NOW)
    assert document(bench.folder, "lot", "Alder Film", "L0")["stock"] == []
