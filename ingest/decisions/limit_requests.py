"""A person's request to change limits, checked against the store and made an entry of the audit log.

This module writes nothing: a page shows what the entry would change (`limit_change_preview`) before it is recorded.
"""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import cast

from sqlalchemy import Connection

from ingest.audit.audit_log import (
    CHANGE_LIMIT,
    LEAVE_OUT,
    PUT_BACK,
    SET_BASELINE,
    TAKE_BACK_BASELINE,
    TAKE_BACK_LIMIT,
    AuditEntry,
    baseline_restarts,
    entries_on,
    excluded_lots,
)
from ingest.audit.limit_entries import entered
from ingest.audit.subjects import Subject
from ingest.common.errors import CallError
from ingest.common.instants import checked_day, microseconds
from ingest.common.text import printable, quoted
from ingest.config.lab import LAB_FILE, Lab
from ingest.config.limit_history import SIDES
from ingest.documents.entries import StoredEntryBody
from ingest.documents.fields import Side
from ingest.store.store import get_meta

__all__ = ["BASELINE_CHANGES", "LIMIT_CHANGES", "NO_LIMIT", "LimitRequest", "as_entry"]

BASELINE_CHANGES = (SET_BASELINE, TAKE_BACK_BASELINE, LEAVE_OUT, PUT_BACK)
LIMIT_CHANGES = (CHANGE_LIMIT, TAKE_BACK_LIMIT)
NO_LIMIT = "none"
NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]{1,3})?")
LONGEST = {"who": 80, "reason": 600, "document": 200, "value": 40}


@dataclass(frozen=True, slots=True)
class LimitRequest:
    """A request as it was typed; which fields count depends on `change`.

    A baseline belongs to a stream; a limit to a product and characteristic, whoever supplies it. `day` is written as
    2026-03-18, `value` as a number in the unit or `none`.
    """

    change: str
    supplier: str
    product: str
    characteristic: str
    day: str = ""
    lot: str = ""
    side: str = "upper"
    value: str = ""
    document: str = ""


def as_entry(connection: Connection, lab: Lab, asked: LimitRequest, who: str, reason: str, now: datetime) -> AuditEntry:
    """The entry for a request; CallError where the store has no such stream or lot, or nothing would change.

    `who` and `reason` may be blank for a preview; `audit_log.record` requires both.
    """
    for name, text in (("who", who), ("reason", reason), ("document", asked.document), ("value", asked.value)):
        if len(text) > LONGEST[name]:
            raise CallError(f"{asked.change}: {name} is too long; write at most {LONGEST[name]} characters")
    if asked.change in BASELINE_CHANGES:
        subject, body = _on_baseline(connection, lab, asked)
    elif asked.change in LIMIT_CHANGES:
        subject, body = _on_limit(connection, lab, asked)
    else:
        known = ", ".join((*BASELINE_CHANGES, *LIMIT_CHANGES))
        raise CallError(f"limits: {quoted(asked.change)} is no change of limits; expected one of {known}")
    return AuditEntry(now, printable(who), asked.change, subject, printable(reason), body)


# The baseline of a stream


def _on_baseline(connection: Connection, lab: Lab, asked: LimitRequest) -> tuple[Subject, StoredEntryBody]:
    names = (asked.supplier, asked.product, asked.characteristic)
    if not _is_there(connection, "supplier = ? AND product = ? AND characteristic = ?", names):
        raise CallError(f"baseline: there is no stream {' · '.join(names)}; lotdrift board lists them all")
    _same_unit(connection, lab, asked.characteristic)
    subject = Subject.stream(*names)
    entries = entries_on(connection, subject)
    if asked.change in (SET_BASELINE, TAKE_BACK_BASELINE):
        return subject, {"from_us": _restart(lab, asked, entries)}
    return subject, {"lot": _lot(connection, asked, entries)}


