"""What people enter: who, when, what, about which subject, and why. Rows are added, never changed.

Another entry takes an entry back: an entry stands until a later one with the same key undoes or replaces it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TypeVar

from sqlalchemy import Connection, Row, insert, select

from ingest.audit.subjects import Subject
from ingest.common.errors import CallError
from ingest.common.instants import from_microseconds, microseconds
from ingest.documents.entries import StoredEntryBody
from ingest.store import schema

__all__ = [
    "CHANGE_LIMIT",
    "LEAVE_OUT",
    "PUT_BACK",
    "SET_BASELINE",
    "TAKE_BACK_BASELINE",
    "TAKE_BACK_LIMIT",
    "AuditEntry",
    "baseline_restarts",
    "check_signed",
    "entries_on",
    "entries_on_each",
    "entry_of",
    "excluded_lots",
    "in_force",
    "record",
]

SET_BASELINE = "set baseline"
TAKE_BACK_BASELINE = "take back baseline"
LEAVE_OUT = "leave out"
PUT_BACK = "put back"
CHANGE_LIMIT = "change limit"
TAKE_BACK_LIMIT = "take back limit"

K = TypeVar("K")


@dataclass(frozen=True, slots=True)
class AuditEntry:
    """One entry of a person; `body` holds what it says beside its reason."""

    at: datetime
    who: str
    what: str
    subject: Subject
    reason: str
    body: StoredEntryBody


def in_force(
    entries: Iterable[AuditEntry], done: str, undone: str, key: Callable[[StoredEntryBody], K]
) -> dict[K, AuditEntry]:
    """The entries `done` that no later entry `undone` took back, by the key that their bodies hold."""
    found: dict[K, AuditEntry] = {}
    for entry in entries:
        if entry.what == done:
            found[key(entry.body)] = entry
        elif entry.what == undone:
            found.pop(key(entry.body), None)
    return found


def baseline_restarts(entries: Iterable[AuditEntry]) -> dict[int, AuditEntry]:
    """The settings of a stream's baseline that stand, by the moment from which they hold, in order of time."""
    found = in_force(entries, SET_BASELINE, TAKE_BACK_BASELINE, lambda body: body["from_us"])
    return dict(sorted(found.items()))


def excluded_lots(entries: Iterable[AuditEntry]) -> dict[str, AuditEntry]:
    """The lots that people leave out of a stream's baseline."""
    return in_force(entries, LEAVE_OUT, PUT_BACK, lambda body: body["lot"])


def check_signed(entry: AuditEntry) -> None:
    """CallError where an entry lacks its name or its reason."""
    for name, text in (("who", entry.who), ("reason", entry.reason)):
        if not text.strip():
            raise CallError(f"{entry.what}: {name} is blank; an entry needs a name and a reason")


def record(connection: Connection, entry: AuditEntry) -> None:
    """Add an entry; CallError where it lacks its name or its reason."""
    check_signed(entry)
    connection.execute(
        insert(schema.act).values(
            at_us=microseconds(entry.at),
            who=entry.who.strip(),
            what=entry.what,
            subject=str(entry.subject),
            reason=entry.reason.strip(),
            body=json.dumps(entry.body, ensure_ascii=False),
        )
    )


def entries_on(connection: Connection, subject: Subject) -> list[AuditEntry]:
    """All entries on a subject, the oldest first."""
    return entries_on_each(connection, [subject])[subject]


def entries_on_each(connection: Connection, subjects: Sequence[Subject]) -> dict[Subject, list[AuditEntry]]:
    """All entries on each of these subjects, the oldest first."""
    columns = schema.act.c
    by_text = {str(subject): subject for subject in subjects}
    rows = connection.execute(select(schema.act).where(columns.subject.in_(list(by_text))).order_by(columns.id))
    found: dict[Subject, list[AuditEntry]] = {subject: [] for subject in subjects}
    for row in rows:
        subject = by_text[row.subject]
        found[subject].append(entry_of(row, subject))
    return found


def entry_of(row: Row[tuple[object, ...]], subject: Subject) -> AuditEntry:
    """The entry of a row of the audit log."""
    return AuditEntry(from_microseconds(row.at_us), row.who, row.what, subject, row.reason, json.loads(row.body))
