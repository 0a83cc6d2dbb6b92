"""A CSV file to columns of text cells, piece by piece, each row with the physical line on which it starts.

A piece of plain rows is parsed at once. Where a row is broken, a quote spans lines or bytes are no text, the piece is
taken apart line by line, so that only the broken rows are lost to it and each is named.
"""

from __future__ import annotations

import io
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import BinaryIO

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv
from numpy.typing import NDArray

from ingest.texts import LINE, NotATableError, as_utf8, cells_of, leaves_quote_open, line_count, pieces, records
from ingest.units import BLANKS

__all__ = ["BrokenRow", "Form", "NotATableError", "Sheet", "Table", "open_sheet", "read_table"]

DELIMITERS = (",", ";", "\t")
# A header is looked for in so many bytes.
HEAD_BYTES = 1 << 20
COUNTED_AT_ONCE = 1 << 24


@dataclass(frozen=True, slots=True)
class Form:
    """How a file is written, as far as it is declared; `expected` names columns by which a delimiter is recognised."""

    encoding: str | None = None
    delimiter: str | None = None
    skip_rows: int = 0
    expected: Collection[str] = ()


@dataclass(frozen=True, slots=True)
class BrokenRow:
    """A row that has no place in the table: too few or too many cells, an open quote, bytes that are no text."""

    line: int
    reason: str
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """A file, or a piece of it, as text cells.

    `columns` holds an array of strings a header cell, shape (rows,); `lines`, shape (rows,), the physical line on which
    each row starts, the first line of the file being 1.
    """

    header: tuple[str, ...]
    columns: list[pa.Array]
    lines: NDArray[np.int64]
    broken: tuple[BrokenRow, ...]
    encoding: str
    delimiter: str

    def cells(self, rows: Sequence[int]) -> list[tuple[str, ...]]:
        """Return the cells of some rows, unchanged."""
        chosen = pa.array(rows, pa.int64())
        return list(zip(*(column.take(chosen).to_pylist() for column in self.columns), strict=True))

    def rows(self, chosen: NDArray[np.int64]) -> Table:
        """Return some rows as a table, without the broken ones."""
        taken = [column.take(pa.array(chosen)) for column in self.columns]
        return Table(self.header, taken, self.lines[chosen], (), self.encoding, self.delimiter)

    def below(self, other: Table) -> Table:
        """Return this table with its rows below those of another."""
        columns = [pa.concat_arrays(both) for both in zip(other.columns, self.columns, strict=True)]
        lines = np.concatenate([other.lines, self.lines])
        return Table(self.header, columns, lines, (*other.broken, *self.broken), self.encoding, self.delimiter)


@dataclass(slots=True)
class _Rows:
    """Rows as they are gathered line by line."""

    cells: list[list[str]] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)
    broken: list[BrokenRow] = field(default_factory=list)


@dataclass(frozen=True, slots=True, eq=False)
class Sheet:
    """An open file whose header is known, to be read as often as need be."""

    header: tuple[str, ...]
    encoding: str
    delimiter: str
    _text: BinaryIO
    _body: int
    _first_line: int

    def tables(self, size: int | None) -> Iterator[Table]:
        """The rows, in pieces of about `size` bytes, or all at once; one piece at least, be it empty."""
        line = self._first_line
        for body in pieces(self._text, self._body, size, self.delimiter):
            columns, lines, broken = _body(body, line, len(self.header), self.delimiter)
            yield Table(self.header, columns, lines, broken, self.encoding, self.delimiter)
            line += line_count(body)

    def count_lines(self) -> int:
        """About how many rows there are: the lines below the header."""
        self._text.seek(self._body)
        return sum(line_count(text) for text in iter(lambda: self._text.read(COUNTED_AT_ONCE), b""))


@contextmanager
def open_sheet(file: BinaryIO, form: Form) -> Iterator[Sheet]:
    """Find out how a file is written and where its rows begin.

    Parameters
    ----------
    file : BinaryIO
        The file as it is on disk, from its beginning.
    form : Form
        What is declared of it; what is left open is recognised (encoding by its mark, else UTF-8; delimiter by the
        header).

    Raises
    ------
    NotATableError
        If there is no header, or the bytes, at any place of the file, are no text in its encoding.
    """
    with as_utf8(file, form.encoding) as (text, start, encoding):
        position, line = _after_lines(text, start, form.skip_rows)
        text.seek(position)
        header, delimiter, length, body_line = _header(text.read(HEAD_BYTES), line, form)
        yield Sheet(header, encoding, delimiter, text, position + length, body_line)


def read_table(data: bytes, form: Form) -> Table:
    """Read a whole file at once; as `open_sheet`."""
    with open_sheet(io.BytesIO(data), form) as sheet:
        return next(sheet.tables(None))


# Header


def _after_lines(text: BinaryIO, start: int, count: int) -> tuple[int, int]:
    """The position and number of the first line that is not blank after `count` title lines."""
    position, number, size = start, 1, HEAD_BYTES
    while True:
        text.seek(position)
        window = text.read(size)
        ends_here = len(window) < size
        passed = 0
        for found in LINE.finditer(window):
            if number > count and found[0].strip():
                return position + found.start(), number
            if found.end() == len(window) and not ends_here:
                break
            passed, number = found.end(), number + 1
        if ends_here:
            empty = not window and position == start
            raise NotATableError("is empty; a header row and a row a reading are expected" if empty else _NO_HEADER)
        position += passed
        size = HEAD_BYTES if passed else 2 * size


_NO_HEADER = "has no header row; correct skip_rows in [[source]], or send the file again"


