"""Cells that a spreadsheet would run as a formula."""

from __future__ import annotations

import unicodedata

__all__ = ["begins_a_formula", "is_formula"]

# https://owasp.org/www-community/attacks/CSV_Injection, from memory; after NFKC the full-width forms are among them.
DANGEROUS = ("=", "+", "-", "\N{MINUS SIGN}", "@", "\t", "\r", "\n")
# Letters that are drawn as nothing, although Unicode counts them as letters, marks or symbols.
BLANK_LETTERS = "\u034f\u115f\u1160\u17b4\u17b5\u2800\u3164\uffa0"


def is_formula(text: str) -> bool:
    """Whether a spreadsheet may take a cell of a file for a formula; a number with its sign is none."""
    if not begins_a_formula(text):
        return False
    try:
        float(text)
    except ValueError:
        return True
    return False


def begins_a_formula(text: str) -> bool:
    """Whether a formula begins the text, also behind what is not seen, which a spreadsheet may strip."""
    for letter in text:
        if letter in "\t\r\n":
            return True
        if not _is_unseen(letter):
            return unicodedata.normalize("NFKC", letter).startswith(DANGEROUS)
    return False


def _is_unseen(letter: str) -> bool:
    """A blank of any kind (Z), a control, format, private or unassigned character (C), or a mark that varies a letter."""
    return (
        unicodedata.category(letter)[0] in "ZC"
        or letter in BLANK_LETTERS
        or "\ufe00" <= letter <= "\ufe0f"
        or "\U000e0100" <= letter <= "\U000e01ef"
        or "\u180b" <= letter <= "\u180f"
    )
