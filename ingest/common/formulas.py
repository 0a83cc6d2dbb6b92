"""Recognise cells that a spreadsheet would run as a formula."""

from __future__ import annotations

import unicodedata

__all__ = ["begins_a_formula", "is_formula"]

# https://owasp.org/www-community/attacks/CSV_Injection, from memory; NFKC also maps full-width forms to these.
DANGEROUS = ("=", "+", "-", "\N{MINUS SIGN}", "@", "\t", "\r", "\n")
# Characters without a visible shape that Unicode counts as letters, marks or symbols.
BLANK_LETTERS = "\u034f\u115f\u1160\u17b4\u17b5\u2800\u3164\uffa0"


def is_formula(text: str) -> bool:
    """Whether a spreadsheet may run a cell of a file as a formula; a number with a sign is not one."""
    if not begins_a_formula(text):
        return False
    try:
        float(text)
    except ValueError:
        return True
    return False


def begins_a_formula(text: str) -> bool:
    """Whether a text begins with a formula, even after invisible characters, which a spreadsheet may strip."""
    # Most cells begin so, and a bundle has hundreds of thousands.
    if text[:1].isascii() and text[:1].isalnum():
        return False
    for letter in text:
        if letter in "\t\r\n":
            return True
        if not _is_invisible(letter):
            return unicodedata.normalize("NFKC", letter).startswith(DANGEROUS)
    return False


def _is_invisible(letter: str) -> bool:
    """Whether a character is invisible: a blank (Z), a control or unassigned one (C), or a variation selector."""
    return (
        unicodedata.category(letter)[0] in "ZC"
        or letter in BLANK_LETTERS
        or "\ufe00" <= letter <= "\ufe0f"
        or "\U000e0100" <= letter <= "\U000e01ef"
        or "\u180b" <= letter <= "\u180f"
    )
