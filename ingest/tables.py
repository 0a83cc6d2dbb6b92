"""Bytes of a CSV file to columns of text cells, each row with the physical line on which it starts.

A file of plain rows is parsed as a whole. Where a row is broken, a quote spans lines or bytes are no text, the file is
taken apart line by line, so that only the broken rows are lost to it and each is named.
"""

from __future__ import annotations

import codecs
import csv
import re
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv
from numpy.typing import NDArray

from ingest.units import BLANKS

__all__ = ["BrokenRow", "Form", "NotATableError", "Table", "read_table"]

DELIMITERS = (",", ";", "\t")
MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
LINE = re.compile(rb"[^\r\n]*(?:\r\n|\n|\r)|[^\r\n]+")
# A quoted cell that runs over more lines than this is a quote that somebody forgot to close.
LONGEST_CELL_LINES = 50


class NotATableError(ValueError):
    """The bytes can't be read as a table; the message says why and what to do."""


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
    """A file as text cells.

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


@dataclass(slots=True)
class _Rows:
    """Rows as they are gathered line by line."""

    cells: list[list[str]] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)
    broken: list[BrokenRow] = field(default_factory=list)


def read_table(data: bytes, form: Form) -> Table:
    """Read a whole file.

    Parameters
    ----------
    data : bytes
        The file as it is on disk.
    form : Form
        What is declared of it; what is left open is recognised (encoding by its mark, else UTF-8; delimiter by the
        header).

    Raises
    ------
    NotATableError
        If there is no header, or the bytes are no text.
    """
    text, encoding = _as_utf8(data, form.encoding)
    start, first_line = _after_lines(text, form.skip_rows)
    header, delimiter, body_start, body_line = _header(text[start : start + (1 << 20)], first_line, form)
    body = memoryview(text)[start + body_start :].tobytes()
    columns, lines, broken = _body(body, body_line, len(header), delimiter)
    return Table(header, columns, lines, broken, encoding, delimiter)


# Encoding


def _as_utf8(data: bytes, declared: str | None) -> tuple[bytes, str]:
    """The text in UTF-8 without a mark. Bytes that are no text stay as they are; their rows are refused later."""
    for mark, encoding in MARKS:
        if data.startswith(mark):
            return _recoded(data[len(mark) :], encoding), encoding
    encoding = declared or "utf-8"
    return _recoded(data, encoding), encoding


def _recoded(data: bytes, encoding: str) -> bytes:
    if encoding in {"utf-8", "utf_8", "utf-8-sig", "ascii"}:
        return data
    try:
        return data.decode(encoding, "surrogateescape").encode("utf-8", "surrogateescape")
    except (UnicodeError, ValueError) as error:
        raise NotATableError(f"is not text in {encoding}; declare the right encoding in [[source]]") from error


def _is_utf8(data: bytes) -> bool:
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


# Header


def _after_lines(text: bytes, count: int) -> tuple[int, int]:
    """The position and number of the first line that is not blank after `count` title lines."""
    number = 1
    for found in LINE.finditer(text):
        if number > count and found[0].strip():
            return found.start(), number
        number += 1
    raise NotATableError("is empty; a header row and a row a reading are expected" if not text else _NO_HEADER)


_NO_HEADER = "has no header row; correct skip_rows in [[source]], or send the file again"


def _header(text: bytes, first_line: int, form: Form) -> tuple[tuple[str, ...], str, int, int]:
    """Cells and delimiter of the header, and where the body starts: position and line number."""
    for raw, line_count in _records(text, DELIMITERS[0]):
        if b"\0" in raw:
            raise NotATableError('holds zero bytes; if it is UTF-16 without a mark, declare encoding = "utf-16-le"')
        try:
            head = raw.decode("utf-8")
        except UnicodeDecodeError as error:
            raise NotATableError(
                f"is not UTF-8 text (line {first_line}); declare its encoding in [[source]]"
            ) from error
        delimiter = form.delimiter or _recognised(head, form.expected)
        return tuple(_split(head, delimiter)), delimiter, len(raw), first_line + line_count
    raise NotATableError(_NO_HEADER)


def _recognised(head: str, expected: Collection[str]) -> str:
    """The delimiter with which most of the expected names are found, or else most cells."""

    def merit(delimiter: str) -> tuple[int, int]:
        cells = [cell.strip(BLANKS).casefold() for cell in _split(head, delimiter)]
        return sum(cell in expected for cell in cells), len(cells)

    return max(DELIMITERS, key=merit)


def _split(text: str, delimiter: str) -> list[str]:
    try:
        return next(csv.reader([text.rstrip("\r\n")], delimiter=delimiter), [])
    except csv.Error:
        # A cell longer than the reader allows: no quote rule can help, so the text is cut as it stands.
        return text.rstrip("\r\n").split(delimiter)


# Body


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
    for raw, line_count in _records(body, delimiter):
        if raw.count(mark) == width - 1 and b'"' not in raw and _is_utf8(raw) and raw.strip(b"\r\n"):
            numbers.append(line)
            plain.append(raw)
        elif raw.strip(b"\r\n"):
            _add(odd, raw, line, width, delimiter)
        line += line_count
    return numbers, plain, odd


def _add(rows: _Rows, raw: bytes, line: int, width: int, delimiter: str) -> None:
    reason = ""
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as error:
        text = raw.decode("utf-8", "backslashreplace")
        reason = f"row: byte {error.start + 1} of the line is not UTF-8 text; declare the encoding in [[source]]"
    cells = _split(text, delimiter)
    if not reason and _leaves_quote_open(text, delimiter):
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


def _records(text: bytes, delimiter: str) -> Iterator[tuple[bytes, int]]:
    """The bytes of each record and the number of lines it spans.

    A record goes on while a quote is open. One that is not closed within reach ends with its first line, so that a
    forgotten quote costs one row and not the rest of the file.
    """
    lines = LINE.findall(text)
    index = 0
    while index < len(lines):
        if b'"' not in lines[index]:
            yield lines[index], 1
            index += 1
            continue
        count = _line_count(lines, index, delimiter)
        yield b"".join(lines[index : index + count]), count
        index += count


def _line_count(lines: list[bytes], index: int, delimiter: str) -> int:
    text = b""
    for count, line in enumerate(lines[index : index + LONGEST_CELL_LINES], 1):
        text += line
        # Only a line with a quote in it can close one.
        if b'"' in line and not _leaves_quote_open(text.decode("utf-8", "replace"), delimiter):
            return count
    return 1


def _leaves_quote_open(text: str, delimiter: str) -> bool:
    if '"' not in text:
        return False
    try:
        next(csv.reader([text], delimiter=delimiter, strict=True), None)
    except csv.Error as error:
        return "unexpected end of data" in str(error)
    return False
