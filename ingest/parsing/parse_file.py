"""Turn a dropped file into typed rows and refusals. Nothing is stored here and nothing is guessed.

A file is read in pieces, so that its size takes time and no memory. Properties of the whole file (its encoding, the decimal
mark of a column) are determined before the first piece; repeats and contradictions are found after the last one.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pandas.api.types import union_categoricals

from ingest.config.lab import Lab
from ingest.config.models import Source
from ingest.parsing.aliases import renamed
from ingest.parsing.cells import DecimalEvidence, encoded
from ingest.parsing.columns import Layout, expected_names, lay_out
from ingest.parsing.csv_table import CsvFile, FileFormat, NotATableError, Table, open_csv
from ingest.parsing.rejections import Omissions, Rejection
from ingest.parsing.rows.calibration_rows import (
    calibration_pieces,
    contradicting_calibrations,
    identity_of_calibrations,
)
from ingest.parsing.rows.capture_rows import HEADER, whole_file
from ingest.parsing.rows.climate_rows import climate_pieces, contradicting_entries, identity_of_entries
from ingest.parsing.rows.duplicates import repeated
from ingest.parsing.rows.load_rows import contradicting_events, identity_of_events, load_pieces
from ingest.parsing.rows.measurement_rows import contradicting_readings, identity_of_readings, reading_pieces
from ingest.parsing.rows.row_reader import Contradicted, Piece, Reader
from ingest.parsing.rows.stock_rows import contradicting_counts, identity_of_counts, stock_pieces

__all__ = [
    "PIECE_BYTES",
    "Feed",
    "FileRefused",
    "NotATableError",
    "Parsed",
    "Piece",
    "format_of",
    "open_feed",
    "read_calibrations",
    "read_captures",
    "read_climate",
    "read_file",
    "read_loads",
    "read_stock",
    "read_tests",
]

Ints = NDArray[np.int64]
Identity = Callable[[pd.DataFrame], list[Ints]]

# About 85,000 rows: large enough that the cost per piece does not matter, small enough to be held several times.
PIECE_BYTES = 1 << 23
NOTHING: Contradicted = {}
PIECES = {
    "tests": reading_pieces, "climate": climate_pieces, "stock": stock_pieces, "loads": load_pieces,
    "calibrations": calibration_pieces,
}  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Feed:
    """An open file that is a table; its rows can be read several times."""

    header: tuple[str, ...]
    encoding: str
    delimiter: str
    _lab: Lab
    _sheet: CsvFile
    _reader: Callable[[Contradicted], Reader]
    _rows: Callable[[Iterable[Table], Reader], Iterator[Piece]]

    def pieces(self, contradicted: Contradicted = NOTHING, size: int | None = PIECE_BYTES) -> Iterator[Piece]:
        """Read the rows in pieces of about `size` bytes, or all at once; at least one piece.

        `contradicted` are the lines to refuse because they contradict others, once they are known.

        Raises
        ------
        NotATableError
            After the last piece, if the rows read and refused are not all the lines of the file.
        """
        accounted = 0

        def tables() -> Iterator[Table]:
            nonlocal accounted
            for table in self._sheet.tables(size):
                accounted += table.further_lines
                yield table

        for piece in self._rows(tables(), self._reader(contradicted)):
            # Sort: a few rows may be out of order. Lines count from 1.
            lines = np.sort(piece.rows["line"].to_numpy(np.int64))
            accounted += int(np.count_nonzero(np.diff(lines, prepend=0))) + len(piece.refusals)
            yield replace(piece, rows=renamed(piece.rows, self._lab))
        line_count = self._sheet.count_lines()
        if accounted != line_count:
            raise NotATableError(
                f"has {line_count:,} lines below its header and {accounted:,} of them were read, which is a fault of this program; "
                "nothing of it is stored, put its quotes in pairs and send it again"
            )

    def count_rows(self) -> int:
        """Return the approximate number of data rows."""
        return self._sheet.count_lines()


def format_of(source: Source) -> FileFormat:
    """Return the format that a source declares."""
    return FileFormat(source.encoding, source.delimiter, source.skip_rows, expected_names(source), source.units_row)


@contextmanager
def open_feed(
    drop: Path | bytes, source: Source, lab: Lab, now: datetime, size: int | None = PIECE_BYTES
) -> Iterator[Feed]:
    """Open a file and determine the properties of the whole; parameters as in `read_tests`.

    The typed rows of the pieces have the columns of `read_tests` or `read_climate`.

    Raises
    ------
    NotATableError
        If it can't be read as a table, lacks a required column or has one twice.
    OSError
        If it can't be opened or read.
    """
    form = format_of(source)
    with drop.open("rb") if isinstance(drop, Path) else io.BytesIO(drop) as file, open_csv(file, form) as sheet:
        layout = lay_out(sheet.header, source)
        layout.decimals.update(_decimals(sheet, layout, source, size))

        def reader(contradicted: Contradicted) -> Reader:
            return Reader(source, lab, now, layout, contradicted)

        yield Feed(sheet.header, sheet.encoding, sheet.delimiter, lab, sheet, reader, PIECES[source.kind])


def _decimals(sheet: CsvFile, layout: Layout, source: Source, size: int | None) -> dict[int, str]:
    """The decimal mark of each measured column of the file; it can't be a comma where that is the delimiter."""
    columns = layout.measured()
    if source.decimal is not None or sheet.delimiter == ",":
        return dict.fromkeys(columns, source.decimal or ".")
    evidence = dict.fromkeys(columns, DecimalEvidence())
    for table in sheet.tables(size):
        evidence = {
            column: earlier.with_texts(encoded(table.columns[column]).texts) for column, earlier in evidence.items()
        }
    return {column: all_texts.decimal for column, all_texts in evidence.items()}


