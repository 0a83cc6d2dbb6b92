"""The store: one SQLite file in WAL mode that several processes use at once.

A writer takes the write lock when it begins (`BEGIN IMMEDIATE`): a transaction that reads first and writes later would
fail with "database is locked" as soon as two rounds meet. Whatever the database says is told as one line.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, cast

import numpy as np
import pandas as pd
from sqlalchemy import Connection, Engine, Table, create_engine, event, select
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import NullPool

from ingest.errors import StoreError
from ingest.schema import SCHEMA_VERSION, label, meta, metadata

__all__ = ["STORE_NAME", "Store", "known_store", "open_store"]

STORE_NAME = "lotdrift.db"
# Long enough to outlast another round's largest transaction.
BUSY_SECONDS = 60
# SQLite takes at most 32,766 variables in one statement.
KEYS_AT_ONCE = 5_000


class Store:
    """An open store. Use `with store.reading() as c` and `with store.writing() as c`; both end with the block."""

    def __init__(self, path: Path, engine: Engine) -> None:
        self.path = path
        self._engine = engine
        self._held: Connection | None = None

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection that sees one consistent state and may not write."""
        with self._connection(write=False) as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """A connection that holds the write lock; commits when the block ends, rolls back when it raises."""
        with self._connection(write=True) as connection:
            yield connection

    @contextmanager
    def _connection(self, write: bool) -> Iterator[Connection]:
        with (
            _telling(self.path),
            self._engine.connect().execution_options(write=write) as connection,
            connection.begin(),
        ):
            yield connection

    def hold(self) -> None:
        """Keep one connection: the last one to leave writes the log back into the file, which is slow for each drop."""
        with _telling(self.path):
            self._held = self._engine.connect()

    def close(self) -> None:
        """Let go of the file."""
        if self._held is not None:
            self._held.close()
        self._engine.dispose()


@contextmanager
def _telling(path: Path) -> Iterator[None]:
    """Turn what the database says into a StoreError."""
    try:
        yield
    except DBAPIError as error:
        raise StoreError(told(path, error.orig)) from error
    except sqlite3.Error as error:
        raise StoreError(told(path, error)) from error


def open_store(folder: Path) -> Store:
    """The store of a lab folder, made where there is none yet.

    Raises
    ------
    StoreError
        Where the file is broken, foreign, of another version or can't be written.
    """
    path = folder / STORE_NAME
    new = not path.exists() or _version(path) is None
    store = Store(path, _engine(path))
    if new:
        _make_tables(store)
    return store


def known_store(folder: Path) -> Store | None:
    """The store of a lab folder; None before the first round, or while it is just making the file."""
    path = folder / STORE_NAME
    return Store(path, _engine(path)) if path.exists() and _version(path) is not None else None


def _engine(path: Path) -> Engine:
    # NullPool: connections are cheap here and a pooled one could keep an old snapshot open.
    engine = create_engine(f"sqlite:///{path}", poolclass=NullPool, connect_args={"timeout": BUSY_SECONDS})
    event.listen(engine, "connect", _prepare)
    event.listen(engine, "begin", _begin)
    return engine


def _prepare(connection: sqlite3.Connection, _record: object) -> None:
    # None hands the transactions to us; the driver's own would begin deferred.
    connection.isolation_level = None
    # FULL: a drop is moved away once its rows are committed, so the commit has to be on the disk by then.
    for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=OFF", "cache_size=-65536"):
        connection.execute(f"PRAGMA {pragma}")


def _begin(connection: Connection) -> None:
    write = connection.get_execution_options().get("write", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")


def _version(path: Path) -> int | None:
    """The schema version in the file, None for an empty one; StoreError for any other file.

    Looked up without write access: setting our journal mode would already change a file that is not ours.
    """
    try:
        with closing(
            sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=BUSY_SECONDS)
        ) as connection:
            names = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
            if not names:
                return None
            if not {"meta", "reading"} <= names:
                raise StoreError(f"{path}: is a database of another program; move it away, then run again")
            found = connection.execute("SELECT value FROM meta WHERE key = 'schema_version'").fetchone()
    except sqlite3.Error as error:
        raise StoreError(told(path, error)) from error
    if found is None or found[0] != str(SCHEMA_VERSION):
        raise StoreError(
            f"{path}: was written by another version of lotdrift (schema {found and found[0]}, this one reads "
            f"{SCHEMA_VERSION}); use that version, or move the file away and take the filed drops in again"
        )
    return SCHEMA_VERSION


