"""Turn the cells of test files into typed rows and refusals.

A whole piece is checked column by column; a row with any doubtful cell is refused with the reason and its cells unchanged.
A row of a wide file (one column for each reading) is one data row: one bad cell refuses all of it, and an empty reading
cell is no reading.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from ingest.common.text import quoted
from ingest.parsing.cells import NOT_TEXT, Column, Names, days, encoded, integers, names, readable
from ingest.parsing.columns import Layout
from ingest.parsing.csv_table import Table
from ingest.parsing.rejections import Omissions, RejectedRows
from ingest.parsing.rows.duplicates import combined, contradictions
from ingest.parsing.rows.measurement_values import Readings, gather
from ingest.parsing.rows.row_reader import Piece, Reader, piece_of, reasons_by_line

__all__ = ["contradicting_readings", "identity_of_readings", "reading_pieces"]

Ints = NDArray[np.int64]

IDENTITY_NAMES = ("supplier", "product", "lot", "characteristic")
# Chamber, instrument and load decide whether a test is valid and whose fault a shift is: unreadable, they refuse the row.
PLACES = ("chamber", "instrument", "load")
# These only describe the reading: one that can't be read is left out, and the reading is stored.
OPTIONAL_NAMES = ("operator",)
OPTIONAL_DAYS = ("received_on", "made_on")
# In the order of the typed rows.
TEXT_COLUMNS = ("chamber", "instrument", "operator", "supplier", "product", "lot", "received_on", "made_on", "load")


def reading_pieces(tables: Iterable[Table], reader: Reader) -> Iterator[Piece]:
    """Read the rows piece by piece."""
    return (_piece(table, reader) for table in tables)


def _piece(table: Table, reader: Reader) -> Piece:
    refused = RejectedRows(len(table.lines))
    texts: dict[str, Names] = {}
    reader.refuse_foreign(table, (*OPTIONAL_NAMES, *OPTIONAL_DAYS), refused)
    by_column = any(column.characteristic for column in reader.layout.readings)
    for name in (*IDENTITY_NAMES, *PLACES):
        needed = name in IDENTITY_NAMES and not (name == "characteristic" and by_column)
        column = reader.column(table, name)
        if name == "characteristic" and reader.source.characteristics:
            column = _declared_names(column, reader.source.characteristics)
        texts[name] = names(column, required=needed)
        refused.add_where(name, texts[name].codes, texts[name].reasons)
    characteristic = texts["characteristic"]
    declared = ", ".join(one.name for one in reader.lab.characteristics)
    undeclared = {
        code: f"{quoted(name)} is not declared in lab.toml; write one of {declared}, or declare it"
        for code, name in enumerate(characteristic.names)
        if name and not reader.lab.is_declared(name)
    }
    refused.add_where("characteristic", characteristic.codes, undeclared)
    for name in OPTIONAL_NAMES:
        texts[name] = names(reader.column(table, name), required=False)
    for name in OPTIONAL_DAYS:
        texts[name] = days(reader.column(table, name), reader.source.time_format)
    tested_at = reader.column(table, "tested_at")
    stamps = reader.stamps(tested_at)
    refused.add_where("tested_at", tested_at.codes, stamps.reasons)
    specimen = _whole_numbers(table, reader, "specimen", refused)
    has_numbers = any(column.reading is None for column in reader.layout.readings)
    number = _whole_numbers(table, reader, "reading", refused) if has_numbers else None
    readings = gather(table, reader, reader.column(table, "unit"), characteristic, number, refused)
    reader.refuse_contradicted("value", table, refused)
    readings = readings.of_rows(refused.fine)
    rows = readings.rows
    frame = pd.DataFrame(
        {
            "tested_at_us": stamps.us[tested_at.codes][rows],
            **{name: readable(texts[name]).categorical(rows) for name in TEXT_COLUMNS},
            "specimen": specimen[rows],
            "reading": readings.reading,
            "characteristic": _characteristics(reader.layout, characteristic, readings),
            "value": readings.value,
            "bound": readings.bound,
            "written": readings.written.to_pandas(),
            "line": table.lines[rows],
            "notes": _notes(table, reader.layout).take(pa.array(rows)).to_pandas(),
        }
    )
    return piece_of(table, frame, refused, _omissions(table, reader.layout, texts, refused.fine))


def _declared_names(column: Column, declared: Mapping[str, str]) -> Column:
    """The column with the declared names of what files write for characteristics; two texts may have one name."""
    named = encoded(pa.array([declared.get(text, text) for text in column.each()], pa.string()))
    return Column(named.codes[column.codes], named.texts)


def _omissions(table: Table, layout: Layout, texts: Mapping[str, Names], fine: NDArray[np.bool_]) -> Omissions:
    """The optional cells and notes of the rows that are not refused which can't be read."""
    omissions = Omissions()
    for name in (*OPTIONAL_NAMES, *OPTIONAL_DAYS):
        codes, reasons = texts[name].codes, texts[name].reasons
        if not reasons:
            continue
        rows = np.flatnonzero(fine & np.isin(codes, list(reasons)))
        omissions += Omissions.at(name, table.lines[rows].tolist(), [reasons[int(codes[row])] for row in rows])
    for index, header in layout.notes if table.foreign else ():
        rows = np.flatnonzero(fine & pc.starts_with(table.columns[index], "\0").to_numpy(zero_copy_only=False))
        omissions += Omissions.at(header, table.lines[rows].tolist(), [f"holds a byte that {NOT_TEXT}"] * len(rows))
    return omissions


