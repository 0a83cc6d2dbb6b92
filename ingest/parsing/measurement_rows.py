"""Rows of test readings: text cells to typed rows and refusals.

Each cell is checked column by column for a whole piece at once; a row with any doubt is refused with the reason and its
cells unchanged. A row of a wide file (a column a reading) is one data row: one bad cell refuses all of it, an empty
reading cell is no reading.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from ingest.common.text import quoted
from ingest.config.lab import Lab
from ingest.parsing.cells import Column, Names, days, encoded, integers, names
from ingest.parsing.columns import Layout
from ingest.parsing.csv_table import Table
from ingest.parsing.duplicates import combined, contradictions
from ingest.parsing.measurement_values import Readings, gather
from ingest.parsing.rejections import RejectedRows
from ingest.parsing.row_reader import Piece, Reader, piece_of, spoken_by_line

__all__ = ["contradicting_readings", "identity_of_readings", "reading_pieces"]

Ints = NDArray[np.int64]

IDENTITY_NAMES = ("supplier", "product", "lot", "characteristic")
OTHER_NAMES = ("chamber", "instrument", "operator", "load")


def reading_pieces(tables: Iterable[Table], reader: Reader) -> Iterator[Piece]:
    """Read the rows piece by piece."""
    return (_piece(table, reader) for table in tables)


def _piece(table: Table, reader: Reader) -> Piece:
    refused = RejectedRows(len(table.lines))
    named = _named(table, reader, refused)
    _check_declared(named["characteristic"], reader.lab, refused)
    named |= _dated(table, reader, refused)
    tested = _times(reader.column(table, "tested_at"), reader, refused)
    specimen = _wholes(reader.column(table, "specimen"), "specimen", refused)
    number = None if reader.source.readings else _wholes(reader.column(table, "reading"), "reading", refused)
    unit = reader.column(table, "unit")
    readings = gather(table, reader, unit, named["characteristic"], number, refused)
    reader.refuse_contradicted("value", table, refused)
    kept = readings.of_rows(refused.fine)
    return piece_of(table, _rows(kept, table, reader.layout, named, tested, specimen), refused)


def _named(table: Table, reader: Reader, refused: RejectedRows) -> dict[str, Names]:
    found = {}
    for name in (*IDENTITY_NAMES, *OTHER_NAMES):
        found[name] = names(reader.column(table, name), required=name in IDENTITY_NAMES)
        refused.add_where(name, found[name].codes, found[name].reasons)
    return found


def _dated(table: Table, reader: Reader, refused: RejectedRows) -> dict[str, Names]:
    found = {}
    for name in ("received_on", "made_on"):
        found[name] = days(reader.column(table, name), reader.source.time_format)
        refused.add_where(name, found[name].codes, found[name].reasons)
    return found


def _check_declared(characteristic: Names, lab: Lab, refused: RejectedRows) -> None:
    known = ", ".join(one.name for one in lab.characteristics)
    reasons = {
        code: f"{quoted(name)} is not declared in lab.toml; write one of {known}, or declare it"
        for code, name in enumerate(characteristic.names)
        if name and not lab.is_declared(name)
    }
    refused.add_where("characteristic", characteristic.codes, reasons)


def _times(column: Column, reader: Reader, refused: RejectedRows) -> Ints:
    stamps = reader.stamps(column)
    refused.add_where("tested_at", column.codes, stamps.reasons)
    return stamps.us[column.codes]


def _wholes(column: Column, name: str, refused: RejectedRows) -> Ints:
    found = integers(column)
    refused.add_where(name, column.codes, found.reasons)
    return found.numbers[column.codes]


def _rows(
    readings: Readings, table: Table, layout: Layout, named: dict[str, Names], tested: Ints, specimen: Ints
) -> pd.DataFrame:
    rows = readings.rows
    texts = ("chamber", "instrument", "operator", "supplier", "product", "lot", "received_on", "made_on", "load")
    return pd.DataFrame(
        {
            "tested_at_us": tested[rows],
            **{name: named[name].categorical(rows) for name in texts},
            "specimen": specimen[rows],
            "reading": readings.reading,
            "characteristic": named["characteristic"].categorical(rows),
            "value": readings.value,
            "bound": readings.bound,
            "written": readings.written.to_pandas(),
            "line": table.lines[rows],
            "notes": _notes(table, layout).take(pa.array(rows)).to_pandas(),
        }
    )


def _notes(table: Table, layout: Layout) -> pa.Array:
    """The filled cells of unknown columns as a JSON object a row, "" where there are none."""
    if not layout.notes:
        return pa.repeat(pa.scalar(""), len(table.lines))
    parts = []
    for name, index in _distinct_notes(layout):
        column = encoded(table.columns[index])
        said = [f"{_json(name)}: {_json(text)}, " if text else "" for text in column.each()]
        parts.append(pa.array(said, pa.string()).take(pa.array(column.codes)))
    inside = pc.utf8_rtrim(pc.binary_join_element_wise(*parts, ""), characters=", ")
    return pc.if_else(pc.equal(inside, ""), "", pc.binary_join_element_wise("{", inside, "}", ""))


def _json(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _distinct_notes(layout: Layout) -> list[tuple[str, int]]:
    """Names and positions of unknown columns; a name that comes again gets its column number."""
    seen: set[str] = set()
    found = []
    for index, name in layout.notes:
        own = f"{name or 'column'} {index + 1}" if not name or name in seen else name
        seen.add(own)
        found.append((own, index))
    return found


# What names a reading


def identity_of_readings(rows: pd.DataFrame) -> list[Ints]:
    """What names each reading of a file, as numbers."""
    who = [np.asarray(rows[name].cat.codes, dtype=np.int64) for name in IDENTITY_NAMES]
    rest = [np.asarray(rows[name], dtype=np.int64) for name in ("tested_at_us", "specimen", "reading")]
    return [combined(who), *rest]


def contradicting_readings(rows: pd.DataFrame, identity: Sequence[Ints]) -> dict[int, list[str]]:
    """Why rows are refused that say something else of a reading than another row of their file, by line.

    `rows` has `value`, `bound`, `written` and `line` in the order of the file.
    """
    lines = rows["line"].to_numpy(np.int64)
    written = rows["written"]
    found = contradictions(identity, [rows["value"].to_numpy(), rows["bound"].to_numpy()])
    reasons = [
        (
            one.position,
            f"{quoted(written.iloc[one.position])} contradicts {quoted(written.iloc[one.other])} "
            f"on line {lines[one.other]}, said of the same reading; both are refused, send the right one",
        )
        for one in found
    ]
    return spoken_by_line(lines, reasons)