# A whole file


@dataclass(frozen=True, slots=True, eq=False)
class Parsed:
    """One file as read.

    `rows` are the typed rows of the kind (see `read_tests`, `read_climate`), each with its `line`; several rows with
    one line come from one data row. `repeats` counts the data rows that repeat an earlier row of the file; they are not
    in `rows`; `omissions` are optional cells that could not be read. Data rows in `rows` + `repeats` + refusals = `data_rows`.
    """

    rows: pd.DataFrame
    refusals: list[Rejection]
    repeats: int
    data_rows: int
    header: list[str]
    encoding: str
    delimiter: str
    omissions: Omissions


@dataclass(frozen=True, slots=True)
class FileRefused:
    """A file that can't be read as a table, with the reason in one line that begins with its name."""

    reason: str


def read_tests(drop: Path | bytes, source: Source, lab: Lab, now: datetime) -> Parsed | FileRefused:
    """Read a file of test readings.

    Parameters
    ----------
    drop : Path or bytes
        The file, or its bytes.
    source : Source
        How it is declared to be written.
    lab : Lab
        Zone, characteristics and shielding source.
    now : datetime
        The moment of the round, aware.

    Returns
    -------
    Parsed or FileRefused
        `rows` has the columns tested_at_us (int64, UTC microseconds), chamber, instrument, operator, supplier, product,
        lot, received_on, made_on, load, characteristic (categories of text, "" where absent), specimen, reading
        (int64), value (float64, in the unit of the characteristic), bound (int8), written (the value and unit as
        written), line (int64, where the row starts, the header being 1), notes (JSON of unknown columns, or "").

    Raises
    ------
    OSError
        If the file can't be opened or read.
    """
    return _whole(drop, source, lab, now, identity_of_readings, contradicting_readings)


def read_climate(drop: Path | bytes, source: Source, lab: Lab, now: datetime) -> Parsed | FileRefused:
    """Read a chamber log; as `read_tests`.

    `rows` has the columns logged_at_us (int64), chamber (categories of text), humidity_percent, temperature_c (float64)
    and line (int64).
    """
    return _whole(drop, source, lab, now, identity_of_entries, contradicting_entries)


def read_stock(drop: Path | bytes, source: Source, lab: Lab, now: datetime) -> Parsed | FileRefused:
    """Read a stock count; as `read_tests`.

    `rows` has the columns counted_day (int64, days since 1970), supplier, product, lot, storage, unit, opened_on (categories
    of text, "" where absent), quantity (float64), is_counted (int64, 0 where no quantity is written) and line (int64).
    """
    return _whole(drop, source, lab, now, identity_of_counts, contradicting_counts)


