"""The corrective action of a case: when the supplier was asked, what it answered, and whether the action worked.

A step is entered on one alert and holds for all alerts of its case.

Each step is an entry of the audit log. A step that is entered again replaces the earlier one on the screen; the log keeps
both. Whether the action worked follows from the lots alone: nobody can enter it.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from statistics import fmean
from typing import Any, Literal

from sqlalchemy import Connection, RowMapping, bindparam, func, select, text

from ingest.audit.audit_log import AuditEntry, entry_of, record, withdrawn_alerts
from ingest.audit.subjects import Subject
from ingest.common.errors import CallError
from ingest.common.instants import checked_day, from_microseconds
from ingest.common.text import printable
from ingest.config.lab import Lab
from ingest.documents.alert import STOCK_ID, AlertSummary, CorrectiveAction, CorrectiveResult, StoredStreamEvidence
from ingest.documents.entries import StoredEntryBody
from ingest.documents.stream import StoredPoint
from ingest.store import schema
from ingest.store.last_round import last_round
from ingest.store.store import KEYS_AT_ONCE
from spc.vocabulary.enums import Effectiveness, Kind, Scale

__all__ = [
    "ANSWERED",
    "ASKED",
    "FIELDS",
    "FIRST_LOT",
    "STEPS",
    "actions_of_cases",
    "alerts_of_cases",
    "case_of",
    "corrective_actions",
    "no_notice_because",
    "record_step",
    "steps_of_cases",
    "supplier_alert",
]  # fmt: skip

ASKED = "supplier asked"
ANSWERED = "supplier answered"
FIRST_LOT = "first lot after named"
STEPS = (ASKED, ANSWERED, FIRST_LOT)
FIELDS = ("on", "cause", "action", "first_lot")
NOT_THE_SUPPLIERS = (Kind.BENCH, Kind.CLIMATE, Kind.FEED)
STEP_TEXTS: tuple[Literal["cause", "action", "first_lot"], ...] = ("cause", "action", "first_lot")
# A row of the alert table, or of an alert that the store no longer holds, its evidence read from JSON.
SupplierAlert = Mapping[str, Any]
LONGEST = {"who": 80, "reason": 600, "cause": 600, "action": 600, "first_lot": 200}


def no_notice_because(alert: AlertSummary | RowMapping) -> str:
    """Why a supplier can't be asked about an alert; empty where it can."""
    if alert["kind"] in NOT_THE_SUPPLIERS:
        return f"it is of kind {alert['kind']}, a matter of the bench and not of a supplier"
    if alert["id"].startswith(STOCK_ID):
        return "it is about lots that age on the shelf, a matter of the lab's own stock"
    if alert["held_under"]:
        return f"a bench finding explains it (alert {alert['held_under']}), so it is not the supplier's"
    return ""


def supplier_alert(connection: Connection, alert: str, asking: str) -> RowMapping:
    """The row of an alert that a supplier can be asked about; `asking` leads the message where there is none.

    Raises
    ------
    CallError
        Where there is no such alert, or it concerns no supplier.
    """
    row = connection.execute(text("SELECT * FROM alert WHERE id = :id"), {"id": alert}).mappings().first()
    if row is None:
        raise CallError(f'{asking}: there is no alert "{printable(alert)[:40]}"; lotdrift alerts --all lists them')
    because = no_notice_because(row)
    if because:
        raise CallError(f"{asking}: there is nothing to ask a supplier about alert {printable(alert)[:40]}: {because}")
    return row


# What is entered


def record_step(
    connection: Connection,
    lab: Lab,
    alert: str,
    what: str,
    who: str,
    reason: str,
    given: Mapping[str, str],
    now: datetime,
) -> None:
    """Keep one step of the corrective action on an alert.

    Parameters
    ----------
    alert, what : str
        The alert's id, and one of `STEPS`.
    given : mapping
        `on`, a day as 2026-03-18, for what was asked or answered; `cause` and `action` for an answer; `first_lot`, which
        may not have arrived yet, for the last step and, if known, for an answer.
    now : datetime
        Aware.

    Raises
    ------
    CallError
        Where there is no such alert, it concerns no supplier, or a step lacks a field or states what can't be.
    """
    row: SupplierAlert | None = _withdrawn(connection, [alert]).get(alert)
    if row is None:
        row = dict(supplier_alert(connection, alert, what))
    texts: dict[str, str] = {name: printable(given.get(name, "").strip()) for name in STEP_TEXTS}
    _check_lengths(what, {"who": who, "reason": reason, **texts})
    body = _body(what, given.get("on", ""), texts, now.astimezone(lab.zone).date())
    _check_order(connection, row, what, body)
    # The alerts that the step is about: evidence that comes later is not answered by it.
    body["alerts"] = alerts_of_cases(connection, [case_of(connection, alert)])
    record(connection, AuditEntry(now, printable(who), what, Subject.alert(alert), printable(reason), body))


