"""The subject of an entry: its page, and its name in words."""

from __future__ import annotations

from dashboard.text.formatting import characteristic
from dashboard.text.urls import INSTRUMENTS, LOADS, alert_address, lot_address, rule_address, stream_address, with_query
from ingest.audit.subjects import Subject, SubjectKind

__all__ = ["address", "subject_name"]


def address(subject: str, most: str = "") -> str | None:
    """The page of a subject, or None where it has none. It is built from names, so no address from outside is followed.

    With `most` as "all", an alert is looked up among all there ever were.
    """
    parsed = Subject.parse(subject)
    if parsed is None:
        return None
    if parsed.kind == SubjectKind.ALERT:
        return alert_address(parsed.names[0], most)
    names = parsed.named()
    if parsed.kind == SubjectKind.SENSOR:
        return INSTRUMENTS
    if parsed.kind == SubjectKind.LOAD:
        return with_query(LOADS, names)
    if "lot" in names:
        return lot_address(names["supplier"], names["lot"])
    if parsed.kind == SubjectKind.DECISION:
        return rule_address(names["characteristic"])
    return stream_address(**names) if "supplier" in names else None


def subject_name(subject: str, alert_message: str | None = None) -> str:
    """A subject in words."""
    parsed = Subject.parse(subject)
    if parsed is None:
        return subject
    if parsed.kind == SubjectKind.ALERT:
        return alert_message or "an alert that a later round withdrew"
    if parsed.kind == SubjectKind.ACCOUNT:
        return f"user {parsed.names[0]}"
    if parsed.kind == SubjectKind.SOURCE:
        return f"files {parsed.names[0]}"
    if parsed.kind == SubjectKind.NAME:
        return f"the name {parsed.names[0]}"
    names = parsed.named()
    if parsed.kind == SubjectKind.DECISION:
        return f"decision rule, {characteristic(names['characteristic'])}"
    if parsed.kind == SubjectKind.SENSOR:
        return f"humidity sensor {names['sensor']}"
    if parsed.kind == SubjectKind.LOAD:
        return f"load {names['load']}"
    parts = [" ".join(names[name] for name in ("supplier", "product") if name in names)]
    parts += [characteristic(names["characteristic"])] if "characteristic" in names else []
    parts += [f"lot {names['lot']}"] if "lot" in names else []
    parts += [f"test report {names['number']}"] if "number" in names else []
    return ", ".join(parts)
