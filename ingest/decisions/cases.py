"""Cases: one cause, one case over all its alerts, with an owner, a due date and a state.

A case is made of the alerts that the round put together and of what people entered on any of them. It outlives its alerts: a
supplier that was asked stays asked after a new baseline. A person closes a case, or the lots after the corrective action do.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import Connection, func, select, text

from ingest.audit.audit_log import AuditEntry, entry_of, record, withdrawn_alerts
from ingest.audit.subjects import Subject
from ingest.common.errors import CallError
from ingest.common.instants import checked_day, from_microseconds, microseconds
from ingest.common.text import printable
from ingest.config.lab import Lab
from ingest.decisions.corrective_actions import (
    ANSWERED,
    ASKED,
    STEPS,
    actions_of_cases,
    alerts_of_cases,
    case_of,
)
from ingest.decisions.responses import ACKNOWLEDGE, CLOSE, OPEN_AGAIN, SLEEP
from ingest.documents.alert import CorrectiveAction
from ingest.documents.case import Case, CaseState
from ingest.documents.entries import StoredEntryBody
from ingest.documents.served import iso
from ingest.store import schema
from ingest.store.last_round import last_round
from spc.vocabulary.enums import AlertState, Effectiveness, Grade

__all__ = ["ANSWER_DAYS", "ASSIGN", "assign", "cases", "is_in_case"]

ASSIGN = "assign"
# Common practice; an agreement with the supplier takes precedence.
ANSWER_DAYS = 14
LONGEST = {"who": 80, "reason": 600, "owner": 80}
GRADES = tuple(Grade)
# A row of the alert table, or an alert as an entry keeps it, whose evidence is read from JSON.
AlertRow = Mapping[str, Any]
# Entries on one alert that change how it stands.
RESPONSES = (ACKNOWLEDGE, CLOSE, OPEN_AGAIN, SLEEP)
SEEN = (ACKNOWLEDGE, SLEEP)
ENTRIES = (*RESPONSES, *STEPS, ASSIGN)


# What is entered


def assign(
    connection: Connection, lab: Lab, alert: str, who: str, reason: str, given: Mapping[str, str], now: datetime
) -> None:
    """Give the case of an alert an owner, a due date or both.

    Raises
    ------
    CallError
        Where there is no such alert, neither is given, a day can't be read or has passed, or a text is too long.
    """
    case = case_of(connection, alert)
    alert_exists = "SELECT 1 FROM (SELECT id FROM alert UNION ALL SELECT alert FROM case_alert) AS known WHERE id = ?"
    if connection.exec_driver_sql(alert_exists, (alert,)).scalar() is None:
        raise CallError(f'{ASSIGN}: there is no alert "{printable(alert)[:40]}"; lotdrift alerts --all lists them')
    owner, due = printable(given.get("owner", "").strip()), given.get("due", "").strip()
    if not owner and not due:
        raise CallError(f"{ASSIGN}: owner and due date are blank; write at least one of them")
    for name, value in {"who": who, "reason": reason, "owner": owner}.items():
        if len(value) > LONGEST[name]:
            raise CallError(f"{ASSIGN}: {name} is too long; write at most {LONGEST[name]} characters")
    body: StoredEntryBody = {"alerts": alerts_of_cases(connection, [case])}
    if owner:
        body["owner"] = owner
    if due:
        body["due"] = _due(due, now.astimezone(lab.zone).date()).isoformat()
    record(connection, AuditEntry(now, printable(who), ASSIGN, Subject.alert(alert), printable(reason), body))


def _due(written: str, today: date) -> date:
    try:
        day = date.fromisoformat(written)
    except ValueError as error:
        raise CallError(f"{ASSIGN}: {printable(written)[:40]!r} is no day; write it as 2026-03-18") from error
    if day < today:
        raise CallError(f"{ASSIGN}: {day.isoformat()} has passed; write a day from today on")
    return checked_day(ASSIGN, day)


def is_in_case(connection: Connection, alert: str) -> bool:
    """Whether an alert belongs to a case: all do but those for information about which nothing but a response was entered."""
    name = case_of(connection, alert)
    parts = _gathered(connection, closed_too=True).get(name)
    return parts is not None and _is_case(parts)


# What is shown


@dataclass(slots=True)
class _Parts:
    """The alerts of a case that the store holds, those that it no longer holds, and the entries on all of them."""

    alerts: list[AlertRow] = field(default_factory=list)
    withdrawn: list[AlertRow] = field(default_factory=list)
    entries: list[AuditEntry] = field(default_factory=list)


def cases(connection: Connection, lab: Lab, *, closed_too: bool = False, supplier: str | None = None) -> list[Case]:
    """The cases, those that wait for somebody first, then by grade, chance of a failing lot and age; `supplier` narrows them.

    An alert of grade note is no case unless people entered something beyond a response about it.
    """
    gathered = _gathered(connection, closed_too=closed_too)
    actions = actions_of_cases(connection, lab)
    looked = from_microseconds(last_round(connection) or 0).astimezone(lab.zone).date()
    documents = [
        _document(lab, case, parts, actions.get(case), looked)
        for case, parts in gathered.items()
        if (parts.alerts or parts.withdrawn) and _is_case(parts)
    ]
    chosen = [
        one
        for one in documents
        if (closed_too or one["state"] != "closed") and (supplier is None or one["supplier"] == supplier)
    ]
    newest_first = sorted(chosen, key=lambda one: (one["opened_at"], one["id"]), reverse=True)
    return sorted(
        newest_first,
        key=lambda one: (
            one["state"] == "closed",
            not one["waiting"],
            GRADES.index(one["grade"]),
            -(one["breach_probability"] or 0.0),
        ),
    )


def _gathered(connection: Connection, *, closed_too: bool) -> dict[str, _Parts]:
    """The parts of each case: of all, or of those with an alert that is not closed or with entries."""
    columns = schema.act.c
    entered = list(
        connection.execute(
            select(schema.act, schema.case_alert.c.case_id)
            .outerjoin(schema.case_alert, schema.case_alert.c.alert == func.substr(columns.subject, len("alert:") + 1))
            .where(columns.subject >= "alert:", columns.subject < "alert;", columns.what.in_(ENTRIES))
            .order_by(columns.id)
        )
    )
    every = text(
        "SELECT a.*, COALESCE(c.case_id, a.id) AS case_id FROM alert a LEFT JOIN case_alert c ON c.alert = a.id "
        "ORDER BY a.raised_us, a.id"
    )
    gathered: dict[str, _Parts] = {}
    with_entries = {row.case_id or row.subject.removeprefix("alert:") for row in entered}
    rows = list(connection.execute(every).mappings())
    standing = {row["case_id"] for row in rows if row["state"] != AlertState.CLOSED} | with_entries
    for row in rows:
        if closed_too or row["case_id"] in standing:
            gathered.setdefault(row["case_id"], _Parts()).alerts.append(dict(row))
    withdrawn = withdrawn_alerts(connection)
    for made in entered:
        subject = Subject.parse(made.subject)
        assert subject is not None  # The question asks for alerts alone
        parts = gathered.setdefault(made.case_id or subject.names[0], _Parts())
        parts.entries.append(entry_of(made, subject))
        if (gone := withdrawn.pop(subject.names[0], None)) is not None:
            parts.withdrawn.append(gone)
    return gathered


def _is_case(parts: _Parts) -> bool:
    grades = {row["grade"] for row in (*parts.alerts, *parts.withdrawn)}
    return grades != {Grade.NOTE} or any(entry.what in (*STEPS, ASSIGN) for entry in parts.entries)


def _document(lab: Lab, case: str, parts: _Parts, action: CorrectiveAction | None, looked: date) -> Case:
    standing = [row for row in parts.alerts if row["state"] != AlertState.CLOSED]
    free = [row for row in standing if row["held_under"] is None]
    shown = free or standing or parts.alerts or parts.withdrawn
    # The worst one; of several the newest.
    newest_first = sorted(shown, key=lambda row: row["raised_us"], reverse=True)
    worst = min(newest_first, key=lambda row: GRADES.index(row["grade"]))
    request_alert = next((entry.subject.names[0] for entry in reversed(parts.entries) if entry.what == ASKED), None)
    owner, due = _owner_and_due(parts.entries, action)
    overdue = max((looked - due).days, 0) if due is not None else 0
    unanswered = _unanswered(free, parts.entries)
    state = _state(parts, free, standing, action, unanswered=unanswered)
    if state == "closed":
        due, overdue = None, 0
    return {
        "id": case,
        "kind": worst["kind"],
        "grade": worst["grade"],
        "supplier": worst["supplier"],
        "product": worst["product"],
        "characteristic": worst["characteristic"],
        "message": worst["message"],
        "breach_probability": _chance(shown),
        "opened_at": iso(min(row["raised_us"] for row in (*parts.alerts, *parts.withdrawn)), lab.zone),
        "state": state,
        "waiting": state == "new" or overdue > 0 or (state == "no effect" and due is None),
        "owner": owner,
        "due_on": None if due is None else due.isoformat(),
        "overdue_days": overdue,
        "alert": worst["id"],
        "alerts": [row["id"] for row in parts.alerts],
        "withdrawn": [row["id"] for row in parts.withdrawn],
        "closed_because": _closed_because(parts, action) if state == "closed" else None,
        "attributed": any(row["held_under"] is not None for row in parts.alerts if row["id"] == request_alert)
        or bool(standing and not free),
        "corrective_action": action,
    }


def _chance(alerts: Iterable[AlertRow]) -> float | None:
    """The largest chance of a failing lot that the alerts state."""
    stated = []
    for row in alerts:
        evidence = row["evidence"] if isinstance(row["evidence"], dict) else json.loads(row["evidence"])
        stated.append(evidence.get("breach_probability"))
    return max((chance for chance in stated if chance is not None), default=None)


def _owner_and_due(entries: Iterable[AuditEntry], action: CorrectiveAction | None) -> tuple[str | None, date | None]:
    """Who has the case and until when, by the last entries; a supplier that was asked answers within the usual days.

    A day that a person set stays until a person sets another one; one before the request is no day for its answer.
    """
    owner: str | None = None
    due: date | None = None
    of_request = False
    for entry in entries:
        if entry.what == ASSIGN:
            owner = entry.body.get("owner", owner)
            if "due" in entry.body:
                due, of_request = date.fromisoformat(entry.body["due"]), False
        elif entry.what == ASKED:
            asked_on = date.fromisoformat(entry.body["on"])
            if of_request or due is None or due < asked_on:
                due, of_request = asked_on + timedelta(days=ANSWER_DAYS), True
        elif entry.what == ANSWERED and of_request and action is not None and action["answered_on"] is not None:
            # The answer ends the days of the request; a day that a person set is for more than the answer.
            due = None
    return owner, due


def _unanswered(free: Sequence[AlertRow], entries: Iterable[AuditEntry]) -> bool:
    """Whether an alert is open to which nobody has responded, also not for the case as a whole."""
    answered: set[str] = set()
    for entry in entries:
        if entry.what in RESPONSES:
            # The state of the alert itself holds these.
            answered.discard(entry.subject.names[0])
        elif "alerts" in entry.body:
            answered.update(entry.body["alerts"])
        else:
            # An entry of an earlier version names no alerts: it answers those of its day.
            answered.update(row["id"] for row in free if row["raised_us"] <= microseconds(entry.at))
    return any(row["state"] == AlertState.OPEN and row["id"] not in answered for row in free)


def _state(
    parts: _Parts,
    free: Sequence[AlertRow],
    standing: Sequence[AlertRow],
    action: CorrectiveAction | None,
    *,
    unanswered: bool,
) -> CaseState:
    if unanswered:
        return "new"
    result = None if action is None else action["result"]
    effect = None if result is None else result["answer"]
    taken_up = action is not None or any(entry.what == ASSIGN for entry in parts.entries)
    last = parts.entries[-1].what if parts.entries else ""
    if standing and not free:
        return "bench"
    if effect == Effectiveness.WORKED or (not free and (not taken_up or last == CLOSE)):
        return "closed"
    if effect == Effectiveness.DID_NOT_WORK:
        return "no effect"
    if action is not None and action["asked_on"] is not None:
        return "asked" if action["answered_on"] is None else "answered" if effect is None else "checking"
    responses = {entry.subject.names[0]: entry.what for entry in parts.entries if entry.what in RESPONSES}
    if free and all(responses.get(row["id"]) == SLEEP for row in free):
        return "asleep"
    # No person acknowledged it, so a decision on its lots did.
    decided = any(row["state"] == AlertState.ACKNOWLEDGED and responses.get(row["id"]) not in SEEN for row in free)
    return "decided" if decided else "seen"


def _closed_because(parts: _Parts, action: CorrectiveAction | None) -> str:
    if action is not None and action["result"] is not None and action["result"]["answer"] == Effectiveness.WORKED:
        return "corrective action effective"
    last = next((entry for entry in reversed(parts.entries) if entry.what == CLOSE), None)
    if last is not None:
        return f"{last.who}: {last.reason}"
    reasons = [json.loads(row["evidence"]).get("closed_because") for row in parts.alerts]
    return next((reason for reason in reversed(reasons) if reason), "its alerts are closed")
