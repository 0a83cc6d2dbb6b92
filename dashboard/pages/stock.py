"""The stock: one row a lot by the day to keep it until, and the lots to test first."""

from __future__ import annotations

from datetime import date

from dash import dcc, html

from dashboard.components.html_parts import empty, link, lot_link
from dashboard.queries.lab_reader import LabReader
from dashboard.text.formatting import chance_text, characteristic, counted, day
from dashboard.text.stock_text import NO_STOCK, advice, headline, keep_until, level, quantity, state
from dashboard.text.urls import SHELF_LIST, STOCK, STOCK_FILE, ageing_address, with_query
from ingest.common import clock
from ingest.common.errors import CallError
from ingest.documents.stock import ShelfLotDay, StockDocument
from ingest.stock.shelf_list import is_near, lots_on_hold, stock_document

__all__ = ["ROWS", "layout"]

# Rows of one page; the rest is behind a link.
ROWS = 50
NO_COUNT = "No count is stored, so every tested lot is taken as held. A file in drops/stock lists what is there."


def layout(lab_reader: LabReader, find: str = "", by: str = "", start: str = "0", **_other: str) -> html.Div:
    """The shelf as of today."""
    lab = lab_reader.lab
    today = clock.now().astimezone(lab.zone).date()
    first = int(start) if start.isdecimal() and len(start) < 10 else 0
    with lab_reader.reading() as connection:
        document = stock_document(connection, lab, today, _day(by), find=find, start=first, most=ROWS + 1)
        # A lot on hold belongs to the first lots, also where it has no date and its row would come after the first page.
        held = (
            []
            if find or first
            else lab_reader.cached(
                connection, f"on hold {today} {by}", lambda: lots_on_hold(connection, lab, today, _day(by), ROWS)
            )
        )
    if not document["lots"]:
        return empty("No lot in stock.", NO_STOCK.removeprefix("No lot is in stock: ").capitalize())
    rows, more = document["rows"][:ROWS], len(document["rows"]) > ROWS
    listed = {(row["supplier"], row["product"], row["lot"]) for row in rows}
    rows += [row for row in held if (row["supplier"], row["product"], row["lot"]) not in listed]
    return html.Div(
        [
            html.H1(headline(document)),
            html.P(advice(document), className="lead"),
            html.P(document["caution"], className="caution"),
            html.P(NO_COUNT) if document["source"] != "counts" else None,
            _test_first(document) if not find and not first else None,
            html.H2(f"All {counted(document['lots'], 'lot')} by date" if not find else f"Lots with {find!r}"),
            _choose(find, by, document["by"]),
            *(_matching(rows, document, find) if rows else [html.P("No lot matches.")]),
            html.P(link("More lots", with_query(STOCK, {"find": find, "by": by, "start": str(first + ROWS)})))
            if more
            else None,
            html.P(
                [
                    html.A("Shelf list to print", href=with_query(SHELF_LIST, {"by": by}), className="button"),
                    " ",
                    html.A("CSV", href=with_query(STOCK_FILE, {"form": "csv", "by": by}), className="button"),
                    " ",
                    html.A("XLSX", href=with_query(STOCK_FILE, {"form": "xlsx", "by": by}), className="button"),
                ],
                className="buttons",
            ),
        ]
    )


def _day(text: str) -> date | None:
    if not text:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise CallError(f"stock: expected a day such as 2026-11-30, got {text}") from error


def _choose(find: str, by: str, default: str) -> html.Form:
    return html.Form(
        [
            html.Label(["Lot, product or supplier", dcc.Input(type="search", name="find", value=find)]),
            html.Label(["Chance by", dcc.Input(type="text", name="by", value=by, placeholder=default)]),
            html.Button("Show", type="submit"),
        ],
        action=STOCK,
        method="get",
        className="choose",
    )


