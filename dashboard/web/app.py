"""The dashboard: the frame around the pages, their addresses, and the callbacks."""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, urlsplit

from dash import Dash, Input, Output, State, dcc, html, no_update
from flask import Response, request

from dashboard.components.current_user import current_user
from dashboard.components.html_parts import empty
from dashboard.components.limit_change_form import PREVIEW_PATH
from dashboard.components.plain_elements import plain
from dashboard.components.typesetting import typeset
from dashboard.pages import ageing, alerts, board, cases, find, guide, history, lot, retest, scorecards, stock, supplier
from dashboard.pages.bench import bench, instruments, loads, ready
from dashboard.pages.stream import limits, stream
from dashboard.pages.verdict import bags, compare, rule, what_if
from dashboard.queries.find import LONGEST_TEXT
from dashboard.queries.lab_reader import LabReader, NothingYet, never
from dashboard.text.formatting import CAUTIONS
from dashboard.text.urls import (
    ADD_FILE,
    AGEING,
    ALERTS,
    BAGS,
    BOARD,
    CASES,
    COMPARE,
    DIGEST,
    FIND,
    GUIDE,
    HISTORY,
    INSTRUMENTS,
    LOADS,
    LOT,
    READY,
    RETESTS,
    RULE,
    SCORECARDS,
    STOCK,
    STREAM,
    SUPPLIER,
    WHAT_IF,
    lot_address,
    rule_address,
    stream_address,
)
from dashboard.web import add_file_page, digest_page, names_page
from dashboard.web.entry_routes import add_entries
from dashboard.web.error_pages import add_error_pages, heading_of, words_of
from dashboard.web.files import (
    comparison_file,
    evidence_file,
    notice_file,
    report_file,
    sheet_file,
    stock_file,
    stream_file,
)
from dashboard.web.login import LOGOUT_PATH, add_login
from dashboard.web.request_guard import guard
from ingest.common.clock import now, steady
from ingest.common.errors import CallError, StoreError

__all__ = ["make_app"]

log = logging.getLogger(__name__)