def _check_lengths(what: str, texts: Mapping[str, str]) -> None:
    for name, value in texts.items():
        if len(value) > LONGEST[name]:
            raise CallError(f"{what}: {name.replace('_', ' ')} is too long; write at most {LONGEST[name]} characters")


def _body(what: str, on: str, texts: Mapping[str, str], today: date) -> StoredEntryBody:
    needed = {ASKED: (), ANSWERED: ("cause", "action"), FIRST_LOT: ("first_lot",)}[what]
    for name in needed:
        if not texts[name]:
            raise CallError(f"{what}: {name.replace('_', ' ')} is blank; write what the supplier says")
    body: StoredEntryBody = {}
    if what != FIRST_LOT:
        body["on"] = _day(what, on, today).isoformat()
    for name in STEP_TEXTS if what != ASKED else ():
        if texts[name]:
            body[name] = texts[name]
    return body


def _day(what: str, on: str, today: date) -> date:
    try:
        day = date.fromisoformat(on.strip())
    except ValueError as error:
        raise CallError(f"{what}: {printable(on)[:40]!r} is no day; write it as 2026-03-18") from error
    if day > today:
        raise CallError(f"{what}: {day.isoformat()} has not come yet; write the day on which it happened")
    return checked_day(what, day)


def _check_order(connection: Connection, alert: SupplierAlert, what: str, body: StoredEntryBody) -> None:
    """An answer follows a question, and the first lot after an action was tested after what the alert is about."""
    if what != ASKED:
        case = case_of(connection, alert["id"])
        asked = steps_of_cases(connection, [case]).get(case, {}).get(ASKED)
        if asked is None:
            raise CallError(f"{what}: the supplier was not asked yet; enter the day of the notice first")
        if what == ANSWERED and body["on"] < asked.body["on"]:
            raise CallError(f"{what}: {body['on']} is before {asked.body['on']}, when the supplier was asked")
    lot = body.get("first_lot")
    tested = [point["tested_us"] for point in _points(connection, alert) if point["lot"] == lot]
    if tested and tested[0] <= alert["raised_us"]:
        raise CallError(
            f'{what}: lot "{lot}" was tested before the evidence was complete; name the first lot made after'
        )


# Alerts and their cases


def case_of(connection: Connection, alert: str) -> str:
    """The case of an alert; an alert without a stream is a case by itself."""
    query = text("SELECT case_id FROM case_alert WHERE alert = :alert")
    return connection.execute(query, {"alert": alert}).scalar() or alert


def alerts_of_cases(connection: Connection, cases: Sequence[str]) -> list[str]:
    """The alerts of these cases, also those that a later round no longer raised."""
    query = text("SELECT alert FROM case_alert WHERE case_id IN :cases").bindparams(bindparam("cases", expanding=True))
    grouped = set(connection.execute(query, {"cases": list(cases)}).scalars()) if cases else set()
    return sorted(grouped | set(cases))


def steps_of_cases(connection: Connection, cases: Iterable[str] | None) -> dict[str, dict[str, AuditEntry]]:
    """The last entry of each step, by case; of all cases where `cases` is None.

    A supplier that is asked again after its answer begins anew.
    """
    columns = schema.act.c
    wanted = (
        select(schema.act, schema.case_alert.c.case_id)
        .outerjoin(schema.case_alert, schema.case_alert.c.alert == func.substr(columns.subject, len("alert:") + 1))
        # A range, so that the index on the subject is used.
        .where(columns.what.in_(STEPS), columns.subject >= "alert:", columns.subject < "alert;")
    )
    if cases is not None:
        alerts = alerts_of_cases(connection, list(cases))
        wanted = wanted.where(columns.subject.in_([str(Subject.alert(one)) for one in alerts]))
    found: dict[str, dict[str, AuditEntry]] = {}
    for row in connection.execute(wanted.order_by(columns.id)):
        subject = Subject.parse(row.subject)
        assert subject is not None  # The question asks for alerts alone
        entry = entry_of(row, subject)
        steps = found.setdefault(row.case_id or subject.names[0], {})
        if row.what == ASKED and ANSWERED in steps and entry.body["on"] > steps[ANSWERED].body["on"]:
            steps.clear()
        steps[row.what] = entry
        if "first_lot" in entry.body:
            # An answer may name the lot, and so may a step of its own: the last that names it counts.
            steps[FIRST_LOT] = entry
    return found


