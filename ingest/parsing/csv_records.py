"""The bytes of a file as UTF-8 text, cut into pieces of whole records, however long the file or a line of it is.

A record is a line, or several lines where a quoted cell holds line ends. A cut never falls into a record, so that a file
read in pieces gives the rows that it gives as a whole.
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

MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
)
# Read piece by piece, these names ask for a mark; where there is none, the usual order of bytes is meant.
WITHOUT_MARK = {"utf-16": "utf-16-le", "utf-32": "utf-32-le"}
LINE = re.compile(rb"[^\r\n]*(?:\r\n|\n|\r)|[^\r\n]+")
# A quoted cell that runs over more lines than this is a quote that somebody forgot to close.
LONGEST_CELL_LINES = 50
# A record of readings has about a hundred bytes, one of a thousand columns seldom a hundred thousand. A longer one is no
# row but what a fault has left; read whole, it would take all memory. The reader of the csv module takes no longer cell.
RECORD_BYTES = 1 << 17
RECODED_AT_ONCE = 1 << 20
READ_AT_ONCE = 1 << 23
COUNTED_AT_ONCE = 1 << 20
QUOTE, RETURN, NEWLINE = b'"\r\n'


class NotATableError(ValueError):
    """The bytes can't be read as a table; the message says why and what to do."""


# Encoding


@contextmanager
def as_utf8(
    file: BinaryIO, declared: str | None, at_once: int = RECODED_AT_ONCE
) -> Iterator[tuple[BinaryIO, int, str]]:
    """The text in UTF-8: a file, where the text starts in it behind its mark, and the encoding that was found.

    Bytes that are no text stay as they are; their rows are refused later. `at_once` is how many bytes are brought over
    from another encoding at a time.

    Raises
    ------
    NotATableError
        If the file, at any place of it, is not text in its encoding.
    """
    head = file.read(4)
    start, encoding = next(((len(mark), its) for mark, its in MARKS if head.startswith(mark)), (0, declared or "utf-8"))
    if encoding in {"utf-8", "utf_8", "utf-8-sig", "ascii"}:
        yield file, start, encoding
        return
    file.seek(start)
    with tempfile.TemporaryFile() as text:
        _recode(file, text, encoding, at_once)
        yield text, 0, encoding


def _recode(file: BinaryIO, text: BinaryIO, encoding: str, at_once: int) -> None:
    named = codecs.lookup(encoding).name
    codec = WITHOUT_MARK.get(named, named)
    decoder = codecs.getincrementaldecoder(codec)("surrogateescape")
    try:
        while data := file.read(at_once):
            text.write(decoder.decode(data).encode("utf-8", "surrogateescape"))
        # Asked to end, a decoder of several bytes a character drops what follows the first byte of a broken one.
        rest = decoder.getstate()[0]
        text.write(rest.decode(codec, "surrogateescape").encode("utf-8", "surrogateescape"))
    except ValueError as error:
        raise NotATableError(f"is not text in {encoding}; declare the right encoding in [[source]]") from error


# Pieces


class _BoundedLines:
    """A file of lines of bounded length: of a line that is too long, one byte more than is allowed and its end.

    So it still is too long for all who look at it, and takes no memory.
    """

    def __init__(self, file: BinaryIO, start: int) -> None:
        self._file, self._position = file, start
        # How many bytes of the line that goes on were read.
        self._length = 0

    def read(self, count: int) -> tuple[bytes, bool]:
        """Read the next `count` bytes of the file: the text that is left of them, and whether the file may go on."""
        # Whoever is handed a piece may read the file elsewhere before the next one.
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
    """The position behind the last line's end in a part of a text; 0 where there is none."""
    return max(text.rfind(b"\n", begin, end), text.rfind(b"\r", begin, end)) + 1


def _next_end(text: bytes, begin: int) -> int:
    """The position of the next line's end; that of the text's end where there is none."""
    found = [at for at in (text.find(b"\n", begin), text.find(b"\r", begin)) if at >= 0]
    return min(found, default=len(text))


def is_too_long(record: bytes) -> bool:
    """Whether a record is longer than is read."""
    return len(record) > RECORD_BYTES and len(record.rstrip(b"\r\n")) > RECORD_BYTES


def lines_fit(text: bytes) -> bool:
    """Whether no line of a text is too long."""
    at = 0
    while len(text) - at > RECORD_BYTES:
        end = _last_end(text, at, at + RECORD_BYTES + 1)
        if not end:
            return False
        at = end
    return True


