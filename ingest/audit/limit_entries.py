"""The product limits that people entered, laid over what `lab.toml` declares."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import replace
from datetime import date

from sqlalchemy import Connection

from ingest.audit.audit_log import CHANGE_LIMIT, TAKE_BACK_LIMIT, AuditEntry, entries_on, in_force
from ingest.common.instants import microseconds
from ingest.config.lab import Lab
from ingest.config.limit_history import Step

__all__ = ["entered", "limit_acts", "named_in", "with_entered_limits"]


def limit_acts(connection: Connection) -> list[AuditEntry]:
    """All entries on limits of products, the oldest first of each product."""
    subjects = connection.exec_driver_sql(
        "SELECT DISTINCT subject FROM act WHERE subject >= 'limit:' AND subject < 'limit;' ORDER BY subject"
    ).scalars()
    return [act for subject in list(subjects) for act in entries_on(connection, subject)]


def with_entered_limits(connection: Connection, lab: Lab) -> Lab:
    """The declarations with the entries of people laid over them."""
    return replace(lab, entered=entered(limit_acts(connection)))


def entered(acts: Iterable[AuditEntry]) -> dict[tuple[str, str, str], tuple[Step, ...]]:
    """The limits that stand, by product, characteristic and side."""
    found: dict[tuple[str, str, str], tuple[Step, ...]] = {}
    for (subject, side, _day), act in _standing(acts).items():
        key = (*named_in(subject), side)
        found[key] = (*found.get(key, ()), _step(act))
    return found


def named_in(subject: str) -> tuple[str, str]:
    """The product and the characteristic whose limit a subject is about."""
    product, characteristic = json.loads(subject.removeprefix("limit:"))
    return product, characteristic


def _standing(acts: Iterable[AuditEntry]) -> dict[tuple[str, str, str], AuditEntry]:
    by_subject: dict[str, list[AuditEntry]] = {}
    for act in acts:
        by_subject.setdefault(act.subject, []).append(act)
    return {
        (subject, side, day): act
        for subject, own in by_subject.items()
        for (side, day), act in in_force(
            own, CHANGE_LIMIT, TAKE_BACK_LIMIT, lambda body: (body["side"], body["from"])
        ).items()
    }


def _step(act: AuditEntry) -> Step:
    return Step(
        value=act.body["value"],
        start=date.fromisoformat(act.body["from"]),
        document=act.body["document"],
        who=act.who,
        entered_us=microseconds(act.at),
        reason=act.reason,
    )
