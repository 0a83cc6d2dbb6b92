"""An alert about lots in stock is open on the stream of its film: on the board, the supplier's page, in JSON and the digest."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest
from dash import html
from support.labs import NOW, Bench, csv_text
from support.page_text import words
from support.shelves import PACES, STOCK, count, fill, film_rows

from dashboard.delivery import weekly_digest
from dashboard.queries import stored_documents
from dashboard.queries.lab_reader import LabReader
from dashboard.text.stock_text import near_date
from dashboard.web.app import page
from ingest.stock.shelf_list import shelf_counts

SUPPLIER = "?name=Alder%20Film"


@pytest.fixture(scope="module")
def reader(tmp_path_factory: pytest.TempPathFactory) -> LabReader:
    bench = Bench(tmp_path_factory.mktemp("lab"))
    fill(bench, *film_rows())
    bench.run(datetime(2026, 11, 20, tzinfo=UTC))
    count(bench, "stock.csv", [(f"L{number}", 100, "bags") for number in range(7)])
    bench.run(NOW)
    return LabReader(bench.folder)


def parts_of(part: Any) -> Iterator[Any]:
    """A part of a page and everything in it."""
    yield part
    children = getattr(part, "children", None)
    for child in children if isinstance(children, (list, tuple)) else [children]:
        if child is not None:
            yield from parts_of(child)


def text_of(reader: LabReader, path: str, search: str = "") -> str:
    return " ".join(words(page(reader, path, search)))


def test_an_open_alert_about_the_stock_makes_its_stream_one_to_look_at(reader: LabReader) -> None:
    with reader.reading() as connection:
        (row,) = stored_documents.board(connection, reader.lab)
        alerts = stored_documents.alerts(connection, reader.lab)
        week = weekly_digest.document(connection, reader.lab, NOW)
    grades = {alert["grade"] for alert in alerts if alert["id"].startswith("stock")}

    # The only alerts of the lab are those of the stock.
    assert grades == {"look"}
    assert len(alerts) == 1
    assert row["state"] == "look"
    assert [alert["id"] for alert in week["open"]] == [alert["id"] for alert in alerts]


def test_the_board_and_the_supplier_say_to_look_and_claim_no_failing_lot_of_the_process(reader: LabReader) -> None:
    board, supplier = text_of(reader, "/"), text_of(reader, "/supplier", SUPPLIER)

    assert "1 look" in board
    assert "quiet stream" not in board
    assert "Lots in stock near their date." in board
    assert "See the stock" in board
    assert "Alder Film: of 1 stream, 1 to look at." in supplier
    assert "See the stock (PB-1, surface resistance" in supplier
    for text in (board, supplier):
        assert "othing to act on or to look at" not in text
        assert "failing lot is likely" not in text


@pytest.mark.usefixtures("lab_clock")
def test_the_first_lines_of_the_board_count_the_lots_near_their_date_as_the_stock_does(reader: LabReader) -> None:
    with reader.reading() as connection:
        counts = shelf_counts(connection, reader.lab, NOW.date())
        week = weekly_digest.document(connection, reader.lab, NOW)
    near = near_date(counts)
    lead = next(part for part in parts_of(page(reader, "/", "")) if getattr(part, "className", "") == "lead")
    (to_stock,) = [part for part in parts_of(lead) if getattr(part, "href", "") == "/stock"]
    stock_lead = next(part for part in parts_of(page(reader, "/stock", "")) if getattr(part, "className", "") == "lead")

    assert counts["passed"] + counts["due"] > 0
    assert words(to_stock) == [f"In stock: {near}."]
    assert "".join(words(stock_lead)).startswith(f"{near}: test a lot again")
    assert f"{near}: test a lot again" in week["stock"]


@pytest.mark.usefixtures("lab_clock")
def test_without_a_count_the_first_lines_of_the_board_say_nothing_of_the_shelf(bench: Bench) -> None:
    fill(bench, *film_rows())
    bench.run()
    reader = LabReader(bench.folder)
    lead = next(part for part in parts_of(page(reader, "/", "")) if getattr(part, "className", "") == "lead")

    assert "In stock" not in " ".join(words(lead))


@pytest.mark.usefixtures("lab_clock")
def test_a_narrow_screen_folds_the_lots_that_need_nothing_now(bench: Bench) -> None:
    """Lots past their date or near it stay in sight; the others are behind a line with their number."""
    fill(bench, *film_rows([0.8 * pace for pace in PACES]))
    count(bench, "stock.csv", [(f"L{number}", 100, "bags") for number in range(7)])
    bench.run()
    shown = page(LabReader(bench.folder), "/stock", "?by=2027-02-24")
    folds = [part for part in parts_of(shown) if getattr(part, "className", "") == "fold-narrow"]
    in_sight = [part for part in parts_of(shown) if isinstance(part, html.Table)][-2]

    assert words(folds)[0] == "3 lots with a later date"
    assert {lot for lot in words(folds) if lot.startswith("L") and len(lot) == 2} == {"L2", "L4", "L6"}
    assert {lot for lot in words(in_sight) if lot.startswith("L") and len(lot) == 2} == {"L0", "L1", "L3", "L5"}


@pytest.mark.usefixtures("lab_clock")
def test_an_alert_names_the_day_it_counts_from_and_no_second_end_of_the_horizon(bench: Bench) -> None:
    """Pages count from today and the alert from the last test or count, so both name their own day."""
    rows, moments = film_rows([0.95 * pace for pace in PACES])
    fill(bench, rows, moments)
    counted_on = "2026-09-20"
    lots = [(counted_on, "Alder Film", "PB-1", f"L{number}", 100, "bags", "", "") for number in range(7)]
    (bench.folder / "drops" / "stock").mkdir()
    bench.drop("stock.csv", csv_text(STOCK, lots), "stock")
    bench.run()
    reader = LabReader(bench.folder)
    with reader.reading() as connection:
        (alert,) = stored_documents.alerts(connection, reader.lab)
        counts = shelf_counts(connection, reader.lab, NOW.date())
        week = weekly_digest.document(connection, reader.lab, NOW)

    assert counts["by"] == "2027-02-24"
    assert "by 24 Feb 2027" in near_date(counts)
    assert "by 24 Feb 2027" in week["stock"]
    message = alert["message"]
    assert (
        "more in the 13 weeks from 20 Sep 2026 (" in message
        or "with a date in the 13 weeks from 20 Sep 2026 (" in message
    )
    assert " by " not in message