def read_loads(drop: Path | bytes, source: Source, lab: Lab, now: datetime) -> Parsed | FileRefused:
    """Read a record of loads; as `read_tests`.

    `rows` has the columns at_us (int64), load, chamber, supplier, product, lot, specimens (categories of text, "" where absent),
    event, laid (int64, places in `load_rows.EVENTS` and `load_rows.LAID`), planned_us (int64, 0 where absent) and line (int64).
    """
    return _whole(drop, source, lab, now, identity_of_events, contradicting_events)


def read_calibrations(drop: Path | bytes, source: Source, lab: Lab, now: datetime) -> Parsed | FileRefused:
    """Read a record of calibrations; as `read_tests`.

    `rows` has the columns done_at_us (int64), instrument, certificate, due_on (categories of text), as_found, as_left, uncertainty
    (categories of numbers as text in percent, "" where absent) and line (int64).
    """
    return _whole(drop, source, lab, now, identity_of_calibrations, contradicting_calibrations)


def read_captures(drop: Path | bytes, source: Source, lab: Lab) -> Parsed | FileRefused:
    """Read a file of captures; `rows` has the columns of `capture_rows.CaptureFeed.pieces`.

    Its name may say which readings it belongs to, so bytes without a name are refused.
    """
    if not isinstance(drop, Path):
        return FileRefused(
            "this file: may hold captures, which are read from a file with a name; put it into the drop folder"
        )
    try:
        piece, repeats = whole_file(drop, source)
    except NotATableError as error:
        return FileRefused(f"{drop.name}: {error}")
    return Parsed(renamed(piece.rows, lab), piece.refusals, repeats, piece.data_rows, list(HEADER), "", "", Omissions())


def read_file(drop: Path | bytes, source: Source, lab: Lab, now: datetime) -> Parsed | FileRefused:
    """Read a file of any kind, as its source declares it."""
    if source.kind == "waveforms":
        return read_captures(drop, source, lab)
    read = {
        "tests": read_tests, "climate": read_climate, "stock": read_stock, "loads": read_loads,
        "calibrations": read_calibrations,
    }[source.kind]  # fmt: skip
    return read(drop, source, lab, now)


def _whole(
    drop: Path | bytes,
    source: Source,
    lab: Lab,
    now: datetime,
    identity: Identity,
    contradicting: Callable[[pd.DataFrame, Sequence[Ints]], Mapping[int, Sequence[str]]],
) -> Parsed | FileRefused:
    try:
        with open_feed(drop, source, lab, now) as feed:
            whole = _joined(list(feed.pieces()))
            contradicted = contradicting(whole.rows, identity(whole.rows))
            if contradicted:
                whole = _joined(list(feed.pieces(contradicted)))
            again = repeated(identity(whole.rows))
            once = whole.rows[~again].reset_index(drop=True)
            return Parsed(
                rows=once,
                refusals=whole.refusals,
                repeats=len(np.setdiff1d(whole.rows["line"][again], once["line"])),
                data_rows=whole.data_rows,
                header=list(feed.header),
                encoding=feed.encoding,
                delimiter=feed.delimiter,
                omissions=whole.omissions,
            )
    except NotATableError as error:
        return FileRefused(f"{drop.name if isinstance(drop, Path) else 'this file'}: {error}")


def _joined(pieces: Sequence[Piece]) -> Piece:
    """Join all pieces; the typed rows of a file take far less memory than its text."""
    if len(pieces) == 1:
        return pieces[0]
    frames = [piece.rows for piece in pieces]
    rows = pd.DataFrame({name: _below_each_other([frame[name] for frame in frames]) for name in frames[0]})
    refusals = sorted((one for piece in pieces for one in piece.refusals), key=lambda refusal: refusal.line)
    omissions = sum((piece.omissions for piece in pieces), Omissions())
    return Piece(rows, refusals, sum(piece.data_rows for piece in pieces), omissions)


def _below_each_other(columns: list[pd.Series]) -> pd.Series:
    """Join the parts of a column; categories are numbered anew."""
    if isinstance(columns[0].dtype, pd.CategoricalDtype):
        return pd.Series(union_categoricals(columns))
    return pd.concat(columns, ignore_index=True)