def _test_first(document: StockDocument) -> html.Section | None:
    if not document["test_first"]:
        return None
    return html.Section(
        [
            html.H2("Test these first"),
            html.P(
                f"A test decides most here: the chance of being over the limit on {day(document['test_on'])}, the next day on "
                "which a bag laid in today can be tested, is neither small nor near certain, and the quantity counts."
            ),
            _table(document["test_first"], document, "Lots to test first"),
        ]
    )


def _matching(rows: list[ShelfLotDay], document: StockDocument, find: str) -> list[html.Component]:
    """The lots that were asked for in one table, all lots by what they ask for."""
    return [_table(rows, document, "Lots in stock")] if find else _lots(rows, document)


def _lots(rows: list[ShelfLotDay], document: StockDocument) -> list[html.Component]:
    """The lots past their date, near it or on hold, then those with a later date and without one; a narrow screen folds these."""
    near: list[ShelfLotDay] = []
    later: list[ShelfLotDay] = []
    others: list[ShelfLotDay] = []
    for row in rows:
        if is_near(row, document["by"]):
            near.append(row)
        else:
            (later if row["keep_until"] else others).append(row)
    parts: list[html.Component] = [_table(near, document, "Lots past their date, near it or on hold")] if near else []
    for quiet, words in ((later, "with a later date"), (others, "without a date")):
        if quiet:
            name = f"{counted(len(quiet), 'lot')} {words}"
            parts.append(
                html.Details([html.Summary(name), _table(quiet, document, name)], open=True, className="fold-narrow")
            )
    return parts


def _table(rows: list[ShelfLotDay], document: StockDocument, name: str) -> html.Table:
    by = f"over by {day(document['by'])}"
    heads = ("lot", "quantity", "keep until", "expected over", "over today", by, "last test")
    head = html.Tr([html.Th(text, scope="col") for text in heads])
    return html.Table(
        [html.Caption(name, className="quiet"), html.Thead(head), html.Tbody([_row(row, by) for row in rows])],
        className="shelf",
    )


def _row(row: ShelfLotDay, by: str) -> html.Tr:
    where = [*row["storage"], *([f"opened {day(row['opened_on'])}"] if row["opened_on"] else [])]
    film = (
        link(
            f"{row['product']}, {characteristic(row['characteristic'])}",
            ageing_address(row["product"], row["characteristic"]),
        )
        if row["characteristic"]
        else row["product"]
    )
    claim = f"supplier's claim {day(row['claimed_until'])}" if row["claimed_until"] else None
    mark = html.Span(
        state(row),
        className=f"word {'act' if row['is_passed'] or row['hold'] else 'look' if row['word'] == 'dated' else ''}",
    )
    age = (
        None
        if row["age_months"] is None
        else f"{row['age_months']:.0f} months since {'manufacture' if row['age_since'] == 'made' else 'receipt'}"
    )
    return html.Tr(
        [
            html.Td(
                [
                    lot_link(row["supplier"], row["lot"]), " ", mark, html.Span([row["supplier"], " · ", film], className="quiet"),
                    html.Span(" · ".join(filter(None, [*where, age])), className="quiet"),
                ],
                className="name",
            ),
            html.Td(quantity(row), className="short", **{"data-label": "quantity"}),
            html.Td([html.B(keep_until(row)), html.Span(claim, className="quiet") if claim else None], **{"data-label": "keep until"}),
            _short(day(row["expected_on"]), "expected over"),
            _short(chance_text(row["chance_today"]), "over today"),
            _short(chance_text(row["chance_by"]), by),
            html.Td(
                [
                    f"{level(row)}, {day(row['tested_on'])}" if row["tested_on"] else "none",
                    html.Span(" ".join([f"{row['why']}.", *row["marks"]]), className="quiet"),
                ],
                **{"data-label": "last test"},
            ),
        ],
        className="act" if row["is_passed"] or row["hold"] else "",
    )  # fmt: skip


def _short(text: str, label: str) -> html.Td:
    """A cell of one value; where there is none, a narrow screen leaves the cell out."""
    return html.Td(text, className="short none" if text == "–" else "short", **{"data-label": label})
