"""A dropped file to typed rows and refusals. Nothing is stored here and nothing is guessed.

Each cell is checked column by column for the whole file at once; a row with any doubt is refused with the reason and
its cells unchanged. A row of a wide file (a column a reading) is one data row: one bad cell refuses all of it, an empty
reading cell is no reading.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from ingest.cells import Column, Names, constant, days, encoded, filled, names, wholes
from ingest.climate_cells import humidities, temperatures
from ingest.errors import quoted
from ingest.lab import Lab
from ingest.labfile import Source
from ingest.layout import Layout, expected_names, lay_out
from ingest.reading_cells import Readings, gather
from ingest.refusals import Refusal, RefusedRows
from ingest.repeats import combined, contradictions, repeated
from ingest.stamps import NO_TIME, Clock, Stamps, read_stamps, settle_repeated
from ingest.tables import Form, NotATableError, Table, read_table

__all__ = ["FileRefused", "Parsed", "read_climate", "read_tests"]

Ints = NDArray[np.int64]

IDENTITY_NAMES = ("supplier", "product", "lot", "characteristic")
OTHER_NAMES = ("chamber", "instrument", "operator", "load")


@dataclass(frozen=True, slots=True, eq=False)
class Parsed:
    """One file as read.

    `rows` are the typed rows of the kind (see `read_tests`, `read_climate`), each with its `line`; several rows with
    one line come from one data row. `repeats` counts the data rows that say again what an earlier row of the file
    says; they are not in `rows`. Data rows in `rows` + `repeats` + refusals = `data_rows`.
    """

    rows: pd.DataFrame
    refusals: list[Refusal]
    repeats: int
    data_rows: int
    header: list[str]
    encoding: str
    delimiter: str


@dataclass(frozen=True, slots=True)
class FileRefused:
    """A file that can't be read as a table at all, and why, in one line that begins with its name."""

    reason: str


def read_tests(drop: Path | bytes, source: Source, lab: Lab, now: datetime) -> Parsed | FileRefused:
    """Read a file of test readings.

    Parameters
    ----------
    drop : Path or bytes
        The file, or its bytes.
    source : Source
        How it is declared to be written.
    lab : Lab
        Zone, characteristics and shielding source.
    now : datetime
        The moment of the round, aware.

    Returns
    -------
    Parsed or FileRefused
        `rows` has the columns tested_at_us (int64, UTC microseconds), chamber, instrument, operator, supplier, product,
        lot, received_on, made_on, load, characteristic (categories of text, "" where absent), specimen, reading
        (int64), value (float64, in the unit of the characteristic), bound (int8), written (the value and unit as
        written), line (int64, where the row starts, the header being 1), notes (JSON of unknown columns, or "").

    Raises
    ------
    OSError
        If the file can't be opened or read.
    """
    return _read(drop, source, lambda table: _tests(table, source, lab, now))


def read_climate(drop: Path | bytes, source: Source, lab: Lab, now: datetime) -> Parsed | FileRefused:
    """Read a chamber log; as `read_tests`.

    `rows` has the columns logged_at_us (int64), chamber (categories of text), humidity_percent, temperature_c (float64)
    and line (int64).
    """
    return _read(drop, source, lambda table: _climate(table, source, lab, now))


def _read(drop: Path | bytes, source: Source, parse: Callable[[Table], Parsed]) -> Parsed | FileRefused:
    name, data = (drop.name, drop.read_bytes()) if isinstance(drop, Path) else ("this file", drop)
    form = Form(source.encoding, source.delimiter, source.skip_rows, expected_names(source))
    try:
        return parse(read_table(data, form))
    except NotATableError as error:
        return FileRefused(f"{name}: {error}")


class _Cells:
    """The columns of a table by our names, declared texts filled in."""

    def __init__(self, table: Table, layout: Layout, source: Source) -> None:
        self._table, self._layout, self._source = table, layout, source

    def column(self, name: str) -> Column:
        """Return a column; blank where the file has none and nothing is declared."""
        declared = self._source.fixed.get(name, "")
        position = self._layout.positions.get(name)
        if position is None:
            return constant(declared, len(self._table.lines))
        found = encoded(self._table.columns[position])
        return filled(found, declared) if declared else found


# Tests


def _tests(table: Table, source: Source, lab: Lab, now: datetime) -> Parsed:
    layout = lay_out(table.header, source)
    cells = _Cells(table, layout, source)
    refused = RefusedRows(len(table.lines))
    named = _named(cells, refused)
    _check_declared(named["characteristic"], lab, refused)
    named |= _dated(cells, source, refused)
    tested = _times(cells.column("tested_at"), "tested_at", source, lab, now, refused)
    specimen = _wholes(cells.column("specimen"), "specimen", refused)
    number = None if source.readings else _wholes(cells.column("reading"), "reading", refused)
    readings = gather(table, layout, source, lab, cells.column("unit"), named["characteristic"], number, refused)
    kept = readings.of_rows(refused.fine)
    who = combined([named[name].codes for name in IDENTITY_NAMES])
    kept = _without_contradictions(kept, lambda k: _identity(k, who, tested, specimen), table, refused)
    again = repeated(_identity(kept, who, tested, specimen))
    once = kept.where(~again)
    rows = _test_rows(once, table, layout, named, tested, specimen)
    return _parsed(table, rows, refused, len(np.setdiff1d(kept.rows[again], once.rows)))


