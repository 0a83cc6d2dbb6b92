"""Scorecards: which supplier got better, which worse, and the files to hand on."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from dash import html
from flask import Flask, Response, request

from dashboard import exports, scorecard, views
from dashboard.desk import Desk, NothingYet
from dashboard.parts import empty, link, supplier_link
from dashboard.sentences import amount, characteristic, counted, room_to_limit
from ingest.errors import CallError

__all__ = ["add_downloads", "layout"]

MEDIA_TYPES = {
    "csv": "text/csv; charset=utf-8",
    "html": "text/html; charset=utf-8",
    "pdf": "application/pdf",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}


def layout(desk: Desk, quarter: str = "", supplier: str = "", **_other: str) -> html.Div:
    """The scorecards of a quarter, of all suppliers or one."""
    with desk.reading() as connection:
        quarters = views.quarters(connection, desk.lab)
        if not quarters:
            return html.Div(empty("No quarter yet.", "The first valid test opens one."))
        chosen = quarter or quarters[min(1, len(quarters) - 1)]
        cards = exports.documents(connection, desk.lab, chosen, supplier or None)
    others = [html.Li(link(name, "/scorecards", quarter=name)) for name in quarters if name != chosen]
    return html.Div(
        [
            html.H1(f"Scorecards of {chosen}"),
            *[_card(card) for card in cards],
            html.H2("Other quarters"),
            html.Ul(others),
        ]
    )


def _card(card: scorecard.Document) -> html.Section:
    lots, failed = card["counts"]["lots"], card["counts"]["fail"]
    downloads = [
        html.A(form.upper(), href=_address(card, form), className="button", download="") for form in exports.FORMS
    ]
    return html.Section(
        [
            html.H2(supplier_link(card["supplier"])),
            html.P(
                f"{counted(lots, 'tested lot')}, {failed} outside a limit, {counted(len(card['alerts']), 'alert')}."
            ),
            html.Div(_table(card), className="scroll"),
            html.P([part for download in downloads for part in (download, " ")]),
        ],
        className="sheet",
    )


def _address(card: scorecard.Document, form: str) -> str:
    query = {"quarter": card["quarter"], "supplier": card["supplier"], "form": form}
    return f"/scorecard-file?{urlencode(query)}"


def _table(card: scorecard.Document) -> html.Table:
    heads = ("stream", "lots", "pass", "fail", "not valid", "level", "last quarter", "change", "limit")
    return html.Table(
        [
            html.Thead(html.Tr([html.Th(head, scope="col") for head in heads])),
            html.Tbody([_line(row) for row in card["streams"]]),
        ]
    )


def _line(row: scorecard.Document) -> html.Tr:
    names = {key: row[key] for key in ("supplier", "product", "characteristic")}
    change = row["change"]
    cells: list[Any] = [
        link(f"{row['product']} · {characteristic(row['characteristic'])}", "/stream", **names),
        *[str(row[name]) for name in ("lots", "pass", "fail", "invalid")],
        amount(row["level"], row["unit"]),
        amount(row["earlier_level"], row["unit"]),
        "–" if change is None else f"{change:+.1f} {row['change_in']}, {str(row['direction']).replace('_', ' ')}",
        room_to_limit(row),
    ]
    return html.Tr([html.Td(cell) for cell in cells])


def add_downloads(server: Flask, desk: Desk) -> None:
    """The address from which a scorecard file is downloaded."""

    @server.get("/scorecard-file")
    def scorecard_file() -> Response:
        form = request.args.get("form", "")
        try:
            if form not in exports.FORMS:
                raise CallError(f'scorecard: there is no form "{form}"')
            with desk.reading() as connection:
                (card,) = exports.documents(
                    connection, desk.lab, request.args.get("quarter", ""), request.args.get("supplier", "")
                )
        except (CallError, NothingYet) as error:
            return Response(f"{error}\n", status=404, mimetype="text/plain")
        name = f"scorecard-{card['quarter']}.{form}"
        return Response(
            exports.FORMS[form](card),
            content_type=MEDIA_TYPES[form],
            headers={"Content-Disposition": f'attachment; filename="{name}"'},
        )
