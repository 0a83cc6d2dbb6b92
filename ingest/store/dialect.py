"""The fast paths that SQLAlchemy does not offer: bulk insert, COPY, and looking up thousands of keys.

Driver SQL marks values with `?`; for the driver of a server the marks are rewritten. Other statements are SQLAlchemy Core or
`text()`. All of them are in SQL that both databases understand.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import cache, lru_cache
from typing import TYPE_CHECKING, Any, cast

from sqlalchemy import Connection, Table
from sqlalchemy.engine import URL
from sqlalchemy.schema import CreateIndex, CreateTable, DDLElement

if TYPE_CHECKING:
    import pandas as pd
    import psycopg

__all__ = [
    "among",
    "containing",
    "create_tables",
    "insert_frame",
    "is_server",
    "json_number",
    "marked",
    "percent_marks",
]

# A mark inside quotes is an ordinary character; the server's driver interprets every percent sign, quoted or not.
QUOTED_OR_MARK = re.compile(r"'[^']*'|\"[^\"]*\"|\?|%")


def is_server(connection: Connection) -> bool:
    """Whether the store is a PostgreSQL server and not a file."""
    return connection.dialect.name == "postgresql"


@lru_cache(maxsize=256)
def percent_marks(sql: str) -> str:
    """Rewrite the marks `?` of a statement for the server's driver."""
    return QUOTED_OR_MARK.sub(lambda match: "%s" if match[0] == "?" else match[0].replace("%", "%%"), sql)


def marked(connection: Connection, sql: str) -> str:
    """Return a statement with `?` for values in the form that a cursor of the driver takes."""
    return percent_marks(sql) if is_server(connection) else sql


def among(connection: Connection, keys: Sequence[Sequence[Any]]) -> tuple[str, tuple[Any, ...]]:
    """Return the SQL that follows `(a, b) IN` for these keys, and its values; a key is all texts or all whole numbers.

    A server receives one array a column, because parsing thousands of marks would be slow.
    """
    if is_server(connection):
        kind = "text[]" if isinstance(keys[0][0], str) else "bigint[]"
        columns = tuple(list(column) for column in zip(*keys, strict=True))
        return f"(SELECT * FROM unnest({', '.join([f'?::{kind}'] * len(columns))}))", columns
    one = f"({', '.join('?' * len(keys[0]))})"
    return f"(VALUES {', '.join([one] * len(keys))})", tuple(value for key in keys for value in key)


def json_number(connection: Connection, column: str, *path: str) -> str:
    """Return the SQL for one number of a stored document; the database reads it ten times as fast as we would the whole."""
    if is_server(connection):
        return f"({column}::jsonb #>> '{{{','.join(path)}}}')::double precision"
    return f"json_extract({column}, '$.{'.'.join(path)}')"


def containing(text: str) -> str:
    """Return the pattern of texts that contain this one, for `LIKE ... ESCAPE '!'`."""
    return f"%{text.replace('!', '!!').replace('%', '!%').replace('_', '!_')}%"


def create_tables(connection: Connection, tables: Sequence[Table]) -> None:
    """Create tables that don't exist, with their indexes."""
    dialect = connection.dialect
    for statement in _creation(tuple(tables), f"{dialect.name}+{dialect.driver}"):
        connection.exec_driver_sql(statement)


@cache
def _creation(tables: tuple[Table, ...], driver: str) -> list[str]:
    """Return the statements that create tables, compiled once: compiling them takes longer than SQLite needs to run them."""
    dialect = URL.create(driver).get_dialect()()
    steps: list[DDLElement] = []
    for table in tables:
        steps += [CreateTable(table), *map(CreateIndex, sorted(table.indexes, key=str))]
    return [str(step.compile(dialect=dialect)) for step in steps]


def insert_frame(connection: Connection, table: str, rows: pd.DataFrame) -> None:
    """Insert new rows; the columns of the frame are columns of the table."""
    if rows.empty:
        return
    # Loaded here: most commands only read.
    import pyarrow as pa
    import pyarrow.csv as pacsv

    names = ", ".join(map(str, rows.columns))
    if not is_server(connection):
        columns = [pa.array(rows[name]).to_pylist() for name in rows]
        sql = f"INSERT INTO {table} ({names}) VALUES ({', '.join('?' * len(columns))})"
        connection.exec_driver_sql(sql, list(zip(*columns, strict=True)))
        return
    # COPY from CSV that is written column by column: a Python object for each cell would cost more than the server does.
    buffer = pa.BufferOutputStream()
    options = pacsv.WriteOptions(include_header=False)
    pacsv.write_csv(pa.Table.from_pandas(rows, preserve_index=False), buffer, options)
    # The driver's own cursor: the standard interface has no COPY.
    driver = cast("psycopg.Connection", connection.connection.driver_connection)
    with driver.cursor() as cursor, cursor.copy(f"COPY {table} ({names}) FROM STDIN (FORMAT csv)") as copy:
        copy.write(buffer.getvalue().to_pybytes())