def _restart(lab: Lab, asked: LimitRequest, entries: list[AuditEntry]) -> int:
    day = _day(asked)
    from_us = microseconds(datetime.combine(day, time(), lab.zone))
    if (from_us in baseline_restarts(entries)) != (asked.change == TAKE_BACK_BASELINE):
        told = "not set" if asked.change == TAKE_BACK_BASELINE else "already set"
        raise CallError(f"{asked.change}: the limits are {told} again from {day}; lotdrift stream shows what stands")
    return from_us


def _lot(connection: Connection, asked: LimitRequest, entries: list[AuditEntry]) -> str:
    if not _has_lot(connection, asked):
        raise CallError(f"{asked.change}: the stream has no lot {quoted(asked.lot)}; lotdrift stream lists its lots")
    if (asked.lot in excluded_lots(entries)) != (asked.change == PUT_BACK):
        told = "not" if asked.change == PUT_BACK else "already"
        raise CallError(f"{asked.change}: lot {asked.lot} is {told} left out; lotdrift stream shows what stands")
    return asked.lot


def _has_lot(connection: Connection, asked: LimitRequest) -> bool:
    found = connection.exec_driver_sql(
        "SELECT 1 FROM session s JOIN lot l ON l.id = s.lot_id JOIN stream t ON t.id = s.stream_id "
        "WHERE t.supplier = ? AND t.product = ? AND t.characteristic = ? AND l.lot = ? LIMIT 1",
        (asked.supplier, asked.product, asked.characteristic, asked.lot),
    )
    return found.scalar() is not None


# The limit of a product


def _on_limit(connection: Connection, lab: Lab, asked: LimitRequest) -> tuple[Subject, StoredEntryBody]:
    names = (asked.product, asked.characteristic)
    if not _is_there(connection, "product = ? AND characteristic = ?", names):
        raise CallError(f"limit: no stream is of {' · '.join(names)}; lotdrift board lists them all")
    _same_unit(connection, lab, asked.characteristic)
    if asked.side not in SIDES:
        raise CallError(f"limit: {quoted(asked.side)} is no side; expected {' or '.join(SIDES)}")
    subject, day = Subject.limit(*names), _day(asked)
    place: StoredEntryBody = {"side": cast(Side, asked.side), "from": day.isoformat()}
    if asked.change == CHANGE_LIMIT:
        return subject, {**place, "value": _value(lab, asked), "document": printable(asked.document.strip())}
    steps = entered(entries_on(connection, subject)).get((*names, asked.side), ())
    if all(step.start != day for step in steps):
        raise CallError(
            f"{asked.change}: nobody entered {asked.side} limit from {day}; lotdrift stream shows what stands"
        )
    return subject, place


def _value(lab: Lab, asked: LimitRequest) -> float | None:
    text, declared = asked.value.strip(), lab.characteristic(asked.characteristic)
    if text.lower() == NO_LIMIT:
        return None
    value = float(text) if NUMBER.fullmatch(text) else math.nan
    if not math.isfinite(value):
        raise CallError(
            f"limit: {quoted(text)} is no number; write it in {declared.unit} as 15 or 1e9, or {NO_LIMIT} for no limit"
        )
    if declared.scale == "log" and value <= 0:
        raise CallError(f"limit: expected a limit above 0 on a log scale, got {text}")
    return value


# Both


def _is_there(connection: Connection, where: str, names: tuple[str, ...]) -> bool:
    return connection.exec_driver_sql(f"SELECT 1 FROM stream WHERE {where} LIMIT 1", names).scalar() is not None


def _same_unit(connection: Connection, lab: Lab, characteristic: str) -> None:
    held = json.loads(get_meta(connection, "units") or "{}").get(characteristic)
    unit = lab.characteristic(characteristic).unit
    if held not in (None, unit):
        raise CallError(
            f"limits: {LAB_FILE} declares {characteristic} in {unit}, the store holds it in {held}; do a round with lotdrift "
            "run, which says what to do"
        )


def _day(asked: LimitRequest) -> date:
    try:
        day = date.fromisoformat(asked.day.strip())
    except ValueError as error:
        raise CallError(f"{asked.change}: {quoted(asked.day)} is no day; write it as 2026-03-18") from error
    return checked_day(asked.change, day)
