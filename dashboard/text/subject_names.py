"""What an entry is about: its page, and its name in words."""

from __future__ import annotations

from urllib.parse import urlencode

from dashboard.text.formatting import characteristic
from ingest.audit.subjects import Subject, SubjectKind

__all__ = ["address", "subject_name"]


def address(subject: str, most: str = "") -> str | None:
    """The page of a subject; made here, so that no address from outside is followed. None where it has no page.

    With `most` as "all", the page lists every alert there ever was.
    """
    parsed = Subject.parse(subject)
    if parsed is None:
        return None
    if parsed.kind == SubjectKind.ALERT:
        query = {"show": "all", "most": most} if most else {"show": "all"}
        return f"/alerts?{urlencode(query)}#alert-{parsed.names[0]}"
    names = parsed.named()
    if "lot" in names:
        return f"/lot?{urlencode({name: names[name] for name in ('supplier', 'lot')}, errors='replace')}"
    return f"/stream?{urlencode(names, errors='replace')}" if "supplier" in names else None


def subject_name(subject: str, alert_message: str | None = None) -> str:
    """A subject in words."""
    parsed = Subject.parse(subject)
    if parsed is None:
        return subject
    if parsed.kind == SubjectKind.ALERT:
        return alert_message or "an alert that a later round took back"
    if parsed.kind == SubjectKind.ACCOUNT:
        return f"user {parsed.names[0]}"
    names = parsed.named()
    parts = [" ".join(names[name] for name in ("supplier", "product") if name in names)]
    parts += [characteristic(names["characteristic"])] if "characteristic" in names else []
    parts += [f"lot {names['lot']}"] if "lot" in names else []
    return ", ".join(parts)
