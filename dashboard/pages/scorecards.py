"""Scorecards: who got better, who worse, whom to talk to; and the files to hand on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import html
from flask import Flask, Response, request

from dashboard.charts.sparkline import as_image_address
from dashboard.components.html_parts import empty, link, stream_link, supplier_link, table
from dashboard.queries import stored_documents
from dashboard.queries.lab_reader import LabReader
from dashboard.scorecard import export, wording
from dashboard.scorecard.svg_chart import score_bar
from dashboard.text.file_names import attachment
from dashboard.text.formatting import day, in_unit, room_to_limit
from dashboard.text.urls import SCORECARD_FILE, evidence_address, scorecard_address
from ingest.common.errors import CallError
from ingest.common.text import quoted
from ingest.documents.scorecard import CardStream, Overview, OverviewRow, Scorecard
from ingest.quarter.overview import supplier_overview

__all__ = ["add_downloads", "layout"]

MEDIA_TYPES = {
    "csv": "text/csv; charset=utf-8",
    "html": "text/html; charset=utf-8",
    "pdf": "application/pdf",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}


def layout(lab_reader: LabReader, quarter: str = "", supplier: str = "", **_other: str) -> html.Div:
    """The scorecards of a quarter: all suppliers on one page, or one supplier in full."""
    with lab_reader.reading() as connection:
        quarters = stored_documents.quarters(connection, lab_reader.lab)
        if not quarters:
            return html.Div(empty("No quarter yet.", "The first valid test opens one."))
        chosen = quarter or quarters[min(1, len(quarters) - 1)]
        cards = export.documents(connection, lab_reader.lab, chosen, supplier or None)
    others = [
        html.Li(link(name, "/scorecards", quarter=name, **({"supplier": supplier} if supplier else {})))
        for name in quarters
        if name != chosen
    ]
    return html.Div(
        [
            html.H1(f"Scorecards of {chosen}"),
            html.P(
                f"{day(cards[0]['first_day'])} to {day(cards[0]['last_day'])}. {wording.drawn_up(supplier_overview(cards) if len(cards) > 1 else cards[0])}"
            ),
            *(_all(cards) if not supplier else [_card(card) for card in cards]),
            html.Details(
                [html.Summary("What counts, and how"), html.Ul([html.Li(x) for x in wording.what_counts(cards[0])])]
            ),
            html.P(wording.CAUTION, className="quiet"),
            html.H2("Other quarters"),
            html.Ul(others, className="inline"),
        ]
    )


# All suppliers


def _all(cards: Sequence[Scorecard]) -> list[Any]:
    overview = supplier_overview(cards)
    lowest = wording.lowest_score(overview)
    return [
        html.Ul([html.Li(wording.purchasing_line(row)) for row in overview["rows"]]),
        html.P(f"{wording.order(overview)} {wording.chance_moves(overview)}"),
        html.Section(
            [
                html.Div(
                    _table(
                        (
                            "supplier",
                            "place",
                            "score",
                            "score drawn",
                            "lots",
                            "conform",
                            "fail",
                            "undecided",
                            "not valid",
                            "nearer the limit",
                            "farther",
                            "files",
                        ),
                        [_supplier(row, overview["quarter"], lowest) for row in overview["rows"]],
                    ),
                    className="scroll",
                ),
                html.P(["All suppliers: ", *_files(overview["quarter"], "", export.OVERVIEW_FORMS)]),
            ],
            className="sheet",
        ),
        html.H2("Whom to talk to, and about what"),
        *_talk(overview),
        html.H2("What the score is made of"),
        html.Div(_table(("supplier", *wording.part_heads(), "notices"), _parts(overview)), className="scroll"),
        *[_card(card) for card in cards],
    ]


def _supplier(row: OverviewRow, quarter: str, lowest: float) -> list[Any]:
    standing, counts = row["standing"], row["counts"]
    bar = (
        html.Img(src=as_image_address(score_bar(standing, lowest)), alt="", className="share")
        if standing["placed"]
        else ""
    )
    return [
        link(row["supplier"], "/scorecards", quarter=quarter, supplier=row["supplier"]),
        wording.place(standing),
        wording.score(standing),
        bar,
        *(str(counts[key]) for key in ("lots", "pass", "fail", "undecided", "invalid")),
        *(str(row[key]) for key in ("nearer", "away")),
        html.Span(_downloads(quarter, row["supplier"], export.FORMS)),
    ]


def _parts(overview: Overview) -> list[list[Any]]:
    rows = [
        [supplier_link(row["supplier"]), *wording.part_cells(row["standing"]), wording.notices(row["notices"])]
        for row in overview["rows"]
    ]
    return [["weight", *wording.weight_cells(overview), ""], *rows]


def _talk(overview: Overview) -> list[Any]:
    told = [
        html.Li([supplier_link(row["supplier"]), ": ", "; ".join(wording.reasons(row["reasons"]))])
        for row in overview["rows"]
        if row["reasons"]
    ]
    return [html.Ul(told)] if told else [html.P("Nobody: no lot failed, and no level moved nearer its limit.")]


def _downloads(quarter: str, supplier: str, forms: Any) -> list[Any]:
    links = [html.A(form.upper(), href=scorecard_address(quarter, supplier, form), download="") for form in forms]
    return [part for one in links for part in (one, " ")]


def _files(quarter: str, supplier: str, forms: Any) -> list[Any]:
    """The forms, and the evidence behind them."""
    names = {"quarter": quarter, **({"supplier": supplier} if supplier else {})}
    return [
        *_downloads(quarter, supplier, forms),
        html.A("evidence for an audit (ZIP)", href=evidence_address(**names), download=""),
    ]


# One supplier


def _card(card: Scorecard) -> html.Section:
    heads = (
        "stream",
        "lots",
        "conform",
        "fail",
        "undecided",
        "not valid",
        "level",
        card["earlier_quarter"],
        "change",
        "limit",
        "events",
    )
    counts = ("lots", "conform", "fail", "undecided", "not valid")
    whole = (*counts, "level", card["earlier_quarter"], "limit")
    return html.Section(
        [
            html.H2(supplier_link(card["supplier"])),
            html.P(wording.summary(card)),
            html.P(
                f"Conforming lots {wording.share(card['standing'])}; score {wording.score(card['standing'])}; place "
                f"{wording.place(card['standing'])}. Notices: {wording.notices(card['notices'])}.",
                className="quiet",
            ),
            *(
                [html.Ul([html.Li(line) for line in wording.notice_lines(card["notices"])])]
                if card["notices"]["asked"]
                else []
            ),
            table(heads, [_stream(row) for row in card["streams"]], f"Streams of {card['supplier']}", whole),
            html.P(["Files: ", *_files(card["quarter"], card["supplier"], export.FORMS)]),
        ],
        className="sheet",
    )


def _stream(row: CardStream) -> list[Any]:
    return [
        stream_link(row),
        *(str(row[name]) for name in ("lots", "pass", "fail", "undecided", "invalid")),
        in_unit(row, row["level"]),
        in_unit(row, row["earlier_level"]),
        ", ".join(wording.move(row)[::-1]) if row["change_low"] is not None else "not compared",
        room_to_limit(row),
        wording.events(row),
    ]


def _table(heads: Sequence[str], rows: Sequence[Sequence[Any]]) -> html.Table:
    return html.Table(
        [
            html.Thead(html.Tr([html.Th(head, scope="col") for head in heads])),
            html.Tbody([html.Tr([html.Td(cell) for cell in row]) for row in rows]),
        ]
    )


# Files


def add_downloads(server: Flask, lab_reader: LabReader) -> None:
    """The address from which a scorecard file is downloaded; without a supplier it is the file over all of them."""

    @server.get(SCORECARD_FILE)
    def scorecard_file() -> Response:
        quarter, supplier, form = (request.args.get(key, "") for key in ("quarter", "supplier", "form"))
        if form not in (export.FORMS if supplier else export.OVERVIEW_FORMS):
            raise CallError(f"scorecard: there is no form {quoted(form)}")
        with lab_reader.reading() as connection:
            cards = export.documents(connection, lab_reader.lab, quarter, supplier or None)
        data = export.FORMS[form](cards[0]) if supplier else export.OVERVIEW_FORMS[form](cards)
        name = export.file_name(cards[0], form) if supplier else export.overview_file_name(quarter, form)
        return Response(
            data,
            content_type=MEDIA_TYPES[form],
            headers=attachment(name),
        )
