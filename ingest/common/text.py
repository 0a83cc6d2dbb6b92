"""Make text from files safe to print."""

from __future__ import annotations

import re
from collections.abc import Iterable

__all__ = ["capitalised", "counted_lines", "printable", "quoted"]

QUOTED_CHARACTERS = 60


def capitalised(text: str) -> str:
    """Return a text with a capital first letter; the others stay, as names hold capitals of their own."""
    return text[:1].upper() + text[1:]


def printable(text: str) -> str:
    """Replace control characters, which could move the cursor of a terminal or break a mail header."""
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)


def quoted(text: str) -> str:
    """Put a text from a file in quotation marks, on one line and short enough for a message."""
    plain = printable(text[:QUOTED_CHARACTERS])
    return f'"{plain}..."' if len(text) > QUOTED_CHARACTERS else f'"{plain}"'


# What differs between complaints of one kind: the text from the file, and numbers.
PARTICULARS = re.compile(r'"[^"]*"|[0-9]+')


def counted_lines(complaints: Iterable[tuple[str, str]]) -> list[str]:
    """Return one line for each kind of complaint, in the order of the first of each kind.

    `complaints` are (place, complaint). Complaints that differ only in quoted texts and numbers are of one kind; the line
    gives the first one in full and counts the others.
    """
    kinds: dict[str, list[tuple[str, str]]] = {}
    for place, complaint in complaints:
        kinds.setdefault(PARTICULARS.sub("", complaint), []).append((place, complaint))
    return [_counted(places) for places in kinds.values()]


def _counted(complaints: list[tuple[str, str]]) -> str:
    (place, complaint), *others = complaints
    if not others:
        return f"{place}: {complaint}"
    return f"{place}: {complaint} (and {len(others):,} more like this, the last: {others[-1][0]})"