def pieces(file: BinaryIO, start: int, size: int | None, delimiter: str, width: int) -> Iterator[bytes]:
    """The text from `start` on in pieces of about `size` bytes, each of whole records; one piece at least.

    Where `size` is None, all of it is one piece. A line that is too long is cut to one byte more than is allowed. `width`
    is how many cells the header has.
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
        # A record that is longer than a piece: as much again, so that a long one is not looked at for ever.
        wanted = at_once if cut else max(at_once, len(text))


def line_count(text: bytes) -> int:
    """How many lines end in a text."""
    if b"\r" not in text:
        return text.count(b"\n")
    return text.count(b"\n") + text.count(b"\r") - text.count(b"\r\n")


def filled_lines(file: BinaryIO, start: int) -> int:
    """How many lines from `start` on are not blank.

    Counted from the bytes alone, by none of the code that cuts the text into records, so that it can tell whether that
    code has lost a line.
    """
    count, in_line = 0, False
    file.seek(start)
    for block in iter(lambda: file.read(COUNTED_AT_ONCE), b""):
        if b"\r" not in block and b"\n\n" not in block and (in_line or not block.startswith(b"\n")):
            # No line of the block is blank.
            count += block.count(b"\n")
            in_line = not block.endswith(b"\n")
            continue
        data = np.frombuffer(block, np.uint8)
        ends = (data == NEWLINE) | (data == RETURN)
        count += int(np.count_nonzero(ends[1:] > ends[:-1])) + int(in_line and ends[0])
        in_line = not ends[-1]
    return count + in_line


def _whole_records(text: bytes, delimiter: str, width: int) -> int:
    """How many bytes of a text that goes on are whole records."""
    # A return at the very end may be the first half of a line's end.
    end = max(text.rfind(b"\n"), text.rfind(b"\r", 0, -1)) + 1
    whole = text[:end]
    if quotes_close_in_line(whole, delimiter):
        return end
    return _surely_whole(whole, delimiter, width)


def quotes_close_in_line(text: bytes, delimiter: str) -> bool:
    """Whether each quote opens a cell, closes one or is doubled, and none runs over the end of a line."""
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


def _surely_whole(text: bytes, delimiter: str, width: int) -> int:
    """As many bytes as are whole records whatever follows; `text` is whole lines."""
    lines = LINE.findall(text)
    index = sure = 0
    while index < len(lines) and (span := span_of(lines, index, delimiter, width)):
        sure += sum(len(line) for line in lines[index : index + span])
        index += span
    return sure


# Records


def records(text: bytes, delimiter: str, width: int) -> Iterator[tuple[bytes, int]]:
    """The bytes of each record and the number of lines it spans; `width` is how many cells the header has."""
    lines = LINE.findall(text)
    index = 0
    while index < len(lines):
        span = span_of(lines, index, delimiter, width) or 1
        yield b"".join(lines[index : index + span]) if span > 1 else lines[index], span
        index += span


def span_of(lines: Sequence[bytes], index: int, delimiter: str, width: int | None) -> int | None:
    """How many lines the record takes that begins with a line; None where more lines are needed to tell.

    Several lines are one record only where a quote that the first leaves open is closed as strict CSV asks for, and no
    line is lost by it that could be a row of its own. Otherwise each line stands for itself, so that a stray quote costs
    its own row, and two of them not all that is between. `width` is how many cells the header has; None for the header.
    """
    text = lines[index]
    if b'"' not in text or is_too_long(text) or not leaves_quote_open(_text(text), delimiter):
        return 1
    reach = lines[index + 1 : index + LONGEST_CELL_LINES]
    for span, line in enumerate(reach, 2):
        text += line
        if is_too_long(text):
            return 1
        # Only a line with a quote in it can close one.
        if b'"' in line and not leaves_quote_open(_text(text), delimiter):
            return span if _is_one_record(lines[index : index + span], _text(text), delimiter, width) else 1
    return 1 if len(reach) == LONGEST_CELL_LINES - 1 else None


def _is_one_record(lines: Sequence[bytes], text: str, delimiter: str, width: int | None) -> bool:
    """Whether lines that a quoted cell joins are one record, and none of them a row that two stray quotes would swallow.

    A line with the delimiters of a whole row may be a row. The first one has them where the last cell is the one that
    goes on, the last one where the first cell does; in a record both can't have them.
    """
    try:
        cells = next(csv.reader([text], delimiter=delimiter, strict=True))
    except csv.Error:
        return False
    width = len(cells) if width is None else width
    first, *between, last = (line.count(delimiter.encode()) >= width - 1 for line in lines)
    return not any(between) and (not last or (not first and len(cells) == width))


def _text(line: bytes) -> str:
    return line.decode("utf-8", "replace")


def leaves_quote_open(text: str, delimiter: str) -> bool:
    """Whether a quoted cell goes on behind the end of a text."""
    if '"' not in text:
        return False
    # The reader asks for another line only while a quote is open.
    reader = csv.reader(iter([text, ""]), delimiter=delimiter)
    try:
        next(reader, None)
    except csv.Error:
        return False
    return reader.line_num > 1


def cells_of(text: str, delimiter: str) -> list[str]:
    """The cells of one record."""
    try:
        return next(csv.reader([text.rstrip("\r\n")], delimiter=delimiter), [])
    except csv.Error:
        # A line's end outside of quotes: no quote rule can help, so the text is cut as it stands.
        return text.rstrip("\r\n").split(delimiter)