def _make_tables(store: Store) -> None:
    with store.writing() as connection:
        metadata.create_all(connection)
        put_meta(connection, "schema_version", str(SCHEMA_VERSION))


def told(path: Path, error: BaseException | None) -> str:
    """One line for what the database said: what, where, what to do."""
    text = " ".join(str(error).split())
    advice = [
        ("not a database", "is not a database; move it away, then run again"),
        ("malformed", "is damaged; move it away and take the filed drops in again, or bring back a copy"),
        ("readonly", "can't be written; give this account the right to write the file and its folder"),
        ("unable to open", "can't be opened; see that the folder exists and this account may write it"),
        ("disk is full", "could not be written, the disk is full; make room, then run again: nothing was lost"),
        ("disk I/O error", "could not be written, the disk reports an error or is full; make room, then run again"),
        ("locked", "is held by another program for over a minute; close that program, then run again"),
    ]
    for sign, words in advice:
        if sign in text:
            return f"{path}: {words}"
    return f"{path}: {text}"


def get_meta(connection: Connection, key: str) -> str | None:
    """A value of the store's own notes."""
    value: str | None = connection.execute(select(meta.c.value).where(meta.c.key == key)).scalar()
    return value


def put_meta(connection: Connection, key: str, value: str) -> None:
    """Set a value of the store's own notes."""
    connection.exec_driver_sql(
        "INSERT INTO meta (key, value) VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value",
        (key, value),
    )


def insert_many(connection: Connection, sql: str, rows: Sequence[tuple[Any, ...]]) -> int:
    """Run `sql` once a row at the driver's speed; the number of rows it changed."""
    if not rows:
        return 0
    return max(connection.exec_driver_sql(sql, list(rows)).rowcount, 0)


def fetch_frame(connection: Connection, sql: str, values: Sequence[object], dtypes: Mapping[str, str]) -> pd.DataFrame:
    """The rows of a query whose columns are all numbers, in the order of `dtypes`, without a Python object a row."""
    cursor = connection.connection.cursor()
    cursor.execute(sql, tuple(values))
    found = np.fromiter(cast("Iterable[object]", cursor), dtype=list(dtypes.items()))
    return pd.DataFrame({name: found[name] for name in dtypes})


def ids_of(
    connection: Connection, table: Table, keys: Iterable[tuple[str, ...]], columns: tuple[str, ...]
) -> dict[tuple[str, ...], int]:
    """Row ids of `keys` in a naming table, adding those that are new."""
    wanted = list(dict.fromkeys(keys))
    found: dict[tuple[str, ...], int] = {}
    marks = ", ".join("?" * len(columns))
    insert_many(
        connection,
        f"INSERT INTO {table.name} ({', '.join(columns)}) VALUES ({marks}) ON CONFLICT ({', '.join(columns)}) DO NOTHING",
        wanted,
    )
    for start in range(0, len(wanted), KEYS_AT_ONCE):
        part = wanted[start : start + KEYS_AT_ONCE]
        rows = connection.exec_driver_sql(
            f"SELECT id, {', '.join(columns)} FROM {table.name} "
            f"WHERE ({', '.join(columns)}) IN (VALUES {', '.join([f'({marks})'] * len(part))})",
            tuple(value for key in part for value in key),
        )
        found.update((tuple(row[1:]), row[0]) for row in rows)
    return found


def label_ids(connection: Connection, kind: str, texts: Iterable[str]) -> dict[str, int]:
    """Ids of chambers, instruments, operators or loads by name, adding those that are new."""
    found = ids_of(connection, label, ((kind, text) for text in texts), ("kind", "text"))
    return {text: number for (_, text), number in found.items()}
