"""A change of limits: first what it would change, worked out by the code that makes the change, then the change itself.

A preview evaluates the streams twice, without the entry and with it, and writes nothing. `carry_out` records the entry and
stores the evaluation that the preview showed.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from datetime import date
from typing import cast

from sqlalchemy import Connection

from ingest.audit.audit_log import AuditEntry, check_signed, record
from ingest.audit.limit_entries import entered, entries_on_limits, with_entered_limits
from ingest.common.errors import CallError
from ingest.common.json_text import as_json
from ingest.common.number_format import digits_of
from ingest.common.streams import Stream
from ingest.config.lab import Lab, declared_steps
from ingest.config.limit_history import SIDES, Step, looser, on_day, step_document
from ingest.decisions.limit_requests import LIMIT_CHANGES
from ingest.documents.verdict.limit_change import (
    Change,
    StoredChangedAlerts,
    StoredChangedSignals,
    StoredChangedVerdict,
    StoredLimitFigures,
    StoredLimitPreview,
    StoredPreviewAlert,
    StoredStreamDifference,
)
from ingest.evaluation.evaluate_streams import Evaluated, evaluate, inputs_of, subject_of, write
from ingest.evaluation.stream_alerts import Alert, state_after
from ingest.rounds.recompute import follow
from spc.vocabulary.enums import AlertState

__all__ = ["Preview", "StreamChange", "carry_out", "difference", "preview"]


@dataclass(frozen=True, slots=True, eq=False)
class StreamChange:
    """One stream as it stands and as it would stand; `document` holds the difference."""

    before: Evaluated
    after: Evaluated
    document: StoredStreamDifference


@dataclass(frozen=True, slots=True, eq=False)
class Preview:
    """What an entry would change in each stream, and which limits it would loosen."""

    entry: AuditEntry
    streams: list[StreamChange]
    looser_than: tuple[Step, ...]

    @property
    def document(self) -> StoredLimitPreview:
        """The preview as it is printed, times in microseconds."""
        return {
            "change": cast(Change, self.entry.what),
            **self.entry.body,
            "streams": [change.document for change in self.streams],
            "looser_than": [step_document(step) for step in self.looser_than],
        }

    @property
    def mark(self) -> str:
        """A digest of the preview; it differs where the entry would change something else by now."""
        shown = as_json([str(self.entry.subject), self.document])
        return hashlib.sha256(shown.encode()).hexdigest()[:16]


def preview(connection: Connection, lab: Lab, entry: AuditEntry) -> Preview:
    """What `entry` would change; reads only.

    Raises
    ------
    CallError
        Where the entry would put a lower limit at or above an upper one.
    """
    standing_lab = with_entered_limits(connection, lab)
    if entry.what in LIMIT_CHANGES:
        return _of_limit(connection, standing_lab, entry)
    streams = _streams(connection, "supplier = ? AND product = ? AND characteristic = ?", entry.subject.names)
    return Preview(entry, _changes(connection, standing_lab, standing_lab, streams, entry), ())


def carry_out(connection: Connection, lab: Lab, entry: AuditEntry, shown: str | None = None) -> Preview:
    """Record `entry` and store what follows from it; what it changed.

    Raises
    ------
    CallError
        As `preview`; where the entry has no name or reason; where `shown`, the mark of the preview that a person saw, is
        not that of what would be done now.
    """
    check_signed(entry)
    seen = preview(connection, lab, entry)
    if shown is not None and shown != seen.mark:
        raise CallError(
            f"{entry.what}: readings, declarations or entries came in since the preview, and it would change something else "
            "now; look at the preview again"
        )
    record(connection, entry)
    for change in seen.streams:
        write(connection, change.after)
    follow(connection, lab, {change.after.stream.id for change in seen.streams})
    return seen


def _of_limit(connection: Connection, before: Lab, entry: AuditEntry) -> Preview:
    product, characteristic = entry.subject.names
    after = replace(before, entered=entered([*entries_on_limits(connection), entry]))
    _check_sides(after, product, characteristic)
    streams = _streams(connection, "product = ? AND characteristic = ?", (product, characteristic))
    return Preview(entry, _changes(connection, before, after, streams, entry), _looser_than(before, after, entry))


def _check_sides(lab: Lab, product: str, characteristic: str) -> None:
    """On every day from which a limit changes, the lower one lies below the upper one."""
    steps = {side: lab.limit_steps(product, characteristic, side) for side in SIDES}
    for day in sorted({step.start or date.min for own in steps.values() for step in own}):
        lower, upper = (on_day(steps[side], day) for side in SIDES)
        values = [step.value for step in (lower, upper) if step is not None and step.value is not None]
        if len(values) == len(SIDES) and values[0] >= values[1]:
            raise CallError(
                f"limit: from {day} the lower limit {values[0]:g} would not be below the upper one {values[1]:g}; change that "
                "one first, or enter another value"
            )


def _looser_than(before: Lab, after: Lab, entry: AuditEntry) -> tuple[Step, ...]:
    """The limits that hold now or are declared for the product or for all, and let less pass than the new one."""
    product, name = entry.subject.names
    side, day = entry.body["side"], date.fromisoformat(entry.body["from"])
    new = on_day(after.limit_steps(product, name, side), day)
    known = (
        on_day(before.limit_steps(product, name, side), day),
        on_day(declared_steps(before.characteristic(name), before.product(product), side), day),
        on_day(declared_steps(before.characteristic(name), None, side), day),
    )
    found = {step.value: step for step in known if step is not None}
    return tuple(step for step in found.values() if looser(side, None if new is None else new.value, step.value))


def _streams(connection: Connection, where: str, names: tuple[str, ...]) -> list[Stream]:
    rows = connection.exec_driver_sql(
        f"SELECT id, supplier, product, characteristic FROM stream WHERE {where} ORDER BY supplier", names
    )
    return [Stream(*row) for row in rows]


def _changes(
    connection: Connection, before: Lab, after: Lab, streams: list[Stream], entry: AuditEntry
) -> list[StreamChange]:
    """Each stream evaluated as it stands and with the act; a stream that lost all its sessions has nothing to change."""
    changes = []
    for known in inputs_of(connection, streams).values():
        is_about = entry.subject == subject_of(known.stream)
        with_entry = replace(known, entries=[*known.entries, entry]) if is_about else known
        (now,), (then,) = evaluate(before, [known]), evaluate(after, [with_entry])
        changes.append(StreamChange(now, then, difference(connection, now, then)))
    return changes


# The difference


def difference(connection: Connection, now: Evaluated, then: Evaluated) -> StoredStreamDifference:
    """What differs between two evaluations of a stream."""
    return {
        "supplier": now.stream.supplier,
        "product": now.stream.product,
        "characteristic": now.stream.characteristic,
        "unit": now.document["unit"],
        "digits": digits_of(now.document),
        "limits_before": _limits(now),
        "limits_after": _limits(then),
        "verdicts": _verdicts(now, then),
        "stands_out": _stands_out(now, then),
        "alerts": _alerts(connection, now, then),
    }


def _limits(evaluated: Evaluated) -> StoredLimitFigures:
    """The control limits in force, and the specification limit by which the last lot was judged."""
    board, limits = evaluated.board, evaluated.document["limits"]
    return {
        "center": limits["center"],
        "lower": limits["lower"],
        "upper": limits["upper"],
        "from_lots": limits["from_lots"],
        "from_us": limits["from_us"],
        "frozen_us": limits["frozen_us"],
        "widened_for_dependence": limits["widened_for_dependence"],
        "limit_lower": board["limit_lower"],
        "limit_upper": board["limit_upper"],
    }


def _verdicts(now: Evaluated, then: Evaluated) -> list[StoredChangedVerdict]:
    """The sessions that would be judged otherwise, in order of time."""
    keys = [now.verdicts[name].tolist() for name in ("started_us", "lot", "verdict")]
    both = zip(*keys, then.verdicts["verdict"].tolist(), strict=True)
    return [
        {"lot": lot, "tested_us": tested, "before": before, "after": after}
        for tested, lot, before, after in sorted(row for row in both if row[2] != row[3])
    ]


def _stands_out(now: Evaluated, then: Evaluated) -> list[StoredChangedSignals]:
    """The lots that would stand out for another reason, or no longer."""
    before = {session: document["signals"] for session, _, _, document in now.points}
    return [
        {"lot": document["lot"], "tested_us": tested, "before": before[session], "after": document["signals"]}
        for session, tested, _, document in then.points
        if document["signals"] != before[session]
    ]


def _alerts(connection: Connection, now: Evaluated, then: Evaluated) -> StoredChangedAlerts:
    """The alerts that the change takes away or closes, leaves, and raises or opens again."""
    before = {alert.id: _alert(connection, alert) for alert in now.alerts}
    after = {alert.id: _alert(connection, alert) for alert in then.alerts}
    return {
        "go": [one for name, one in before.items() if name not in after or _is_open(one) > _is_open(after[name])],
        "stay": [one for name, one in after.items() if name in before and _is_open(one) == _is_open(before[name])],
        "come": [one for name, one in after.items() if name not in before or _is_open(one) > _is_open(before[name])],
    }


def _is_open(alert: StoredPreviewAlert) -> bool:
    return alert["state"] != AlertState.CLOSED


def _alert(connection: Connection, alert: Alert) -> StoredPreviewAlert:
    return {
        "id": alert.id,
        "kind": alert.kind,
        "grade": alert.grade,
        "lot": alert.lot,
        "raised_us": alert.raised_us,
        "message": alert.message,
        "state": state_after(connection, alert.id, alert.evidence, alert.about_lots),
    }
