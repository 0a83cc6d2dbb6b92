"""The store as one SQLite file in WAL mode that several processes of one machine use at once.

A writer takes the write lock when it begins (`BEGIN IMMEDIATE`): a transaction that reads first and writes later would
fail with "database is locked" as soon as two rounds meet.

The file holds the hashes of the passwords and the key that signs the logins: whoever reads it can enter under another's
name. So it, its companions and its copies belong to their owner alone.
"""

from __future__ import annotations

import logging
import os
import sqlite3
import stat
from collections.abc import Iterator
from contextlib import closing, suppress
from itertools import count
from pathlib import Path

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.pool import NullPool

from ingest.common.errors import StoreError

__all__ = ["StoreFile", "told"]

log = logging.getLogger(__name__)

# Long enough to outlast another round's largest transaction.
BUSY_SECONDS = 60
# Read and written by the owner alone.
PRIVATE = 0o600
# What SQLite keeps beside a file in WAL mode; it makes them with the file's own rights.
COMPANIONS = ("-wal", "-shm")


class _Connection(sqlite3.Connection):
    """A connection, and the file with its state where it was opened on the word that nobody changes it."""

    taken_for_unchanging: tuple[Path, tuple[int, int]] | None = None


class StoreFile:
    """The file, and what is particular to it."""

    shared = False
    errors: tuple[type[Exception], ...] = (sqlite3.Error,)

    def __init__(self, path: Path) -> None:
        self.path = path
        self.name = str(path)

    def engine(self) -> Engine:
        """Connections to the file, each closed with the block that uses it."""
        self._make_private()
        # NullPool: connections are cheap here and a pooled one could keep an old snapshot open.
        # The path is no part of the URL, in which its "?", "#" and "%" would mean something else.
        engine = create_engine("sqlite://", creator=self._connect, poolclass=NullPool)
        event.listen(engine, "begin", _begin)
        event.listen(engine, "commit", _check_unchanged)
        return engine

    def _connect(self) -> sqlite3.Connection:
        with suppress(OSError):
            _make_empty(self.path)
        if self._may_write():
            connection = self._opened(f"{self._address()}?mode=rw")
            pragmas = ["journal_mode=WAL"]
        else:
            connection, pragmas = self._opened_to_read(), []
        # None hands the transactions to us; the driver's own would begin deferred.
        connection.isolation_level = None
        # FULL: a drop is moved away once its rows are committed, so the commit has to be on the disk by then.
        for pragma in (*pragmas, "synchronous=FULL", "foreign_keys=OFF"):
            connection.execute(f"PRAGMA {pragma}")
        return connection

    def _opened(self, address: str) -> _Connection:
        # Pages are served by several threads; each connection is used by one at a time.
        return sqlite3.connect(address, uri=True, timeout=BUSY_SECONDS, check_same_thread=False, factory=_Connection)

    def _opened_to_read(self) -> _Connection:
        """A connection that leaves no trace.

        Where SQLite can't make the companions it reads a file in WAL mode only if it may take it for unchanging: true
        while its log is not there, so that nobody is writing. https://sqlite.org/wal.html#read_only_databases
        """
        address = f"{self._address()}?mode=ro"
        if self._companion("-wal").exists() or os.access(self.path.parent, os.W_OK):
            return self._opened(address)
        state = _state(self.path)
        connection = self._opened(f"{address}&immutable=1")
        connection.taken_for_unchanging = (self.path, state)
        return connection

    def _may_write(self) -> bool:
        """Whether this account may write the file and, beside it, its companions."""
        return os.access(self.path, os.W_OK) and os.access(self.path.parent, os.W_OK)

    def _address(self) -> str:
        return self.path.absolute().as_uri()

    def _companion(self, ending: str) -> Path:
        return self.path.with_name(f"{self.path.name}{ending}")

    def _make_private(self) -> None:
        """Take the rights of others from a store, its companions and its copies that an earlier version made."""
        if os.name != "posix":
            # Elsewhere rights lie in lists that the folder hands down.
            return
        mended = [path for path in self._files() if _take_rights_of_others(path)]
        if mended:
            log.warning(
                "%s: other accounts of this computer could read it, with the key that signs the logins; now only its owner "
                "can. If others use this computer, let every user change the password",
                self.path,
            )

    def _files(self) -> Iterator[Path]:
        yield self.path
        yield from (self._companion(ending) for ending in COMPANIONS)
        with suppress(OSError):
            yield from self.path.parent.glob(f"{self.path.stem}-version-*{self.path.suffix}")

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
            with closing(self._opened_to_read()) as connection:
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
        copy = self._empty_copy(version)
        try:
            with closing(sqlite3.connect(self.path.absolute())) as source, closing(sqlite3.connect(copy)) as target:
                source.backup(target)
        except sqlite3.Error as error:
            copy.unlink(missing_ok=True)
            raise StoreError(told(copy, error)) from error
        return copy.name

    def _empty_copy(self, version: str) -> Path:
        """An empty file under the first free name, for a copy."""
        stem, end = f"{self.path.stem}-version-{version}", self.path.suffix
        for number in count(1):
            path = self.path.absolute().with_name(f"{stem}{end}" if number == 1 else f"{stem}.{number}{end}")
            try:
                _make_empty(path)
            except FileExistsError:
                continue
            except OSError as error:
                raise StoreError(f"{path}: can't be written ({error.strerror}); see to it, then try again") from error
            return path
        raise AssertionError  # the numbers have no end


def _make_empty(path: Path) -> None:
    """Make an empty file that its owner alone may read, from its first moment; FileExistsError where there is one.

    SQLite would make it with the rights that the account leaves to all, and fill it before they could be taken away.
    """
    os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, PRIVATE))


def _take_rights_of_others(path: Path) -> bool:
    """Whether others had rights to a file, which they have no longer."""
    try:
        mode = stat.S_IMODE(path.stat().st_mode)
        if not mode & (stat.S_IRWXG | stat.S_IRWXO):
            return False
        path.chmod(mode & PRIVATE)
    except OSError:
        # Not there, another's, or on a disk that may only be read: what can't be mended here is not lost here.
        return False
    return True


def _state(path: Path) -> tuple[int, int]:
    seen = path.stat()
    return seen.st_size, seen.st_mtime_ns


def _check_unchanged(connection: Connection) -> None:
    """What was read of a file that changed meanwhile may be of two states: it is no result."""
    taken = getattr(connection.connection.dbapi_connection, "taken_for_unchanging", None)
    if taken is not None and _state(taken[0]) != taken[1]:
        raise sqlite3.OperationalError("database changed while it was read")


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
        ("changed while", "was changed by another program while it was read; do it again"),
        ("locked", "is held by another program for over a minute; close that program, then run again"),
    ]
    for sign, words in advice:
        if sign in text:
            return f"{path}: {words}"
    return f"{path}: {text}"
