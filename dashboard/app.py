"""The dashboard: the frame around the pages, their addresses, and the few callbacks."""

from __future__ import annotations

import logging
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, urlencode

from dash import Dash, Input, Output, State, dcc, html, no_update

from dashboard.access import guard
from dashboard.desk import Desk, NothingYet
from dashboard.pages import alerts, bench, board, lot, scorecards, stream, supplier
from dashboard.parts import empty
from dashboard.sentences import CAUTIONS
from ingest.errors import CallError, StoreError

__all__ = ["make_app"]

log = logging.getLogger(__name__)

PAGES: dict[str, Callable[..., html.Div]] = {
    "/": board.layout,
    "/alerts": alerts.layout,
    "/bench": bench.layout,
    "/lot": lot.layout,
    "/scorecards": scorecards.layout,
    "/stream": stream.layout,
    "/supplier": supplier.layout,
}
NAVIGATION = (("Board", "/"), ("Alerts", "/alerts"), ("Bench", "/bench"), ("Scorecards", "/scorecards"))


def make_app(folder: Path, bound_to: str = "127.0.0.1") -> Dash:
    """The dashboard of a lab folder, as a Dash application whose `server` is a WSGI application.

    Parameters
    ----------
    folder : Path
        The lab folder.
    bound_to : str
        The address it will be served on; requests for other hosts are turned away.
    """
    desk = Desk(folder)
    app = Dash(
        __name__,
        title="lotdrift",
        update_title=None,
        suppress_callback_exceptions=True,
        health_endpoint="healthz",
        assets_folder="assets",
    )
    app.layout = lambda: _frame(desk)
    _add_callbacks(app, desk)
    scorecards.add_downloads(app.server, desk)
    guard(app.server, bound_to, app.csp_hashes())
    return app


def _frame(desk: Desk) -> html.Div:
    return html.Div(
        [
            dcc.Location(id="address"),
            html.Header(
                [
                    html.A("lotdrift", href="/", className="mark"),
                    html.Nav([dcc.Link(name, href=path) for name, path in NAVIGATION], **{"aria-label": "Pages"}),
                    html.Span(desk.lab.name, className="lab quiet"),
                ],
                className="masthead",
            ),
            html.Main(id="page", children=html.P("Reading the store …", className="quiet")),
            html.Footer(html.P(CAUTIONS), className="cautions"),
        ]
    )


def _add_callbacks(app: Dash, desk: Desk) -> None:
    @app.callback(Output("page", "children"), Input("address", "pathname"), Input("address", "search"))
    def show(path: str, search: str | None) -> html.Div:
        return page(desk, path, search or "")

    @app.callback(
        Output("stream-goes-to", "href"),
        Input("stream-figure", "clickData"),
        State("stream-supplier", "data"),
        prevent_initial_call=True,
    )
    def open_lot(click: dict[str, Any] | None, supplier_name: str) -> Any:
        lot_name = (click or {}).get("points", [{}])[0].get("customdata")
        return no_update if not lot_name else f"/lot?{urlencode({'supplier': supplier_name, 'lot': lot_name})}"


def page(desk: Desk, path: str, search: str) -> html.Div:
    """The page at an address; trouble is a page too, in words."""
    layout = PAGES.get(path.rstrip("/") or "/")
    if layout is None:
        return html.Div(empty("There is no such page.", "The links above lead to all there are."))
    query = dict(parse_qsl(search.lstrip("?")))
    query.pop("desk", None)
    try:
        return layout(desk, **query)
    except NothingYet:
        return html.Div(
            empty("Nothing has been taken in yet.", "Put CSV files into the drop folders and run lotdrift run.")
        )
    except (CallError, StoreError) as error:
        return html.Div(empty("This can't be shown.", str(error)))
