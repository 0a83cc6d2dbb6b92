"""Make text from files safe to print."""

from __future__ import annotations

__all__ = ["printable", "quoted"]

QUOTED_CHARACTERS = 60


def printable(text: str) -> str:
    """Replace control characters, which could move the cursor of a terminal or break a mail header."""
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)


def quoted(text: str) -> str:
    """Put a text from a file in quotation marks, on one line and short enough for a message."""
    plain = printable(text[:QUOTED_CHARACTERS])
    return f'"{plain}..."' if len(text) > QUOTED_CHARACTERS else f'"{plain}"'
