"""Read a CSV file piece by piece into columns of text cells, each row with its physical line number.

A piece of plain rows is parsed at once. If a row is broken, a quoted cell spans lines or bytes are not text, the piece is
read line by line, so that only the broken rows are refused, each with its reason. The number of columns and the length of a
row are bounded, so that memory does not depend on the file.
"""

from __future__ import annotations

import io
import re
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from itertools import islice
from typing import BinaryIO

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv
from numpy.typing import NDArray

from ingest.common.units import BLANKS
from ingest.parsing.csv_records import (
    LINE,
    NEWLINE,
    RECORD_BYTES,
    RETURN,
    NotATableError,
    as_utf8,
    cells_of,
    filled_lines,
    is_too_long,
    leaves_quote_open,
    line_count,
    lines_fit,
    pieces,
    quotes_close_in_line,
    records,
    span_of,
)

__all__ = [
    "FOREIGN",
    "HEAD_BYTES",
    "BrokenRow",
    "CsvFile",
    "FileFormat",
    "NotATableError",
    "Table",
    "open_csv",
    "read_table",
]

DELIMITERS = (",", ";", "\t")
# The header must be within this many bytes.
HEAD_BYTES = 1 << 20
# About fifteen columns are ours, a wide file has one for each reading, and a spreadsheet exported to its last column has
# 16,384, most of them empty. Every column takes memory in every piece.
MOST_COLUMNS = 1_000
# Room for 1,000 names of 65 letters; a note repeats the name of its column in every row.
HEADER_BYTES = 1 << 16
# The part that is stored of a row that is too long; the file itself is archived whole.
SHOWN_CHARACTERS = 1_000
CUT = " ... (cut here; the whole row is in the file that was put away)"
# Other kinds of files are recognised by their first bytes, whatever their name: (bytes, kind and what to do).
OTHER_KINDS = (
    (
        b"PK\x03\x04",
        "is a workbook or another ZIP archive in spite of its name; open it, save its sheet as CSV, and drop that file",
    ),
    (b"\xd0\xcf\x11\xe0", "is a workbook in spite of its name; open it, save its sheet as CSV, and drop that file"),
    (b"%PDF", "is a PDF in spite of its name; export the readings as CSV, and drop that file"),
    (b"\x1f\x8b", "is a compressed file in spite of its name; unpack it, and drop the file inside"),
)
# A cell whose bytes are not text begins with a zero byte, which no other cell holds, and the number of the first such byte.
FOREIGN = re.compile("\0([0-9]+):")
# In a piece of very short rows the reasons of refused rows could take the memory.
ROWS_AT_ONCE = 1 << 18
# In a wide file the column names, repeated in the notes of each row, could take the memory.
NAME_BYTES_AT_ONCE = 1 << 26


@dataclass(frozen=True, slots=True)
class FileFormat:
    """The declared format of a file; `expected` names columns by which the delimiter is recognised.

    With `units_row`, the line below the header holds the units of the columns.
    """

    encoding: str | None = None
    delimiter: str | None = None
    skip_rows: int = 0
    expected: Collection[str] = ()
    units_row: bool = False


