"""Decode a file to UTF-8 and cut it into pieces of whole records, however long the file or a line is.

A record is one line, or several if a quoted cell contains line ends. No cut falls within a record, so that a file read in
pieces gives the same rows as a file read whole.
"""

from __future__ import annotations

import codecs
import csv
import re
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import BinaryIO

import numpy as np

__all__ = [
    "LINE",
    "NEWLINE",
    "RECORD_BYTES",
    "RETURN",
    "NotATableError",
    "as_utf8",
    "cells_of",
    "filled_lines",
    "is_too_long",
    "leaves_quote_open",
    "line_count",
    "lines_fit",
    "pieces",
    "quotes_close_in_line",
    "records",
    "span_of",
]

BYTE_ORDER_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
)
# A decoder of these names expects a byte order mark; without one, little-endian is meant.
WITHOUT_BOM = {"utf-16": "utf-16-le", "utf-32": "utf-32-le"}
LINE = re.compile(rb"[^\r\n]*(?:\r\n|\n|\r)|[^\r\n]+")
# A quote that is not closed within this many lines was forgotten.
LONGEST_CELL_LINES = 50
# A record of readings has about a hundred bytes, one of a thousand columns rarely a hundred thousand. A longer one is the
# trace of a fault and could take all memory. It is also the longest cell that the csv module reads.
RECORD_BYTES = 1 << 17
RECODED_AT_ONCE = 1 << 20
READ_AT_ONCE = 1 << 23
COUNTED_AT_ONCE = 1 << 20
QUOTE, RETURN, NEWLINE = b'"\r\n'


class NotATableError(ValueError):
    """The file can't be read as a table; the message says why and what to do."""


# Encoding


@contextmanager
def as_utf8(
    file: BinaryIO, declared: str | None, at_once: int = RECODED_AT_ONCE
) -> Iterator[tuple[BinaryIO, int, str]]:
    """Give the text in UTF-8: a file, the position of the text after a byte order mark, and the original encoding.

    Bytes that are not text stay unchanged; their rows are refused later. `at_once` is the number of bytes that are recoded
    at a time.

    Raises
    ------
    NotATableError
        If any part of the file is not text in its encoding.
    """
    head = file.read(4)
    start, encoding = next(
        ((len(mark), name) for mark, name in BYTE_ORDER_MARKS if head.startswith(mark)), (0, declared or "utf-8")
    )
    if encoding in {"utf-8", "utf_8", "utf-8-sig", "ascii"}:
        yield file, start, encoding
        return
    file.seek(start)
    with tempfile.TemporaryFile() as text:
        _recode(file, text, encoding, at_once)
        yield text, 0, encoding


def _recode(file: BinaryIO, text: BinaryIO, encoding: str, at_once: int) -> None:
    name = codecs.lookup(encoding).name
    codec = WITHOUT_BOM.get(name, name)
    decoder = codecs.getincrementaldecoder(codec)("surrogateescape")
    try:
        while data := file.read(at_once):
            text.write(decoder.decode(data).encode("utf-8", "surrogateescape"))
        # With final=True, a multi-byte decoder would drop the bytes after the first one of an incomplete character.
        rest = decoder.getstate()[0]
        text.write(rest.decode(codec, "surrogateescape").encode("utf-8", "surrogateescape"))
    except ValueError as error:
        raise NotATableError(f"is not text in {encoding}; declare the right encoding in [[source]]") from error


# Pieces


class _BoundedLines:
    """A file whose lines have a bounded length: a line that is too long is cut to one byte more than is allowed.

    So the line is still recognised as too long and takes little memory.
    """

    def __init__(self, file: BinaryIO, start: int) -> None:
        self._file, self._position = file, start
        # The number of bytes read of the current line.
        self._length = 0

    def read(self, count: int) -> tuple[bytes, bool]:
        """Read the next `count` bytes of the file; return the text without cut parts, and whether more may follow."""
        # The file may have been read elsewhere since the last piece.
        self._file.seek(self._position)
        data = self._file.read(count)
        self._position += len(data)
        kept, begin, at = [], 0, 0
        while at < len(data):
            if self._length > RECORD_BYTES:
                kept.append(data[begin:at])
                begin = at = _next_end(data, at)
                self._length = 0 if at < len(data) else self._length
            else:
                reach = min(at + RECORD_BYTES + 1 - self._length, len(data))
                end = _last_end(data, at, reach)
                self._length = 0 if end else self._length + reach - at
                at = end or reach
        return b"".join([*kept, data[begin:]]), len(data) == count


