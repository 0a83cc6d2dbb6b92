"""What people enter: who, when, what, about which subject, and why. Rows are added, never changed.

The subject of an alert is `alert:ID`, of a stream the JSON list of supplier, product and characteristic.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, insert, select

from ingest import schema
from ingest.errors import CallError
from ingest.stamps import from_microseconds, microseconds

__all__ = ["LEAVE_OUT", "SET_BASELINE", "Act", "acts_on", "change_baseline", "record", "stream_subject"]

SET_BASELINE = "set baseline"
LEAVE_OUT = "leave out"


@dataclass(frozen=True, slots=True)
class Act:
    """One entry of a person; `body` holds what the act needs beside its reason."""

    at: datetime
    who: str
    what: str
    subject: str
    reason: str
    body: dict[str, Any]


def stream_subject(supplier: str, product: str, characteristic: str) -> str:
    """The subject of acts on a stream."""
    return json.dumps([supplier, product, characteristic], ensure_ascii=False)


def record(connection: Connection, act: Act) -> None:
    """Add an entry; CallError where it says not who or why."""
    for name, text in (("who", act.who), ("reason", act.reason)):
        if not text.strip():
            raise CallError(f"{act.what}: {name} is blank; an entry needs a name and a reason")
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


def acts_on(connection: Connection, subject: str) -> list[Act]:
    """All entries on a subject, the oldest first."""
    columns = schema.act.c
    rows = connection.execute(select(schema.act).where(columns.subject == subject).order_by(columns.id))
    return [
        Act(from_microseconds(row.at_us), row.who, row.what, row.subject, row.reason, json.loads(row.body))
        for row in rows
    ]


def change_baseline(connection: Connection, names: tuple[str, str, str], act: Act) -> None:
    """Record an act on the baseline of a stream and have the stream evaluated again; CallError where there is none."""
    changed = connection.exec_driver_sql(
        "UPDATE stream SET stale = 1 WHERE supplier = ? AND product = ? AND characteristic = ?", names
    ).rowcount
    if not changed:
        raise CallError(f"baseline: there is no stream {' · '.join(names)}; lotdrift board lists them all")
    record(connection, act)