PAGES: dict[str, Callable[..., html.Div]] = {
    BOARD: board.layout,
    ALERTS: alerts.layout,
    "/bench": bench.layout,
    CASES: cases.layout,
    HISTORY: history.layout,
    PREVIEW_PATH: limits.layout,
    BAGS: bags.layout,
    WHAT_IF: what_if.layout,
    RULE: rule.layout,
    COMPARE: compare.layout,
    LOT: lot.layout,
    FIND: find.layout,
    GUIDE: guide.layout,
    RETESTS: retest.layout,
    READY: ready.layout,
    LOADS: loads.layout,
    INSTRUMENTS: instruments.layout,
    SCORECARDS: scorecards.layout,
    STOCK: stock.layout,
    AGEING: ageing.layout,
    STREAM: stream.layout,
    SUPPLIER: supplier.layout,
}
# A new page adds a line here: the weekly work in the header, pages for now and then at the foot of every page.
# The elements that a callback changes after their page is shown.
CHANGING = (bags.ANSWER,)
NAVIGATION = (
    ("Board", BOARD),
    ("Alerts", ALERTS),
    ("Ready", READY),
    ("Test again", RETESTS),
    ("Bench", "/bench"),
    ("Stock", STOCK),
    ("Scorecards", SCORECARDS),
    ("Bags", BAGS),
    ("Compare", COMPARE),
    ("Other limit", WHAT_IF),
    ("Guide", GUIDE),
)
FOOTER = (
    ("Cases", CASES),
    ("Loads", LOADS),
    ("Add a file", ADD_FILE),
    ("Instruments", INSTRUMENTS),
    ("Weekly digest", DIGEST),
    ("Audit trail", HISTORY),
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
        The address it will be served on; requests for other hosts are refused.
    clock : callable
        The current time, aware.
    next_round : callable
        The time of the next round, aware; None if none is scheduled.
    steady : callable
        A clock that is never set back, for the waiting time after failed logins.
    """
    lab_reader = LabReader(folder, next_round)
    app = Dash(
        __name__,
        title="lotdrift",
        update_title=None,
        suppress_callback_exceptions=True,
        health_endpoint="healthz",
        assets_folder=str(Path(__file__).parents[1] / "assets"),
    )
    # Pages without the frame name no icon, and browsers then ask for this one.
    app.server.add_url_rule("/favicon.ico", "favicon", app.server.view_functions["/_favicon.ico"])
    app.index_string = app.index_string.replace("<html>", '<html lang="en">')
    app.layout = lambda: _frame(lab_reader)
    _mark_missing_pages(app)
    _add_callbacks(app, lab_reader)
    scorecards.add_downloads(app.server, lab_reader)
    stream_file.add_download(app.server, lab_reader)
    stock_file.add_downloads(app.server, lab_reader)
    sheet_file.add_download(app.server, lab_reader)
    notice_file.add_download(app.server, lab_reader)
    comparison_file.add_download(app.server, lab_reader)
    report_file.add_download(app.server, lab_reader)
    evidence_file.add_download(app.server, lab_reader)
    history.add_download(app.server, lab_reader)
    add_entries(app.server, lab_reader, clock)
    add_file_page.add_file_page(app.server, lab_reader, clock)
    names_page.names_page(app.server, lab_reader, clock)
    digest_page.add_digest(app.server, lab_reader)
    guard(app.server, {bound_to, *_linked_host(lab_reader)}, app.csp_hashes(), app.callback_map)
    add_login(app.server, lab_reader, bound_to, clock, steady)
    add_error_pages(app.server)
    return app


def _linked_host(lab_reader: LabReader) -> list[str]:
    """The host in the links of mails, if one is declared."""
    mail = lab_reader.lab.mail
    host = urlsplit(mail.dashboard).hostname if mail is not None and mail.dashboard else None
    return [host] if host else []


def _frame(lab_reader: LabReader) -> html.Div:
    user = current_user()
    log_out = html.Form(
        [
            html.Span([user.name, html.Span(f" ({user.role})", className="quiet")]),
            html.Button("Log out", type="submit"),
        ],
        method="post",
        action=LOGOUT_PATH,
        className="person",
    )
    foot = [part for name, path in FOOTER for part in (" · ", html.A(name, href=path))][1:]
    cautions = html.Section(
        [
            html.P("lotdrift marks lots and releases none: the person whom your procedure authorises decides."),
            html.Details([html.Summary("All cautions"), html.P(CAUTIONS)]),
            html.Nav(html.P(foot), **{"aria-label": "More pages"}),
        ],
        className="cautions",
        **{"aria-label": "Cautions"},
    )
    return html.Div(
        [
            dcc.Location(id="address"),
            html.A("Skip to content", href="#page", className="skip"),
            html.Header(
                [
                    dcc.Link("lotdrift", href=BOARD, className="brand"),
                    html.Nav([dcc.Link(name, href=path) for name, path in NAVIGATION], **{"aria-label": "Pages"}),
                    _search(),
                    html.Span(lab_reader.title, className="lab quiet"),
                    log_out if user.name else None,
                ],
                className="masthead",
            ),
            html.Div(id="trouble", role="alert"),
            html.Main(id="page", tabIndex=-1, children=html.P("Loading …", className="quiet")),
            cautions,
        ]
    )


def _search() -> html.Form:
    """The search field of every page; it works without a script."""
    words = "Search the lab"
    return html.Form(
        html.Label(
            [
                html.Span(words, className="unseen"),
                dcc.Input(name="text", type="search", placeholder="Find a lot, supplier …", maxLength=LONGEST_TEXT),
            ]
        ),
        method="get",
        action=FIND,
        role="search",
        className="find",
    )


def _mark_missing_pages(app: Dash) -> None:
    """Answer an address that names no page with 404, in the frame of the pages; Dash serves its frame at any address."""

    @app.server.after_request
    def mark(response: Response) -> Response:
        # Dash names its catch-all route so.
        is_frame = request.endpoint == "/<path:path>" and response.status_code == 200
        if is_frame and _page_at(request.path) is None:
            response.status_code = 404
        return response


def _page_at(path: object) -> Callable[..., html.Div] | None:
    return PAGES.get(path.rstrip("/") or BOARD) if isinstance(path, str) else None


def _add_callbacks(app: Dash, lab_reader: LabReader) -> None:
    @app.callback(Output("page", "children"), Input("address", "pathname"), Input("address", "search"))
    def show(path: object, search: object) -> Any:
        return plain(typeset(page(lab_reader, path, search)), CHANGING)

    @app.callback(
        Output(bags.ANSWER, "children"),
        [Input(name, "value") for name in bags.SLIDERS],
        State("bags-stream", "data"),
        prevent_initial_call=True,
    )
    def show_bags(count: object, readings: object, level: object, names: object) -> Any:
        return plain(typeset(bags.moved(lab_reader, (count, readings, level), names)), CHANGING)

    @app.callback(
        Output("stream-goes-to", "href"),
        Input("stream-figure", "clickData"),
        State("stream-supplier", "data"),
        prevent_initial_call=True,
    )
    def open_lot(click: object, supplier_name: object) -> Any:
        match click:
            case {"points": [{"customdata": str(lot_name)}, *_]}:
                return lot_address(str(supplier_name), lot_name)
            case _:
                # A click beside the points.
                return no_update


def page(lab_reader: LabReader, path: object, search: object) -> html.Div:
    """The page at an address, or an error in words. A browser may send anything as `path` and `search`."""
    layout = _page_at(path)
    if layout is None:
        return html.Div(empty("Page not found.", "Choose a page above."))
    try:
        return guide.with_guide_link(layout(lab_reader, **_query(search)), str(path).rstrip("/") or BOARD)
    except (NothingYet, CallError, StoreError) as error:
        heading = heading_of(error)
        page_instead = empty(heading, words_of(error, heading))
        names = {
            name: value for name, value in _query(search).items() if name in ("supplier", "product", "characteristic")
        }
        if path == RULE and "characteristic" in names:
            back = dcc.Link("Back to the form", href=rule_address(names["characteristic"]))
            return html.Div([page_instead, html.P(back)])
        if path != PREVIEW_PATH or len(names) < 3:
            return html.Div(page_instead)
        # The form of a preview is on the page of its stream.
        return html.Div([page_instead, html.P(dcc.Link("Back to the form", href=stream_address(**names)))])


def _query(search: object) -> dict[str, str]:
    """The query of an address; characters that no store could look up become question marks."""
    if not isinstance(search, str):
        return {}
    pairs = parse_qsl(search.lstrip("?").encode(errors="replace").decode())
    return {name: value.replace("\0", "?") for name, value in pairs if name != "lab_reader"}