def _last_end(text: bytes, begin: int, end: int) -> int:
    """The position after the last line end in a part of a text; 0 if there is none."""
    return max(text.rfind(b"\n", begin, end), text.rfind(b"\r", begin, end)) + 1


def _next_end(text: bytes, begin: int) -> int:
    """The position of the next line end, or of the end of the text."""
    positions = [at for at in (text.find(b"\n", begin), text.find(b"\r", begin)) if at >= 0]
    return min(positions, default=len(text))


def is_too_long(record: bytes) -> bool:
    """Whether a record is longer than the bound."""
    return len(record) > RECORD_BYTES and len(record.rstrip(b"\r\n")) > RECORD_BYTES


def lines_fit(text: bytes) -> bool:
    """Whether all lines of a text are within the bound."""
    at = 0
    while len(text) - at > RECORD_BYTES:
        end = _last_end(text, at, at + RECORD_BYTES + 1)
        if not end:
            return False
        at = end
    return True


def pieces(file: BinaryIO, start: int, size: int | None, delimiter: str, width: int) -> Iterator[bytes]:
    """Yield the text from `start` on in pieces of about `size` bytes, each of whole records; at least one piece.

    If `size` is None, the whole text is one piece. A line that is too long is cut to one byte more than is allowed. `width`
    is the number of cells of the header.
    """
    lines = _BoundedLines(file, start)
    at_once = size or READ_AT_ONCE
    rest, wanted = b"", at_once
    while True:
        text, more = lines.read(wanted)
        text = rest + text
        if not more:
            yield text
            return
        cut = 0 if size is None else _whole_records(text, delimiter, width)
        if cut:
            yield text[:cut]
        rest = text[cut:]
        # A record is longer than a piece: double the read size, so that the cost stays linear.
        wanted = at_once if cut else max(at_once, len(text))


def line_count(text: bytes) -> int:
    """Count the line ends of a text."""
    if b"\r" not in text:
        return text.count(b"\n")
    return text.count(b"\n") + text.count(b"\r") - text.count(b"\r\n")


def filled_lines(file: BinaryIO, start: int) -> int:
    """Count the lines from `start` on that are not blank.

    This is independent of the code that cuts the text into records, so that it can detect a lost line.
    """
    count, in_line = 0, False
    file.seek(start)
    for block in iter(lambda: file.read(COUNTED_AT_ONCE), b""):
        if b"\r" not in block and b"\n\n" not in block and (in_line or not block.startswith(b"\n")):
            # The block has no blank line.
            count += block.count(b"\n")
            in_line = not block.endswith(b"\n")
            continue
        data = np.frombuffer(block, np.uint8)
        ends = (data == NEWLINE) | (data == RETURN)
        count += int(np.count_nonzero(ends[1:] > ends[:-1])) + int(in_line and ends[0])
        in_line = not ends[-1]
    return count + in_line


def _whole_records(text: bytes, delimiter: str, width: int) -> int:
    """The number of bytes that are whole records in a text that continues."""
    # A return at the very end may be the first half of a line end.
    end = max(text.rfind(b"\n"), text.rfind(b"\r", 0, -1)) + 1
    whole = text[:end]
    if quotes_close_in_line(whole, delimiter):
        return end
    lines = LINE.findall(whole)
    index = size = 0
    while index < len(lines) and (span := span_of(lines, index, delimiter, width)):
        size += sum(len(line) for line in lines[index : index + span])
        index += span
    return size


