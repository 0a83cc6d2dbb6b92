"""Convert columns of text cells to names, whole numbers, days and numbers, with a reason for each text that is refused.

Each distinct text is converted once: a column of a million cells often has only a few thousand.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from ingest.common.text import quoted
from ingest.common.units import BLANKS, BOUNDS, Unit, ValueTextError, parse_number, parse_value, to_unit
from ingest.parsing.timestamps import StampError, read_date

__all__ = [
    "NOT_TEXT",
    "Column",
    "DecimalEvidence",
    "Integers",
    "Names",
    "Numbers",
    "constant",
    "days",
    "encoded",
    "floats",
    "integers",
    "names",
    "numbers",
    "readable",
]

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
# Why a text is refused, by its code.
Reasons = dict[int, str]

# The plain form: an optional bound, and digits with a point or an exponent.
PLAIN_NUMBER = rf"^[<>]?[{BLANKS}]*\+?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]{{1,5}})?$"
WITH_COMMA = re.compile(r"[<>]?\s*[+-]?([0-9]*),([0-9]+)(?:[eE][+-]?[0-9]+)?[^0-9.,]*")
# Three names make a key. At four bytes a character they must fit into the 2,704 bytes of a key in PostgreSQL
# (documentation, "B-Tree Indexes", implementation), and four into the subject of an audit-log entry.
NAME_CHARACTERS = 150
# Why a cell is refused that begins with a zero byte (see FOREIGN in csv_table.py).
NOT_TEXT = "is not UTF-8 text; declare the encoding in [[source]]"
WHOLE = r"^\+?[0-9]{1,15}(\.0+)?$"


@dataclass(frozen=True, slots=True, eq=False)
class Column:
    """A column as `codes`, shape (rows,), into its distinct `texts`, stripped of blanks."""

    codes: Ints
    texts: pa.Array

    def each(self) -> list[str]:
        """Return the distinct texts."""
        return list(self.texts.to_pylist())

    def by_row(self) -> pa.Array:
        """Return the text of each row."""
        return self.texts.take(pa.array(self.codes))


@dataclass(frozen=True, slots=True, eq=False)
class Names:
    """A column of names as `codes`, shape (rows,), into `names`; a refused text has a reason."""

    codes: Ints
    names: list[str]
    reasons: Reasons

    def categorical(self, rows: Ints) -> pd.Categorical:
        """Return the names of some rows."""
        return pd.Categorical.from_codes(self.codes[rows], categories=pd.Index(self.names, dtype="str"))


@dataclass(frozen=True, slots=True, eq=False)
class Integers:
    """Whole numbers by code, with a reason for each refused text."""

    numbers: Ints
    reasons: Reasons


@dataclass(frozen=True, slots=True, eq=False)
class Numbers:
    """Numbers by code: the text with a decimal point (blank if refused), the open side, the unit in the cell.

    `decimal` is the decimal mark of the column.
    """

    decimal: str
    texts: pa.Array
    bounds: NDArray[np.int8]
    units: dict[int, str]
    reasons: Reasons


def encoded(cells: pa.Array) -> Column:
    """Find the distinct texts of a column."""
    dictionary = pc.dictionary_encode(cells)
    codes = dictionary.indices.to_numpy(zero_copy_only=False).astype(np.int64)
    return Column(codes, pc.utf8_trim(dictionary.dictionary, characters=BLANKS))


def constant(text: str, row_count: int) -> Column:
    """Return a column with one text in every row."""
    return Column(np.zeros(row_count, dtype=np.int64), pa.array([text], pa.string()))


def filled(column: Column, text: str) -> Column:
    """Return the column with a declared text in its blank cells."""
    return Column(column.codes, pc.if_else(pc.equal(column.texts, ""), text, column.texts))


# Names and days


def names(column: Column, *, required: bool) -> Names:
    """Read names in Unicode form C, so that two encodings of an accent are one name."""
    texts = [unicodedata.normalize("NFC", text.strip()) for text in column.each()]
    reasons = {code: reason for code, text in enumerate(texts) if (reason := _why_no_name(text, required))}
    return _merged(column.codes, texts, reasons)


def readable(column: Names) -> Names:
    """Return names with a blank in place of each text that is refused."""
    if not column.reasons:
        return column
    return _merged(column.codes, ["" if code in column.reasons else name for code, name in enumerate(column.names)], {})


def _merged(codes: Ints, texts: list[str], reasons: Reasons) -> Names:
    """Give equal texts one code."""
    code_of = {text: code for code, text in enumerate(dict.fromkeys(texts))}
    if len(code_of) == len(texts):
        return Names(codes, texts, reasons)
    merged = np.array([code_of[text] for text in texts], dtype=np.int64)
    return Names(merged[codes], list(code_of), {int(merged[code]): reason for code, reason in reasons.items()})


def _why_no_name(text: str, required: bool) -> str:
    if not text:
        return "is blank; write it" if required else ""
    if text.startswith("\0"):
        return f"holds a byte that {NOT_TEXT}"
    if any(unicodedata.category(c) in {"Cc", "Zl", "Zp"} for c in text):
        return f"{quoted(text)} holds a control character; take it out"
    if len(text) > NAME_CHARACTERS:
        return f"{quoted(text)} has {len(text)} characters; write a name of at most {NAME_CHARACTERS}"
    return ""


def days(column: Column, form: str | None) -> Names:
    """Read optional days as 2026-03-02."""
    texts, reasons = [], {}
    for code, text in enumerate(column.each()):
        try:
            texts.append(read_date(text, form) if text else "")
        except StampError as error:
            texts.append(text)
            reasons[code] = str(error)
    return _merged(column.codes, texts, reasons)


# Numbers


def integers(column: Column) -> Integers:
    """Read whole numbers from 0; leading zeros and the `.0` of spreadsheets are accepted."""
    fine = pc.match_substring_regex(column.texts, WHOLE)
    digits = pc.replace_substring_regex(column.texts, r"^\+|\.0+$", "")
    values = pc.cast(pc.if_else(fine, digits, "0"), pa.int64()).to_numpy()
    bad = np.flatnonzero(~fine.to_numpy(zero_copy_only=False))
    return Integers(values, {int(code): _why_not_whole(column.texts[int(code)].as_py()) for code in bad})


def _why_not_whole(text: str) -> str:
    if not text:
        return "is blank; write its number"
    return f"{quoted(text)} is not a whole number from 0 on; write digits only"


@dataclass(frozen=True, slots=True)
class DecimalEvidence:
    """The evidence for the decimal mark of a column, from the texts read so far."""

    comma: bool = False
    point: bool = False
    strange: bool = False
    proof: bool = False

    def with_texts(self, texts: pa.Array) -> DecimalEvidence:
        """Return the evidence with more texts of the column."""
        # A cell whose bytes are not text is refused, so it is no evidence.
        texts = texts.filter(pc.invert(pc.starts_with(texts, "\0")))
        with_comma = texts.filter(pc.match_substring(texts, ",")).to_pylist()
        matches = [WITH_COMMA.fullmatch(text) for text in with_comma]
        return DecimalEvidence(
            self.comma or bool(matches),
            self.point or bool(pc.any(pc.match_substring(texts, ".")).as_py()),
            self.strange or any(match is None for match in matches),
            self.proof or any(match is not None and (len(match[2]) != 3 or match[1] in {"", "0"}) for match in matches),
        )

    @property
    def decimal(self) -> str:
        """The decimal mark of the whole column.

        It is a comma only if the column has no points and at least one comma that can't separate thousands.
        """
        return "," if self.comma and self.proof and not (self.point or self.strange) else "."


def numbers(column: Column, decimal: str, words: Mapping[str, str]) -> Numbers:
    """Read numbers, exact or bounded, with the decimal mark of the column and the words that the source declares."""
    texts = column.texts if decimal == "." else _pointed(column.texts)
    plain = pc.match_substring_regex(texts, PLAIN_NUMBER)
    bounds = np.zeros(len(texts), dtype=np.int8)
    for mark, bound in BOUNDS.items():
        if mark:
            bounds[pc.starts_with(texts, mark).to_numpy(zero_copy_only=False)] = bound
    digits = pc.if_else(plain, pc.utf8_ltrim(texts, characters="<>" + BLANKS), "")
    odd = np.flatnonzero(~plain.to_numpy(zero_copy_only=False) | _mapped(column, words))
    if not len(odd):
        return Numbers(decimal, digits, bounds, {}, {})
    return _with_odd(column, odd, digits.to_pylist(), bounds, decimal, words)


def _mapped(column: Column, words: Mapping[str, str]) -> NDArray[np.bool_]:
    """Mark the texts that the source declares as words, among them numbers by which a meter means out of range."""
    if not words:
        return np.zeros(len(column.texts), dtype=bool)
    return np.array([text.casefold() in words for text in column.each()], dtype=bool)


def _pointed(texts: pa.Array) -> pa.Array:
    """Replace commas by points; blank a text that has a point, so that it is not taken as plain."""
    return pc.if_else(pc.match_substring(texts, "."), "", pc.replace_substring(texts, ",", ".", max_replacements=1))


def _with_odd(
    column: Column, odd: Ints, digits: list[str], bounds: NDArray[np.int8], decimal: str, words: Mapping[str, str]
) -> Numbers:
    units: dict[int, str] = {}
    reasons: Reasons = {}
    for code in map(int, odd):
        text = column.texts[code].as_py()
        word_value = words.get(text.casefold())
        try:
            value = parse_number(text, decimal) if word_value is None else parse_number(word_value)
        except ValueTextError as error:
            reasons[code] = str(error)
            continue
        digits[code], bounds[code] = value.number, value.bound
        if value.unit:
            units[code] = value.unit
    return Numbers(decimal, pa.array(digits, pa.string()), bounds, units, reasons)


def floats(read: Numbers, unit: Unit, target: Unit) -> Floats:
    """Convert the numbers to the target unit, by code: the float nearest to the exact product; nan if refused."""
    if unit.exponent == target.exponent:
        return _nearest(read.texts)
    with_exponent = pc.match_substring_regex(read.texts, "[eE]")
    shift = f"e{unit.exponent - target.exponent}"
    shifted = pc.if_else(pc.equal(read.texts, ""), "", pc.binary_join_element_wise(read.texts, shift, ""))
    values = _nearest(pc.if_else(with_exponent, "", shifted)).copy()
    for code in np.flatnonzero(with_exponent.to_numpy(zero_copy_only=False)):
        values[code] = to_unit(read.texts[int(code)].as_py(), unit, target)
    return values


def floats_as_written(read: Numbers) -> Floats:
    """Return the numbers as written, by code; nan if refused."""
    return _nearest(read.texts)


def _nearest(texts: pa.Array) -> Floats:
    values: Floats = pc.cast(pc.if_else(pc.equal(texts, ""), "nan", texts), pa.float64()).to_numpy()
    return values


def why_out_of_range(text: str, decimal: str) -> str:
    """Say why a number is refused as a value."""
    try:
        parse_value(text, decimal)
    except ValueTextError as error:
        return str(error)
    return f"{quoted(text)} is out of the range of numbers in this unit; write it as the instrument showed it"
