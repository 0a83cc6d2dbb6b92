"""Where the forms of the pages arrive: the only requests that change something.

Who may come this far is settled before: a page of ours made the request (`dashboard/access.py`), by a person who may enter
(`dashboard/login.py`).
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from flask import Flask, Response, redirect, request
from sqlalchemy import Connection

from dashboard.components.current_user import current_user
from dashboard.components.entry_form import ENTRY_PATH
from dashboard.components.limit_change_form import CHANGES, change_limits
from dashboard.queries.lab_reader import LabReader
from dashboard.text.subject_names import address
from ingest.decisions import corrective_actions
from ingest.decisions.responses import respond
from ingest.rounds.recompute import derive

__all__ = ["add_entries"]


def add_entries(server: Flask, desk: LabReader, clock: Callable[[], datetime]) -> None:
    """The address to which the forms are sent; `clock` gives the present moment, aware."""

    @server.post(ENTRY_PATH)
    def entry() -> Response:
        given = {name: request.form.get(name, "") for name in ("subject", "what", "who", "reason", "on")}
        # Who is logged in can't sign with another name.
        given["who"] = current_user().name or given["who"]
        with desk.store.writing() as connection:
            _keep(connection, desk, given, clock())
        return redirect(address(given["subject"]) or "/", code=303)  # type: ignore[return-value]  # werkzeug's own type


def _keep(connection: Connection, desk: LabReader, given: dict[str, str], now: datetime) -> None:
    if given["what"] in CHANGES:
        change_limits(connection, desk.lab, request.form, given["who"], now)
    elif given["what"] in corrective_actions.STEPS:
        _keep_step(connection, desk, given, now)
    elif respond(connection, **given, now=now):
        # What was settled shows at once, not with the next round.
        derive(connection, desk.lab)


def _keep_step(connection: Connection, desk: LabReader, given: dict[str, str], now: datetime) -> None:
    """A step of the corrective action on an alert has more fields than other entries."""
    alert = given["subject"].removeprefix("alert:")
    fields = {name: request.form.get(name, "") for name in corrective_actions.FIELDS}
    corrective_actions.record_step(
        connection, desk.lab, alert, given["what"], given["who"], given["reason"], fields, now
    )
