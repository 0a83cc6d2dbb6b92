"""Text that came from files, made safe to print."""

from __future__ import annotations

__all__ = ["printable", "quoted"]

QUOTED_CHARACTERS = 60


def printable(text: str) -> str:
    """Text from files without control characters, which could move a terminal's cursor or break a mail's header."""
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)


def quoted(text: str) -> str:
    """A text from a file in quotation marks, on one line and cut to a length that a message can carry."""
    plain = printable(text[:QUOTED_CHARACTERS])
    return f'"{plain}..."' if len(text) > QUOTED_CHARACTERS else f'"{plain}"'
