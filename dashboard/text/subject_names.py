"""What an entry is about: its page, and its name in words.

A subject is `alert:ID`, `account:NAME`, or names as a JSON list: those of a stream, or led by their kind `lot:["supplier",
"lot"]`, `session:[…]` (a stream's names, the lot and the time of its test) or `limit:["product", "characteristic"]`.
"""

from __future__ import annotations

import json
from urllib.parse import urlencode

from dashboard.text.formatting import characteristic

__all__ = ["address", "subject_name"]

STREAM = ("supplier", "product", "characteristic")
NAMES = {"": STREAM, "lot:": ("supplier", "lot"), "session:": (*STREAM, "lot", "tested"), "limit:": STREAM[1:]}


def address(subject: str, most: str = "") -> str | None:
    """The page of a subject; made here, so that no address from outside is followed. None where it has no page.

    With `most` as "all", an alert is found among all there ever were.
    """
    if subject.startswith("alert:"):
        query = {"show": "all", "most": most} if most else {"show": "all"}
        return f"/alerts?{urlencode(query)}#alert-{subject.removeprefix('alert:')}"
    names = _names(subject)
    if "lot" in names:
        return f"/lot?{urlencode({name: names[name] for name in NAMES['lot:']}, errors='replace')}"
    return f"/stream?{urlencode(names, errors='replace')}" if "supplier" in names else None


def subject_name(subject: str, alert_message: str | None = None) -> str:
    """A subject in words."""
    if subject.startswith("alert:"):
        return alert_message or "an alert that a later round took back"
    if subject.startswith("account:"):
        return f"user {subject.removeprefix('account:')}"
    names = _names(subject)
    parts = [" ".join(names[name] for name in ("supplier", "product") if name in names)]
    parts += [characteristic(names["characteristic"])] if "characteristic" in names else []
    parts += [f"lot {names['lot']}"] if "lot" in names else []
    return ", ".join(parts) if names else subject


def _names(subject: str) -> dict[str, str]:
    """The names in a subject that holds several; empty for any other."""
    kind, _, rest = subject.partition("[")
    keys = NAMES.get(kind, ())
    try:
        found = json.loads(f"[{rest}") if keys else []
    except ValueError:
        return {}
    fits = isinstance(found, list) and len(found) == len(keys) and all(isinstance(name, str) for name in found)
    return dict(zip(keys, found, strict=True)) if fits else {}
