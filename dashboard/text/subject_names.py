"""The subject of an entry: its page, and its name in words.

A subject is `alert:ID`, `account:NAME`, or names as a JSON list: those of a stream, or led by their kind `lot:["supplier",
"lot"]`, `session:[…]` (a stream's names, the lot and the time of its test) or `limit:["product", "characteristic"]`.
"""

from __future__ import annotations

import json

from dashboard.text.formatting import characteristic
from dashboard.text.urls import alert_address, lot_address, stream_address

__all__ = ["address", "subject_name"]

STREAM = ("supplier", "product", "characteristic")
NAMES = {"": STREAM, "lot:": ("supplier", "lot"), "session:": (*STREAM, "lot", "tested"), "limit:": STREAM[1:]}


def address(subject: str, most: str = "") -> str | None:
    """The page of a subject, or None where it has none. It is built from names, so no address from outside is followed.

    With `most` as "all", an alert is looked up among all there ever were.
    """
    if subject.startswith("alert:"):
        return alert_address(subject.removeprefix("alert:"), most)
    names = _names(subject)
    if "lot" in names:
        return lot_address(names["supplier"], names["lot"])
    return stream_address(**names) if "supplier" in names else None


def subject_name(subject: str, alert_message: str | None = None) -> str:
    """A subject in words."""
    if subject.startswith("alert:"):
        return alert_message or "an alert that a later round withdrew"
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
        names = json.loads(f"[{rest}") if keys else []
    except ValueError:
        return {}
    fits = isinstance(names, list) and len(names) == len(keys) and all(isinstance(name, str) for name in names)
    return dict(zip(keys, names, strict=True)) if fits else {}
