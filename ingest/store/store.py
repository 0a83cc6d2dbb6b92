"""The store of a lab: a file in its folder, or a schema on a server if `lab.toml` names one.

`StoreBackend` holds what differs between the two; all other code is the same for both. Every database error becomes an
exception with a message of one line.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, cast
from weakref import finalize

from sqlalchemy import Connection, Engine, Table, inspect
from sqlalchemy.exc import DBAPIError

from ingest.common.errors import RowsError, StoreError
from ingest.config.lab_file import declared_store
from ingest.store.dialect import among, create_tables, insert_frame, marked
from ingest.store.schema import SCHEMA_VERSION, label, meta, metadata
from ingest.store.sqlite_store import StoreFile

if TYPE_CHECKING:
    import pandas as pd

# Functions on frames import numpy and pandas themselves: commands that only read rows start without them.

__all__ = ["STORE_NAME", "Store", "StoreBackend", "backend_of", "known_store", "open_store"]

STORE_NAME = "lotdrift.db"
# SQLite takes at most 32,766 variables in one statement, PostgreSQL 65,535.
KEYS_AT_ONCE = 5_000


class StoreBackend(Protocol):
    """A file or a server that holds the rows."""

    name: str
    shared: bool
    errors: tuple[type[Exception], ...]

    def engine(self) -> Engine:
        """Make an engine; the execution option `write` says whether a transaction may write."""

    def lock_for_round(self, engine: Engine) -> Connection:
        """Open a connection that is kept for the length of a round."""

    def version(self) -> str | None:
        """Return the version of the tables; None if there are none yet."""

    def back_up(self, version: str) -> str:
        """Copy the store before it is migrated; return the name of the copy, or "" if there is none."""

    def describe_error(self, error: BaseException | None) -> str:
        """Describe a database error in one line."""

    def is_about_rows(self, error: BaseException | None) -> bool:
        """Whether the database rejected these rows and would accept others."""


class Store:
    """An open store. Use `with store.reading() as c` and `with store.writing() as c`; both end with the block."""

    def __init__(self, backend: StoreBackend) -> None:
        self.name = backend.name
        # Whether folders on other machines may use it too.
        self.shared = backend.shared
        self._backend = backend
        self._engine = backend.engine()
        self._held: Connection | None = None
        # Not every user closes the store: dispose of pooled connections with it.
        finalize(self, self._engine.dispose)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Open a connection that sees one consistent state and may not write."""
        with self._connection(write=False) as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """Open a connection that holds the write lock; commit at the end of the block, roll back if it raises."""
        with self._connection(write=True) as connection:
            yield connection

    @contextmanager
    def _connection(self, write: bool) -> Iterator[Connection]:
        with (
            self._errors_described(),
            self._engine.connect().execution_options(write=write) as connection,
            connection.begin(),
        ):
            yield connection

    def hold(self) -> None:
        """Lock the store for a round; wait for the round that holds it."""
        with self._errors_described():
            self._held = self._backend.lock_for_round(self._engine)

    def close(self) -> None:
        """Release the lock and close all connections."""
        with self._errors_described():
            if self._held is not None:
                self._held.close()
            self._engine.dispose()

    @contextmanager
    def _errors_described(self) -> Iterator[None]:
        """Turn a database error into a StoreError, or into a RowsError if only the rows are at fault."""
        try:
            yield
        except DBAPIError as error:
            raise self._described(error.orig) from error
        except self._backend.errors as error:
            raise self._described(error) from error

    def _described(self, error: BaseException | None) -> StoreError:
        kind = RowsError if self._backend.is_about_rows(error) else StoreError
        return kind(self._backend.describe_error(error))


def backend_of(folder: Path) -> StoreBackend:
    """Return the backend of the lab in a folder."""
    declared = declared_store(folder)
    if declared is None:
        return StoreFile(folder / STORE_NAME)
    from ingest.store.postgres_store import Server

    return Server(declared)


def open_store(folder: Path) -> Store:
    """Open the store of a lab folder; create it if there is none yet.

    Raises
    ------
    StoreError
        If the store is damaged, of another program or version, or can't be written.
    """
    backend = backend_of(folder)
    new = _is_new(backend)
    store = Store(backend)
    if new:
        _make_tables(store)
    return store


