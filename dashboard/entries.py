"""Where the forms of the pages arrive: the only requests that change something.

An entry is taken only from a page of ours (the browser names the page's origin) and only where the dashboard is served on
loopback: no users are declared, so on another address nobody could say who wrote it.
"""

from __future__ import annotations

import json
from urllib.parse import urlencode, urlsplit

from flask import Flask, Response, redirect, request
from markupsafe import escape
from sqlalchemy import Connection

from dashboard.access import LOOPBACK
from dashboard.desk import Desk, NothingYet
from dashboard.entryform import ENTRY_PATH
from ingest import actions
from ingest.answering import answer
from ingest.clock import now
from ingest.errors import CallError, StoreError
from ingest.evaluating import evaluate_stale

__all__ = ["add_entries"]


def add_entries(server: Flask, desk: Desk, bound_to: str) -> None:
    """The address to which the forms are sent."""

    @server.post(ENTRY_PATH)
    def entry() -> Response:
        if bound_to not in LOOPBACK:
            return _refused("Entries are taken on this computer only: served on another address, nobody is known.", 403)
        if not _from_our_page():
            return _refused("Entries are taken from the pages of the dashboard only.", 403)
        given = {name: request.form.get(name, "") for name in ("subject", "what", "who", "reason", "on")}
        try:
            with desk.store.writing() as connection:
                if given["what"] in actions.STEPS:
                    _keep_step(connection, desk, given)
                else:
                    answer(connection, **given, now=now())
                    # What was settled shows at once, not with the next round.
                    evaluate_stale(connection, desk.lab)
        except NothingYet:
            return _refused("Nothing has been taken in yet.", 404)
        except CallError as error:
            return _refused(str(error), 400)
        except StoreError as error:
            return _refused(str(error), 409)
        return redirect(_back(given["subject"]), code=303)  # type: ignore[return-value]  # werkzeug's own type


def _keep_step(connection: Connection, desk: Desk, given: dict[str, str]) -> None:
    """A step of the corrective action on an alert has more fields than other entries."""
    alert = given["subject"].removeprefix("alert:")
    fields = {name: request.form.get(name, "") for name in actions.FIELDS}
    actions.keep_step(connection, desk.lab, alert, given["what"], given["who"], given["reason"], fields, now())


def _from_our_page() -> bool:
    origin = request.headers.get("Origin", "")
    return (
        urlsplit(origin).netloc == request.host
        and request.headers.get("Sec-Fetch-Site", "same-origin") == "same-origin"
    )


def _back(subject: str) -> str:
    """The page of what the entry is about; made here, so that no address from outside is followed."""
    if subject.startswith("alert:"):
        return f"/alerts?{urlencode({'show': 'all'})}#alert-{subject.removeprefix('alert:')}"
    if subject.startswith("session:"):
        supplier, _, _, lot, _ = json.loads(subject.removeprefix("session:"))
        return f"/lot?{urlencode({'supplier': supplier, 'lot': lot})}"
    names = json.loads(subject.removeprefix("lot:"))
    if subject.startswith("lot:"):
        return f"/lot?{urlencode(dict(zip(('supplier', 'lot'), names, strict=True)))}"
    return f"/stream?{urlencode(dict(zip(('supplier', 'product', 'characteristic'), names, strict=True)))}"


def _refused(why: str, status: int) -> Response:
    """A small page that says why nothing was kept."""
    page = (
        '<!doctype html><html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width">'
        '<title>Not kept · lotdrift</title><link rel="stylesheet" href="/assets/lotdrift.css">'
        f'<main><h1>The entry was not kept.</h1><p>{escape(why)}</p><p><a href="/">Back to the board</a></p></main></html>'
    )
    return Response(page, status=status, mimetype="text/html")
