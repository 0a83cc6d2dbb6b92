"""What people enter: who, when, what, about which subject, and why. Rows are added, never changed.

Another entry takes an entry back: an entry stands until a later one with the same key undoes or replaces it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypeVar

from sqlalchemy import Connection, Row, func, insert, select

from ingest.audit.subjects import Subject, SubjectKind
from ingest.common.errors import CallError
from ingest.common.instants import from_microseconds, microseconds
from ingest.documents.entries import StoredEntryBody
from ingest.store import schema

__all__ = [
    "CHANGE_LIMIT",
    "CHANGE_RULE",
    "LEAVE_OUT",
    "PUT_BACK",
    "SET_BASELINE",
    "TAKE_BACK_BASELINE",
    "TAKE_BACK_LIMIT",
    "TAKE_BACK_RULE",
    "AuditEntry",
    "baseline_restarts",
    "check_signed",
    "entries_on",
    "entries_on_each",
    "entry_of",
    "excluded_lots",
    "in_force",
    "record",
    "withdrawn_alerts",
]

SET_BASELINE = "set baseline"
TAKE_BACK_BASELINE = "take back baseline"
LEAVE_OUT = "leave out"
PUT_BACK = "put back"
CHANGE_LIMIT = "change limit"
TAKE_BACK_LIMIT = "take back limit"
CHANGE_RULE = "change decision rule"
TAKE_BACK_RULE = "take back decision rule"

K = TypeVar("K")

# The columns of an alert that its entries keep.
KEPT = ("kind", "grade", "supplier", "product", "characteristic", "lot", "raised_us", "message", "held_under")
# A row of the alert table as an entry keeps it, with its id, its evidence and the names of its stream.
WithdrawnAlert = dict[str, Any]


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
            about=_about(connection, entry.subject),
        )
    )


def _about(connection: Connection, subject: Subject) -> str:
    """The alert of an entry as it is now, as JSON: a later round may no longer raise it. Empty for other subjects."""
    if subject.kind != SubjectKind.ALERT:
        return ""
    row = connection.execute(select(schema.alert).where(schema.alert.c.id == subject.names[0])).mappings().first()
    if row is None:
        earlier = connection.execute(
            select(schema.act.c.about)
            .where(schema.act.c.subject == str(subject), schema.act.c.about != "")
            .order_by(schema.act.c.id.desc())
            .limit(1)
        ).scalar()
        return earlier or ""
    kept = {name: row[name] for name in KEPT}
    return json.dumps({**kept, "evidence": json.loads(row["evidence"])}, ensure_ascii=False)


def withdrawn_alerts(connection: Connection, ids: Iterable[str] | None = None) -> dict[str, WithdrawnAlert]:
    """The alerts that people made entries about and that the store no longer holds, as they were at the last entry."""
    columns = schema.act.c
    wanted = (
        select(columns.subject, columns.about)
        .outerjoin(schema.alert, schema.alert.c.id == func.substr(columns.subject, len("alert:") + 1))
        # A range, so that the index on the subject is used.
        .where(
            columns.subject >= "alert:", columns.subject < "alert;", columns.about != "", schema.alert.c.id.is_(None)
        )
    )
    if ids is not None:
        wanted = wanted.where(columns.subject.in_([str(Subject.alert(one)) for one in ids]))
    found: dict[str, WithdrawnAlert] = {}
    for subject, about in connection.execute(wanted.order_by(columns.id)):
        alert = str(subject).removeprefix("alert:")
        row = json.loads(about)
        found[alert] = {**row, "id": alert, "stream": (row["supplier"], row["product"], row["characteristic"])}
    return found


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
