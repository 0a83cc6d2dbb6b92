"""Rows of a chamber's log: text cells to typed rows and refusals.

The hour that the clocks show twice is settled by the order of each chamber's entries. Entries of such an hour at the end
of a piece wait for the next one, until an entry after the hour or the end of the file settles them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ingest.parsing.cells import Column, Names, names
from ingest.parsing.climate_values import humidities, temperatures
from ingest.parsing.csv_table import Table
from ingest.parsing.duplicates import contradictions
from ingest.parsing.rejections import RejectedRows
from ingest.parsing.row_reader import Piece, Reader, piece_of, spoken_by_line
from ingest.parsing.timestamps import NO_TIME, Stamps, settle_repeated

__all__ = ["climate_pieces", "contradicting_entries", "identity_of_entries"]

Ints = NDArray[np.int64]


@dataclass(slots=True)
class _Order:
    """What the pieces so far tell of each chamber: the last known time, and the rows that wait for more."""

    last: dict[str, int] = field(default_factory=dict)
    waiting: Table | None = None


@dataclass(frozen=True, slots=True, eq=False)
class _Log:
    """The times of some entries, shape (rows,): settled ones, and both moments where the clocks showed a time twice."""

    us: Ints
    first: Ints
    second: Ints
    reasons: dict[int, str]
    column: Column


def climate_pieces(tables: Iterable[Table], reader: Reader) -> Iterator[Piece]:
    """Read the entries piece by piece."""
    order = _Order()
    for table, last in _with_end(tables):
        whole = table if order.waiting is None else table.below(order.waiting)
        order.waiting = None
        yield _piece(whole if last else _without_waiting(whole, reader, order), reader, order)


def _with_end(tables: Iterable[Table]) -> Iterator[tuple[Table, bool]]:
    """Each table, and whether it is the last one."""
    coming = iter(tables)
    held = next(coming)
    for table in coming:
        yield held, False
        held = table
    yield held, True


def _piece(table: Table, reader: Reader, order: _Order) -> Piece:
    refused = RejectedRows(len(table.lines))
    chamber = names(reader.column(table, "chamber"), required=True)
    refused.add_where("chamber", chamber.codes, chamber.reasons)
    logged = _settled(_log(table, reader), chamber, order, refused)
    humidity = humidities(reader.column(table, "humidity_percent"), reader.layout, reader.source, refused)
    temperature = temperatures(reader.column(table, "temperature_c"), reader.layout, reader.source, refused)
    reader.refuse_contradicted("logged_at", table, refused)
    rows = np.flatnonzero(refused.fine)
    told = {
        "logged_at_us": logged[rows],
        "chamber": chamber.categorical(rows),
        "humidity_percent": humidity[rows],
        "temperature_c": temperature[rows],
        "line": table.lines[rows],
    }
    return piece_of(table, pd.DataFrame(told), refused)


# The hour that the clocks showed twice


def _log(table: Table, reader: Reader) -> _Log:
    column = reader.column(table, "logged_at")
    stamps = reader.stamps(column)
    first, second = (_moments(stamps, column, which) for which in (0, 1))
    return _Log(stamps.us[column.codes], first, second, stamps.reasons, column)


def _moments(stamps: Stamps, column: Column, which: int) -> Ints:
    moments = np.full(len(column.texts), NO_TIME, dtype=np.int64)
    for index, either in stamps.repeated.items():
        moments[index] = either[which]
    return moments[column.codes]


def _without_waiting(table: Table, reader: Reader, order: _Order) -> Table:
    """The table without the rows that only later entries of their chamber can settle: they are put aside."""
    log = _log(table, reader)
    if not (log.first != NO_TIME).any():
        return table
    chamber = names(reader.column(table, "chamber"), required=True)
    waits = np.zeros(len(table.lines), dtype=bool)
    for one in np.unique(chamber.codes[log.first != NO_TIME]):
        own = np.flatnonzero(chamber.codes == one)
        known = np.flatnonzero(log.us[own] != NO_TIME)
        after = own[known[-1] + 1 :] if len(known) else own
        open_ = np.flatnonzero(log.first[after] != NO_TIME)
        waits[after[open_[0] :] if len(open_) else after[:0]] = True
    if waits.any():
        order.waiting = table.rows(np.flatnonzero(waits))
    return Table(
        table.header,
        [column.filter(~waits) for column in table.columns],
        table.lines[~waits],
        table.broken,
        table.encoding,
        table.delimiter,
    )


def _settled(log: _Log, chamber: Names, order: _Order, refused: RejectedRows) -> Ints:
    """Times of the entries; those that the order of their chamber's entries leaves open are refused."""
    logged = log.us.copy()
    for one in np.unique(chamber.codes):
        own = np.flatnonzero(chamber.codes == one)
        name = chamber.names[int(one)]
        logged[own] = _in_order(log, own, order.last.get(name, NO_TIME))
        known = logged[own][logged[own] != NO_TIME]
        if len(known):
            order.last[name] = int(known[-1])
    open_ = np.flatnonzero(logged == NO_TIME)
    refused.add_where("logged_at", log.column.codes[open_], log.reasons, open_)
    return logged


def _in_order(log: _Log, own: Ints, before: int) -> Ints:
    """The times of one chamber's entries; `before` is its last known time in an earlier piece."""
    none = np.array([NO_TIME])
    us, first, second = (
        np.concatenate([[head], part[own]])
        for head, part in ((before, log.us), (none[0], log.first), (none[0], log.second))
    )
    return settle_repeated(us, first, second)[1:]


# What names an entry


def identity_of_entries(rows: pd.DataFrame) -> list[Ints]:
    """What names each entry of a log, as numbers."""
    return [rows["chamber"].cat.codes.to_numpy(np.int64), rows["logged_at_us"].to_numpy(np.int64)]


def contradicting_entries(rows: pd.DataFrame, identity: Sequence[Ints]) -> dict[int, list[str]]:
    """Why entries are refused that say something else of a moment than another row of their file, by line.

    `rows` has `humidity_percent`, `temperature_c` and `line` in the order of the file.
    """
    lines = rows["line"].to_numpy(np.int64)
    found = contradictions(identity, [rows["humidity_percent"].to_numpy(), rows["temperature_c"].to_numpy()])
    reasons = [
        (
            one.position,
            f"contradicts line {lines[one.other]}, which tells other values of this moment; both are refused, send the "
            "right one",
        )
        for one in found
    ]
    return spoken_by_line(lines, reasons)