# What is shown


def corrective_actions(
    connection: Connection, lab: Lab, ids: Iterable[str] | None = None
) -> dict[str, CorrectiveAction]:
    """The corrective action of each alert whose case has one, by the alert's id; `ids` narrows them."""
    if ids is None:
        every = actions_of_cases(connection, lab)
        return {alert: action for case, action in every.items() for alert in alerts_of_cases(connection, [case])}
    cases = _cases_of(connection, ids)
    actions = actions_of_cases(connection, lab, set(cases.values()))
    return {alert: actions[case] for alert, case in cases.items() if case in actions}


def _cases_of(connection: Connection, ids: Iterable[str]) -> dict[str, str]:
    """The case of each alert, by id."""
    names = list(ids)
    query = text("SELECT alert, case_id FROM case_alert WHERE alert IN :ids").bindparams(
        bindparam("ids", expanding=True)
    )
    cases: dict[str, str] = {}
    for start in range(0, len(names), KEYS_AT_ONCE):
        cases |= {row[0]: row[1] for row in connection.execute(query, {"ids": names[start : start + KEYS_AT_ONCE]})}
    return {name: cases.get(name, name) for name in names}


def actions_of_cases(
    connection: Connection, lab: Lab, cases: Iterable[str] | None = None
) -> dict[str, CorrectiveAction]:
    """The corrective action of each case that has one, by the case's id."""
    steps = steps_of_cases(connection, cases)
    if not steps:
        return {}
    alerts = {case: _asked_about(own) for case, own in steps.items()}
    wanted = text("SELECT * FROM alert WHERE id IN :ids").bindparams(bindparam("ids", expanding=True))
    rows: dict[str, SupplierAlert] = {
        row["id"]: {**row, "evidence": json.loads(row["evidence"])}
        for row in connection.execute(wanted, {"ids": list(alerts.values())}).mappings()
    }
    missing = [alert for alert in alerts.values() if alert not in rows]
    rows |= _withdrawn(connection, missing) if missing else {}
    looked = from_microseconds(last_round(connection) or 0).astimezone(lab.zone).date()
    return {
        case: _document(connection, lab, rows[alerts[case]], own, looked)
        for case, own in steps.items()
        if alerts[case] in rows
    }


def _asked_about(steps: Mapping[str, AuditEntry]) -> str:
    """The alert about which the supplier was asked."""
    entry = steps.get(ASKED) or next(iter(steps.values()))
    return entry.subject.names[0]


def _withdrawn(connection: Connection, ids: Sequence[str]) -> dict[str, SupplierAlert]:
    """The alerts that the store no longer holds, with the number of their stream."""
    found: dict[str, SupplierAlert] = {}
    for alert, row in withdrawn_alerts(connection, ids).items():
        names = dict(zip(("supplier", "product", "characteristic"), row["stream"], strict=True))
        query = text(
            "SELECT id FROM stream WHERE supplier = :supplier AND product = :product AND characteristic = :characteristic"
        )
        found[alert] = {**row, "stream_id": connection.execute(query, names).scalar()}
    return found


def _document(
    connection: Connection, lab: Lab, alert: SupplierAlert, steps: Mapping[str, AuditEntry], looked: date
) -> CorrectiveAction:
    asked, answered = steps.get(ASKED), steps.get(ANSWERED)
    lot = steps[FIRST_LOT].body["first_lot"] if FIRST_LOT in steps else None
    asked_on = None if asked is None else asked.body["on"]
    answered_on = None if answered is None else answered.body["on"]
    end = looked if answered_on is None else date.fromisoformat(answered_on)
    days = None if asked_on is None else max((end - date.fromisoformat(asked_on)).days, 0)
    return {
        "asked_on": asked_on,
        "asked_by": None if asked is None else asked.who,
        "answered_on": answered_on,
        "answered_by": None if answered is None else answered.who,
        "days_to_answer": None if answered_on is None else days,
        "days_open": days if answered_on is None else None,
        "cause": None if answered is None else answered.body["cause"],
        "action": None if answered is None else answered.body["action"],
        "first_lot": lot,
        "result": None if lot is None else _result(connection, lab, alert, lot),
    }


