"""CSV files for people: no text from a file is run as a formula by a spreadsheet."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from typing import TextIO

from ingest.common.formulas import begins_a_formula

__all__ = ["csv_text", "safe_cell", "write_csv"]


def safe_cell(value: object) -> object:
    """The value, with an apostrophe before a text that a spreadsheet would take for a formula; empty for None."""
    if value is None:
        return ""
    return f"'{value}" if isinstance(value, str) and begins_a_formula(value) else value


def write_csv(out: TextIO, columns: Sequence[str], rows: Iterable[Iterable[object]]) -> int:
    """Write a table row by row (RFC 4180); the number of its rows."""
    # With both characters in the line end, a name that holds either is quoted and stays one cell.
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(columns)
    count = 0
    for row in rows:
        writer.writerow([safe_cell(value) for value in row])
        count += 1
    return count


def csv_text(columns: Sequence[str], rows: Iterable[Iterable[object]]) -> str:
    """A small table as one text."""
    out = io.StringIO()
    write_csv(out, columns, rows)
    return out.getvalue()
