"""The store on a PostgreSQL server, for several machines at once: one store is one schema of a database.

A lock in the database lets only one round run at a time. A connection holds it for the length of the round, so that it is
released if the machine dies. Writers take a second lock for each transaction; because all take it first, there are no
deadlocks. Readers see one snapshot and never wait.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url, text
from sqlalchemy.exc import DBAPIError

from ingest.common.errors import StoreError
from ingest.store.dialect import percent_marks

__all__ = ["Server"]

# How long a writer waits for another's transaction, and a round for another round.
WRITER_SECONDS = 60
ROUND_SECONDS = 600
# The defaults for what the URL leaves out. A lost peer is noticed within two minutes.
DEFAULTS = {"connect_timeout": 10, "client_encoding": "utf8", "application_name": "lotdrift"}
DEFAULTS |= {"keepalives_idle": 60, "keepalives_interval": 15, "keepalives_count": 4}
# Two numbers identify an advisory lock: its purpose, and a hash of the schema's name.
ROUND, WRITER = 7_160_001, 7_160_002
SCHEMA_NUMBER = "('x' || substr(md5(current_schema()), 1, 8))::bit(32)::int"


class Server:
    """The backend for a store on a server."""

    shared = True

    def __init__(self, declared: str) -> None:
        try:
            import psycopg
        except ImportError as error:
            raise StoreError(
                "lab.toml, lab.store: the driver for PostgreSQL is not installed; pip install 'lotdrift[server]'"
            ) from error
        self.errors: tuple[type[Exception], ...] = (psycopg.Error,)
        self.url = make_url(declared)
        self.name = _shown(self.url)

    def engine(self) -> Engine:
        """Make an engine with pooled connections, tested before use because the server may have been restarted."""
        options = {key: value for key, value in DEFAULTS.items() if key not in self.url.query}
        engine = create_engine(self.url, pool_pre_ping=True, connect_args=options)
        event.listen(engine, "connect", _prepare)
        event.listen(engine, "begin", _begin)
        event.listen(engine, "before_cursor_execute", _rewrite, retval=True)
        return engine

    def lock_for_round(self, engine: Engine) -> Connection:
        """Open a connection that holds the lock of the round until it is closed."""
        connection = engine.connect().execution_options(isolation_level="AUTOCOMMIT")
        try:
            connection.execute(text(f"SET lock_timeout = '{ROUND_SECONDS}s'"))
            connection.execute(text(f"SELECT pg_advisory_lock({ROUND}, {SCHEMA_NUMBER})"))
        except BaseException:
            connection.close()
            raise
        return connection

    def version(self) -> str | None:
        """Return the version of the schema's tables; None if there are none yet. StoreError for tables of another program."""
        engine = self.engine()
        try:
            with engine.connect().execution_options(write=False) as connection:
                return self._version(connection)
        except DBAPIError as error:
            raise StoreError(self.describe_error(error.orig)) from error
        finally:
            engine.dispose()

    def _version(self, connection: Connection) -> str | None:
        schema = connection.execute(text("SELECT current_schema()")).scalar()
        if schema is None:
            raise StoreError(f"{self.name}: the schema does not exist; create it with CREATE SCHEMA, then run again")
        query = text("SELECT tablename FROM pg_tables WHERE schemaname = :schema")
        names = set(connection.execute(query, {"schema": schema}).scalars())
        if not names:
            return None
        if not {"meta", "reading"} <= names:
            raise StoreError(
                f"{self.name}: the schema {schema} holds tables of another program; give the lab a database or a schema of its own"
            )
        return str(connection.execute(text("SELECT value FROM meta WHERE key = 'schema_version'")).scalar())

    def back_up(self, version: str) -> str:
        """Make no copy: the migration is one transaction, and backups are the task of the server's administrator."""
        return ""

    def describe_error(self, error: BaseException | None) -> str:
        """Describe an error of the server or of the network in one line: what, where, what to do."""
        message = " ".join(str(error).split())
        state = str(getattr(error, "sqlstate", None) or "")
        for sign, description in BY_STATE if state else BY_TEXT:
            if state.startswith(sign) if state else sign in message:
                return f"{self.name}: {description}"
        return f"{self.name}: {message}"

    def is_about_rows(self, error: BaseException | None) -> bool:
        """Whether the server rejected these rows: an impossible value, a constraint violated, a text too long."""
        return str(getattr(error, "sqlstate", None) or "").startswith(ABOUT_ROWS)


# Classes of the SQLSTATE: data exception, integrity constraint violation, program limit exceeded.
ABOUT_ROWS = ("22", "23", "54")
PASSWORD = "the server refused the password; see PGPASSWORD or the password file of this account"
FULL = "the server has no free connection; end some, then run again"
LOST = "the connection to the server was lost; run again once it is there: nothing was lost"

# The first letters of the SQLSTATE (PostgreSQL documentation, appendix A).
BY_STATE = [
    ("28P01", PASSWORD),
    ("42501", "can't be written; give this user the right to use the schema and make tables in it"),
    ("25006", "can't be written, the server or this user may only read; use one that may write"),
    ("53100", "could not be written, the server's disk is full; make room, then run again: nothing was lost"),
    ("53300", FULL),
    ("55P03", "is held by another round or program for too long; end it, then run again"),
    ("57P", "the server was stopped; run again once it is there: nothing was lost"),
    ("08", LOST),
]
# While connecting, and when a connection breaks, the driver gives only a text.
BY_TEXT = [
    ("password authentication failed", PASSWORD),
    (
        "no password supplied",
        "the server asks for a password; give it by PGPASSWORD or the password file of this account",
    ),
    (
        "does not exist",
        "the database or user does not exist on the server; have it created, or correct lab.store in lab.toml",
    ),
    ("no pg_hba.conf entry", "the server does not allow this user to connect from this machine; ask its administrator"),
    ("permission denied", "can't be used; give this user the right to the database"),
    ("too many", FULL),
    ("timeout expired", "the server does not answer; see that it runs and that the network lets this machine through"),
    ("failed to resolve host", "the server's name is unknown; correct lab.store in lab.toml"),
    ("connection failed", "the server can't be reached; see that it runs and that lab.store in lab.toml names it"),
    ("connection", LOST),
]


def _shown(url: URL) -> str:
    """The URL without password and options, as messages name the store."""
    plain = url.set(drivername="postgresql", query={})
    return plain.render_as_string(hide_password=True)


def _prepare(connection: Any, _record: object) -> None:
    from psycopg.adapt import Loader

    class Number(Loader):
        """Read `numeric` sums of whole numbers as whole numbers, as SQLite returns them."""

        def load(self, data: Any) -> int | float:
            digits = bytes(data).decode()
            return float(digits) if any(c in digits for c in ".nN") else int(digits)

    connection.adapters.register_loader("numeric", Number)


def _begin(connection: Connection) -> None:
    write = connection.get_execution_options().get("write")
    if write is None:
        return
    if not write:
        connection.exec_driver_sql("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
        return
    connection.exec_driver_sql(f"SET LOCAL lock_timeout = '{WRITER_SECONDS}s'")
    connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({WRITER}, {SCHEMA_NUMBER})")


def _rewrite(
    _connection: Connection, _cursor: object, statement: str, parameters: Any, context: Any, _many: bool
) -> tuple[str, Any]:
    """Rewrite the marks of driver SQL; compiled statements have the right ones already."""
    is_driver_sql = context is not None and context.compiled is None
    return (percent_marks(statement) if is_driver_sql else statement), parameters
