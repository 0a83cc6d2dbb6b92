"""From the tables of an earlier release to those of this one, a step a version, all in one transaction.

A step is written once, in its own words, and never changed: `ingest/schema.py` says what the newest tables are and moves
on. Statements that change tables are part of a transaction in both kinds of store, so an upgrade is whole or not at all.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import BigInteger, Column, Connection, Float, Index, Integer, MetaData, Table, Text

from ingest.common.errors import StoreError
from ingest.store.round_lock import alone
from ingest.store.schema import SCHEMA_VERSION
from ingest.store.store import Store, get_meta, keeper_of, put_meta

__all__ = ["Upgraded", "upgrade"]


@dataclass(frozen=True, slots=True)
class Upgraded:
    """What an upgrade did: the versions, equal where there was nothing to do, and the name of the copy, "" for none."""

    before: int
    after: int
    copy: str


def upgrade(folder: Path) -> Upgraded:
    """Bring the store of a lab to this version's tables.

    Raises
    ------
    StoreError
        Where there is no store yet, it is of a later version, or it can't be written.
    """
    keeper = keeper_of(folder)
    found = keeper.version()
    if found is None:
        raise StoreError(f"{keeper.name}: there is no store yet; lotdrift run makes one that needs no upgrade")
    before = int(found) if found.isdigit() else 0
    if not 1 <= before <= SCHEMA_VERSION:
        raise StoreError(
            f"{keeper.name}: was written by another version of lotdrift (schema {found}); only that version can read it"
        )
    if before == SCHEMA_VERSION:
        return Upgraded(before, before, "")
    with alone(folder):
        store = Store(keeper)
        try:
            store.hold()
            copy = keeper.set_aside(found)
            _take_steps(store)
        finally:
            store.close()
    return Upgraded(before, SCHEMA_VERSION, copy)


def _take_steps(store: Store) -> None:
    with store.writing() as connection:
        # Looked up again: another upgrade may have come first.
        for version in range(int(get_meta(connection, "schema_version") or 1) + 1, SCHEMA_VERSION + 1):
            STEPS[version](connection)
            put_meta(connection, "schema_version", str(version))


def _to_2(connection: Connection) -> None:
    """Accounts, corrections of logs, marks of values, quarters drawn up; the next round derives everything again."""
    word = Text().with_variant(Text(collation="C"), "postgresql")
    number = BigInteger().with_variant(Integer, "sqlite")
    made = MetaData()
    Table(
        "account", made, Column("name", word, primary_key=True), *_needed(word, "role", "hash"),
        *_needed(BigInteger, "made_us"), Column("closed_us", BigInteger),
    )  # fmt: skip
    Table(
        "earlier_climate", made, Column("id", number, primary_key=True), *_needed(number, "chamber_id"),
        *_needed(BigInteger, "logged_us"), *_needed(Float, "humidity_percent", "temperature_c"),
        *_needed(number, "drop_id"), *_needed(Integer, "line"), *_needed(number, "replaced_by_drop_id"),
        *_needed(BigInteger, "replaced_us"), Index("earlier_climate_by_time", "chamber_id", "logged_us"),
    )  # fmt: skip
    Table(
        "mark", made, Column("session_id", number, primary_key=True), *_needed(number, "stream_id"),
        *_needed(word, "share", "slip"), *_needed(Integer, "power"), *_needed(Float, "low", "high"),
        *_needed(word, "settled"), Index("mark_by_stream", "stream_id"), sqlite_with_rowid=False,
    )  # fmt: skip
    Table(
        "drawn_quarter", made, Column("quarter", word, primary_key=True), *_needed(BigInteger, "drawn_us"),
        *_needed(word, "digest", "lots"),
    )  # fmt: skip
    Table("watched", made, Column("stream_id", number, primary_key=True), *_needed(word, "said"))
    Table(
        "neighbour", made, Column("stream_id", number, primary_key=True), Column("block", Integer, primary_key=True),
        *_needed(Float, *[f"{name}_{apart}" for name in ("pairs", "apart") for apart in (1, 2, 3)]),
        sqlite_with_rowid=False,
    )  # fmt: skip
    Table(
        "own_score", made, Column("stream_id", number, primary_key=True), Column("session_id", number, primary_key=True),
        *_needed(BigInteger, "tested_us"), *_needed(Float, "score", "sigma"), Index("own_score_by_time", "tested_us"),
        sqlite_with_rowid=False,
    )  # fmt: skip
    Table("sister", made, Column("characteristic", word, primary_key=True), *_needed(word, "said"))
    made.create_all(connection)
    # As if the declarations had changed: sessions and figures of the earlier version lack what this one shows.
    put_meta(connection, "declared", "")


def _needed(kind: Any, *names: str) -> list[Column[Any]]:
    """Columns that are never empty."""
    return [Column(name, kind, nullable=False) for name in names]


def _to_3(connection: Connection) -> None:
    """Shifts in common are found again from the first test on: those of the earlier version lack rivals and latest ends."""
    put_meta(connection, "bench_findings", "[]")
    put_meta(connection, "scores_changed_from_us", "0")


def _to_4(connection: Connection) -> None:
    """What is sure of a session's extremes; the next round summarises every session again."""
    for name in ("smallest_high", "largest_low"):
        connection.exec_driver_sql(f"ALTER TABLE session ADD COLUMN {name} FLOAT")
    put_meta(connection, "declared", "")


STEPS: dict[int, Callable[[Connection], None]] = {2: _to_2, 3: _to_3, 4: _to_4}
