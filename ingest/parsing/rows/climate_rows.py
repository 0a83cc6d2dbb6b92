"""Turn the cells of a chamber log into typed rows and refusals.

The order of a chamber's entries resolves the hour that the clocks show twice. Entries of such an hour at the end of a piece
wait for the next piece, until a later entry or the end of the file resolves them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ingest.parsing.cells import Column, Names, names
from ingest.parsing.columns import DEW_POINTS
from ingest.parsing.csv_table import Table
from ingest.parsing.rejections import RejectedRows
from ingest.parsing.rows.climate_values import humidities, humidities_from_dew_points, temperatures
from ingest.parsing.rows.duplicates import contradictions
from ingest.parsing.rows.row_reader import Piece, Reader, piece_of, reasons_by_line
from ingest.parsing.timestamps import NO_TIME, settle_repeated

__all__ = ["climate_pieces", "contradicting_entries", "identity_of_entries"]

Ints = NDArray[np.int64]


@dataclass(slots=True)
class _Order:
    """The state after the pieces so far: the last known time of each chamber, and the waiting rows."""

    last: dict[str, int] = field(default_factory=dict)
    waiting: Table | None = None


@dataclass(frozen=True, slots=True, eq=False)
class _Log:
    """The times of some entries, shape (rows,): resolved ones, and both moments where the clocks showed a time twice."""

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
    """Yield each table, and whether it is the last one."""
    rest = iter(tables)
    current = next(rest)
    for following in rest:
        yield current, False
        current = following
    yield current, True


def _piece(table: Table, reader: Reader, order: _Order) -> Piece:
    refused = RejectedRows(len(table.lines))
    reader.refuse_foreign(table, (), refused)
    chamber = names(reader.column(table, "chamber"), required=True)
    refused.add_where("chamber", chamber.codes, chamber.reasons)
    logged = _resolve(_log(table, reader), chamber, order, refused)
    layout, source = reader.layout, reader.source
    present = {*layout.positions, *source.fixed}
    point = next((name for name in DEW_POINTS if name in present), None)
    if point is None or "humidity_percent" in present:
        humidity = humidities(reader.column(table, "humidity_percent"), layout, source, refused)
        temperature = temperatures(reader.column(table, "temperature_c"), layout, source, refused)
    else:
        temperature = temperatures(reader.column(table, "temperature_c"), layout, source, refused)
        column = reader.column(table, point)
        humidity = humidities_from_dew_points(point, column, temperature, layout, source, refused)
    reader.refuse_contradicted("logged_at", table, refused)
    rows = np.flatnonzero(refused.fine)
    entries = {
        "logged_at_us": logged[rows],
        "chamber": chamber.categorical(rows),
        "humidity_percent": humidity[rows],
        "temperature_c": temperature[rows],
        "line": table.lines[rows],
    }
    return piece_of(table, pd.DataFrame(entries), refused)


# The hour that the clocks show twice


def _log(table: Table, reader: Reader) -> _Log:
    column = reader.column(table, "logged_at")
    stamps = reader.stamps(column)
    either = np.full((2, len(column.texts)), NO_TIME, dtype=np.int64)
    for index, moments in stamps.repeated.items():
        either[:, index] = moments
    first, second = either[:, column.codes]
    return _Log(stamps.us[column.codes], first, second, stamps.reasons, column)


def _without_waiting(table: Table, reader: Reader, order: _Order) -> Table:
    """The table without the rows that only later entries of their chamber can resolve; those wait."""
    log = _log(table, reader)
    if not (log.first != NO_TIME).any():
        return table
    chamber = names(reader.column(table, "chamber"), required=True)
    waits = np.zeros(len(table.lines), dtype=bool)
    for one in np.unique(chamber.codes[log.first != NO_TIME]):
        entries = np.flatnonzero(chamber.codes == one)
        timed = np.flatnonzero(log.us[entries] != NO_TIME)
        after = entries[timed[-1] + 1 :] if len(timed) else entries
        ambiguous = np.flatnonzero(log.first[after] != NO_TIME)
        waits[after[ambiguous[0] :] if len(ambiguous) else after[:0]] = True
    if waits.any():
        order.waiting = table.rows(np.flatnonzero(waits))
    kept = [column.filter(~waits) for column in table.columns]
    return replace(table, columns=kept, lines=table.lines[~waits])


def _resolve(log: _Log, chamber: Names, order: _Order, refused: RejectedRows) -> Ints:
    """The times of the entries; those that stay ambiguous are refused."""
    logged = log.us.copy()
    for one in np.unique(chamber.codes):
        entries = np.flatnonzero(chamber.codes == one)
        name = chamber.names[int(one)]
        # The last known time of an earlier piece comes first.
        us, first, second = (
            np.concatenate([[before], part[entries]])
            for before, part in (
                (order.last.get(name, NO_TIME), log.us),
                (NO_TIME, log.first),
                (NO_TIME, log.second),
            )
        )
        logged[entries] = settle_repeated(us, first, second)[1:]
        resolved = logged[entries][logged[entries] != NO_TIME]
        if len(resolved):
            order.last[name] = int(resolved[-1])
    ambiguous = np.flatnonzero(logged == NO_TIME)
    refused.add_where("logged_at", log.column.codes[ambiguous], log.reasons, ambiguous)
    return logged


# Identity and contradictions


def identity_of_entries(rows: pd.DataFrame) -> list[Ints]:
    """Return what identifies each entry of a log, as numbers."""
    return [rows["chamber"].cat.codes.to_numpy(np.int64), rows["logged_at_us"].to_numpy(np.int64)]


def contradicting_entries(rows: pd.DataFrame, identity: Sequence[Ints]) -> dict[int, list[str]]:
    """Give the reasons, by line, to refuse entries that give one time different values.

    `rows` has `humidity_percent`, `temperature_c` and `line` in the order of the file.
    """
    lines = rows["line"].to_numpy(np.int64)
    pairs = contradictions(identity, [rows["humidity_percent"].to_numpy(), rows["temperature_c"].to_numpy()])
    reasons = [
        (
            pair.position,
            f"contradicts line {lines[pair.other]}, which has other values for this time; both are refused, send the "
            "right one",
        )
        for pair in pairs
    ]
    return reasons_by_line(lines, reasons)