def quotes_close_in_line(text: bytes, delimiter: str) -> bool:
    """Whether each quote opens a cell, closes one or is doubled, and no quoted cell continues on the next line."""
    if b'"' not in text:
        return True
    data = np.frombuffer(text + b"\n", np.uint8)
    quotes = np.flatnonzero(data == QUOTE)
    if len(quotes) % 2:
        return False
    opening, closing = quotes[::2], quotes[1::2]
    ends = (data == NEWLINE) | (data == RETURN)
    borders = ends | (data == ord(delimiter))
    doubled = opening[1:] == closing[:-1] + 1
    opens = (opening == 0) | borders[opening - 1]
    opens[1:] |= doubled
    closes = borders[closing + 1]
    closes[:-1] |= doubled
    breaks = np.flatnonzero(ends)
    in_line = np.searchsorted(breaks, opening) == np.searchsorted(breaks, closing)
    return bool(opens.all() and closes.all() and in_line.all())


# Records


def records(text: bytes, delimiter: str, width: int) -> Iterator[tuple[bytes, int]]:
    """Yield the bytes of each record and the number of its lines; `width` is the number of cells of the header."""
    lines = LINE.findall(text)
    index = 0
    while index < len(lines):
        span = span_of(lines, index, delimiter, width) or 1
        yield b"".join(lines[index : index + span]) if span > 1 else lines[index], span
        index += span


def span_of(lines: Sequence[bytes], index: int, delimiter: str, width: int | None) -> int | None:
    """Count the lines of the record that begins at `index`; None if more lines are needed to decide.

    Several lines are one record only if they close a quote that the first one opens, as strict CSV demands, and none of them
    could be a row by itself. Otherwise each line is a record, so that a stray quote loses only its own row, and two stray
    quotes not all rows between them. `width` is the number of cells of the header; None for the header itself.
    """
    text = lines[index]
    if b'"' not in text or is_too_long(text) or not leaves_quote_open(_text(text), delimiter):
        return 1
    reach = lines[index + 1 : index + LONGEST_CELL_LINES]
    for span, line in enumerate(reach, 2):
        text += line
        if is_too_long(text):
            return 1
        # Only a line with a quote can close one.
        if b'"' in line and not leaves_quote_open(_text(text), delimiter):
            return span if _is_one_record(lines[index : index + span], _text(text), delimiter, width) else 1
    return 1 if len(reach) == LONGEST_CELL_LINES - 1 else None


def _is_one_record(lines: Sequence[bytes], text: str, delimiter: str, width: int | None) -> bool:
    """Whether lines joined by a quoted cell are one record, and not rows between two stray quotes.

    A line with all delimiters of a row may be a row. In a true record the first line has them if the last cell continues, the
    last line if the first cell does; never both.
    """
    try:
        cells = next(csv.reader([text], delimiter=delimiter, strict=True))
    except csv.Error:
        return False
    width = len(cells) if width is None else width
    first, *between, last = (line.count(delimiter.encode()) >= width - 1 for line in lines)
    # A line between that leaves a quote open is not a row either: a cell ends in it and another one begins.
    if any(
        full and not leaves_quote_open(_text(line), delimiter) for line, full in zip(lines[1:], between, strict=False)
    ):
        return False
    return not last or (not first and len(cells) == width)


def _text(line: bytes) -> str:
    return line.decode("utf-8", "replace")


def leaves_quote_open(text: str, delimiter: str) -> bool:
    """Whether a quoted cell continues after the end of a text."""
    if '"' not in text:
        return False
    # The csv reader reads another line only while a quote is open.
    reader = csv.reader(iter([text, ""]), delimiter=delimiter)
    try:
        next(reader, None)
    except csv.Error:
        return False
    return reader.line_num > 1


def cells_of(text: str, delimiter: str) -> list[str]:
    """Return the cells of one record."""
    try:
        return next(csv.reader([text.rstrip("\r\n")], delimiter=delimiter), [])
    except csv.Error:
        # A line end outside of quotes: split the text without regard to quotes.
        return text.rstrip("\r\n").split(delimiter)
