"""What people answer on the pages: to an alert, about a lot, or a note pinned to a day of a stream.

Each answer is a row of `act`; the state of an alert follows in the same transaction. Nothing here decides about a lot: it
keeps what a person decided, with name and reason.
"""

from __future__ import annotations

import json
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection

from ingest.audit.audit_log import AuditEntry, record, stream_subject
from ingest.common.errors import CallError
from ingest.common.instants import checked_day
from ingest.common.text import printable
from ingest.documents.entries import StoredEntryBody
from ingest.evaluation.stream_alerts import state_after_entries
from ingest.sessions.suspect_values import SETTLEMENTS, settle

__all__ = ["ALERT_RESPONSES", "LOT_DECISIONS", "NOTE", "lot_subject", "respond", "session_subject"]

NOTE = "note"
ALERT_RESPONSES = ("acknowledge", "close", "open again", NOTE)
LOT_DECISIONS = ("hold", "release", "return", "use as is", NOTE)
LONGEST = {"who": 80, "reason": 600, "subject": 2_000}


def lot_subject(supplier: str, lot: str) -> str:
    """The subject of entries about a lot."""
    return "lot:" + json.dumps([supplier, lot], ensure_ascii=False)


def session_subject(supplier: str, product: str, characteristic: str, lot: str, started_us: int) -> str:
    """The subject of entries about one test session of a lot."""
    names = [supplier, product, characteristic, lot, str(started_us)]
    return "session:" + json.dumps(names, ensure_ascii=False)


def respond(connection: Connection, subject: str, what: str, who: str, reason: str, on: str, now: datetime) -> bool:
    """Keep one answer; `on` is the day a note on a stream is pinned to.

    Returns
    -------
    bool
        Whether figures hang on it: the stream's have then to be derived again.

    Raises
    ------
    CallError
        Where the subject is unknown, the answer is none of those that fit it, or it says not who and why.
    """
    kind, names = _parsed(subject)
    allowed, known = _SUBJECTS[kind]
    if what not in allowed:
        raise CallError(f"{what}: is no answer to this; expected one of {', '.join(allowed)}")
    if connection.exec_driver_sql(known, names).scalar() is None:
        raise CallError(f"{what}: there is no such {kind}; it may have ended by itself, look at the page again")
    for name, text in (("who", who), ("reason", reason)):
        if len(text) > LONGEST[name]:
            raise CallError(f"{what}: {name} is too long; write at most {LONGEST[name]} characters")
    if kind == "session":
        supplier, product, characteristic, lot, started = names
        about = stream_subject(supplier, product, characteristic)
        act = AuditEntry(now, printable(who), what, about, printable(reason), {"lot": lot, "started_us": int(started)})
        settle(connection, (supplier, product, characteristic), act)
        return True
    body: StoredEntryBody = {"on": _day(on)} if kind == "stream" else {}
    record(connection, AuditEntry(now, printable(who), what, subject, printable(reason), body))
    if kind == "alert" and what != NOTE:
        _settle(connection, names[0])
    return False


def _parsed(subject: str) -> tuple[str, tuple[Any, ...]]:
    """The kind of a subject and the names in it."""
    led = subject.startswith(("alert:", "lot:", "session:"))
    kind, _, rest = subject.partition(":") if led else ("stream", "", subject)
    if kind == "alert":
        return kind, (rest,)
    try:
        names = json.loads(rest) if len(rest) <= LONGEST["subject"] else None
    except ValueError:
        names = None
    if not isinstance(names, list) or len(names) != _NAMES[kind] or not all(isinstance(name, str) for name in names):
        raise CallError(f"entry: {printable(subject)[:80]!r} names nothing that an entry can be about")
    return kind, tuple(names)


_NAMES = {"lot": 2, "session": 5, "stream": 3}
_SUBJECTS: dict[str, tuple[tuple[str, ...], str]] = {
    "alert": (ALERT_RESPONSES, "SELECT 1 FROM alert WHERE id = ?"),
    "lot": (LOT_DECISIONS, "SELECT 1 FROM lot WHERE supplier = ? AND lot = ?"),
    "session": (
        SETTLEMENTS,
        "SELECT 1 FROM session s JOIN stream t ON t.id = s.stream_id JOIN lot l ON l.id = s.lot_id WHERE t.supplier = ? "
        "AND t.product = ? AND t.characteristic = ? AND l.lot = ? AND s.started_us = CAST(? AS BIGINT)",
    ),
    "stream": ((NOTE,), "SELECT 1 FROM stream WHERE supplier = ? AND product = ? AND characteristic = ?"),
}


def _day(text: str) -> str:
    try:
        day = date.fromisoformat(text.strip())
    except ValueError as error:
        raise CallError(f"note: {text!r} is no day; write it as 2026-03-18") from error
    return checked_day("note", day).isoformat()


def _settle(connection: Connection, alert: str) -> None:
    """The alert's own row follows its entries; one that the evidence or the bench closed stays closed."""
    evidence, held_under = connection.exec_driver_sql(
        "SELECT evidence, held_under FROM alert WHERE id = ?", (alert,)
    ).one()
    if held_under is None and json.loads(evidence).get("closed_because") is None:
        state = state_after_entries(connection, alert)
        connection.exec_driver_sql("UPDATE alert SET state = ? WHERE id = ?", (state, alert))