# Whether it worked


class _TestedPoint(StoredPoint):
    tested_us: int


def _points(connection: Connection, alert: SupplierAlert) -> list[_TestedPoint]:
    rows = connection.execute(
        text("SELECT tested_us, document FROM point WHERE stream_id = :id ORDER BY ordinal"), {"id": alert["stream_id"]}
    )
    stored: list[tuple[int, StoredPoint]] = [(row.tested_us, json.loads(row.document)) for row in rows]
    return [{**point, "tested_us": tested_us} for tested_us, point in stored if point["state"] == "valid"]


def _result(connection: Connection, lab: Lab, alert: SupplierAlert, lot: str) -> CorrectiveResult:
    """The answer of the lots from `lot` on, in words and figures in the unit."""
    declared = lab.characteristic(alert["characteristic"])
    evidence: StoredStreamEvidence = alert["evidence"]
    measure = _Measure(MEASURES[evidence["form"]] if alert["kind"] == Kind.SPREAD else "level", str(declared.scale))
    points = [point for point in _points(connection, alert) if measure.of(point) is not None]
    first_us = next((point["tested_us"] for point in points if point["lot"] == lot), None)
    if first_us is None:
        waiting = f"lot {lot} has no valid test with a level yet"
        return {
            "answer": Effectiveness.NOT_YET_SHOWN,
            "lots": 0,
            "reason": waiting,
            "of": measure.name,
            "level_after": None,
            "level_usual": None,
            "level_moved": None,
        }
    parts = _parts(alert, evidence, points, first_us, lab.baseline.lots)
    before, moved, after = (
        [measure.charted(value) for point in part if (value := measure.of(point)) is not None] for part in parts
    )
    # Imported here: scipy takes longer to load than a list of alerts without a corrective action takes to print.
    from spc.supplier.corrective_action import compare

    found = compare(before, moved, after, _direction(evidence, before, moved))
    return {
        "answer": found.answer,
        "lots": found.lots,
        "reason": found.reason,
        "of": measure.name,
        "level_after": measure.told(found.mean),
        "level_usual": measure.told(found.before),
        "level_moved": measure.told(found.moved),
    }


MeasureName = Literal["level", "bag_spread", "reading_spread"]
MEASURES: dict[str, MeasureName] = {"bag_spread": "bag_spread", "reading_spread": "reading_spread"}
"""What an alert about scatter is about, by the form of its evidence."""


class _Measure:
    """The quantity that moved: the level of a lot, or the scatter of its bags or readings (compared in logarithms)."""

    def __init__(self, name: MeasureName, scale: str) -> None:
        self.name = name
        self._logs = name != "level" or scale == Scale.LOG

    def of(self, point: _TestedPoint) -> float | None:
        value = point[self.name]
        return None if value is None or (self._logs and value <= 0) else value

    def charted(self, value: float) -> float:
        return math.log(value) if self._logs else value

    def told(self, value: float) -> float | None:
        if not math.isfinite(value):
            return None
        return math.exp(value) if self._logs else value


def _parts(
    alert: SupplierAlert, evidence: StoredStreamEvidence, points: Sequence[_TestedPoint], first_us: int, most: int
) -> tuple[list[_TestedPoint], list[_TestedPoint], list[_TestedPoint]]:
    """Lots before the move (the last ones, as many as set limits), while it had moved, and from the first lot after."""
    start = evidence["since_us"] or alert["raised_us"]
    end = first_us
    if alert["kind"] in (Kind.POINT, Kind.LIMIT):
        # The alert is about single lots: those between them stayed at the centre line.
        end = min(first_us, evidence["latest_tested_us"] + 1)
    before = [point for point in points if point["tested_us"] < start]
    moved = [point for point in points if start <= point["tested_us"] < end]
    return before[-most:], moved, [point for point in points if point["tested_us"] >= first_us]


def _direction(evidence: StoredStreamEvidence, before: Sequence[float], moved: Sequence[float]) -> int:
    """The direction of the move; where the evidence names none, that of the means."""
    if evidence["direction"] in (1, -1):
        return int(evidence["direction"])
    return 1 if not (before and moved) or fmean(moved) >= fmean(before) else -1
