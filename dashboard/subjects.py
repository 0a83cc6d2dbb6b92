"""What an entry is about: its page, and its name in words.

A subject is `alert:ID`, `lot:["supplier", "lot"]`, `account:NAME`, or the JSON list of a stream's three names.
"""

from __future__ import annotations

import json
from urllib.parse import urlencode

from dashboard.sentences import characteristic

__all__ = ["address", "told"]

LOT, STREAM = ("supplier", "lot"), ("supplier", "product", "characteristic")


def address(subject: str, most: str = "") -> str | None:
    """The page of a subject; made here, so that no address from outside is followed. None where it has no page.

    With `most` as "all", an alert is found among all there ever were.
    """
    if subject.startswith("alert:"):
        query = {"show": "all", "most": most} if most else {"show": "all"}
        return f"/alerts?{urlencode(query)}#alert-{subject.removeprefix('alert:')}"
    names = _names(subject)
    if names is None:
        return None
    path, keys = ("/lot", LOT) if len(names) == len(LOT) else ("/stream", STREAM)
    return f"{path}?{urlencode(dict(zip(keys, names, strict=True)), errors='replace')}"


def told(subject: str, alert_message: str | None = None) -> str:
    """A subject in words."""
    if subject.startswith("alert:"):
        return alert_message or "an alert that a later round took back"
    if subject.startswith("account:"):
        return f"user {subject.removeprefix('account:')}"
    names = _names(subject)
    if names is None:
        return subject
    if len(names) == len(LOT):
        return f"{names[0]}, lot {names[1]}"
    return f"{names[0]} {names[1]}, {characteristic(names[2])}"


def _names(subject: str) -> list[str] | None:
    """The names in the subject of a lot or a stream; None for any other."""
    kind, _, rest = subject.partition("[")
    try:
        names = json.loads(f"[{rest}") if kind in ("", "lot:") else None
    except ValueError:
        return None
    expected = len(LOT) if kind else len(STREAM)
    fits = isinstance(names, list) and len(names) == expected and all(isinstance(name, str) for name in names)
    return names if fits else None
