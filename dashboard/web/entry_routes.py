"""The address of the forms: the only requests that change the lab.

Two checks come before: the request came from a page of the dashboard (`dashboard/web/request_guard.py`), and its user may
make entries (`dashboard/web/login.py`).
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from flask import Flask, Response, redirect, request
from sqlalchemy import Connection

from dashboard.components.current_user import current_user
from dashboard.components.entry_form import ENTRY_PATH
from dashboard.components.limit_change_form import CHANGES, change_limits
from dashboard.components.test_report import FIELDS
from dashboard.queries import lot_document
from dashboard.queries.lab_reader import LabReader
from dashboard.text.subject_names import address
from ingest.audit.subjects import Subject, SubjectKind
from ingest.common.errors import CallError
from ingest.decisions import corrective_actions
from ingest.decisions.responses import respond
from ingest.rounds.recompute import derive
from ingest.verdict.report import ISSUE_REPORT, NO_ENTRIES, draft, issue

__all__ = ["add_entries"]


def add_entries(server: Flask, lab_reader: LabReader, clock: Callable[[], datetime]) -> None:
    """Take the entries of the forms; `clock` gives the current time, aware."""

    @server.post(ENTRY_PATH)
    def entry() -> Response:
        subject, what, reason, on = (request.form.get(name, "") for name in ("subject", "what", "reason", "on"))
        # A logged-in user can't sign with another name.
        who, now = current_user().name or request.form.get("who", ""), clock()
        with lab_reader.store.writing() as connection:
            if what in CHANGES:
                change_limits(connection, lab_reader.lab, request.form, who, now)
            elif what == ISSUE_REPORT:
                _issue_report(connection, lab_reader, subject, who, reason, now)
            elif what in corrective_actions.STEPS:
                alert = subject.removeprefix("alert:")
                fields = {name: request.form.get(name, "") for name in corrective_actions.FIELDS}
                corrective_actions.record_step(connection, lab_reader.lab, alert, what, who, reason, fields, now)
            elif respond(connection, subject=subject, what=what, who=who, reason=reason, on=on, now=now):
                # A cleared test changes its stream at once, not with the next round.
                derive(connection, lab_reader.lab)
        return redirect(address(subject) or "/", code=303)  # type: ignore[return-value]  # werkzeug's own type


def _issue_report(
    connection: Connection, lab_reader: LabReader, subject: str, who: str, reason: str, now: datetime
) -> None:
    """Issue the test report of a lot with what the form says."""
    about = Subject.parse(subject)
    if about is None or about.kind != SubjectKind.LOT:
        raise CallError(f"{ISSUE_REPORT}: the form names no lot; open the page of the lot again")
    lab = lab_reader.lab
    drawn = draft(connection, lab, lot_document.lot(connection, lab, *about.names))
    entries = {name: request.form.get(name, "") for name in FIELDS}
    issue(connection, lab, drawn, {**NO_ENTRIES, **entries, "issued_by": who, "authorisation": reason}, now)  # type: ignore[typeddict-item]
