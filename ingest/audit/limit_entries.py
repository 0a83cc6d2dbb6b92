"""The product limits and decision rules that people entered, laid over what `lab.toml` declares."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import date

from sqlalchemy import Connection

from ingest.audit.audit_log import (
    CHANGE_LIMIT,
    CHANGE_RULE,
    TAKE_BACK_LIMIT,
    TAKE_BACK_RULE,
    AuditEntry,
    entries_on_each,
    in_force,
)
from ingest.audit.subjects import Subject, SubjectKind
from ingest.common.instants import microseconds
from ingest.config.lab import Lab
from ingest.config.limit_history import Step
from ingest.config.models import DecisionRule
from ingest.config.rule_history import RuleStep

__all__ = ["entered", "entered_rules", "entries_on_limits", "entries_on_rules", "with_entered_limits"]


def entries_on_limits(connection: Connection) -> list[AuditEntry]:
    """All entries on limits of products, the oldest first of each product."""
    return _entries_of(connection, SubjectKind.LIMIT)


def entries_on_rules(connection: Connection) -> list[AuditEntry]:
    """All entries on decision rules, the oldest first of each characteristic."""
    return _entries_of(connection, SubjectKind.DECISION)


def _entries_of(connection: Connection, kind: SubjectKind) -> list[AuditEntry]:
    texts = connection.exec_driver_sql(
        # A range, so that the index on the subject is used.
        "SELECT DISTINCT subject FROM act WHERE subject >= ? AND subject < ? ORDER BY subject",
        (f"{kind}:", f"{kind};"),
    ).scalars()
    subjects = [subject for text in texts if (subject := Subject.parse(text)) is not None]
    return [entry for entries in entries_on_each(connection, subjects).values() for entry in entries]


def with_entered_limits(connection: Connection, lab: Lab) -> Lab:
    """The declarations with the entries of people laid over them."""
    return replace(
        lab,
        entered=entered(entries_on_limits(connection)),
        entered_rules=entered_rules(entries_on_rules(connection)),
    )


def entered(entries: Iterable[AuditEntry]) -> dict[tuple[str, str, str], tuple[Step, ...]]:
    """The limits that stand, by product, characteristic and side."""
    found: dict[tuple[str, str, str], tuple[Step, ...]] = {}
    for subject, own in _by_subject(entries).items():
        product, characteristic = subject.names
        standing = in_force(own, CHANGE_LIMIT, TAKE_BACK_LIMIT, lambda body: (body["side"], body["from"]))
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


def entered_rules(entries: Iterable[AuditEntry]) -> dict[str, tuple[RuleStep, ...]]:
    """The decision rules that stand, by characteristic."""
    found: dict[str, tuple[RuleStep, ...]] = {}
    for subject, own in _by_subject(entries).items():
        standing = in_force(own, CHANGE_RULE, TAKE_BACK_RULE, lambda body: body["from"])
        found[subject.names[0]] = tuple(
            RuleStep(
                DecisionRule.model_validate(
                    {name: entry.body.get(name) for name in ("rule", "wrong_pass", "wrong_fail")}
                    | {"from": date.fromisoformat(day)}
                ),
                entry.who,
                microseconds(entry.at),
                entry.reason,
            )
            for day, entry in standing.items()
        )
    return found


def _by_subject(entries: Iterable[AuditEntry]) -> dict[Subject, list[AuditEntry]]:
    found: dict[Subject, list[AuditEntry]] = {}
    for entry in entries:
        found.setdefault(entry.subject, []).append(entry)
    return found
