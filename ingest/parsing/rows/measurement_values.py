"""Read the value cells of a test file, one column or one for each reading, in the unit of their characteristic."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from ingest.common.text import quoted
from ingest.common.units import ENERGY, UNITS, Unit, UnitError, parse_unit
from ingest.config.lab import Lab
from ingest.config.models import Characteristic, Source
from ingest.parsing.cells import (
    Column,
    Names,
    Numbers,
    constant,
    encoded,
    floats,
    floats_as_written,
    numbers,
    why_out_of_range,
)
from ingest.parsing.columns import Layout, ReadingColumn, units_of
from ingest.parsing.csv_table import NotATableError, Table
from ingest.parsing.rejections import RejectedRows
from ingest.parsing.rows.row_reader import Reader

__all__ = ["Readings", "gather"]

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """Readings in the order of their rows; all arrays have shape (readings,).

    `rows` are positions in the table; several readings share a row of a wide file. `column` is the place of the reading's
    column in `Layout.readings`. `value` is in the unit of the characteristic, `written` is the value and the unit as written
    in the file.
    """

    rows: Ints
    column: Ints
    reading: Ints
    value: Floats
    bound: NDArray[np.int8]
    written: pa.Array

    def where(self, chosen: NDArray[np.bool_]) -> Readings:
        """Return the chosen readings."""
        if chosen.all():
            return self
        return Readings(
            self.rows[chosen],
            self.column[chosen],
            self.reading[chosen],
            self.value[chosen],
            self.bound[chosen],
            self.written.filter(pa.array(chosen)),
        )

    def of_rows(self, fine: NDArray[np.bool_]) -> Readings:
        """Return the readings of the rows that are not refused."""
        return self.where(fine[self.rows])


@dataclass(frozen=True, slots=True, eq=False)
class _Meaning:
    """The unit and characteristic of each row: `pair`, shape (rows,), is an index into the distinct `pairs`."""

    pair: Ints
    pairs: list[tuple[Unit, Characteristic] | None]

    def of(self, row: int) -> tuple[Unit, Characteristic] | None:
        """Return the pair of a row; None if it is refused."""
        return self.pairs[int(self.pair[row])]


@dataclass(frozen=True, slots=True, eq=False)
class _ValueColumn:
    """One column of values while it is checked; `rows` are those with a reading."""

    name: str
    cells: Column
    read: Numbers
    meaning: _Meaning
    rows: Ints
    refused: RejectedRows

    def text(self, row: int) -> str:
        """Return the cell of a row."""
        return str(self.cells.texts[int(self.cells.codes[row])].as_py())

    def refuse(self, row: int, reason: str) -> None:
        """Refuse a row for its cell in this column."""
        self.refused.add(row, self.name, reason)


def gather(
    table: Table, reader: Reader, unit: Column, characteristic: Names, number: Ints | None, refused: RejectedRows
) -> Readings:
    """Read all value cells; `number` is the reading number by row, None for a wide file."""
    layout, source, lab = reader.layout, reader.source, reader.lab
    words = {word.strip().casefold(): value for word, value in source.words.items()}
    parts = []
    for number_of_column, place in enumerate(layout.readings):
        column_unit = _unit_column(place, unit, layout, source)
        meant = characteristic
        if place.characteristic:
            meant = Names(np.zeros(len(table.lines), dtype=np.int64), [place.characteristic], {})
        meaning = _meanings(column_unit, place, meant, lab, refused)
        cells = encoded(table.columns[place.index])
        read = numbers(cells, layout.decimals[place.index], words)
        is_filled = pc.not_equal(cells.texts, "").to_numpy(zero_copy_only=False)[cells.codes]
        is_wide = number is None or bool(place.characteristic)
        rows = np.flatnonzero(is_filled) if is_wide else np.arange(len(cells.codes))
        value = _values(_ValueColumn(place.name, cells, read, meaning, rows, refused), source, lab)
        reading = np.full(len(rows), place.reading, dtype=np.int64) if number is None else number[rows]
        column = np.full(len(rows), number_of_column, dtype=np.int64)
        written = _written(cells, column_unit, read, source).take(pa.array(rows))
        parts.append(Readings(rows, column, reading, value[rows], read.bounds[cells.codes[rows]], written))
    return _in_row_order(parts, len(table.lines), refused)


def _in_row_order(parts: Sequence[Readings], row_count: int, refused: RejectedRows) -> Readings:
    if len(parts) == 1 and len(parts[0].rows) == row_count:
        return parts[0]
    rows = np.concatenate([part.rows for part in parts])
    for row in np.setdiff1d(np.arange(row_count), rows):
        refused.add(int(row), "row", "holds no reading; write one, or take the row out")
    order = np.argsort(rows, kind="stable")
    return Readings(
        rows[order],
        np.concatenate([part.column for part in parts])[order],
        np.concatenate([part.reading for part in parts])[order],
        np.concatenate([part.value for part in parts])[order],
        np.concatenate([part.bound for part in parts])[order],
        pa.concat_arrays([part.written for part in parts]).take(pa.array(order)),
    )


# Units


def _unit_column(column: ReadingColumn, unit: Column, layout: Layout, source: Source) -> Column:
    """The unit texts of a value column: those of the file, or else of the header or the declaration."""
    if "unit" in layout.positions or "unit" in source.fixed:
        return unit
    return constant(column.unit or units_of(source, column.name), len(unit.codes))


def _meanings(unit: Column, column: ReadingColumn, characteristic: Names, lab: Lab, refused: RejectedRows) -> _Meaning:
    """Read each pair of unit and characteristic once; an impossible pair refuses its rows."""
    try:
        heading = parse_unit(column.unit) if column.unit else None
    except UnitError as error:
        raise NotATableError(f"has a wrong unit in the header of {quoted(column.name)}: {error}") from error
    width = len(characteristic.names)
    pair, distinct = pd.factorize(unit.codes * width + characteristic.codes)
    texts = unit.each()
    pairs: list[tuple[Unit, Characteristic] | None] = []
    reasons: dict[int, str] = {}
    for index, code in enumerate(map(int, distinct)):
        text, name = texts[code // width], characteristic.names[code % width]
        pairs.append(None)
        if not lab.is_declared(name):
            continue
        try:
            pairs[index] = _pair(text, lab.characteristic(name), heading)
        except UnitError as error:
            reasons[index] = str(error)
    refused.add_where("unit", pair, reasons)
    return _Meaning(pair, pairs)


def _pair(text: str, characteristic: Characteristic, heading: Unit | None) -> tuple[Unit, Characteristic]:
    if not text:
        raise UnitError(f"is blank; write {UNITS[characteristic.unit].quantity.choices}")
    unit = parse_unit(text, UNITS[characteristic.unit].quantity)
    if heading is not None and heading is not unit:
        raise UnitError(f"{quoted(text)} contradicts the header, which says {heading.name}; correct one of them")
    return unit, characteristic


# Values


def _values(column: _ValueColumn, source: Source, lab: Lab) -> Floats:
    """The values by row in the unit of their characteristic; nan if there is none."""
    codes, meaning, rows = column.cells.codes, column.meaning, column.rows
    column.refused.add_where(column.name, codes[rows], column.read.reasons, rows)
    value = np.full(len(codes), np.nan)
    for index, pair in enumerate(meaning.pairs):
        if pair is not None:
            chosen = rows[meaning.pair[rows] == index]
            value[chosen] = _converted(column.read, pair[0], UNITS[pair[1].unit], source)[codes[chosen]]
            _check_stored_energy(column, value, chosen, UNITS[pair[1].unit], lab)
    _check_range(column, value)
    _check_cell_units(column)
    return value


def _converted(read: Numbers, unit: Unit, target: Unit, source: Source) -> Floats:
    if not source.log10:
        return floats(read, unit, target)
    with np.errstate(over="ignore"):
        powers: Floats = np.power(10.0, floats_as_written(read) + (unit.exponent - target.exponent))
    return powers


def _check_range(column: _ValueColumn, value: Floats) -> None:
    with np.errstate(invalid="ignore"):
        outside = column.rows[~((value[column.rows] > 0) & (value[column.rows] < np.inf))]
    for row in map(int, outside):
        # A refused text has its reason already; a row with a refused unit has no value.
        if int(column.cells.codes[row]) not in column.read.reasons and column.meaning.of(row) is not None:
            column.refuse(row, why_out_of_range(column.text(row), column.read.decimal))


def _check_cell_units(column: _ValueColumn) -> None:
    """Refuse a unit in the cell that differs from the unit of the row."""
    if not column.read.units:
        return
    for row in map(int, column.rows[np.isin(column.cells.codes[column.rows], list(column.read.units))]):
        pair = column.meaning.of(row)
        if pair is None:
            continue
        try:
            is_same = parse_unit(column.read.units[int(column.cells.codes[row])]) is pair[0]
        except UnitError:
            is_same = False
        if not is_same:
            text = quoted(column.text(row))
            column.refuse(row, f"{text} carries another unit than {pair[0].name}, the unit of its row; correct one")


def _check_stored_energy(column: _ValueColumn, value: Floats, rows: Ints, target: Unit, lab: Lab) -> None:
    """Refuse an energy above that of the charged source; no discharge can put more into a bag."""
    charged = lab.shielding_source
    if charged is None or target.quantity is not ENERGY:
        return
    most = charged.stored_nj * 10.0 ** (-9 - target.exponent)
    with np.errstate(invalid="ignore"):
        above = rows[
            (value[rows] > most) & (value[rows] < np.inf) & (column.read.bounds[column.cells.codes[rows]] >= 0)
        ]
    for row in map(int, above):
        column.refuse(
            row,
            f"{quoted(column.text(row))} is more energy than the declared source stores "
            f"({charged.stored_nj / 1000:g} uJ); correct the value or its unit",
        )


def _written(cells: Column, unit: Column, read: Numbers, source: Source) -> pa.Array:
    """Value and unit as written; only the cell if it contains its unit."""
    texts = unit.texts if not source.log10 else pc.binary_join_element_wise("log10", unit.texts, " ")
    whole = pc.binary_join_element_wise(cells.by_row(), texts.take(pa.array(unit.codes)), " ")
    if not read.units:
        return whole
    alone = pa.array(np.isin(cells.codes, list(read.units)))
    return pc.if_else(alone, cells.by_row(), whole)
