"""The bench: are chambers, feeds and rounds in order."""

from __future__ import annotations

from typing import Any

from dash import html

from dashboard import benchviews, figures, views
from dashboard.desk import Desk
from dashboard.parts import graph, stream_link, word
from dashboard.sentences import counted, day

__all__ = ["layout"]

Document = dict[str, Any]


def layout(desk: Desk, **_other: str) -> html.Div:
    """Chambers with their last weeks, check standards, feeds and rounds."""
    with desk.reading() as connection:
        bench = benchviews.bench(connection, desk.lab)
        standards = [row for row in views.board(connection, desk.lab) if row["check_standard"]]
    return html.Div(
        [
            html.H1(_headline(bench)),
            html.H2("Chambers"),
            *[_chamber(chamber, number) for number, chamber in enumerate(bench["chambers"])],
            html.H2("References whose value must not move"),
            _standards(standards),
            html.H2("Feeds"),
            html.Div(_feeds(bench["feeds"]), className="scroll"),
            html.H2("Refused rows"),
            html.Div(_refusals(bench["refusals"]), className="scroll"),
            html.H2("Rounds"),
            html.P(_rounds(bench)),
        ]
    )


def _headline(bench: Document) -> str:
    out = [chamber["name"] for chamber in bench["chambers"] if not chamber["in_window_now"]]
    if out:
        return f"Chamber {', '.join(out)}: the last entry is outside the window."
    return f"{counted(len(bench['chambers']), 'chamber')} inside the window at the last entry."


def _chamber(chamber: Document, number: int) -> html.Section:
    outside = chamber["hours_outside"]
    return html.Section(
        [
            html.H2(
                f"{chamber['name']}: {chamber['humidity']:.1f} % RH, {chamber['temperature_c']:.1f} °C on {day(chamber['last_at'])}"
            ),
            html.P(
                f"Last {chamber['days']} days: {outside:.0f} h outside the window, {counted(chamber['gaps'], 'gap')} in the log, "
                f"{counted(chamber['invalid_sessions'], 'test session')} without valid conditioning."
            ),
            graph(figures.chamber_trace(chamber["trace"]), f"chamber-{number}"),
        ],
        className="sheet",
    )


def _standards(rows: list[Document]) -> html.Component:
    if not rows:
        return html.P(
            "None is declared. A kept bag set or a certified resistor tells bench drift from film drift: see [[check_standard]]."
        )
    return html.Ul(
        [
            html.Li(
                [
                    stream_link(
                        row, f"{row['supplier']} · {row['product']} · {row['characteristic'].replace('_', ' ')}"
                    ),
                    " ",
                    word(row["state"]),
                ]
            )
            for row in rows
        ]
    )


def _feeds(feeds: list[Document]) -> html.Table:
    heads = ("file", "kind", "taken", "stored", "known", "corrected", "refused", "state")
    rows = [
        html.Tr(
            [
                html.Td(value)
                for value in (
                    feed["name"],
                    feed["kind"],
                    day(feed["taken_at"]),
                    feed["stored"],
                    feed["duplicate"],
                    feed["corrected"],
                    feed["refused"],
                    feed["state"],
                )
            ]
        )
        for feed in feeds
    ]
    return html.Table([html.Thead(html.Tr([html.Th(head, scope="col") for head in heads])), html.Tbody(rows)])


def _refusals(rows: list[Document]) -> html.Component:
    if not rows:
        return html.P("None.")
    heads = ("file", "line", "why")
    body = [html.Tr([html.Td(row["file"]), html.Td(row["line"]), html.Td(row["reason"])]) for row in rows]
    return html.Table([html.Thead(html.Tr([html.Th(head, scope="col") for head in heads])), html.Tbody(body)])


def _rounds(bench: Document) -> str:
    last = bench["last_round"]
    if last is None:
        return "No round yet."
    return f"Last round {last['started_at']}, {last['seconds']:.1f} s: {counted(last['files'], 'file')}, {counted(last['evaluated'], 'stream')} evaluated."
