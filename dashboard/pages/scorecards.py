"""Scorecards: who got better, who worse, whom to talk to; and the files to hand on."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

from dash import html
from flask import Flask, Response, request
from sqlalchemy import Connection

from dashboard.charts.sparkline import SparklineData, as_image_address
from dashboard.components.html_parts import empty, link, sparkline_image, stream_link, supplier_link, table, word
from dashboard.queries import stored_documents
from dashboard.queries.lab_reader import LabReader
from dashboard.queries.stored_documents import Stream
from dashboard.scorecard import export, wording
from dashboard.scorecard.svg_chart import score_bar
from dashboard.text.file_names import attachment
from dashboard.text.formatting import amount, counted, day, digits_of, in_unit, listed, room_to_limit
from dashboard.text.urls import SCORECARD_FILE, evidence_address, scorecard_address
from ingest.common.errors import CallError
from ingest.common.text import quoted
from ingest.documents.scorecard import CardStream, LotCounts, Overview, OverviewRow, Scorecard
from ingest.quarter.overview import supplier_overview

__all__ = ["add_downloads", "layout"]

MEDIA_TYPES = {
    "csv": "text/csv; charset=utf-8",
    "html": "text/html; charset=utf-8",
    "pdf": "application/pdf",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}


DIRECTION_MARKS = {"worse": "nearer", "better": "better", "unchanged": "level"}


def layout(lab_reader: LabReader, quarter: str = "", supplier: str = "", **_other: str) -> html.Div:
    """The scorecards of a quarter: all suppliers on one page, or one supplier in full."""
    with lab_reader.reading() as connection:
        quarters = stored_documents.quarters(connection, lab_reader.lab)
        if not quarters:
            return html.Div(empty("No quarter yet.", "The first valid test opens one."))
        chosen = quarter or quarters[min(1, len(quarters) - 1)]
        cards = _cards(lab_reader, connection, chosen, supplier)
        sparklines = stored_documents.sketches(
            connection, [_stream_of(row) for card in cards for row in card["streams"]]
        )
    others = [
        html.Li(link(name, "/scorecards", quarter=name, **({"supplier": supplier} if supplier else {})))
        for name in quarters
        if name != chosen
    ]
    return html.Div(
        [
            html.P(
                f"{day(cards[0]['first_day'])} to {day(cards[0]['last_day'])}. {wording.drawn_up(cards[0])}",
                className="crumb",
            ),
            html.H1(f"Scorecards of {chosen}: {_finding(cards)}."),
            html.P(_advice(cards), className="lead"),
            *([] if supplier else _all(cards, sparklines)),
            *[_card(card, folded=not supplier) for card in cards],
            html.Details(
                [
                    html.Summary("How it is calculated"),
                    *([] if supplier else _score_parts(supplier_overview(cards))),
                    html.Ul([html.Li(line) for line in wording.what_counts(cards[0])]),
                ]
            ),
            html.P(wording.CAUTION, className="quiet"),
            html.H2("Other quarters"),
            html.Ul(others, className="inline"),
        ],
        className="wide-page",
    )


def _stream_of(row: CardStream) -> Stream:
    return row["supplier"], row["product"], row["characteristic"]


def _cards(lab_reader: LabReader, connection: Connection, quarter: str, supplier: str) -> list[Scorecard]:
    """The cards of a quarter; kept until data change, since the forecasts of its last day take most of the time."""
    cards: list[Scorecard] = lab_reader.cached(
        connection, f"cards {quarter}", lambda: export.documents(connection, lab_reader.lab, quarter, None)
    )
    chosen = [card for card in cards if card["supplier"] == supplier] if supplier else cards
    # Reading the document again gives the reason why a supplier has no card.
    return chosen or export.documents(connection, lab_reader.lab, quarter, supplier)


# The first lines


def _finding(cards: Sequence[Scorecard]) -> str:
    """Who got worse in the quarter, by the line for purchasing, and how many lots failed."""
    rows = supplier_overview(cards)["rows"]
    worse = [row["supplier"] for row in rows if row["line"]["direction"] == "worse"]
    failed = sum(card["counts"]["fail"] for card in cards)
    fails = f"; {counted(failed, 'lot')} failed" if failed else ""
    if len(cards) == 1:
        return f"{rows[0]['supplier']}, {wording.LINE_WORDS[rows[0]['line']['direction']]}{fails}"
    if not worse:
        return f"none of {counted(len(cards), 'supplier')} is getting worse{fails}"
    verb = "is" if len(worse) == 1 else "are"
    return f"{len(worse)} of {counted(len(cards), 'supplier')} {verb} getting worse, {listed(worse)}{fails}"


def _advice(cards: Sequence[Scorecard]) -> str:
    """Whom to talk to; of one supplier also about what, which the lines for purchasing state of all."""
    if len(cards) > 1:
        names = [row["supplier"] for row in supplier_overview(cards)["rows"] if row["reasons"]]
        return f"Talk to {listed(names)}:" if names else wording.NOBODY
    topics = []
    for row in supplier_overview(cards)["rows"]:
        title, _, what = next(iter(wording.reasons(row["reasons"])), "").partition(": ")
        topics += [f"{row['supplier']} about {title} ({what})"] if title else []
    return f"Talk to {'; '.join(topics)}." if topics else wording.NOBODY


# All suppliers


def _all(cards: Sequence[Scorecard], sparklines: Mapping[Stream, SparklineData]) -> list[object]:
    """A line a supplier for purchasing, then a row each: direction before score, with the stream that says most about it."""
    overview = supplier_overview(cards)
    lowest = wording.lowest_score(overview)
    by_name = {card["supplier"]: card for card in cards}
    rows = overview["rows"]
    heads = (
        "supplier", "direction", "worst stream", "12 months and forecast", "lots passed", "score", "topics for the meeting",
        "files",
    )  # fmt: skip
    lines = [_supplier(row, by_name[row["supplier"]], sparklines, overview["quarter"], lowest) for row in rows]
    others = [row for row in rows if not row["reasons"]]
    return [
        html.Ul([html.Li(wording.purchasing_line(row)) for row in rows if row["reasons"]]),
        *(
            [html.P("Nothing to talk about:"), html.Ul([html.Li(wording.purchasing_line(row)) for row in others])]
            if others
            else []
        ),
        table(heads, lines, "Suppliers of the quarter", ("lots passed",)),
        html.P(f"{wording.order(overview)} {wording.chance_moves(overview)}", className="quiet"),
        html.P(["All suppliers: ", *_files(overview["quarter"], "", export.OVERVIEW_FORMS)]),
        html.H2("Supplier by supplier"),
    ]


def _supplier(
    row: OverviewRow, card: Scorecard, sparklines: Mapping[Stream, SparklineData], quarter: str, lowest: float
) -> list[object]:
    worst = _worst_stream(row, card)
    standing = row["standing"]
    bar = (
        html.Img(src=as_image_address(score_bar(standing, lowest)), alt="", className="share")
        if standing["placed"]
        else None
    )
    picture: object = "–"
    if worst is not None and _stream_of(worst) in sparklines:
        limit = worst["limit_lower"] if worst["limit_side"] == "lower" else worst["limit_upper"]
        words = " " if limit is None else f"limit {amount(limit, digits=digits_of(worst))}"
        picture = sparkline_image(sparklines[_stream_of(worst)], wording.stream_title(worst), words)
    return [
        link(row["supplier"], "/scorecards", quarter=quarter, supplier=row["supplier"]),
        _direction(row),
        [stream_link(worst), html.Br(), html.Span(_change(worst, card, row["line"]["reasons"]), className="quiet")]
        if worst is not None
        else "–",
        picture,
        _passed(row["counts"]),
        [html.Span(wording.score(standing)), bar],
        "; ".join(wording.reasons(row["reasons"])) or "–",
        html.Span(_downloads(quarter, row["supplier"], export.FORMS)),
    ]


def _worst_stream(row: OverviewRow, card: Scorecard) -> CardStream | None:
    """The stream to begin with, as the line for purchasing names it; of a quiet supplier the one with the least margin."""
    named = row["line"]["product"], row["line"]["characteristic"]
    if named[0] is not None:
        return next(one for one in card["streams"] if (one["product"], one["characteristic"]) == named)
    return min(card["streams"], key=lambda one: math.inf if one["room"] is None else one["room"], default=None)


def _direction(row: OverviewRow) -> html.Span:
    """The direction that the line for purchasing states."""
    direction = row["line"]["direction"]
    return word(DIRECTION_MARKS[direction], wording.LINE_WORDS[direction].capitalize())


def _change(row: CardStream, card: Scorecard, reasons: Sequence[str]) -> str:
    """Why the stream is the one to begin with, and the change of the mean of the quarter, which alone need not show it."""
    why = [wording.REASON_WORDS[reason] for reason in reasons if reason != "nearer"]
    why += ["a drift away from the limit"] if row["drifts_away"] else []
    if row["change_low"] is None:
        return "; ".join([*why, "mean not compared: too few lots"])
    way, size = wording.move(row)
    return "; ".join([*why, f"mean {size} against {card['earlier_quarter']}: {way}"])


def _passed(counts: LotCounts) -> str:
    """The lots that passed, of those that count; what else there was only where there was any."""
    repeats = counts["retested"]
    others = [f"{counts[key]} {words}" for key, words in wording.COUNTS[2:] if counts[key] and key != "retested"]
    text = f"{counts['pass']} of {counts['lots'] - repeats}" + (f", {', '.join(others)}" if others else "")
    return f"{text}; {counted(repeats, 'repeat')} not counted" if repeats else text


def _score_parts(overview: Overview) -> list[object]:
    rows = [
        [supplier_link(row["supplier"]), *wording.part_cells(row["standing"]), wording.notices(row["notices"])]
        for row in overview["rows"]
    ]
    heads = ("supplier", *wording.part_heads(), "notices")
    return [table(heads, [["weight", *wording.weight_cells(overview), ""], *rows], "Parts of the score")]


def _downloads(quarter: str, supplier: str, forms: Iterable[str]) -> list[object]:
    links = [html.A(form.upper(), href=scorecard_address(quarter, supplier, form), download="") for form in forms]
    return [part for one in links for part in (one, " ")]


def _files(quarter: str, supplier: str, forms: Iterable[str]) -> list[object]:
    """The forms, and the evidence behind them."""
    names = {"quarter": quarter, **({"supplier": supplier} if supplier else {})}
    return [
        *_downloads(quarter, supplier, forms),
        html.A("evidence for an audit (ZIP)", href=evidence_address(**names), download=""),
    ]


# One supplier


def _card(card: Scorecard, *, folded: bool) -> html.Component:
    """One supplier's streams and notices; on the page of all suppliers they are folded into a line."""
    heads = ("stream", "lots passed", "level", card["earlier_quarter"], "change", "limit", "alerts")
    lines = wording.notice_lines(card["notices"])
    parts = [
        html.P(
            f"Conforming lots {wording.share(card['standing'])}; score {wording.score(card['standing'])}; place "
            f"{wording.place(card['standing'])}. Notices: {wording.notices(card['notices'])}.",
            className="quiet",
        ),
        html.Ul([html.Li(line) for line in lines]) if lines else None,
        table(
            heads,
            [_stream(row) for row in card["streams"]],
            f"Streams of {card['supplier']}",
            ("lots passed", "level", card["earlier_quarter"]),
        ),
        html.P(
            [
                "Files: ",
                *_files(card["quarter"], card["supplier"], export.FORMS),
                " · page of ",
                supplier_link(card["supplier"]),
            ]
        ),
    ]
    summary = wording.summary(card)
    if folded:
        return html.Details([html.Summary([html.B(card["supplier"]), f": {summary}"], className="printed"), *parts])
    return html.Section([html.P(summary), *parts], **{"aria-label": card["supplier"]})


