"""The rows of one drop into the store, piece by piece: each counted once as stored, duplicate or corrected.

A row is known by its identity. What is new goes in at once, in the order of the table's key. A row whose identity the
store holds already, from an earlier drop or an earlier row of this one, waits in a table of its own; when the last piece
is in, all that wait are settled by a few statements, so that neither rows nor identities are ever held in memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sqlalchemy import BigInteger, Column, Connection, MetaData, SmallInteger, Table

from ingest.store import schema
from ingest.store.dialect import insert_frame
from ingest.store.store import fetch_frame

__all__ = ["CLIMATE", "READINGS", "Counts", "StagedRows", "TableSpec"]

# As Python objects, a million rows at once would take a gigabyte.
ROWS_AT_ONCE = 50_000
# What can become of a row; of the readings of one wide row the strongest, the last here, counts.
DUPLICATE, STORED, CORRECTED = range(1, 4)


@dataclass(frozen=True, slots=True)
class Counts:
    """What became of the data rows of one drop."""

    stored: int = 0
    duplicate: int = 0
    corrected: int = 0


@dataclass(frozen=True, slots=True)
class TableSpec:
    """Where rows of a kind are kept: their table, the columns that name a row and those in which a correction differs.

    `history` keeps what a row said before; `stale` notes what has to be derived again, from rows of `held`.
    """

    table: Table
    identity: tuple[str, ...]
    said: tuple[str, ...]
    history: Table
    stale: str

    @property
    def columns(self) -> tuple[str, ...]:
        """The columns of the table."""
        return tuple(column.name for column in self.table.columns)

    @property
    def kept(self) -> tuple[str, ...]:
        """The columns that go into the history."""
        ours = set(self.columns)
        return tuple(column.name for column in self.history.columns if column.name in ours)


READINGS = TableSpec(
    schema.reading,
    ("stream_id", "lot_id", "tested_us", "specimen", "reading"),
    ("value", "bound"),
    schema.earlier_value,
    "INSERT INTO stale_lot (stream_id, lot_id) SELECT DISTINCT held.stream_id, held.lot_id FROM {} "
    "ON CONFLICT DO NOTHING",
)
CLIMATE = TableSpec(
    schema.climate,
    ("chamber_id", "logged_us"),
    ("humidity_percent", "temperature_c"),
    schema.earlier_climate,
    "INSERT INTO stale_climate (chamber_id, from_us, to_us) "
    "SELECT held.chamber_id, min(held.logged_us), max(held.logged_us) FROM {} GROUP BY held.chamber_id",
)


class StagedRows:
    """The rows of one drop on their way into the store, within one transaction."""

    def __init__(self, connection: Connection, shelf: TableSpec, drop_id: int, now_us: int) -> None:
        self._connection, self._shelf, self._drop_id, self._now_us = connection, shelf, drop_id, now_us
        self._stored = 0
        self._waits = False
        self._make_tables()

    @property
    def identity(self) -> tuple[str, ...]:
        """The columns that name a row."""
        return self._shelf.identity

    def _make_tables(self) -> None:
        """Two tables of this transaction alone: rows that wait, and identities to be looked up."""
        # Where connections are kept for the next transaction, the tables end with this one: ON COMMIT DROP.
        shelf, own = self._shelf, MetaData()
        keys = [Column(name, BigInteger, primary_key=True) for name in shelf.identity]
        rest = [
            Column(c.name, c.type, primary_key=c.name == "line")
            for c in shelf.table.columns
            if c.name not in shelf.identity
        ]
        beside = Column("beside", SmallInteger, nullable=False)
        held = Table(
            "held", own, *keys, *rest, beside,
            prefixes=["TEMPORARY"], postgresql_on_commit="DROP", sqlite_with_rowid=False,
        )  # fmt: skip
        asked = [Column(name, BigInteger) for name in (*shelf.identity, "position")]
        looked_up = Table("asked", own, *asked, prefixes=["TEMPORARY"], postgresql_on_commit="DROP")
        own.create_all(self._connection, [held, looked_up])

    # A piece

    def add(self, rows: pd.DataFrame, known: NDArray[np.bool_]) -> pd.DataFrame:
        """Put in the rows of one piece; `known` marks those that the store may hold already.

        Parameters
        ----------
        rows : DataFrame
            With the columns of the table, in the order of its key, rows of one identity in the order of the file.
        known : ndarray of bool, shape (rows,)

        Returns
        -------
        DataFrame
            The rows that were new.
        """
        waits = self._in_store(rows, known) | rows.duplicated(list(self._shelf.identity)).to_numpy()
        new: pd.DataFrame = rows.loc[~waits]
        lines = rows["line"].to_numpy()
        self._insert(self._shelf.table.name, new, self._shelf.columns)
        if waits.any():
            held = rows.loc[waits].assign(beside=np.isin(lines[waits], lines[~waits]).astype(np.int64))
            self._insert("held", held, (*self._shelf.columns, "beside"))
            self._waits = True
        self._stored += len(np.setdiff1d(lines[~waits], lines[waits]))
        return new

    def _in_store(self, rows: pd.DataFrame, known: NDArray[np.bool_]) -> NDArray[np.bool_]:
        found = np.zeros(len(rows), dtype=bool)
        if known.any():
            columns = (*self._shelf.identity, "position")
            self._connection.exec_driver_sql("DELETE FROM asked")
            self._insert("asked", rows.loc[known].assign(position=np.flatnonzero(known)), columns)
            # CROSS: each row asked for is looked up, however little the planner knows of the tables.
            sql = f"SELECT asked.position FROM asked CROSS JOIN {self._shelf.table.name} WHERE {self._match('asked')}"
            found[fetch_frame(self._connection, sql, (), {"position": "i8"})["position"]] = True
        return found

    def _insert(self, table: str, rows: pd.DataFrame, columns: Sequence[str]) -> None:
        for start in range(0, len(rows), ROWS_AT_ONCE):
            insert_frame(self._connection, table, rows[list(columns)].iloc[start : start + ROWS_AT_ONCE])

    # The whole drop

    def contradictions(self) -> pd.DataFrame:
        """All rows of this drop whose identity is given another value by another row of it, in the order of the file."""
        if not self._waits:
            return pd.DataFrame()
        own = f"{self._table}.drop_id = held.drop_id"
        keys = ", ".join(f"held.{name}" for name in self._shelf.identity)
        differ = " OR ".join(f"min({name}) <> max({name})" for name in self._shelf.said)
        doubtful = (
            f"SELECT {keys} FROM held CROSS JOIN {self._table} WHERE {self._match('held')} AND {own} AND NOT {self._same} "
            f"UNION SELECT {keys} FROM held GROUP BY {keys} HAVING {differ}"
        )
        parts = [
            f"SELECT {', '.join(f'{table}.{name}' for name in self._shelf.columns)} FROM doubtful CROSS JOIN {table} "
            f"WHERE {self._match('doubtful', table)} AND {table}.drop_id = {self._drop_id}"
            for table in ("held", self._table)
        ]
        sql = f"WITH doubtful AS ({doubtful}) {' UNION ALL '.join(parts)}"
        found = self._connection.exec_driver_sql(sql)
        rows = pd.DataFrame(found.fetchall(), columns=list(self._shelf.columns))
        return rows.sort_values(["line", *self._shelf.identity], ignore_index=True)

    def settle(self) -> Counts:
        """Count the rows that waited and carry out the corrections among them; nothing may contradict any more."""
        tally = {STORED: self._stored, DUPLICATE: 0, CORRECTED: 0}
        if self._waits:
            for fate, count in self._fates():
                tally[fate] += count
            if tally[CORRECTED]:
                self._correct()
        return Counts(tally[STORED], tally[DUPLICATE], tally[CORRECTED])

    def _fates(self) -> list[tuple[int, int]]:
        """How many data rows came to what; a wide row counts by the strongest fate of its readings."""
        fate = f"CASE WHEN {self._corrects} THEN {CORRECTED} WHEN held.beside = 1 THEN {STORED} ELSE {DUPLICATE} END"
        sql = (
            f"WITH fates AS (SELECT max({fate}) AS fate FROM held CROSS JOIN {self._table} WHERE {self._match('held')} "
            "GROUP BY held.line) SELECT fate, count(*) FROM fates GROUP BY fate"
        )
        return [(int(fate), int(count)) for fate, count in self._connection.exec_driver_sql(sql)]

    def _correct(self) -> None:
        """Keep what the corrected rows said before, then let them say the new."""
        kept = self._shelf.kept
        corrected = f"held CROSS JOIN {self._table} WHERE {self._match('held')} AND {self._corrects}"
        self._connection.exec_driver_sql(
            f"INSERT INTO {self._shelf.history.name} ({', '.join(kept)}, replaced_by_drop_id, replaced_us) "
            f"SELECT {', '.join(f'{self._table}.{name}' for name in kept)}, held.drop_id, {self._now_us} FROM {corrected}"
        )
        self._connection.exec_driver_sql(self._shelf.stale.format(corrected))
        sets = [f"{name} = held.{name}" for name in self._shelf.columns if name not in self._shelf.identity]
        self._connection.exec_driver_sql(
            f"UPDATE {self._table} SET {', '.join(sets)} FROM held WHERE {self._match('held')} AND {self._corrects}"
        )

    @property
    def _table(self) -> str:
        return self._shelf.table.name

    def _match(self, one: str, other: str = "") -> str:
        return " AND ".join(f"{other or self._table}.{name} = {one}.{name}" for name in self._shelf.identity)

    @property
    def _same(self) -> str:
        """Whether the row that waits says what the store says."""
        return "(" + " AND ".join(f"{self._table}.{name} = held.{name}" for name in self._shelf.said) + ")"

    @property
    def _corrects(self) -> str:
        """Whether the row that waits is the first of this drop to tell the store something else."""
        earlier = " AND ".join(f"earlier.{name} = held.{name}" for name in self._shelf.identity)
        return (
            f"{self._table}.drop_id <> held.drop_id AND NOT {self._same} "
            f"AND NOT EXISTS (SELECT 1 FROM held AS earlier WHERE {earlier} AND earlier.line < held.line)"
        )
