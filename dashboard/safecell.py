"""One cell of a CSV file, so that no name from a file is run as a formula by a spreadsheet."""

from __future__ import annotations

from ingest.wording import FORMULA_SIGNS

__all__ = ["safe_cell"]


def safe_cell(value: object) -> object:
    """A text that a spreadsheet would take for a formula is led by an apostrophe; numbers are left as they are."""
    if value is None:
        return ""
    dangerous = isinstance(value, str) and value.lstrip(" \u00a0").startswith(FORMULA_SIGNS)
    return f"'{value}" if dangerous else value
