"""The store as one SQLite file in WAL mode that several processes of one machine use at once.

A writer takes the write lock when it begins (`BEGIN IMMEDIATE`): a transaction that reads first and writes later would
fail with "database is locked" as soon as two rounds meet.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from itertools import count
from pathlib import Path

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.pool import NullPool

from ingest.errors import StoreError

__all__ = ["StoreFile", "told"]

# Long enough to outlast another round's largest transaction.
BUSY_SECONDS = 60


class StoreFile:
    """The file, and what is particular to it."""

    shared = False
    errors: tuple[type[Exception], ...] = (sqlite3.Error,)

    def __init__(self, path: Path) -> None:
        self.path = path
        self.name = str(path)

    def engine(self) -> Engine:
        """Connections to the file, each closed with the block that uses it."""
        # NullPool: connections are cheap here and a pooled one could keep an old snapshot open.
        engine = create_engine(f"sqlite:///{self.path}", poolclass=NullPool, connect_args={"timeout": BUSY_SECONDS})
        event.listen(engine, "connect", _prepare)
        event.listen(engine, "begin", _begin)
        return engine

    def hold(self, engine: Engine) -> Connection:
        """Keep one connection: the last one to leave writes the log back into the file, which is slow for each drop."""
        return engine.connect()

    def told(self, error: BaseException | None) -> str:
        """One line for what the database said."""
        return told(self.path, error)

    def is_about_rows(self, error: BaseException | None) -> bool:
        """Whether the database can't keep what it was handed: too long a text, a rule of a table."""
        return isinstance(error, sqlite3.DataError | sqlite3.IntegrityError)

    def version(self) -> str | None:
        """The version of the schema in the file, None where there is none yet; StoreError for any other file.

        Looked up without write access: setting our journal mode would already change a file that is not ours.
        """
        if not self.path.exists():
            return None
        try:
            with closing(
                sqlite3.connect(f"{self.path.absolute().as_uri()}?mode=ro", uri=True, timeout=BUSY_SECONDS)
            ) as connection:
                return self._version(connection)
        except sqlite3.Error as error:
            raise StoreError(self.told(error)) from error

    def _version(self, connection: sqlite3.Connection) -> str | None:
        names = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        if not names:
            return None
        if not {"meta", "reading"} <= names:
            raise StoreError(f"{self.path}: is a database of another program; move it away, then run again")
        found = connection.execute("SELECT value FROM meta WHERE key = 'schema_version'").fetchone()
        return str(found and found[0])

    def set_aside(self, version: str) -> str:
        """Copy the file as it is now under a free name beside it; the name. An upgrade can then be taken back."""
        copy = self._free_copy(version)
        try:
            with closing(sqlite3.connect(self.path)) as source, closing(sqlite3.connect(copy)) as target:
                source.backup(target)
        except sqlite3.Error as error:
            copy.unlink(missing_ok=True)
            raise StoreError(told(copy, error)) from error
        return copy.name

    def _free_copy(self, version: str) -> Path:
        stem, end = f"{self.path.stem}-version-{version}", self.path.suffix
        names = (f"{stem}{end}" if number == 1 else f"{stem}.{number}{end}" for number in count(1))
        return next(path for name in names if not (path := self.path.with_name(name)).exists())


def _prepare(connection: sqlite3.Connection, _record: object) -> None:
    # None hands the transactions to us; the driver's own would begin deferred.
    connection.isolation_level = None
    # FULL: a drop is moved away once its rows are committed, so the commit has to be on the disk by then.
    for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=OFF"):
        connection.execute(f"PRAGMA {pragma}")


def _begin(connection: Connection) -> None:
    write = connection.get_execution_options().get("write", False)
    if write:
        # For the pages that a round changes. A reader ends with its page: eight of them would hold half a gigabyte.
        connection.exec_driver_sql("PRAGMA cache_size=-65536")
    connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")


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