def _stream(row: CardStream) -> list[object]:
    compared = row["change_low"] is not None
    way, size = wording.move(row) if compared else ("", "")
    happened = wording.events(row)
    return [
        stream_link(row),
        _passed(row),
        wording.level_of(row, in_unit(row, row["level"])),
        wording.level_of(row, in_unit(row, row["earlier_level"]), earlier=True),
        [html.Span(size), html.Br(), html.Span(way, className="quiet")] if compared else "not compared",
        room_to_limit(row),
        "–" if happened == "none" else happened,
    ]


# Files


def add_downloads(server: Flask, lab_reader: LabReader) -> None:
    """The address from which a scorecard file is downloaded; without a supplier it is the file over all of them."""

    @server.get(SCORECARD_FILE)
    def scorecard_file() -> Response:
        quarter, supplier, form = (request.args.get(key, "") for key in ("quarter", "supplier", "form"))
        if form not in (export.FORMS if supplier else export.OVERVIEW_FORMS):
            raise CallError(f"scorecard: there is no form {quoted(form)}")
        with lab_reader.reading() as connection:
            cards = _cards(lab_reader, connection, quarter, supplier)
        data = export.FORMS[form](cards[0]) if supplier else export.OVERVIEW_FORMS[form](cards)
        name = export.file_name(cards[0], form) if supplier else export.overview_file_name(quarter, form)
        return Response(
            data,
            content_type=MEDIA_TYPES[form],
            headers=attachment(name),
        )
