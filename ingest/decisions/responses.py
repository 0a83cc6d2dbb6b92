"""Answers that people enter on the pages: to an alert, about a lot, or as a note on a day of a stream.

The audit log keeps each answer, and the state of an alert changes in the same transaction. A person decides about a lot; this
module keeps the decision with its name and reason.
"""

from __future__ import annotations

import json
from datetime import date, datetime

from sqlalchemy import Connection

from ingest.audit.audit_log import AuditEntry, record
from ingest.audit.lot_decisions import LOT_DECISIONS, LotAlert
from ingest.audit.subjects import Subject, SubjectKind
from ingest.common.errors import CallError
from ingest.common.instants import checked_day
from ingest.common.text import printable
from ingest.documents.entries import StoredEntryBody
from ingest.evaluation.stream_alerts import SLEEP, TAKE_BACK_FINDING, newest_valid_test, state_after
from ingest.sessions.suspect_values import SETTLEMENTS, settle

__all__ = [
    "ACKNOWLEDGE",
    "ALERT_RESPONSES",
    "CLOSE",
    "ENDS_RETEST",
    "LOT_RESPONSES",
    "NOTE",
    "NO_RETEST",
    "OPEN_AGAIN",
    "RETEST",
    "RETEST_ENTRIES",
    "SLEEP",
    "TAKE_BACK_FINDING",
    "respond",
]

NOTE = "note"
ACKNOWLEDGE, CLOSE, OPEN_AGAIN = "acknowledge", "close", "open again"
ALERT_RESPONSES = (ACKNOWLEDGE, CLOSE, OPEN_AGAIN, SLEEP, TAKE_BACK_FINDING, NOTE)
LOT_RESPONSES = (*LOT_DECISIONS, NOTE)
# Whether the lot stays on the list of lots to test again; neither is a decision about the lot.
NO_RETEST, RETEST = "no retest", "test again"
RETEST_ENTRIES = (NO_RETEST, RETEST)
# After these a retest would serve nobody.
ENDS_RETEST = ("release", "return", "use as is", NO_RETEST)
LONGEST = {"who": 80, "reason": 600}


def respond(connection: Connection, subject: str, what: str, who: str, reason: str, on: str, now: datetime) -> bool:
    """Keep one answer; `on` is the day to which a note on a stream belongs.

    Returns
    -------
    bool
        Whether the figures of the stream depend on the answer and have to be derived again.

    Raises
    ------
    CallError
        Where the subject is unknown, the answer does not fit it, or a name or a reason is missing.
    """
    about = Subject.parse(subject)
    if about is None or about.kind not in _SUBJECTS:
        raise CallError(f"entry: {printable(subject)[:80]!r} names nothing that an entry can be about")
    kind, names = about.kind, about.names
    allowed, known = _SUBJECTS[kind]
    if what not in allowed:
        raise CallError(f"{what}: is no answer to this; expected one of {', '.join(allowed)}")
    if connection.exec_driver_sql(known, names).scalar() is None:
        raise CallError(f"{what}: there is no such {kind}; it may have ended by itself, look at the page again")
    for name, text in (("who", who), ("reason", reason)):
        if len(text) > LONGEST[name]:
            raise CallError(f"{what}: {name} is too long; write at most {LONGEST[name]} characters")
    if kind == SubjectKind.SESSION:
        supplier, product, characteristic, lot, started = names
        stream = Subject.stream(supplier, product, characteristic)
        entry = AuditEntry(
            now, printable(who), what, stream, printable(reason), {"lot": lot, "started_us": int(started)}
        )
        settle(connection, entry)
        return True
    body: StoredEntryBody = {"on": _day(on)} if kind == SubjectKind.STREAM else {}
    if what == SLEEP:
        body = _until_next_lot(connection, names[0])
    if what == TAKE_BACK_FINDING and not _is_finding(connection, names[0]):
        raise CallError(f"{TAKE_BACK_FINDING}: this alert is no finding that several suppliers share")
    record(connection, AuditEntry(now, printable(who), what, about, printable(reason), body))
    if kind == SubjectKind.ALERT and what != NOTE:
        _settle(connection, names[0])
        return what in (TAKE_BACK_FINDING, OPEN_AGAIN) and _is_finding(connection, names[0])
    if kind == SubjectKind.LOT and what in LOT_DECISIONS:
        for alert in connection.exec_driver_sql(LOT_ALERTS_SQL, names).scalars().all():
            _settle(connection, alert)
    return False


# A lot may be one of several that an alert of its stream names.
LOT_ALERTS_SQL = """
SELECT a.id FROM alert a WHERE a.state <> 'closed' AND a.stream_id IN (
SELECT s.stream_id FROM session s JOIN lot l ON l.id = s.lot_id WHERE l.supplier = ? AND l.lot = ?)
"""

_SUBJECTS: dict[SubjectKind, tuple[tuple[str, ...], str]] = {
    # A case outlives its alerts: what is no longer raised can still be closed or annotated.
    SubjectKind.ALERT: (
        ALERT_RESPONSES,
        "SELECT 1 FROM (SELECT id FROM alert UNION ALL SELECT alert FROM case_alert) AS known WHERE id = ?",
    ),
    SubjectKind.LOT: ((*LOT_RESPONSES, *RETEST_ENTRIES), "SELECT 1 FROM lot WHERE supplier = ? AND lot = ?"),
    SubjectKind.SESSION: (
        SETTLEMENTS,
        "SELECT 1 FROM session s JOIN stream t ON t.id = s.stream_id JOIN lot l ON l.id = s.lot_id WHERE t.supplier = ? "
        "AND t.product = ? AND t.characteristic = ? AND l.lot = ? AND s.started_us = CAST(? AS BIGINT)",
    ),
    SubjectKind.STREAM: ((NOTE,), "SELECT 1 FROM stream WHERE supplier = ? AND product = ? AND characteristic = ?"),
}


def _day(text: str) -> str:
    try:
        day = date.fromisoformat(text.strip())
    except ValueError as error:
        raise CallError(f"note: {text!r} is no day; write it as 2026-03-18") from error
    return checked_day("note", day).isoformat()


def _until_next_lot(connection: Connection, alert: str) -> StoredEntryBody:
    """The stream of an alert and its newest valid test: the alert sleeps until a later one comes."""
    names = connection.exec_driver_sql(
        "SELECT supplier, product, characteristic FROM alert WHERE id = ? AND stream_id IS NOT NULL", (alert,)
    ).first()
    if names is None:
        raise CallError(f"{SLEEP}: this alert is about no stream of lots, so no next lot would end it")
    return {"stream": str(Subject.stream(*names)), "after_us": newest_valid_test(connection, *names) or 0}


def _is_finding(connection: Connection, alert: str) -> bool:
    """Whether an alert is a shift that several suppliers share."""
    evidence = connection.exec_driver_sql("SELECT evidence FROM alert WHERE id = ?", (alert,)).scalar()
    return evidence is not None and "shifts" in json.loads(evidence)


def _settle(connection: Connection, alert: str) -> None:
    """Set the state of an alert by its entries; one that its evidence closed stays closed."""
    row = connection.exec_driver_sql("SELECT evidence, stream_id, raised_us FROM alert WHERE id = ?", (alert,)).first()
    if row is None:
        return  # A case outlives its alerts: the entry is on the case, and no alert is left to set.
    about_lots = None if row.stream_id is None else LotAlert(row.stream_id, row.raised_us)
    state = state_after(connection, alert, json.loads(row.evidence), about_lots)
    connection.exec_driver_sql("UPDATE alert SET state = ? WHERE id = ?", (state, alert))