def _characteristics(layout: Layout, characteristic: Names, readings: Readings) -> pd.Categorical:
    """The characteristic of each reading: that of its column, or else that of its row."""
    of_columns = [column.characteristic for column in layout.readings]
    if not any(of_columns):
        return characteristic.categorical(readings.rows)
    return pd.Categorical.from_codes(readings.column, categories=pd.Index(of_columns, dtype="str"))


def _whole_numbers(table: Table, reader: Reader, name: str, refused: RejectedRows) -> Ints:
    column = reader.column(table, name)
    read = integers(column)
    refused.add_where(name, column.codes, read.reasons)
    return read.numbers[column.codes]


def _notes(table: Table, layout: Layout) -> pa.Array:
    """The filled cells of unknown columns as one JSON object for each row; "" if there are none."""
    if not layout.notes:
        return pa.repeat(pa.scalar(""), len(table.lines))
    parts = []
    used: set[str] = set()
    for index, header in layout.notes:
        # A blank or repeated header cell gets its column number.
        name = header if header and header not in used else f"{header or 'column'} {index + 1}"
        used.add(name)
        column = encoded(table.columns[index])
        each = column.each()
        members = [f"{_json(name)}: {_json(text)}, " if text and text[0] != "\0" else "" for text in each]
        parts.append(pa.array(members, pa.string()).take(pa.array(column.codes)))
    inside = pc.utf8_rtrim(pc.binary_join_element_wise(*parts, ""), characters=", ")
    return pc.if_else(pc.equal(inside, ""), "", pc.binary_join_element_wise("{", inside, "}", ""))


def _json(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


# Identity and contradictions


def identity_of_readings(rows: pd.DataFrame) -> list[Ints]:
    """Return what identifies each reading of a file, as numbers."""
    who = [np.asarray(rows[name].cat.codes, dtype=np.int64) for name in IDENTITY_NAMES]
    rest = [np.asarray(rows[name], dtype=np.int64) for name in ("tested_at_us", "specimen", "reading")]
    return [combined(who), *rest]


def contradicting_readings(rows: pd.DataFrame, identity: Sequence[Ints]) -> dict[int, list[str]]:
    """Give the reasons, by line, to refuse rows that give one reading different values.

    `rows` has `value`, `bound`, `written` and `line` in the order of the file.
    """
    lines = rows["line"].to_numpy(np.int64)
    written = rows["written"]
    pairs = contradictions(identity, [rows["value"].to_numpy(), rows["bound"].to_numpy()])
    reasons = [
        (
            pair.position,
            f"{quoted(written.iloc[pair.position])} contradicts {quoted(written.iloc[pair.other])} "
            f"on line {lines[pair.other]} for the same reading; both are refused, send the right one",
        )
        for pair in pairs
    ]
    return reasons_by_line(lines, reasons)