@dataclass(frozen=True, slots=True)
class BrokenRow:
    """A row that does not fit the table: too few or too many cells, an open quote, zero bytes."""

    line: int
    reason: str
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """A file, or a piece of it, as text cells.

    `columns` has one array of strings for each header cell, shape (rows,). `lines`, shape (rows,), is the physical line on
    which each row starts, from 1. `further_lines` counts the lines, not blank, that continue a row, broken or not, from an
    earlier line. `foreign` are the lines with cells whose bytes are not text; such a cell begins as `FOREIGN` says.
    """

    header: tuple[str, ...]
    columns: list[pa.Array]
    lines: NDArray[np.int64]
    broken: tuple[BrokenRow, ...]
    encoding: str
    delimiter: str
    further_lines: int = 0
    foreign: tuple[int, ...] = ()

    def cells(self, rows: Sequence[int]) -> list[tuple[str, ...]]:
        """Return the cells of some rows, unchanged."""
        chosen = pa.array(rows, pa.int64())
        whole = list(zip(*(column.take(chosen).to_pylist() for column in self.columns), strict=True))
        return [tuple(FOREIGN.sub("", cell, 1) for cell in cells) for cells in whole] if self.foreign else whole

    def foreign_bytes(self, row: int) -> dict[int, int]:
        """Return the position of the first byte that is not text by the column of each such cell of a row."""
        matches = {index: FOREIGN.match(column[row].as_py()) for index, column in enumerate(self.columns)}
        return {index: int(match[1]) for index, match in matches.items() if match is not None}

    def rows(self, chosen: NDArray[np.int64]) -> Table:
        """Return some rows as a table, without the broken ones."""
        columns = [column.take(pa.array(chosen)) for column in self.columns]
        return replace(self, columns=columns, lines=self.lines[chosen], broken=(), further_lines=0)

    def below(self, other: Table) -> Table:
        """Return this table with its rows below those of another."""
        columns = [pa.concat_arrays(both) for both in zip(other.columns, self.columns, strict=True)]
        lines = np.concatenate([other.lines, self.lines])
        broken, foreign = (*other.broken, *self.broken), (*other.foreign, *self.foreign)
        return replace(self, columns=columns, lines=lines, broken=broken, further_lines=0, foreign=foreign)


@dataclass(slots=True)
class _Rows:
    """Rows while they are collected line by line."""

    cells: list[list[str]] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)
    broken: list[BrokenRow] = field(default_factory=list)
    further_lines: int = 0
    foreign: list[int] = field(default_factory=list)


