"""The product limits that people entered, laid over what `lab.toml` declares."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import date

from sqlalchemy import Connection

from ingest.audit.audit_log import CHANGE_LIMIT, TAKE_BACK_LIMIT, AuditEntry, entries_on_each, in_force
from ingest.audit.subjects import Subject
from ingest.common.instants import microseconds
from ingest.config.lab import Lab
from ingest.config.limit_history import Step

__all__ = ["entered", "entries_on_limits", "with_entered_limits"]


def entries_on_limits(connection: Connection) -> list[AuditEntry]:
    """All entries on limits of products, the oldest first of each product."""
    texts = connection.exec_driver_sql(
        "SELECT DISTINCT subject FROM act WHERE subject >= 'limit:' AND subject < 'limit;' ORDER BY subject"
    ).scalars()
    subjects = [subject for text in texts if (subject := Subject.parse(text)) is not None]
    return [entry for entries in entries_on_each(connection, subjects).values() for entry in entries]


def with_entered_limits(connection: Connection, lab: Lab) -> Lab:
    """The declarations with the entries of people laid over them."""
    return replace(lab, entered=entered(entries_on_limits(connection)))


def entered(entries: Iterable[AuditEntry]) -> dict[tuple[str, str, str], tuple[Step, ...]]:
    """The limits that stand, by product, characteristic and side."""
    by_subject: dict[Subject, list[AuditEntry]] = {}
    for entry in entries:
        by_subject.setdefault(entry.subject, []).append(entry)
    found: dict[tuple[str, str, str], tuple[Step, ...]] = {}
    for subject, entries in by_subject.items():
        product, characteristic = subject.names
        standing = in_force(entries, CHANGE_LIMIT, TAKE_BACK_LIMIT, lambda body: (body["side"], body["from"]))
        for (side, day), entry in standing.items():
            step = Step(
                value=entry.body["value"],
                start=date.fromisoformat(day),
                document=entry.body["document"],
                who=entry.who,
                entered_us=microseconds(entry.at),
                reason=entry.reason,
            )
            key = (product, characteristic, side)
            found[key] = (*found.get(key, ()), step)
    return found
