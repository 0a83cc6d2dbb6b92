"""The store of a lab: a file in its folder, or a schema on a shared server where `lab.toml` names one.

What is particular to each is behind `Keeper`; everything else speaks to both in the same words. Whatever the database
says is told as one line.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, cast
from weakref import finalize

from sqlalchemy import Connection, Engine, Table
from sqlalchemy.exc import DBAPIError

from ingest.common.errors import RowsError, StoreError
from ingest.config.lab import declared_store
from ingest.store.dialect import among, insert_frame, marked
from ingest.store.schema import SCHEMA_VERSION, label, metadata
from ingest.store.sqlite_store import StoreFile

if TYPE_CHECKING:
    import pandas as pd

# Functions on frames import numpy, pandas and pyarrow themselves: commands that only read rows start without them.

__all__ = ["STORE_NAME", "Keeper", "Store", "keeper_of", "known_store", "open_store"]

STORE_NAME = "lotdrift.db"
# SQLite takes at most 32,766 variables in one statement, PostgreSQL 65,535.
KEYS_AT_ONCE = 5_000


class Keeper(Protocol):
    """What holds the rows: a file or a server."""

    name: str
    shared: bool
    errors: tuple[type[Exception], ...]

    def engine(self) -> Engine:
        """Connections; the option `write` says for what one is begun."""

    def hold(self, engine: Engine) -> Connection:
        """A connection that is kept for the length of a round."""

    def version(self) -> str | None:
        """The version of the tables, None where there are none yet."""

    def set_aside(self, version: str) -> str:
        """Copy what is there before it is changed; the name of the copy, "" where there is none."""

    def told(self, error: BaseException | None) -> str:
        """One line for what the database said."""

    def is_about_rows(self, error: BaseException | None) -> bool:
        """Whether the database can't keep what it was handed, and would keep other rows."""


class Store:
    """An open store. Use `with store.reading() as c` and `with store.writing() as c`; both end with the block."""

    def __init__(self, keeper: Keeper) -> None:
        self.name = keeper.name
        # Whether other folders, on other machines, may use it too.
        self.shared = keeper.shared
        self._keeper = keeper
        self._engine = keeper.engine()
        self._held: Connection | None = None
        # Not every user of a store closes it; connections that are kept for the next block go with it.
        finalize(self, self._engine.dispose)

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
            self._telling(),
            self._engine.connect().execution_options(write=write) as connection,
            connection.begin(),
        ):
            yield connection

    def hold(self) -> None:
        """Have the store to oneself for a round, or wait for the round that has it."""
        with self._telling():
            self._held = self._keeper.hold(self._engine)

    def close(self) -> None:
        """Let go of the store."""
        with self._telling():
            if self._held is not None:
                self._held.close()
            self._engine.dispose()

    @contextmanager
    def _telling(self) -> Iterator[None]:
        """Turn what the database says into a StoreError, a RowsError where it is about the rows alone."""
        try:
            yield
        except DBAPIError as error:
            raise self._trouble(error.orig) from error
        except self._keeper.errors as error:
            raise self._trouble(error) from error

    def _trouble(self, error: BaseException | None) -> StoreError:
        kind = RowsError if self._keeper.is_about_rows(error) else StoreError
        return kind(self._keeper.told(error))


def keeper_of(folder: Path) -> Keeper:
    """What holds the rows of the lab in a folder."""
    declared = declared_store(folder)
    if declared is None:
        return StoreFile(folder / STORE_NAME)
    from ingest.store.postgres_store import Server

    return Server(declared)


def open_store(folder: Path) -> Store:
    """The store of a lab folder, made where there is none yet.

    Raises
    ------
    StoreError
        Where the store is broken, foreign, of another version or can't be written.
    """
    keeper = keeper_of(folder)
    new = _is_new(keeper)
    store = Store(keeper)
    if new:
        _make_tables(store)
    return store


def scratch_store(folder: Path) -> Store:
    """A new store of its own in a folder without a lab, to work something out in."""
    store = Store(StoreFile(folder / STORE_NAME))
    _make_tables(store)
    return store


def known_store(folder: Path) -> Store | None:
    """The store of a lab folder; None before the first round, or while it is just being made."""
    keeper = keeper_of(folder)
    return None if _is_new(keeper) else Store(keeper)


def _is_new(keeper: Keeper) -> bool:
    """Whether there are no tables yet; StoreError where they are those of another version."""
    found = keeper.version()
    if found is None or found == str(SCHEMA_VERSION):
        return found is None
    if found.isdigit() and int(found) < SCHEMA_VERSION:
        raise StoreError(
            f"{keeper.name}: was written by an earlier version of lotdrift (schema {found}, this one reads "
            f"{SCHEMA_VERSION}); do lotdrift upgrade once"
        )
    raise StoreError(
        f"{keeper.name}: was written by another version of lotdrift (schema {found}, this one reads "
        f"{SCHEMA_VERSION}); use that version, or move the store away and take the filed drops in again"
    )


def _make_tables(store: Store) -> None:
    with store.writing() as connection:
        metadata.create_all(connection)
        put_meta(connection, "schema_version", str(SCHEMA_VERSION))


def get_meta(connection: Connection, key: str) -> str | None:
    """A value of the store's own notes."""
    value: str | None = connection.exec_driver_sql("SELECT value FROM meta WHERE key = ?", (key,)).scalar()
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
    import numpy as np
    import pandas as pd

    cursor = connection.connection.cursor()
    cursor.execute(marked(connection, sql), tuple(values))
    found = np.fromiter(cast("Iterable[object]", cursor), dtype=list(dtypes.items()))
    return pd.DataFrame({name: found[name] for name in dtypes})


def ids_of(
    connection: Connection, table: Table, keys: Iterable[tuple[str, ...]], columns: tuple[str, ...]
) -> dict[tuple[str, ...], int]:
    """Row ids of `keys` in a naming table, adding those that are new."""
    import pandas as pd

    wanted = list(dict.fromkeys(keys))
    found = _known_ids(connection, table, wanted, columns)
    new = [key for key in wanted if key not in found]
    insert_frame(connection, table.name, pd.DataFrame(new, columns=list(columns)))
    return found | _known_ids(connection, table, new, columns)


def _known_ids(
    connection: Connection, table: Table, keys: Sequence[tuple[str, ...]], columns: tuple[str, ...]
) -> dict[tuple[str, ...], int]:
    found: dict[tuple[str, ...], int] = {}
    names = ", ".join(columns)
    for start in range(0, len(keys), KEYS_AT_ONCE):
        wanted, values = among(connection, keys[start : start + KEYS_AT_ONCE])
        sql = f"SELECT id, {names} FROM {table.name} WHERE ({names}) IN {wanted}"
        rows = connection.exec_driver_sql(sql, values)
        found.update((tuple(row[1:]), row[0]) for row in rows)
    return found


def label_ids(connection: Connection, kind: str, texts: Iterable[str]) -> dict[str, int]:
    """Ids of chambers, instruments, operators or loads by name, adding those that are new."""
    found = ids_of(connection, label, ((kind, text) for text in texts), ("kind", "text"))
    return {text: number for (_, text), number in found.items()}
