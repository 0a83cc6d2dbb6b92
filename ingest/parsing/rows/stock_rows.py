"""Turn the cells of a stock count into typed rows and refusals: how much of a lot lies where, and since when it is open."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ingest.common.instants import FIRST_DAY
from ingest.common.text import quoted
from ingest.parsing.cells import Column, Names, days, floats_as_written, names, numbers
from ingest.parsing.csv_table import Table
from ingest.parsing.rejections import RejectedRows
from ingest.parsing.rows.duplicates import contradictions
from ingest.parsing.rows.row_reader import Piece, Reader, piece_of, reasons_by_line

__all__ = ["contradicting_counts", "identity_of_counts", "stock_pieces"]

Ints = NDArray[np.int64]

NAMES = ("supplier", "product", "lot", "storage", "unit")
REQUIRED_NAMES = ("supplier", "product", "lot")
# A count without a quantity says that the lot is there; one is stored, and that nobody counted.
HELD = 1.0


def stock_pieces(tables: Iterable[Table], reader: Reader) -> Iterator[Piece]:
    """Read the counts piece by piece."""
    for table in tables:
        yield _piece(table, reader)


def _piece(table: Table, reader: Reader) -> Piece:
    refused = RejectedRows(len(table.lines))
    named = {name: names(reader.column(table, name), required=name in REQUIRED_NAMES) for name in NAMES}
    for name, one in named.items():
        refused.add_where(name, one.codes, one.reasons)
    counted = _days(table, reader, "counted_on", refused)
    opened = _days(table, reader, "opened_on", refused)
    counted_day, opened_day = (_since_1970(one.names)[one.codes] for one in (counted, opened))
    for row in np.flatnonzero(refused.fine & (opened_day > counted_day)).tolist():
        refused.add(row, "opened_on", "is after the day of the count; correct one of them")
    quantity, is_blank = _quantities(reader.column(table, "quantity"), reader, refused)
    reader.refuse_contradicted("counted_on", table, refused)
    rows = np.flatnonzero(refused.fine)
    counts = {
        "counted_day": counted_day[rows],
        **{name: one.categorical(rows) for name, one in named.items()},
        "quantity": quantity[rows],
        "is_counted": (~is_blank[rows]).astype(np.int64),
        "opened_on": opened.categorical(rows),
        "line": table.lines[rows],
    }
    return piece_of(table, pd.DataFrame(counts), refused)


def _days(table: Table, reader: Reader, name: str, refused: RejectedRows) -> Names:
    """Days from 1990 to the day of the round; the day of the count is required."""
    column = reader.column(table, name)
    read = days(column, reader.source.time_format)
    latest = reader.now.astimezone(reader.lab.zone_of(reader.source)).date()
    # Only where no format is declared could one be what is missing.
    hint = "" if reader.source.time_format else ', or declare its order in [[source]], such as time_format = "%d.%m.%Y"'
    reasons = {code: f"{reason}{hint}" for code, reason in read.reasons.items()}
    for code, text in enumerate(read.names):
        if code in reasons:
            continue
        if not text:
            if name == "counted_on":
                reasons[code] = "is blank; write the day of the count"
        elif not FIRST_DAY <= date.fromisoformat(text) <= latest:
            reasons[code] = f"{quoted(text)} is not a day from {FIRST_DAY} to {latest}; correct it"
    refused.add_where(name, read.codes, reasons)
    return read


def _since_1970(texts: Sequence[str]) -> Ints:
    """Days since 1970 of each text; the least number where it is blank or no day."""
    epoch = date(1970, 1, 1).toordinal()
    ordinals = [_ordinal(text) for text in texts]
    return np.array([-(2**31) if day is None else day - epoch for day in ordinals], dtype=np.int64)


def _ordinal(text: str) -> int | None:
    try:
        return date.fromisoformat(text).toordinal()
    except ValueError:
        return None


def _quantities(column: Column, reader: Reader, refused: RejectedRows) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Quantities from 0 on, and where the cell is blank: such a lot is held, nobody wrote how much of it."""
    decimal = reader.layout.decimals.get(reader.layout.positions.get("quantity", -1), reader.source.decimal or ".")
    read = numbers(column, decimal, {})
    values = floats_as_written(read)
    texts = column.each()
    blank = np.array([not text for text in texts], dtype=bool)
    reasons = {code: reason for code, reason in read.reasons.items() if not blank[code]}
    for code, text in enumerate(texts):
        if blank[code] or code in reasons:
            continue
        if read.units.get(code):
            reasons[code] = f"{quoted(text)} carries a unit; write the number here and the unit in its own column"
        elif read.bounds[code]:
            reasons[code] = f"{quoted(text)} is bounded; write a number"
        elif not 0 <= values[code] < np.inf:
            reasons[code] = f"{quoted(text)} is not a quantity from 0 on; correct it"
    refused.add_where("quantity", column.codes, reasons)
    return np.where(blank, HELD, values)[column.codes], blank[column.codes]


# Identity and contradictions


def identity_of_counts(rows: pd.DataFrame) -> list[Ints]:
    """Return what identifies each count, as numbers: the lot, the day and the storage."""
    parts = [rows[name].cat.codes.to_numpy(np.int64) for name in (*REQUIRED_NAMES, "storage")]
    return [*parts, rows["counted_day"].to_numpy(np.int64)]


def contradicting_counts(rows: pd.DataFrame, identity: Sequence[Ints]) -> dict[int, list[str]]:
    """Give the reasons, by line, to refuse counts that give one lot, day and storage different values."""
    lines = rows["line"].to_numpy(np.int64)
    values = [
        rows["quantity"].to_numpy(),
        *(pd.factorize(rows[name])[0] for name in ("is_counted", "unit", "opened_on")),
    ]
    pairs = contradictions(identity, values)
    reasons = [
        (
            pair.position,
            f"contradicts line {lines[pair.other]}, which has other values for this lot, day and storage; both are refused, "
            "send the right one",
        )
        for pair in pairs
    ]
    return reasons_by_line(lines, reasons)
