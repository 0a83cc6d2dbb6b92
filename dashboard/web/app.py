"""The dashboard: the frame around the pages, their addresses, and the few callbacks."""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, urlsplit

from dash import Dash, Input, Output, State, dcc, html, no_update

from dashboard.components.current_user import current_user
from dashboard.components.html_parts import empty, link
from dashboard.components.limit_change_form import PREVIEW_PATH
from dashboard.pages import alerts, bench, board, guide, history, limits, lot, scorecards, stream, supplier
from dashboard.queries.lab_reader import LabReader, NothingYet, never
from dashboard.text.formatting import CAUTIONS
from dashboard.text.urls import lot_address
from dashboard.web import digest_page, evidence_file, notice_file, stream_file
from dashboard.web.entry_routes import add_entries
from dashboard.web.error_pages import add_error_pages
from dashboard.web.login import LOGOUT_PATH, add_login
from dashboard.web.request_guard import guard
from ingest.common.clock import now, steady
from ingest.common.errors import CallError, StoreError

__all__ = ["make_app"]

log = logging.getLogger(__name__)

PAGES: dict[str, Callable[..., html.Div]] = {
    "/": board.layout,
    "/alerts": alerts.layout,
    "/bench": bench.layout,
    "/guide": guide.layout,
    "/history": history.layout,
    PREVIEW_PATH: limits.layout,
    "/lot": lot.layout,
    "/scorecards": scorecards.layout,
    "/stream": stream.layout,
    "/supplier": supplier.layout,
}
NAVIGATION = (
    ("Board", "/"),
    ("Alerts", "/alerts"),
    ("Bench", "/bench"),
    ("Scorecards", "/scorecards"),
    ("Guide", "/guide"),
)


def make_app(
    folder: Path,
    bound_to: str = "127.0.0.1",
    clock: Callable[[], datetime] = now,
    next_round: Callable[[], datetime | None] = never,
    steady: Callable[[], timedelta] = steady,
) -> Dash:
    """The dashboard of a lab folder, as a Dash application whose `server` is a WSGI application.

    Parameters
    ----------
    folder : Path
        The lab folder.
    bound_to : str
        The address it will be served on; requests for other hosts are turned away.
    clock : callable
        The present moment, aware: when entries are made and sessions end.
    next_round : callable
        When the next round is due, aware; None where none is scheduled.
    steady : callable
        The time that is never set back: how long somebody whose logins failed waits.
    """
    desk = LabReader(folder, next_round)
    app = Dash(
        __name__,
        title="lotdrift",
        update_title=None,
        suppress_callback_exceptions=True,
        health_endpoint="healthz",
        assets_folder=str(Path(__file__).parents[1] / "assets"),
    )
    app.index_string = app.index_string.replace("<html>", '<html lang="en">')
    app.layout = lambda: _frame(desk)
    _add_callbacks(app, desk)
    scorecards.add_downloads(app.server, desk)
    stream_file.add_download(app.server, desk)
    notice_file.add_download(app.server, desk)
    evidence_file.add_download(app.server, desk)
    history.add_download(app.server, desk)
    add_entries(app.server, desk, clock)
    digest_page.add_digest(app.server, desk)
    guard(app.server, {bound_to, *_linked_host(desk)}, app.csp_hashes(), app.callback_map)
    add_login(app.server, desk, bound_to, clock, steady)
    add_error_pages(app.server)
    return app


def _linked_host(desk: LabReader) -> list[str]:
    """The host by which mails lead here, where one is declared."""
    mail = desk.lab.mail
    host = urlsplit(mail.dashboard).hostname if mail is not None and mail.dashboard else None
    return [host] if host else []


def _frame(desk: LabReader) -> html.Div:
    return html.Div(
        [
            dcc.Location(id="address"),
            html.A("to the content", href="#page", className="skip"),
            html.Header(
                [
                    dcc.Link("lotdrift", href="/", className="mark"),
                    html.Nav([dcc.Link(name, href=path) for name, path in NAVIGATION], **{"aria-label": "Pages"}),
                    html.Span(desk.title, className="lab quiet"),
                    *_who_is_logged_in(),
                ],
                className="masthead",
            ),
            html.Div(id="trouble", role="alert"),
            html.Main(id="page", tabIndex=-1, children=html.P("Reading the store …", className="quiet")),
            html.Section(html.P(CAUTIONS), className="cautions", **{"aria-label": "Cautions"}),
            html.Section(
                html.P(link("What was entered, by whom and why", "/history")),
                className="cautions",
                **{"aria-label": "History"},
            ),
        ]
    )


def _who_is_logged_in() -> list[html.Form]:
    """The name, what it may do, and the way out."""
    person = current_user()
    if person.name is None:
        return []
    said = html.Span([person.name, html.Span(f" ({person.role})", className="quiet")])
    return [
        html.Form([said, html.Button("Log out", type="submit")], method="post", action=LOGOUT_PATH, className="person")
    ]


def _add_callbacks(app: Dash, desk: LabReader) -> None:
    @app.callback(Output("page", "children"), Input("address", "pathname"), Input("address", "search"))
    def show(path: object, search: object) -> html.Div:
        return page(desk, path, search)

    @app.callback(
        Output("stream-goes-to", "href"),
        Input("stream-figure", "clickData"),
        State("stream-supplier", "data"),
        prevent_initial_call=True,
    )
    def open_lot(click: object, supplier_name: object) -> Any:
        lot_name = _clicked(click)
        if lot_name is None:
            return no_update
        return lot_address(str(supplier_name), lot_name)


def _clicked(click: object) -> str | None:
    """The lot that a click in a figure names; a click beside the points names none."""
    match click:
        case {"points": [{"customdata": str(name)}, *_]}:
            return name
        case _:
            return None


def page(desk: LabReader, path: object, search: object) -> html.Div:
    """The page at an address; trouble is a page too, in words. What a browser sends may be anything."""
    layout = PAGES.get(path.rstrip("/") or "/") if isinstance(path, str) else None
    if layout is None:
        return html.Div(empty("There is no such page.", "The links above lead to all there are."))
    try:
        return guide.with_guide_link(layout(desk, **_query(search)), str(path).rstrip("/") or "/")
    except NothingYet as error:
        sentence, _, advice = str(error).partition(". ")
        return html.Div(empty(f"{sentence}.", advice))
    except (CallError, StoreError) as error:
        return html.Div(empty("This can't be shown.", str(error)))


def _query(search: object) -> dict[str, str]:
    """What the address asks for; half a character or none, which no store could look up, becomes a question mark."""
    if not isinstance(search, str):
        return {}
    pairs = parse_qsl(search.lstrip("?").encode(errors="replace").decode())
    return {name: value.replace("\0", "?") for name, value in pairs if name != "desk"}
