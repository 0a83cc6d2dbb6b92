"""Read suppliers, products and lots under their right names where `lab.toml` declares how else files write them."""

from __future__ import annotations

import json
from collections.abc import Mapping

import pandas as pd

from ingest.config.lab import Lab

__all__ = ["note_of_written", "renamed"]

NAMED = ("supplier", "product", "lot")


def renamed(rows: pd.DataFrame, lab: Lab) -> pd.DataFrame:
    """Return typed rows under the right names; the notes of a reading keep the name as written."""
    if not lab.aliases or rows.empty or "supplier" not in rows:
        return rows
    columns = [name for name in NAMED if name in rows]
    written = rows[columns].astype(object)
    distinct = written.drop_duplicates()
    right = {}
    for names in distinct.itertuples(index=False, name=None):
        before = dict(zip(columns, names, strict=True))
        # A row about a whole load names no lot.
        if any(before.values()):
            after = dict(zip(NAMED, lab.right_names(*(before.get(name, "") for name in NAMED)), strict=True))
            if any(after[name] != before[name] for name in columns):
                right[names] = after
    if not right:
        return rows
    keys = list(zip(*(written[name] for name in columns), strict=True))
    changed = [right.get(key) for key in keys]
    named: dict[str, pd.Categorical | list[str]] = {
        name: pd.Categorical(
            [old if new is None else new[name] for old, new in zip(written[name], changed, strict=True)]
        )
        for name in columns
    }
    if "notes" in rows:
        both = zip(rows["notes"], keys, changed, strict=True)
        named["notes"] = [
            notes if new is None else note_of_written(notes, dict(zip(columns, key, strict=True)), new)
            for notes, key, new in both
        ]
    return rows.assign(**named)


def note_of_written(notes: str, written: Mapping[str, str], right: Mapping[str, str]) -> str:
    """The notes of a reading, a JSON object or "", with the names as written where they are read as others."""
    names = {f"{name} as written": text for name, text in written.items() if right[name] != text}
    return json.dumps({**(json.loads(notes) if notes else {}), **names}, ensure_ascii=False)
