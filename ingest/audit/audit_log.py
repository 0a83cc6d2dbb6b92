"""What people enter: who, when, what, about which subject, and why. Rows are added, never changed.

The subject of an alert is `alert:ID`, of a stream the JSON list of supplier, product and characteristic, of a product's
limit `limit:` and the JSON list of product and characteristic. What was entered is taken back by another entry: an act
stands until a later one with the same key undoes or replaces it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TypeVar

from sqlalchemy import Connection, insert, select

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
    "excluded_lots",
    "in_force",
    "limit_subject",
    "record",
    "stream_subject",
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
    """One entry of a person; `body` holds what the act needs beside its reason."""

    at: datetime
    who: str
    what: str
    subject: str
    reason: str
    body: StoredEntryBody


def stream_subject(supplier: str, product: str, characteristic: str) -> str:
    """The subject of acts on a stream."""
    return json.dumps([supplier, product, characteristic], ensure_ascii=False)


def limit_subject(product: str, characteristic: str) -> str:
    """The subject of acts on the limit of a product."""
    return "limit:" + json.dumps([product, characteristic], ensure_ascii=False)


def in_force(
    acts: Iterable[AuditEntry], done: str, undone: str, key: Callable[[StoredEntryBody], K]
) -> dict[K, AuditEntry]:
    """The entries `done` that no later entry `undone` took back, by the key that their bodies hold."""
    found: dict[K, AuditEntry] = {}
    for act in acts:
        if act.what == done:
            found[key(act.body)] = act
        elif act.what == undone:
            found.pop(key(act.body), None)
    return found


def baseline_restarts(acts: Iterable[AuditEntry]) -> dict[int, AuditEntry]:
    """The settings of a stream's baseline that stand, by the moment from which they hold, in order of time."""
    found = in_force(acts, SET_BASELINE, TAKE_BACK_BASELINE, lambda body: body["from_us"])
    return dict(sorted(found.items()))


def excluded_lots(acts: Iterable[AuditEntry]) -> dict[str, AuditEntry]:
    """The lots that people leave out of a stream's baseline."""
    return in_force(acts, LEAVE_OUT, PUT_BACK, lambda body: body["lot"])


def check_signed(act: AuditEntry) -> None:
    """CallError where an entry says not who or why."""
    for name, text in (("who", act.who), ("reason", act.reason)):
        if not text.strip():
            raise CallError(f"{act.what}: {name} is blank; an entry needs a name and a reason")


def record(connection: Connection, act: AuditEntry) -> None:
    """Add an entry; CallError where it says not who or why."""
    check_signed(act)
    connection.execute(
        insert(schema.act).values(
            at_us=microseconds(act.at),
            who=act.who.strip(),
            what=act.what,
            subject=act.subject,
            reason=act.reason.strip(),
            body=json.dumps(act.body, ensure_ascii=False),
        )
    )


def entries_on(connection: Connection, subject: str) -> list[AuditEntry]:
    """All entries on a subject, the oldest first."""
    return entries_on_each(connection, [subject])[subject]


def entries_on_each(connection: Connection, subjects: Sequence[str]) -> dict[str, list[AuditEntry]]:
    """All entries on each of these subjects, the oldest first."""
    columns = schema.act.c
    rows = connection.execute(select(schema.act).where(columns.subject.in_(subjects)).order_by(columns.id))
    found: dict[str, list[AuditEntry]] = {subject: [] for subject in subjects}
    for row in rows:
        act = AuditEntry(from_microseconds(row.at_us), row.who, row.what, row.subject, row.reason, json.loads(row.body))
        found[act.subject].append(act)
    return found
