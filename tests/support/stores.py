"""The two kinds of store that a test can have its lab in, and a store of the version before."""

from __future__ import annotations

import pytest
from alembic.migration import MigrationContext
from alembic.operations import Operations
from sqlalchemy import Connection

from ingest.store.schema import SCHEMA_VERSION
from ingest.store.store import put_meta

__all__ = ["make_one_version_older", "make_version_4", "on_both_stores"]

# Above a test that takes `bench`; a whole module says `BOTH_STORES = True` instead.
on_both_stores = pytest.mark.parametrize("bench", ["file", "server"], indirect=True)


def make_one_version_older(connection: Connection) -> None:
    """Turn a new store into one of the version before: without what its last step adds."""
    connection.exec_driver_sql("DROP TABLE session_instrument")
    _one_session_a_moment(connection)
    put_meta(connection, "schema_version", str(SCHEMA_VERSION - 1))


def _one_session_a_moment(connection: Connection) -> None:
    key = ["stream_id", "lot_id", "started_us"]
    operations = Operations(MigrationContext.configure(connection))
    with operations.batch_alter_table(
        "session", naming_convention={"uq": "%(table_name)s_%(column_0_N_name)s_key"}
    ) as batch:
        batch.drop_constraint("session_stream_id_lot_id_started_us_instrument_id_key", type_="unique")
        batch.create_unique_constraint("session_stream_id_lot_id_started_us_key", key)


def make_version_4(connection: Connection) -> None:
    """Turn a new store into one of version 4."""
    _one_session_a_moment(connection)
    for name in ("session_by_load", "session_by_lot", "session_by_instrument"):
        connection.exec_driver_sql(f"DROP INDEX {name}")
    for name in ("clock", "loaded_us", "doors", "bench"):
        connection.exec_driver_sql(f"ALTER TABLE session DROP COLUMN {name}")
    for name in (
        "stock_count", "earlier_count", "stale_stock", "film_age", "shelf_lot",
        "load_event", "earlier_event", "stale_load", "calibration", "earlier_calibration", "stale_instrument",
        "captured_lot", "capture", "earlier_capture", "stale_capture", "capture_match",
        "bench_part", "conformity",
        "case_alert", "retest", "chamber_state", "search_name", "lot_source", "session_instrument",
    ):  # fmt: skip
        connection.exec_driver_sql(f"DROP TABLE {name}")
    connection.exec_driver_sql("ALTER TABLE act DROP COLUMN about")
    put_meta(connection, "schema_version", "4")
