"""The bytes of a file as UTF-8 text, cut into pieces of whole records, however long the file is.

A record goes on while a quote is open. A cut never falls into one, so that a file read in pieces gives the rows that it
gives as a whole.
"""

from __future__ import annotations

import codecs
import csv
import re
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from typing import BinaryIO

import numpy as np

__all__ = ["LINE", "NotATableError", "as_utf8", "cells_of", "leaves_quote_open", "line_count", "pieces", "records"]

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
RECODED_AT_ONCE = 1 << 20
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


def pieces(file: BinaryIO, start: int, size: int | None, delimiter: str) -> Iterator[bytes]:
    """The text from `start` on in pieces of about `size` bytes, each of whole records; one piece at least.

    Where `size` is None, all of it is one piece.
    """
    file.seek(start)
    if size is None:
        yield file.read()
        return
    rest, wanted, more = b"", size, True
    while more:
        # Whoever is handed a piece may read the file elsewhere before the next one.
        file.seek(start)
        read = file.read(wanted)
        start += len(read)
        more = len(read) == wanted
        text = rest + read
        cut = _whole_records(text, delimiter) if more else len(text)
        if cut or not more:
            yield text[:cut]
        rest = text[cut:]
        # A record that is longer than a piece: as much again, so that a long one is not looked at for ever.
        wanted = size if cut else len(text)


def line_count(text: bytes) -> int:
    """How many lines end in a text."""
    return text.count(b"\n") + text.count(b"\r") - text.count(b"\r\n")


def _whole_records(text: bytes, delimiter: str) -> int:
    """How many bytes of a text that goes on are whole records."""
    # A return at the very end may be the first half of a line's end.
    end = max(text.rfind(b"\n"), text.rfind(b"\r", 0, -1)) + 1
    whole = text[:end]
    if b'"' not in whole or _closed_at_sight(whole, delimiter):
        return end
    return _surely_whole(whole, delimiter)


def _closed_at_sight(text: bytes, delimiter: str) -> bool:
    """Whether each quote opens a cell, closes one or is doubled, and none runs over the end of a line."""
    data = np.frombuffer(text, np.uint8)
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


def _surely_whole(text: bytes, delimiter: str) -> int:
    """As many bytes as are whole records whatever follows; `text` is whole lines."""
    lines = LINE.findall(text)
    index = sure = 0
    while index < len(lines):
        count = _closing_line(lines, index, delimiter)
        if count is None and index + LONGEST_CELL_LINES > len(lines):
            break
        sure += sum(len(line) for line in lines[index : index + (count or 1)])
        index += count or 1
    return sure


# Records


def records(text: bytes, delimiter: str) -> Iterator[tuple[bytes, int]]:
    """The bytes of each record and the number of lines it spans.

    A record goes on while a quote is open. One that is not closed within reach ends with its first line, so that a
    forgotten quote costs one row and not the rest of the file.
    """
    lines = LINE.findall(text)
    index = 0
    while index < len(lines):
        count = _closing_line(lines, index, delimiter) or 1
        yield b"".join(lines[index : index + count]), count
        index += count


def _closing_line(lines: list[bytes], index: int, delimiter: str) -> int | None:
    """How many lines a record takes; None where a quote stays open within reach."""
    if b'"' not in lines[index]:
        return 1
    text = b""
    for count, line in enumerate(lines[index : index + LONGEST_CELL_LINES], 1):
        text += line
        # Only a line with a quote in it can close one.
        if b'"' in line and not leaves_quote_open(text.decode("utf-8", "replace"), delimiter):
            return count
    return None


def leaves_quote_open(text: str, delimiter: str) -> bool:
    """Whether a quoted cell goes on behind the end of a text."""
    if '"' not in text:
        return False
    try:
        next(csv.reader([text], delimiter=delimiter, strict=True), None)
    except csv.Error as error:
        return "unexpected end of data" in str(error)
    return False


def cells_of(text: str, delimiter: str) -> list[str]:
    """The cells of one record."""
    try:
        return next(csv.reader([text.rstrip("\r\n")], delimiter=delimiter), [])
    except csv.Error:
        # A cell longer than the reader allows: no quote rule can help, so the text is cut as it stands.
        return text.rstrip("\r\n").split(delimiter)
