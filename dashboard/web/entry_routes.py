"""The address of the forms: the only requests that change the lab.

Two checks come before: the request came from a page of the dashboard (`dashboard/web/request_guard.py`), and its user may
make entries (`dashboard/web/login.py`).
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from flask import Flask, Response, redirect, request
from sqlalchemy import Connection

from dashboard.components.current_user import current_user, remember_name
from dashboard.components.decision_rules import change_rule
from dashboard.components.entry_form import BACK, ENTRY_PATH
from dashboard.components.limit_change_form import CHANGES, change_limits
from dashboard.components.test_report import FIELDS
from dashboard.queries import lot_document
from dashboard.queries.lab_reader import LabReader
from dashboard.text.subject_names import address
from dashboard.text.urls import INSTRUMENTS, LOADS, case_address, with_query
from ingest.audit.subjects import Subject, SubjectKind
from ingest.common.errors import CallError
from ingest.decisions import corrective_actions
from ingest.decisions.cases import ASSIGN, assign, is_in_case
from ingest.decisions.load_entries import FIELDS as LOAD_FIELDS
from ingest.decisions.load_entries import LOAD_ENTRIES, TAKE_BACK_EVENT, record_load, take_back_event
from ingest.decisions.responses import respond
from ingest.decisions.rule_change import RULE_CHANGES
from ingest.decisions.sensor_checks import FIELDS as CHECK_FIELDS
from ingest.decisions.sensor_checks import record_check
from ingest.rounds.recompute import derive
from ingest.sessions.sensors import CHECK_SENSOR
from ingest.verdict.report import ISSUE_REPORT, NO_ENTRIES, draft, issue

__all__ = ["add_entries"]

# A page lists no more in one form.
MOST_SUBJECTS = 200


def add_entries(server: Flask, lab_reader: LabReader, clock: Callable[[], datetime]) -> None:
    """Take the entries of the forms; `clock` gives the current time, aware."""

    @server.post(ENTRY_PATH)
    def entry() -> Response:
        subjects = list(dict.fromkeys(request.form.getlist("subject"))) or [""]
        what, reason, on = (request.form.get(name, "") for name in ("what", "reason", "on"))
        if len(subjects) > MOST_SUBJECTS:
            raise CallError(f"{what}: choose at most {MOST_SUBJECTS} at once")
        # A logged-in user can't sign with another name.
        who, now = current_user().name or request.form.get("who", ""), clock()
        alert = subjects[0].removeprefix("alert:")
        page = ""
        with lab_reader.store.writing() as connection:
            lab = lab_reader.lab
            if what in CHANGES:
                change_limits(connection, lab, request.form, who, now)
            elif what in RULE_CHANGES:
                change_rule(connection, lab, request.form, who, now)
            elif what == ISSUE_REPORT:
                _issue_report(connection, lab_reader, subjects[0], who, reason, now)
            elif what in corrective_actions.STEPS:
                fields = {name: request.form.get(name, "") for name in corrective_actions.FIELDS}
                corrective_actions.record_step(connection, lab, alert, what, who, reason, fields, now)
            elif what == ASSIGN:
                assign(connection, lab, alert, who, reason, request.form, now)
            elif what in LOAD_ENTRIES or what == TAKE_BACK_EVENT:
                page = _load_entry(connection, lab_reader, what, who, reason, now)
            elif what == CHECK_SENSOR:
                fields = {name: request.form.get(name, "") for name in CHECK_FIELDS}
                record_check(connection, lab, who, reason, fields, now)
                derive(connection, lab)
                page = INSTRUMENTS
            else:
                # All or none: an error takes back those before it.
                again = [respond(connection, one, what, who, reason, on, now) for one in subjects]
                if any(again):
                    # A cleared test changes its stream at once, not with the next round.
                    derive(connection, lab)
            page = page or _page(connection, subjects[0])
        answer: Response = redirect(page, code=303)  # type: ignore[assignment]  # werkzeug's own type
        if current_user().name is None:
            remember_name(answer, who)
        return answer


def _page(connection: Connection, subject: str) -> str:
    """The page that shows what was entered: the form's own, that of the case, or that of the subject."""
    back = BACK.get(request.form.get("back", ""))
    if back is not None:
        return back
    alert = subject.removeprefix("alert:")
    if alert != subject and is_in_case(connection, alert):
        return case_address(alert)
    return address(subject) or "/"


def _load_entry(connection: Connection, lab_reader: LabReader, what: str, who: str, note: str, now: datetime) -> str:
    """Record an event of a load, or take one back; the page that says what became of it."""
    if what == TAKE_BACK_EVENT:
        load = take_back_event(connection, request.form.get("event", ""), who, note, now)
        return with_query(LOADS, {"load": load, "done": "taken back"})
    fields = {name: request.form.get(name, "") for name in LOAD_FIELDS}
    done = record_load(connection, lab_reader.lab, what, who, note, fields, now)
    kept = {name: fields[name].strip() for name in ("load", "chamber", "at", "laid", "planned_test")}
    return with_query(LOADS, {**kept, "done": done})


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