@dataclass(frozen=True, slots=True, eq=False)
class CsvFile:
    """An open file with a known header; its rows can be read several times."""

    header: tuple[str, ...]
    encoding: str
    delimiter: str
    _text: BinaryIO
    _body: int
    _first_line: int

    def tables(self, size: int | None) -> Iterator[Table]:
        """Yield the rows in pieces of about `size` bytes, or all at once; at least one piece, perhaps empty."""
        line, width = self._first_line, len(self.header)
        for body in pieces(self._text, self._body, size, self.delimiter, width):
            at_once = None if size is None else min(ROWS_AT_ONCE, NAME_BYTES_AT_ONCE // (len("".join(self.header)) + 1))
            whole = _parse_plain(body, line, width, self.delimiter)
            for rows in (
                _by_line(body, line, width, self.delimiter, at_once) if whole is None else _in_slices(whole, at_once)
            ):
                yield Table(
                    self.header,
                    rows.columns,
                    rows.lines,
                    rows.broken,
                    self.encoding,
                    self.delimiter,
                    rows.further_lines,
                    rows.foreign,
                )
            line += line_count(body)

    def count_lines(self) -> int:
        """Count the lines below the header that are not blank, independently of how rows are read."""
        return filled_lines(self._text, self._body)


@contextmanager
def open_csv(file: BinaryIO, form: FileFormat) -> Iterator[CsvFile]:
    """Recognise the format of a file and find the start of its rows.

    Parameters
    ----------
    file : BinaryIO
        The file as it is on disk, from its beginning.
    form : FileFormat
        The declared format. What is not declared is recognised: the encoding by its byte order mark, or else UTF-8; the
        delimiter by the header.

    Raises
    ------
    NotATableError
        If the header is missing or too long, or any part of the file is not text in its encoding.
    """
    begin = file.read(max(len(mark) for mark, _ in OTHER_KINDS))
    file.seek(0)
    other = next((what for mark, what in OTHER_KINDS if begin.startswith(mark)), None)
    if other is not None:
        raise NotATableError(other)
    with as_utf8(file, form.encoding) as (text, start, encoding):
        text.seek(start)
        position, line = _after_lines(text.read(HEAD_BYTES), form.skip_rows)
        position += start
        text.seek(position)
        head = text.read(HEAD_BYTES)
        header, delimiter, length, body_line = _header(head, line, form)
        if form.units_row:
            units = next(iter(LINE.findall(head[length:])), b"")
            header = _with_units(header, cells_of(units.decode("utf-8", "replace"), delimiter))
            length, body_line = length + len(units), body_line + 1
        yield CsvFile(header, encoding, delimiter, text, position + length, body_line)


def read_table(data: bytes, form: FileFormat) -> Table:
    """Read a whole file at once; parameters and errors as in `open_csv`."""
    with open_csv(io.BytesIO(data), form) as sheet:
        return next(sheet.tables(None))


# Header


def _after_lines(head: bytes, count: int) -> tuple[int, int]:
    """Position and number of the first line that is not blank after `count` title lines."""
    for number, line in enumerate(LINE.finditer(head), 1):
        if number > count and line[0].strip():
            return line.start(), number
    if not head:
        raise NotATableError("is empty; a header row and a row a reading are expected")
    within = f" in its first {HEAD_BYTES:,} bytes" if len(head) == HEAD_BYTES else ""
    raise NotATableError(f"has no header row{within}; correct skip_rows in [[source]], or send the file again")


def _header(text: bytes, first_line: int, form: FileFormat) -> tuple[tuple[str, ...], str, int, int]:
    """Cells and delimiter of the header, and the position and line number where the body starts."""
    lines = _header_lines(text, first_line, (form.delimiter,) if form.delimiter else DELIMITERS)

    def header(delimiter: str) -> tuple[list[str], int]:
        span = span_of(lines, 0, delimiter, None) or 1
        return cells_of(b"".join(lines[:span]).decode("utf-8", "replace"), delimiter), span

    delimiter = form.delimiter or max(DELIMITERS, key=lambda one: _rank(header(one)[0], form.expected))
    cells, span = header(delimiter)
    raw = b"".join(lines[:span])
    if not _is_utf8(raw):
        raise NotATableError(f"is not UTF-8 text (line {first_line}); declare its encoding in [[source]]")
    return tuple(cells), delimiter, len(raw), first_line + span


def _with_units(header: Sequence[str], units: Sequence[str]) -> tuple[str, ...]:
    """The header with the units of the line below it in brackets."""
    bare = [unit.strip(BLANKS + "[]()") for unit in units[: len(header)]] + [""] * len(header)
    return tuple(f"{cell} [{unit}]" if unit else cell for cell, unit in zip(header, bare, strict=False))


def _header_lines(text: bytes, first_line: int, delimiters: Sequence[str]) -> list[bytes]:
    """The line of the header and those after it, into which it may continue; refuse a header that is too long."""
    lines: list[bytes] = LINE.findall(text[: HEADER_BYTES + 1])
    first = text[: len(lines[0])] if len(lines[0]) <= HEADER_BYTES else text
    if b"\0" in lines[0]:
        raise NotATableError('holds zero bytes; if it is UTF-16 without a mark, declare encoding = "utf-16-le"')
    most = max(LINE.findall(first)[0].count(one.encode()) for one in delimiters) + 1
    if most > MOST_COLUMNS:
        raise NotATableError(
            f"has {most:,} columns or more in its header (line {first_line}), where {MOST_COLUMNS:,} are read at most; "
            "take out the empty ones and send it again"
        )
    if len(lines[0]) > HEADER_BYTES:
        raise NotATableError(
            f"has a header (line {first_line}) of more than {HEADER_BYTES:,} bytes; correct skip_rows in [[source]], "
            "or give the columns shorter names"
        )
    # The last line may be incomplete.
    return lines[:-1] if len(text) > HEADER_BYTES and len(lines) > 1 else lines


def _rank(header: Sequence[str], expected: Collection[str]) -> tuple[int, int]:
    """Rank a delimiter: the number of expected names in the header, then the number of cells."""
    cells = [cell.strip(BLANKS).casefold() for cell in header]
    return sum(cell in expected for cell in cells), len(cells)


# Body


def _is_utf8(data: bytes) -> bool:
    return not _first_foreign(data)


@dataclass(frozen=True, slots=True, eq=False)
class _Parsed:
    """Parsed rows; fields as in `Table`."""

    columns: list[pa.Array]
    lines: NDArray[np.int64]
    broken: tuple[BrokenRow, ...] = ()
    further_lines: int = 0
    foreign: tuple[int, ...] = ()


def _parse_plain(body: bytes, first_line: int, width: int, delimiter: str) -> _Parsed | None:
    """Parse a text in which each line that is not blank is a plain row; None if it is not surely one."""
    plain = (
        body
        and b"\0" not in body
        and (b"\r" not in body or body.count(b"\r") == body.count(b"\r\n"))
        and lines_fit(body)
        and _is_utf8(body)
        and quotes_close_in_line(body, delimiter)
    )
    columns = _parsed_whole(body, width, delimiter) if plain else None
    if columns is None:
        return None
    count = len(columns[0])
    if body.count(b"\n") + (not body.endswith(b"\n")) == count:
        return _Parsed(columns, np.arange(first_line, first_line + count, dtype=np.int64))
    lines = _numbers_of_filled(body, first_line)
    return _Parsed(columns, lines) if len(lines) == count else None


def _numbers_of_filled(body: bytes, first_line: int) -> NDArray[np.int64]:
    """The numbers of the lines that are not blank; a line ends with a newline, perhaps after a return."""
    data = np.frombuffer(body if body.endswith(b"\n") else body + b"\n", np.uint8)
    ends = np.flatnonzero(data == NEWLINE)
    lengths = np.diff(ends, prepend=-1) - 1
    filled = (lengths > 1) | ((lengths == 1) & (data[ends - 1] != RETURN))
    return np.flatnonzero(filled) + first_line


def _in_slices(rows: _Parsed, at_once: int | None) -> Iterator[_Parsed]:
    """Yield plain rows, so many at a time."""
    count = len(rows.lines)
    step = at_once or max(count, 1)
    for start in range(0, count or 1, step):
        yield _Parsed([column.slice(start, step) for column in rows.columns], rows.lines[start : start + step])


def _parsed_whole(body: bytes, width: int, delimiter: str) -> list[pa.Array] | None:
    """Parse all rows at once; None if one is broken."""
    names = [str(index) for index in range(width)]
    try:
        table = pacsv.read_csv(
            pa.BufferReader(body),
            pacsv.ReadOptions(column_names=names, block_size=1 << 22),
            pacsv.ParseOptions(delimiter=delimiter),
            pacsv.ConvertOptions(
                column_types=dict.fromkeys(names, pa.string()), strings_can_be_null=False, check_utf8=False
            ),
        )
    except pa.ArrowInvalid:
        return None
    return [column.combine_chunks() if column.num_chunks != 1 else column.chunk(0) for column in table.columns]


def _by_line(body: bytes, first_line: int, width: int, delimiter: str, at_once: int | None) -> Iterator[_Parsed]:
    """Yield the rows: plain ones parsed together, all others one by one, in the order of the file."""
    rest, line, batches = records(body, delimiter, width), first_line, 0
    while (batch := list(islice(rest, at_once))) or not batches:
        yield _parse_batch(batch, line, width, delimiter)
        line += sum(span for _, span in batch)
        batches += 1


def _parse_batch(batch: Sequence[tuple[bytes, int]], first_line: int, width: int, delimiter: str) -> _Parsed:
    plain_lines, plain, odd = _split_plain_and_odd(batch, first_line, width, delimiter)
    columns = _parsed_whole(b"".join(plain), width, delimiter) if plain else None
    if columns is None:
        for raw, line in zip(plain, plain_lines, strict=True):
            _add(odd, raw, line, width, delimiter)
        columns, plain_lines = [pa.array([], pa.string())] * width, []
    others = [pa.array([row[index] for row in odd.cells], pa.string()) for index in range(width)]
    lines = np.array([*plain_lines, *odd.lines], dtype=np.int64)
    order = np.argsort(lines, kind="stable")
    whole = [pa.concat_arrays(both).take(pa.array(order)) for both in zip(columns, others, strict=True)]
    broken = tuple(sorted(odd.broken, key=lambda row: row.line))
    return _Parsed(whole, lines[order], broken, odd.further_lines, tuple(odd.foreign))


def _split_plain_and_odd(
    batch: Sequence[tuple[bytes, int]], first_line: int, width: int, delimiter: str
) -> tuple[list[int], list[bytes], _Rows]:
    """The lines that are plain rows (no quote, the right number of cells, text), and the rest read one by one."""
    numbers: list[int] = []
    plain: list[bytes] = []
    odd = _Rows()
    mark = delimiter.encode()
    line = first_line
    for raw, span in batch:
        if not raw.strip(b"\r\n"):
            pass
        elif (
            raw.count(mark) == width - 1
            and b'"' not in raw
            and b"\0" not in raw
            and _is_utf8(raw)
            and not is_too_long(raw)
        ):
            numbers.append(line)
            plain.append(raw)
        else:
            _add(odd, raw, line, width, delimiter)
            odd.further_lines += sum(bool(one.strip(b"\r\n")) for one in LINE.findall(raw)) - 1 if span > 1 else 0
        line += span
    return numbers, plain, odd


def _add(rows: _Rows, raw: bytes, line: int, width: int, delimiter: str) -> None:
    text = raw.decode("utf-8", "backslashreplace")
    reason = _why_broken(raw, text, delimiter)
    cells = cells_of(text[:SHOWN_CHARACTERS] if is_too_long(raw) else text, delimiter)
    if not reason and len(cells) != width:
        reason = f"row: has {_counted(len(cells))} where the header has {width}; correct the delimiters of this row"
    if is_too_long(raw) or len(cells) > MOST_COLUMNS:
        cells = cells[:MOST_COLUMNS]
        cells[-1] += CUT
    if reason:
        rows.broken.append(BrokenRow(line, reason, tuple(cells)))
    elif first := _first_foreign(raw):
        rows.cells.append(_marked(raw, first, delimiter))
        rows.lines.append(line)
        rows.foreign.append(line)
    else:
        rows.cells.append(cells)
        rows.lines.append(line)


def _why_broken(raw: bytes, text: str, delimiter: str) -> str:
    """Why a record is not a row, apart from the number of its cells; "" if nothing is wrong."""
    if b"\0" in raw:
        return "row: holds zero bytes, as a power cut leaves them in a file; send the row again"
    if is_too_long(raw):
        return f"row: is longer than {RECORD_BYTES:,} bytes; shorten it, or part it into the rows that it holds"
    if leaves_quote_open(text, delimiter):
        return "row: opens a quote that is not closed; close it, or double it where it belongs to the text"
    return ""


def _first_foreign(data: bytes) -> int:
    """The number of the first byte that is not UTF-8 text, from 1; 0 if all are."""
    try:
        data.decode("utf-8")
    except UnicodeDecodeError as error:
        return error.start + 1
    return 0


def _marked(raw: bytes, first: int, delimiter: str) -> list[str]:
    """The cells of a row whose byte `first` is not text; each cell with such bytes begins as `FOREIGN` says."""
    cells = cells_of(raw.decode("utf-8", "surrogateescape"), delimiter)
    data = [cell.encode("utf-8", "surrogateescape") for cell in cells]
    return [
        f"\0{first}:{cell.decode('utf-8', 'backslashreplace')}" if _first_foreign(cell) else cell.decode("utf-8")
        for cell in data
    ]


def _counted(cells: int) -> str:
    return f"{cells:,} cell" if cells == 1 else f"{cells:,} cells"
