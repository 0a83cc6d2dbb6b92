"""The store as one SQLite file in WAL mode, used by several processes of one machine at once.

A writer takes the write lock at the start of its transaction (`BEGIN IMMEDIATE`): a transaction that reads first and writes
later would fail with "database is locked" when two rounds meet.

The file holds password hashes and the key that signs logins, so anyone who can read it can log in as another user. The
file, its companions and its copies are therefore accessible to their owner only.
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

__all__ = ["StoreFile", "describe_error"]

log = logging.getLogger(__name__)

# Longer than the largest transaction of another round.
BUSY_SECONDS = 60
# Readable and writable by the owner only.
PRIVATE = 0o600
# The files that SQLite keeps beside a database in WAL mode; they get the permissions of the database.
COMPANIONS = ("-wal", "-shm")


class _Connection(sqlite3.Connection):
    """A connection; `assumed_immutable` is the file and its state, if SQLite was told that the file does not change."""

    assumed_immutable: tuple[Path, tuple[int, int]] | None = None


class StoreFile:
    """The backend for a store in a file."""

    shared = False
    errors: tuple[type[Exception], ...] = (sqlite3.Error,)

    def __init__(self, path: Path) -> None:
        self.path = path
        self.name = str(path)

    def engine(self) -> Engine:
        """Make an engine whose connections are closed at the end of each block."""
        self._make_private()
        # NullPool: connections are cheap here, and a pooled one could keep an old snapshot open.
        # The path is not part of the URL, where "?", "#" and "%" have another meaning.
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
        # None: we begin the transactions; the driver would begin them deferred.
        connection.isolation_level = None
        # FULL: a file is archived once its rows are committed, so the commit must be on disk by then.
        for pragma in (*pragmas, "synchronous=FULL", "foreign_keys=OFF"):
            connection.execute(f"PRAGMA {pragma}")
        return connection

    def _opened(self, address: str) -> _Connection:
        # Several threads serve pages; each connection is used by one thread at a time.
        return sqlite3.connect(address, uri=True, timeout=BUSY_SECONDS, check_same_thread=False, factory=_Connection)

    def _opened_to_read(self) -> _Connection:
        """Open a connection that changes no file.

        If SQLite can't create the companions, it reads a file in WAL mode only as immutable. The file is immutable while it
        has no log, because then nobody is writing. https://sqlite.org/wal.html#read_only_databases
        """
        address = f"{self._address()}?mode=ro"
        if self._companion("-wal").exists() or os.access(self.path.parent, os.W_OK):
            return self._opened(address)
        state = _state(self.path)
        connection = self._opened(f"{address}&immutable=1")
        connection.assumed_immutable = (self.path, state)
        return connection

    def _may_write(self) -> bool:
        """Whether this account may write the file and its companions."""
        return os.access(self.path, os.W_OK) and os.access(self.path.parent, os.W_OK)

    def _address(self) -> str:
        return self.path.absolute().as_uri()

    def _companion(self, ending: str) -> Path:
        return self.path.with_name(f"{self.path.name}{ending}")

    def _make_private(self) -> None:
        """Remove the permissions of other accounts from a store that an earlier version made, and from its companions and copies."""
        if os.name != "posix":
            # Elsewhere files inherit access control lists from their folder.
            return
        restricted = [path for path in self._files() if _restrict_to_owner(path)]
        if restricted:
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

    def lock_for_round(self, engine: Engine) -> Connection:
        """Keep one connection open: closing the last one writes the log back into the file, which is slow to do for each drop."""
        return engine.connect()

    def describe_error(self, error: BaseException | None) -> str:
        """Describe a database error in one line."""
        return describe_error(self.path, error)

    def is_about_rows(self, error: BaseException | None) -> bool:
        """Whether the database rejected these rows: a text too long, a constraint violated."""
        return isinstance(error, sqlite3.DataError | sqlite3.IntegrityError)

    def version(self) -> str | None:
        """Return the version of the schema in the file; None if there is none yet. StoreError for any other file.

        The file is opened read-only: setting the journal mode would change a file that may not be ours.
        """
        if not self.path.exists():
            return None
        try:
            with closing(self._opened_to_read()) as connection:
                return self._version(connection)
        except sqlite3.Error as error:
            raise StoreError(self.describe_error(error)) from error

    def _version(self, connection: sqlite3.Connection) -> str | None:
        names = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        if not names:
            return None
        if not {"meta", "reading"} <= names:
            raise StoreError(f"{self.path}: is a database of another program; move it away, then run again")
        row = connection.execute("SELECT value FROM meta WHERE key = 'schema_version'").fetchone()
        return str(row and row[0])

    def back_up(self, version: str) -> str:
        """Copy the file under a free name beside it and return that name, so that an upgrade can be undone."""
        copy = self._empty_copy(version)
        try:
            with closing(sqlite3.connect(self.path.absolute())) as source, closing(sqlite3.connect(copy)) as target:
                source.backup(target)
        except sqlite3.Error as error:
            copy.unlink(missing_ok=True)
            raise StoreError(describe_error(copy, error)) from error
        return copy.name

    def _empty_copy(self, version: str) -> Path:
        """Make an empty file under the first free name, for a copy."""
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
        raise AssertionError  # The numbers have no end


def _make_empty(path: Path) -> None:
    """Make an empty file that only its owner can read; FileExistsError if there is one.

    SQLite would create it with the default permissions and write to it before they could be restricted.
    """
    os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, PRIVATE))


def _restrict_to_owner(path: Path) -> bool:
    """Remove the permissions of other accounts; return whether there were any."""
    try:
        mode = stat.S_IMODE(path.stat().st_mode)
        if not mode & (stat.S_IRWXG | stat.S_IRWXO):
            return False
        path.chmod(mode & PRIVATE)
    except OSError:
        # Missing, owned by another account or on a read-only disk: nothing to be done here.
        return False
    return True


def _state(path: Path) -> tuple[int, int]:
    status = path.stat()
    return status.st_size, status.st_mtime_ns


def _check_unchanged(connection: Connection) -> None:
    """Refuse a result that was read from a file while it changed: it may mix two states."""
    assumed = getattr(connection.connection.dbapi_connection, "assumed_immutable", None)
    if assumed is not None and _state(assumed[0]) != assumed[1]:
        raise sqlite3.OperationalError("database changed while it was read")


def _begin(connection: Connection) -> None:
    write = connection.get_execution_options().get("write", False)
    if write:
        # 64 MB for the pages that a round changes. Readers don't need it: eight of them would take half a gigabyte.
        connection.exec_driver_sql("PRAGMA cache_size=-65536")
    connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")


def describe_error(path: Path, error: BaseException | None) -> str:
    """Describe a database error in one line: what, where, what to do."""
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