def _header(text: bytes, first_line: int, form: Form) -> tuple[tuple[str, ...], str, int, int]:
    """Cells and delimiter of the header, and where the body starts: position and line number."""
    for raw, spans in records(text, DELIMITERS[0]):
        if b"\0" in raw:
            raise NotATableError('holds zero bytes; if it is UTF-16 without a mark, declare encoding = "utf-16-le"')
        try:
            head = raw.decode("utf-8")
        except UnicodeDecodeError as error:
            raise NotATableError(
                f"is not UTF-8 text (line {first_line}); declare its encoding in [[source]]"
            ) from error
        delimiter = form.delimiter or _recognised(head, form.expected)
        return tuple(cells_of(head, delimiter)), delimiter, len(raw), first_line + spans
    raise NotATableError(_NO_HEADER)


def _recognised(head: str, expected: Collection[str]) -> str:
    """The delimiter with which most of the expected names are found, or else most cells."""

    def merit(delimiter: str) -> tuple[int, int]:
        cells = [cell.strip(BLANKS).casefold() for cell in cells_of(head, delimiter)]
        return sum(cell in expected for cell in cells), len(cells)

    return max(DELIMITERS, key=merit)


# Body


def _is_utf8(data: bytes) -> bool:
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _body(
    body: bytes, first_line: int, width: int, delimiter: str
) -> tuple[list[pa.Array], NDArray[np.int64], tuple[BrokenRow, ...]]:
    if body and body.count(b"\r") == body.count(b"\r\n") and _is_utf8(body):
        columns = _parsed_whole(body, width, delimiter)
        lines = None if columns is None else _lines_of(body, first_line, len(columns[0]))
        if columns is not None and lines is not None:
            return columns, lines, ()
    return _parsed_by_line(body, first_line, width, delimiter)


def _parsed_whole(body: bytes, width: int, delimiter: str) -> list[pa.Array] | None:
    """All rows at once; None where one is broken."""
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
    return [_one_chunk(column) for column in table.columns]


def _one_chunk(column: pa.ChunkedArray) -> pa.Array:
    return column.combine_chunks() if column.num_chunks != 1 else column.chunk(0)


def _lines_of(body: bytes, first_line: int, row_count: int) -> NDArray[np.int64] | None:
    """The line of each row where every line that is not blank is a row of its own, else None."""
    line_count = body.count(b"\n") + (not body.endswith(b"\n"))
    if line_count == row_count and body.count(b'"') == 0:
        return np.arange(first_line, first_line + row_count, dtype=np.int64)
    lines = body.split(b"\n")
    if any(line.count(b'"') % 2 for line in lines):
        return None
    filled = [number for number, line in enumerate(lines, first_line) if line not in {b"", b"\r"}]
    return np.array(filled, dtype=np.int64) if len(filled) == row_count else None


def _parsed_by_line(
    body: bytes, first_line: int, width: int, delimiter: str
) -> tuple[list[pa.Array], NDArray[np.int64], tuple[BrokenRow, ...]]:
    """Rows that are plain at sight together, all others one by one, put in order again."""
    plain_lines, plain, odd = _told_apart(body, first_line, width, delimiter)
    columns = _parsed_whole(b"".join(plain), width, delimiter) if plain else None
    if columns is None:
        # Nothing plain, or a line longer than the parser takes at once.
        for raw, line in zip(plain, plain_lines, strict=True):
            _add(odd, raw, line, width, delimiter)
        columns, plain_lines = [pa.array([], pa.string())] * width, []
    others = [pa.array([row[index] for row in odd.cells], pa.string()) for index in range(width)]
    lines = np.array([*plain_lines, *odd.lines], dtype=np.int64)
    order = np.argsort(lines, kind="stable")
    whole = [pa.concat_arrays(both).take(pa.array(order)) for both in zip(columns, others, strict=True)]
    return whole, lines[order], tuple(sorted(odd.broken, key=lambda row: row.line))


def _told_apart(body: bytes, first_line: int, width: int, delimiter: str) -> tuple[list[int], list[bytes], _Rows]:
    """Lines that are rows at sight (no quote, the right number of cells, text), and the rest as read with care."""
    numbers: list[int] = []
    plain: list[bytes] = []
    odd = _Rows()
    mark = delimiter.encode()
    line = first_line
    for raw, spans in records(body, delimiter):
        if raw.count(mark) == width - 1 and b'"' not in raw and _is_utf8(raw) and raw.strip(b"\r\n"):
            numbers.append(line)
            plain.append(raw)
        elif raw.strip(b"\r\n"):
            _add(odd, raw, line, width, delimiter)
        line += spans
    return numbers, plain, odd


def _add(rows: _Rows, raw: bytes, line: int, width: int, delimiter: str) -> None:
    reason = ""
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as error:
        text = raw.decode("utf-8", "backslashreplace")
        reason = f"row: byte {error.start + 1} of the line is not UTF-8 text; declare the encoding in [[source]]"
    cells = cells_of(text, delimiter)
    if not reason and leaves_quote_open(text, delimiter):
        reason = "row: opens a quote that is not closed; close it, or double it where it belongs to the text"
    if not reason and len(cells) != width:
        reason = f"row: has {_counted(len(cells))} where the header has {width}; correct the delimiters of this row"
    if reason:
        rows.broken.append(BrokenRow(line, reason, tuple(cells)))
    else:
        rows.cells.append(cells)
        rows.lines.append(line)


def _counted(cells: int) -> str:
    return f"{cells} cell" if cells == 1 else f"{cells} cells"
