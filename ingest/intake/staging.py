"""Stage the rows of one drop piece by piece and count each row once as stored, duplicate or corrected.

New rows go into the store at once, in the order of the table's key. A row whose identity is already stored, by an earlier
drop or an earlier row of this one, waits in a temporary table; after the last piece a few statements resolve all waiting
rows, so that neither rows nor identities are ever held in memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sqlalchemy import BigInteger, Column, Connection, MetaData, SmallInteger, Table, text

from ingest.store import schema
from ingest.store.dialect import create_tables, insert_frame
from ingest.store.store import fetch_frame

__all__ = [
    "CALIBRATIONS",
    "CAPTURES",
    "CLIMATE",
    "LOAD_EVENTS",
    "READINGS",
    "STOCK_COUNTS",
    "Counts",
    "StagedRows",
    "TableSpec",
]

# As Python objects, a million rows at once would take a gigabyte.
ROWS_AT_ONCE = 50_000
# The outcomes of a row. A wide row counts by the highest outcome of its readings.
DUPLICATE, STORED, CORRECTED = range(1, 4)


@dataclass(frozen=True, slots=True)
class Counts:
    """How many data rows of a drop were stored, duplicates or corrections."""

    stored: int = 0
    duplicate: int = 0
    corrected: int = 0


@dataclass(frozen=True, slots=True)
class TableSpec:
    """The table for one kind of row.

    `identity` are the columns that name a row, `measured` those that a correction changes. `history` keeps the values
    from before a correction. `note_stale` records what must be derived again, from the corrected rows of `waiting`. `row` is the column
    that numbers the data rows of a file.
    """

    table: Table
    identity: tuple[str, ...]
    measured: tuple[str, ...]
    history: Table
    note_stale: str
    row: str = "line"

    @property
    def columns(self) -> tuple[str, ...]:
        """The columns of the table."""
        return tuple(column.name for column in self.table.columns)


READINGS = TableSpec(
    schema.reading,
    ("stream_id", "lot_id", "tested_us", "specimen", "reading"),
    ("value", "bound"),
    schema.earlier_value,
    "INSERT INTO stale_lot (stream_id, lot_id) SELECT DISTINCT waiting.stream_id, waiting.lot_id FROM {} "
    "ON CONFLICT DO NOTHING",
)
CLIMATE = TableSpec(
    schema.climate,
    ("chamber_id", "logged_us"),
    ("humidity_percent", "temperature_c"),
    schema.earlier_climate,
    "INSERT INTO stale_climate (chamber_id, from_us, to_us) "
    "SELECT waiting.chamber_id, min(waiting.logged_us), max(waiting.logged_us) FROM {} GROUP BY waiting.chamber_id",
)
STOCK_COUNTS = TableSpec(
    schema.stock_count,
    ("lot_id", "counted_day", "storage_id"),
    ("quantity", "is_counted", "unit", "opened_on"),
    schema.earlier_count,
    "INSERT INTO stale_stock (lot_id) SELECT DISTINCT waiting.lot_id FROM {} ON CONFLICT DO NOTHING",
)
LOAD_EVENTS = TableSpec(
    schema.load_event,
    ("load_id", "at_us", "event", "lot_id"),
    ("chamber_id", "laid", "specimens", "planned_us"),
    schema.earlier_event,
    "INSERT INTO stale_load (load_id) SELECT DISTINCT waiting.load_id FROM {} ON CONFLICT DO NOTHING",
)
CALIBRATIONS = TableSpec(
    schema.calibration,
    ("instrument_id", "done_us"),
    ("due_on", "as_found", "as_left", "uncertainty", "certificate"),
    schema.earlier_calibration,
    "INSERT INTO stale_instrument (instrument_id) SELECT DISTINCT waiting.instrument_id FROM {} ON CONFLICT DO NOTHING",
)
CAPTURES = TableSpec(
    schema.capture,
    ("captured_lot_id", "day", "specimen", "reading"),
    ("digest", "settings"),
    schema.earlier_capture,
    "INSERT INTO stale_capture (captured_lot_id) SELECT DISTINCT waiting.captured_lot_id FROM {} ON CONFLICT DO NOTHING",
    # Captures side by side begin on one line.
    "number",
)


@cache
def _temporary_tables(spec: TableSpec) -> tuple[Table, Table]:
    """Return the tables `waiting` and `wanted` of one transaction, for rows of one kind.

    Connections may be kept for the next transaction: ON COMMIT DROP ends the tables with this one.
    """
    temporary = MetaData()
    key = [Column(name, BigInteger, primary_key=True) for name in spec.identity]
    rest = [
        Column(column.name, column.type, primary_key=column.name == spec.row)
        for column in spec.table.columns
        if column.name not in spec.identity
    ]
    # also_new: whether another reading of the same data row was new.
    waiting = Table(
        "waiting", temporary, *key, *rest, Column("also_new", SmallInteger, nullable=False),
        prefixes=["TEMPORARY"], postgresql_on_commit="DROP", sqlite_with_rowid=False,
    )  # fmt: skip
    wanted = [Column(name, BigInteger) for name in (*spec.identity, "position")]
    return waiting, Table("wanted", temporary, *wanted, prefixes=["TEMPORARY"], postgresql_on_commit="DROP")


class StagedRows:
    """The rows of one drop while they are being stored, within one transaction."""

    def __init__(self, connection: Connection, spec: TableSpec, drop_id: int, now_us: int) -> None:
        self._connection, self._spec, self._drop_id, self._now_us = connection, spec, drop_id, now_us
        self._table = spec.table.name
        self._stored = 0
        self._has_waiting = False
        create_tables(connection, _temporary_tables(spec))
        # Whether the waiting row agrees with the stored row of its identity.
        same = " AND ".join(f"{self._table}.{name} = waiting.{name}" for name in spec.measured)
        # Whether the waiting row is the first of this drop that differs from the stored row of an earlier drop.
        earlier = " AND ".join(f"earlier.{name} = waiting.{name}" for name in spec.identity)
        self._same = f"({same})"
        self._corrects = (
            f"{self._table}.drop_id <> waiting.drop_id AND NOT {self._same} "
            f"AND NOT EXISTS (SELECT 1 FROM waiting AS earlier WHERE {earlier} AND earlier.{spec.row} < waiting.{spec.row})"
        )

    @property
    def identity(self) -> tuple[str, ...]:
        """The columns that name a row."""
        return self._spec.identity

    def _match(self, one: str, other: str) -> str:
        return " AND ".join(f"{other}.{name} = {one}.{name}" for name in self._spec.identity)

    # A piece

    def add(self, rows: pd.DataFrame, may_be_stored: NDArray[np.bool_]) -> pd.DataFrame:
        """Add the rows of one piece and return those that were new.

        Parameters
        ----------
        rows : DataFrame
            With the columns of the table, in the order of its key; rows of one identity in the order of the file.
        may_be_stored : ndarray of bool, shape (rows,)
            Which rows the store may already hold.
        """
        waits = self._in_store(rows, may_be_stored) | rows.duplicated(list(self._spec.identity)).to_numpy()
        new: pd.DataFrame = rows.loc[~waits]
        lines = rows[self._spec.row].to_numpy()
        self._insert(self._table, new, self._spec.columns)
        if waits.any():
            waiting = rows.loc[waits].assign(also_new=np.isin(lines[waits], lines[~waits]).astype(np.int64))
            self._insert("waiting", waiting, (*self._spec.columns, "also_new"))
            self._has_waiting = True
        self._stored += len(np.setdiff1d(lines[~waits], lines[waits]))
        return new

    def _in_store(self, rows: pd.DataFrame, may_be_stored: NDArray[np.bool_]) -> NDArray[np.bool_]:
        is_stored = np.zeros(len(rows), dtype=bool)
        if may_be_stored.any():
            self._connection.exec_driver_sql("DELETE FROM wanted")
            wanted = rows.loc[may_be_stored].assign(position=np.flatnonzero(may_be_stored))
            self._insert("wanted", wanted, (*self._spec.identity, "position"))
            # CROSS JOIN makes SQLite look up each wanted row by its key, whatever its planner assumes of the tables.
            sql = f"SELECT wanted.position FROM wanted CROSS JOIN {self._table} WHERE {self._match('wanted', self._table)}"
            is_stored[fetch_frame(self._connection, sql, (), {"position": "i8"})["position"]] = True
        return is_stored

    def _insert(self, table: str, rows: pd.DataFrame, columns: Sequence[str]) -> None:
        for start in range(0, len(rows), ROWS_AT_ONCE):
            insert_frame(self._connection, table, rows[list(columns)].iloc[start : start + ROWS_AT_ONCE])

    # The whole drop

    def contradictions(self) -> pd.DataFrame:
        """Return all rows of this drop that give one identity different values, in the order of the file."""
        if not self._has_waiting:
            return pd.DataFrame()
        columns = self._spec.columns
        key = ", ".join(f"waiting.{name}" for name in self._spec.identity)
        differ = " OR ".join(f"min({name}) <> max({name})" for name in self._spec.measured)
        doubtful = (
            f"SELECT {key} FROM waiting CROSS JOIN {self._table} WHERE {self._match('waiting', self._table)} "
            f"AND {self._table}.drop_id = waiting.drop_id AND NOT {self._same} "
            f"UNION SELECT {key} FROM waiting GROUP BY {key} HAVING {differ}"
        )
        parts = [
            f"SELECT {', '.join(f'{table}.{name}' for name in columns)} FROM doubtful CROSS JOIN {table} "
            f"WHERE {self._match('doubtful', table)} AND {table}.drop_id = :drop_id"
            for table in ("waiting", self._table)
        ]
        query = text(f"WITH doubtful AS ({doubtful}) {' UNION ALL '.join(parts)}")
        rows = self._connection.execute(query, {"drop_id": self._drop_id}).fetchall()
        return pd.DataFrame(rows, columns=list(columns)).sort_values(
            [self._spec.row, *self._spec.identity], ignore_index=True
        )

    def resolve(self) -> Counts:
        """Count the waiting rows and apply the corrections among them; there must be no contradictions."""
        counts = {STORED: self._stored, DUPLICATE: 0, CORRECTED: 0}
        if self._has_waiting:
            outcome = (
                f"CASE WHEN {self._corrects} THEN {CORRECTED} WHEN waiting.also_new = 1 THEN {STORED} "
                f"ELSE {DUPLICATE} END"
            )
            query = text(
                f"WITH outcomes AS (SELECT max({outcome}) AS outcome FROM waiting CROSS JOIN {self._table} "
                f"WHERE {self._match('waiting', self._table)} GROUP BY waiting.{self._spec.row}) "
                "SELECT outcome, count(*) FROM outcomes GROUP BY outcome"
            )
            for row_outcome, count in self._connection.execute(query):
                counts[int(row_outcome)] += int(count)
            if counts[CORRECTED]:
                self._correct()
        return Counts(counts[STORED], counts[DUPLICATE], counts[CORRECTED])

    def _correct(self) -> None:
        """Copy the rows to be corrected into the history, then update them."""
        columns = self._spec.columns
        kept = [column.name for column in self._spec.history.columns if column.name in columns]
        match = f"{self._match('waiting', self._table)} AND {self._corrects}"
        corrected = f"waiting CROSS JOIN {self._table} WHERE {match}"
        self._connection.execute(
            text(
                f"INSERT INTO {self._spec.history.name} ({', '.join(kept)}, replaced_by_drop_id, replaced_us) "
                f"SELECT {', '.join(f'{self._table}.{name}' for name in kept)}, waiting.drop_id, CAST(:now_us AS BIGINT) "
                f"FROM {corrected}"
            ),
            {"now_us": self._now_us},
        )
        self._connection.execute(text(self._spec.note_stale.format(corrected)))
        changes = ", ".join(f"{name} = waiting.{name}" for name in columns if name not in self._spec.identity)
        self._connection.execute(text(f"UPDATE {self._table} SET {changes} FROM waiting WHERE {match}"))
