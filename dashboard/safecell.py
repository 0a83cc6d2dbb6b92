"""One cell of a CSV file, so that no name from a file is run as a formula by a spreadsheet."""

from __future__ import annotations

__all__ = ["safe_cell"]

DANGEROUS = ("=", "+", "-", "@", "\t", "\r", "\n")


def safe_cell(value: object) -> object:
    """A text that a spreadsheet would take for a formula is led by an apostrophe; numbers are left as they are."""
    if value is None:
        return ""
    dangerous = isinstance(value, str) and value.lstrip(" \u00a0").startswith(DANGEROUS)
    return f"'{value}" if dangerous else value
