"""One lot: can I trust it, and what do I do with it."""

from __future__ import annotations

from typing import Any

from dash import html

from dashboard import benchviews, figures, views
from dashboard.desk import Desk
from dashboard.parts import alert_sheet, facts, graph, stream_link, supplier_link, word
from dashboard.sentences import amount, characteristic, counted, day, room_to_limit

__all__ = ["layout"]

Document = dict[str, Any]

CONDITIONING_WORDS = {
    "valid": "the log shows the conditioning",
    "short": "not enough hours in the window before the test",
    "humid": "the chamber was too humid",
    "dry": "the chamber was too dry",
    "warm": "the chamber was too warm",
    "cold": "the chamber was too cold",
    "unlogged": "the chamber log does not show the hours before the test",
}


def layout(desk: Desk, supplier: str = "", lot: str = "", **_other: str) -> html.Div:
    """The page of a lot."""
    with desk.reading() as connection:
        document = views.lot(connection, desk.lab, supplier, lot)
        traces = [benchviews.chamber_trace(connection, desk.lab, session) for session in document["sessions"]]
    blocks = [
        _session(document, session, trace, number)
        for number, (session, trace) in enumerate(zip(document["sessions"], traces, strict=True))
    ]
    return html.Div(
        [
            html.P([supplier_link(supplier), f" · {document['product']}"], className="quiet"),
            html.H1(f"Lot {lot}"),
            html.P(_told(document)),
            *[alert_sheet(alert) for alert in document["alerts"]],
            *blocks,
        ]
    )


def _told(document: Document) -> str:
    verdicts = [session["verdict"] for session in document["sessions"]]
    parts = [
        f"{verdicts.count(word)} {word}"
        for word in ("pass", "fail", "undecided", "invalid", "unlimited")
        if word in verdicts
    ]
    dates = f" Received {document['received_on']}." if document["received_on"] else ""
    return f"{counted(len(verdicts), 'test session')}: {', '.join(parts)}.{dates} The decision on the lot is yours."


def _session(document: Document, session: Document, trace: Document | None, number: int) -> html.Section:
    conditioning = session["conditioning"]
    return html.Section(
        [
            html.H2(
                [f"{characteristic(session['characteristic'])}, {day(session['tested_at'])} ", word(session["verdict"])]
            ),
            html.P(_reason(session)),
            facts(
                [
                    (
                        "lot level",
                        amount(session["level"], session["unit"]),
                        f"{counted(session['bags'], 'bag')}, {counted(len(session['readings']), 'reading')}",
                    ),
                    ("worst reading", amount(session["worst"], session["unit"]), ""),
                    ("conditioning", CONDITIONING_WORDS[conditioning["state"]], _hours(conditioning)),
                    (
                        "where",
                        f"chamber {session['chamber'] or '–'}",
                        f"instrument {session['instrument'] or '–'}, load {session['load'] or '–'}",
                    ),
                ]
            ),
            graph(figures.bags(session), f"bags-{number}"),
            *([graph(figures.chamber_trace(trace), f"trace-{number}")] if trace else []),
            html.P("Thick line: limit. Thin line: lot level.", className="quiet"),
            html.P(stream_link({**document, **session}, "how this stands in its stream")),
            html.Details(
                [html.Summary("Every reading, with its file and line"), html.Div(_table(session), className="scroll")]
            ),
        ],
        className="sheet",
    )


def _reason(session: Document) -> str:
    """How the verdict was reached."""
    limit = room_to_limit(session)
    judged = amount(session["judged"], session["unit"])
    if session["verdict"] == "invalid":
        return f"Not judged: {CONDITIONING_WORDS[session['conditioning']['state']]}."
    if session["verdict"] == "unlimited":
        return f"No limit applies; the level is {amount(session['level'], session['unit'])}."
    if session["judged"] is None:
        return f"Bounded readings leave open where the judged value lies against {limit}."
    return f"Judged by its {session['judged_by']}: {judged} against {limit}."


def _hours(conditioning: Document) -> str:
    if conditioning["hours"] is None:
        return ""
    span = (
        f", {conditioning['humidity_min']:.1f} to {conditioning['humidity_max']:.1f} % RH"
        if conditioning["humidity_min"] is not None
        else ""
    )
    return f"{conditioning['hours']:.1f} h unbroken{span}"


def _table(session: Document) -> html.Table:
    heads = ("bag", "reading", "value", "as written", "tested", "operator", "file", "line", "state")
    return html.Table(
        [
            html.Thead(html.Tr([html.Th(head, scope="col") for head in heads])),
            html.Tbody([_line(reading) for reading in session["readings"]]),
        ]
    )


def _line(reading: Document) -> html.Tr:
    cells = [
        str(reading["specimen"]),
        str(reading["reading"]),
        amount(reading["value"], reading["unit"], reading["bound"]),
        reading["written"],
        reading["tested_at"],
        reading["operator"],
        reading["file"],
        str(reading["line"]),
        reading["state"],
    ]
    return html.Tr([html.Td(cell) for cell in cells])
