"""Turn the cells of a record of calibrations into typed rows and refusals."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ingest.common.instants import FIRST_DAY, LAST_DAY
from ingest.common.text import quoted
from ingest.parsing.cells import Names, days, floats_as_written, names, numbers
from ingest.parsing.csv_table import Table
from ingest.parsing.rejections import RejectedRows
from ingest.parsing.rows.duplicates import contradictions
from ingest.parsing.rows.row_reader import Piece, Reader, piece_of, reasons_by_line

__all__ = ["calibration_pieces", "contradicting_calibrations", "identity_of_calibrations"]

Ints = NDArray[np.int64]

FIGURES = ("as_found", "as_left", "uncertainty")


def calibration_pieces(tables: Iterable[Table], reader: Reader) -> Iterator[Piece]:
    """Read the calibrations piece by piece."""
    for table in tables:
        yield _piece(table, reader)


def _piece(table: Table, reader: Reader) -> Piece:
    refused = RejectedRows(len(table.lines))
    texts = {
        name: names(reader.column(table, name), required=name == "instrument") for name in ("instrument", "certificate")
    }
    for name, one in texts.items():
        refused.add_where(name, one.codes, one.reasons)
    done_at = reader.column(table, "done_at")
    stamps = reader.stamps(done_at)
    refused.add_where("done_at", done_at.codes, stamps.reasons)
    due = _due_days(table, reader, refused)
    figures = {name: _figures(table, reader, name, refused) for name in FIGURES}
    reader.refuse_contradicted("done_at", table, refused)
    rows = np.flatnonzero(refused.fine)
    calibrations = {
        "done_at_us": stamps.us[done_at.codes][rows],
        **{name: one.categorical(rows) for name, one in texts.items()},
        "due_on": due.categorical(rows),
        **{name: pd.Categorical(np.array(one.names, dtype=object)[one.codes[rows]]) for name, one in figures.items()},
        "line": table.lines[rows],
    }
    return piece_of(table, pd.DataFrame(calibrations), refused)


def _due_days(table: Table, reader: Reader, refused: RejectedRows) -> Names:
    column = reader.column(table, "due_on")
    read = days(column, reader.source.time_format)
    reasons = dict(read.reasons)
    for code, text in enumerate(read.names):
        if text and code not in reasons and not FIRST_DAY <= date.fromisoformat(text) <= LAST_DAY:
            reasons[code] = f"{quoted(text)} is not a day from {FIRST_DAY} to {LAST_DAY}; correct it"
    refused.add_where("due_on", read.codes, reasons)
    return read


def _figures(table: Table, reader: Reader, name: str, refused: RejectedRows) -> Names:
    """Deviations of the instrument in percent of the reference, and the expanded uncertainty in percent, as texts; "" where blank."""
    column = reader.column(table, name)
    decimal = reader.layout.decimals.get(reader.layout.positions.get(name, -1), reader.source.decimal or ".")
    read = numbers(column, decimal, {})
    values = floats_as_written(read)
    texts = column.each()
    blank = np.array([not text for text in texts], dtype=bool)
    reasons = {code: reason for code, reason in read.reasons.items() if not blank[code]}
    lowest = 0.0 if name == "uncertainty" else -100.0
    for code, text in enumerate(texts):
        if blank[code] or code in reasons:
            continue
        if read.units.get(code) not in (None, "%"):
            reasons[code] = f"{quoted(text)} carries a unit; write the percentage alone"
        elif read.bounds[code]:
            reasons[code] = f"{quoted(text)} is bounded; write a number"
        elif not (lowest <= values[code] if name == "uncertainty" else lowest < values[code]) or values[code] > 1000:
            reasons[code] = f"{quoted(text)} is no percentage of an instrument that works; correct it"
    refused.add_where(name, column.codes, reasons)
    plain = ["" if blank[code] or code in reasons else repr(float(values[code])) for code in range(len(texts))]
    return Names(column.codes, plain, {})


# Identity and contradictions


def identity_of_calibrations(rows: pd.DataFrame) -> list[Ints]:
    """Return what identifies each calibration, as numbers: the instrument and the moment."""
    return [rows["instrument"].cat.codes.to_numpy(np.int64), rows["done_at_us"].to_numpy(np.int64)]


def contradicting_calibrations(rows: pd.DataFrame, identity: Sequence[Ints]) -> dict[int, list[str]]:
    """Give the reasons, by line, to refuse rows that give one calibration different values."""
    lines = rows["line"].to_numpy(np.int64)
    values = [pd.factorize(rows[name])[0] for name in (*FIGURES, "due_on", "certificate")]
    pairs = contradictions(identity, values)
    reasons = [
        (
            pair.position,
            f"contradicts line {lines[pair.other]}, which has other values for this calibration; both are refused, send the right one",
        )
        for pair in pairs
    ]
    return reasons_by_line(lines, reasons)
