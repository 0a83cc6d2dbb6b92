"""One cell of a CSV file, so that no name from a file is run as a formula by a spreadsheet."""

from __future__ import annotations

from ingest.common.formulas import begins_a_formula

__all__ = ["safe_cell"]


def safe_cell(value: object) -> object:
    """A text that a spreadsheet would take for a formula is led by an apostrophe; numbers are left as they are."""
    if value is None:
        return ""
    return f"'{value}" if isinstance(value, str) and begins_a_formula(value) else value