def scratch_store(folder: Path) -> Store:
    """Create a temporary store in a folder without a lab."""
    store = Store(StoreFile(folder / STORE_NAME))
    _make_tables(store)
    return store


def known_store(folder: Path) -> Store | None:
    """Open the store of a lab folder; None before the first round, or while it is being created."""
    backend = backend_of(folder)
    return None if _is_new(backend) else Store(backend)


def _is_new(backend: StoreBackend) -> bool:
    """Whether there are no tables yet; StoreError if they are those of another version."""
    version = backend.version()
    if version is None or version == str(SCHEMA_VERSION):
        return version is None
    if version.isdigit() and int(version) < SCHEMA_VERSION:
        raise StoreError(
            f"{backend.name}: was written by an earlier version of lotdrift (schema {version}, this one reads "
            f"{SCHEMA_VERSION}); do lotdrift upgrade once"
        )
    raise StoreError(
        f"{backend.name}: was written by another version of lotdrift (schema {version}, this one reads "
        f"{SCHEMA_VERSION}); use that version, or move the store away and take the filed drops in again"
    )


def _make_tables(store: Store) -> None:
    with store.writing() as connection:
        # Another program may have made them while this one waited for the lock.
        if inspect(connection).has_table(meta.name):
            return
        create_tables(connection, metadata.sorted_tables)
        put_meta(connection, "schema_version", str(SCHEMA_VERSION))


def get_meta(connection: Connection, key: str) -> str | None:
    """Return one of the store's own settings."""
    value: str | None = connection.exec_driver_sql("SELECT value FROM meta WHERE key = ?", (key,)).scalar()
    return value


def put_meta(connection: Connection, key: str, value: str) -> None:
    """Set one of the store's own settings."""
    connection.exec_driver_sql(
        "INSERT INTO meta (key, value) VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value",
        (key, value),
    )


def insert_many(connection: Connection, sql: str, rows: Sequence[tuple[Any, ...]]) -> int:
    """Run `sql`, with `?` for values, once a row at the driver's speed; return the number of rows it changed."""
    if not rows:
        return 0
    return max(connection.exec_driver_sql(sql, list(rows)).rowcount, 0)


def fetch_frame(connection: Connection, sql: str, values: Sequence[object], dtypes: Mapping[str, str]) -> pd.DataFrame:
    """Run a query, with `?` for values, whose columns are all numbers in the order of `dtypes`; no Python object a row."""
    cursor = connection.connection.cursor()
    cursor.execute(marked(connection, sql), tuple(values))
    import numpy as np
    import pandas as pd

    rows = np.fromiter(cast("Iterable[object]", cursor), dtype=list(dtypes.items()))
    return pd.DataFrame({name: rows[name] for name in dtypes})


def ids_of(
    connection: Connection, table: Table, keys: Iterable[tuple[str, ...]], columns: tuple[str, ...]
) -> dict[tuple[str, ...], int]:
    """Return the row ids of `keys` in a naming table; insert the keys that are new."""
    wanted = list(dict.fromkeys(keys))
    ids = _stored_ids(connection, table, wanted, columns)
    new = [key for key in wanted if key not in ids]
    import pandas as pd

    insert_frame(connection, table.name, pd.DataFrame(new, columns=list(columns)))
    return ids | _stored_ids(connection, table, new, columns)


def _stored_ids(
    connection: Connection, table: Table, keys: Sequence[tuple[str, ...]], columns: tuple[str, ...]
) -> dict[tuple[str, ...], int]:
    ids: dict[tuple[str, ...], int] = {}
    names = ", ".join(columns)
    for start in range(0, len(keys), KEYS_AT_ONCE):
        wanted, values = among(connection, keys[start : start + KEYS_AT_ONCE])
        sql = f"SELECT id, {names} FROM {table.name} WHERE ({names}) IN {wanted}"
        ids.update((tuple(row[1:]), row[0]) for row in connection.exec_driver_sql(sql, values))
    return ids


def label_ids(connection: Connection, kind: str, texts: Iterable[str]) -> dict[str, int]:
    """Return the ids of chambers, instruments, operators or loads by name; insert those that are new."""
    ids = ids_of(connection, label, ((kind, name) for name in texts), ("kind", "text"))
    return {name: number for (_, name), number in ids.items()}