def _parsed(table: Table, rows: pd.DataFrame, refused: RefusedRows, repeats: int) -> Parsed:
    return Parsed(
        rows=rows,
        refusals=refused.listed(table),
        repeats=repeats,
        data_rows=len(table.lines) + len(table.broken),
        header=list(table.header),
        encoding=table.encoding,
        delimiter=table.delimiter,
    )


def _named(cells: _Cells, refused: RefusedRows) -> dict[str, Names]:
    found = {}
    for name in (*IDENTITY_NAMES, *OTHER_NAMES):
        found[name] = names(cells.column(name), required=name in IDENTITY_NAMES)
        refused.add_where(name, found[name].codes, found[name].reasons)
    return found


def _dated(cells: _Cells, source: Source, refused: RefusedRows) -> dict[str, Names]:
    found = {}
    for name in ("received_on", "made_on"):
        found[name] = days(cells.column(name), source.time_format)
        refused.add_where(name, found[name].codes, found[name].reasons)
    return found


def _check_declared(characteristic: Names, lab: Lab, refused: RefusedRows) -> None:
    known = ", ".join(one.name for one in lab.characteristics)
    reasons = {
        code: f"{quoted(name)} is not declared in lab.toml; write one of {known}, or declare it"
        for code, name in enumerate(characteristic.names)
        if name and not lab.is_declared(name)
    }
    refused.add_where("characteristic", characteristic.codes, reasons)


def _times(column: Column, name: str, source: Source, lab: Lab, now: datetime, refused: RefusedRows) -> Ints:
    stamps = _stamps(column, source, lab, now)
    refused.add_where(name, column.codes, stamps.reasons)
    return stamps.us[column.codes]


def _stamps(column: Column, source: Source, lab: Lab, now: datetime) -> Stamps:
    return read_stamps(column.texts, Clock(lab.zone_of(source), now, source.time_format))


def _wholes(column: Column, name: str, refused: RefusedRows) -> Ints:
    found = wholes(column)
    refused.add_where(name, column.codes, found.reasons)
    return found.numbers[column.codes]


def _identity(readings: Readings, who: Ints, tested: Ints, specimen: Ints) -> list[Ints]:
    rows = readings.rows
    return [who[rows], tested[rows], specimen[rows], readings.reading]


def _without_contradictions(
    readings: Readings, identity: Callable[[Readings], list[Ints]], table: Table, refused: RefusedRows
) -> Readings:
    for one in contradictions(identity(readings), [readings.value, readings.bound]):
        there = int(table.lines[readings.rows[one.other]])
        refused.add(
            int(readings.rows[one.position]),
            "value",
            f"{quoted(readings.written[one.position].as_py())} contradicts "
            f"{quoted(readings.written[one.other].as_py())} on line {there}, said of the same reading; "
            "both are refused, send the right one",
        )
    return readings.of_rows(refused.fine)


def _test_rows(
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


# Climate


def _climate(table: Table, source: Source, lab: Lab, now: datetime) -> Parsed:
    layout = lay_out(table.header, source)
    cells = _Cells(table, layout, source)
    refused = RefusedRows(len(table.lines))
    chamber = names(cells.column("chamber"), required=True)
    refused.add_where("chamber", chamber.codes, chamber.reasons)
    logged = _log_times(cells.column("logged_at"), chamber.codes, source, lab, now, refused)
    humidity = humidities(cells.column("humidity_percent"), layout, source, table.delimiter, refused)
    temperature = temperatures(cells.column("temperature_c"), layout, source, table.delimiter, refused)
    _refuse_contradicting_entries([chamber.codes, logged], [humidity, temperature], table, refused)
    rows = np.flatnonzero(refused.fine)
    again = repeated([chamber.codes[rows], logged[rows]])
    once = rows[~again]
    told = {
        "logged_at_us": logged[once],
        "chamber": chamber.categorical(once),
        "humidity_percent": humidity[once],
        "temperature_c": temperature[once],
        "line": table.lines[once],
    }
    return _parsed(table, pd.DataFrame(told), refused, int(again.sum()))


def _refuse_contradicting_entries(
    identity: list[Ints], said: list[NDArray[np.float64]], table: Table, refused: RefusedRows
) -> None:
    rows = np.flatnonzero(refused.fine)
    for one in contradictions([part[rows] for part in identity], [part[rows] for part in said]):
        there = int(table.lines[rows[one.other]])
        refused.add(
            int(rows[one.position]),
            "logged_at",
            f"contradicts line {there}, which tells other values of this moment; both are refused, send the right one",
        )


def _log_times(column: Column, chamber: Ints, source: Source, lab: Lab, now: datetime, refused: RefusedRows) -> Ints:
    """Times of a log; the hour that the clocks showed twice is settled by the order of each chamber's entries."""
    stamps = _stamps(column, source, lab, now)
    logged = stamps.us[column.codes]
    if stamps.repeated:
        first, second = (_moments(stamps, column, which) for which in (0, 1))
        for one in np.unique(chamber[first != NO_TIME]):
            own = np.flatnonzero(chamber == one)
            logged[own] = settle_repeated(logged[own], first[own], second[own])
    open_ = np.flatnonzero(logged == NO_TIME)
    refused.add_where("logged_at", column.codes[open_], stamps.reasons, open_)
    return logged


def _moments(stamps: Stamps, column: Column, which: int) -> Ints:
    moments = np.full(len(column.texts), NO_TIME, dtype=np.int64)
    for index, either in stamps.repeated.items():
        moments[index] = either[which]
    return moments[column.codes]
