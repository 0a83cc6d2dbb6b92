"""Pieces that several pages share: the word of a state, a list of facts, an alert, a graph."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from urllib.parse import urlencode

import plotly.graph_objects as go
from dash import dcc, html

from dashboard.figures import CONFIG
from dashboard.sentences import characteristic, day

__all__ = [
    "alert_sheet",
    "empty",
    "facts",
    "graph",
    "link",
    "lot_link",
    "stream_link",
    "supplier_link",
    "word",
]

# A shape for each word, so that colour is never alone.
SHAPES = {
    "act": "◆", "look": "◈", "steady": "●", "learning": "○", "silent": "–", "note": "·",
    "pass": "●", "fail": "◆", "undecided": "◈", "invalid": "□", "unlimited": "–",
    "open": "◈", "acknowledged": "●", "closed": "○",
}  # fmt: skip


def word(state: str) -> html.Span:
    """A state as shape and word."""
    return html.Span([html.Span(SHAPES.get(state, "·"), **{"aria-hidden": "true"}), state], className=f"word {state}")


def link(text: str, path: str, **query: str) -> html.A:
    """A link within the dashboard; names from files travel as query values."""
    return html.A(text, href=f"{path}?{urlencode(query)}" if query else path)


def supplier_link(supplier: str) -> html.A:
    """To the page of a supplier."""
    return link(supplier, "/supplier", name=supplier)


def stream_link(document: dict[str, Any], text: str | None = None) -> html.A:
    """To the page of a stream."""
    names = {key: document[key] for key in ("supplier", "product", "characteristic")}
    return link(text or f"{names['product']} · {characteristic(names['characteristic'])}", "/stream", **names)


def lot_link(supplier: str, lot: str) -> html.A:
    """To the page of a lot."""
    return link(lot, "/lot", supplier=supplier, lot=lot)


def facts(items: Sequence[tuple[str, Any, str]]) -> html.Dl:
    """Named figures: (name, value, one line of why or how)."""
    return html.Dl(
        [
            html.Div([html.Dt(name), html.Dd(value), *([html.Dd(why, className="why")] if why else [])])
            for name, value, why in items
        ],
        className="facts",
    )


def graph(figure: go.Figure, name: str) -> dcc.Graph:
    """A figure on a page."""
    return dcc.Graph(
        figure=figure, id=name, config=CONFIG, responsive=True, style={"height": f"{figure.layout.height}px"}
    )


def alert_sheet(alert: dict[str, Any]) -> html.Section:
    """One alert with its evidence in words and the way to what it is about."""
    where = [lot_link(alert["supplier"], alert["lot"])] if alert["supplier"] and alert["lot"] else []
    if alert["characteristic"]:
        where = [stream_link(alert, "see the stream"), *([" · lot ", *where] if where else [])]
    return html.Section(
        [
            html.P([word(alert["grade"]), " ", word(alert["state"]), " ", html.Strong(alert["message"])]),
            html.P([f"{alert['kind']}, evidence complete {day(alert['raised_at'])}. ", *where], className="quiet"),
        ],
        className=f"sheet alert {alert['grade']} {alert['state']}",
        id=f"alert-{alert['id']}",
    )


def empty(sentence: str, advice: str) -> html.Div:
    """What a page says where there is nothing to show."""
    return html.Div([html.H1(sentence), html.P(advice)], className="empty")
