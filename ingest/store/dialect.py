"""What the two stores speak differently: marks for values, and the fast way in for many rows.

Statements are written once, in the SQL that both read, with `?` for values (or `:name` inside `text()`). Where the store is
a server, the marks are rewritten on the way to the driver. What only one of the two understands has no place in a
statement: JSON is taken apart in Python, patterns of names are matched there, and "do nothing where it is known" is
`ON CONFLICT DO NOTHING`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Any, cast

from sqlalchemy import Connection

if TYPE_CHECKING:
    import pandas as pd
    import psycopg

__all__ = ["among", "insert_frame", "is_server", "marked", "percent_marks"]

# A mark inside quotes is a character; a percent sign means something to the server's driver wherever it stands.
QUOTED_OR_MARK = re.compile(r"'[^']*'|\"[^\"]*\"|\?|%")


def is_server(connection: Connection) -> bool:
    """Whether the store behind a connection is a PostgreSQL server, not a file."""
    return connection.dialect.name == "postgresql"


@lru_cache(maxsize=256)
def percent_marks(sql: str) -> str:
    """A statement with `?` for values as the server's driver takes it."""
    return QUOTED_OR_MARK.sub(lambda found: "%s" if found[0] == "?" else found[0].replace("%", "%%"), sql)


def marked(connection: Connection, sql: str) -> str:
    """A statement with `?` for values, for a cursor of the driver itself."""
    return percent_marks(sql) if is_server(connection) else sql


def among(connection: Connection, keys: Sequence[Sequence[Any]]) -> tuple[str, tuple[Any, ...]]:
    """What stands after `(a, b) IN` for these keys, and its values; a key is all texts or all whole numbers.

    A server is handed an array a column: thousands of marks would each be taken out of the statement.
    """
    if is_server(connection):
        kind = "text[]" if isinstance(keys[0][0], str) else "bigint[]"
        columns = tuple(list(column) for column in zip(*keys, strict=True))
        return f"(SELECT * FROM unnest({', '.join([f'?::{kind}'] * len(columns))}))", columns
    one = f"({', '.join('?' * len(keys[0]))})"
    return f"(VALUES {', '.join([one] * len(keys))})", tuple(value for key in keys for value in key)


def insert_frame(connection: Connection, table: str, rows: pd.DataFrame) -> None:
    """Insert rows that are not there yet; the frame's columns are those of the table."""
    if rows.empty:
        return
    if is_server(connection):
        _copy(connection, table, rows)
    else:
        _insert(connection, f"INSERT INTO {table} ({', '.join(_names(rows))}) VALUES ({_marks(rows)})", rows)


def _names(rows: pd.DataFrame) -> list[str]:
    return [str(name) for name in rows.columns]


def _marks(rows: pd.DataFrame) -> str:
    return ", ".join("?" * rows.shape[1])


def _insert(connection: Connection, sql: str, rows: pd.DataFrame) -> None:
    import pyarrow as pa

    lists = [pa.array(rows[name]).to_pylist() for name in rows]
    connection.exec_driver_sql(sql, list(zip(*lists, strict=True)))


def _copy(connection: Connection, table: str, rows: pd.DataFrame) -> None:
    """Load rows by COPY, written as CSV in columns: an object for each cell would cost more than the server does."""
    import pyarrow as pa
    from pyarrow import csv as pacsv

    written = pa.BufferOutputStream()
    plain = pacsv.WriteOptions(include_header=False)
    pacsv.write_csv(pa.Table.from_pandas(rows, preserve_index=False), written, plain)
    # Of the driver itself: the common interface of cursors knows no COPY.
    link = cast("psycopg.Connection", connection.connection.driver_connection)
    with (
        link.cursor() as cursor,
        cursor.copy(f"COPY {table} ({', '.join(_names(rows))}) FROM STDIN (FORMAT csv)") as copy,
    ):
        copy.write(written.getvalue().to_pybytes())
