"""The two kinds of store that a test can have its lab in, and a store of the version before."""

from __future__ import annotations

import pytest
from sqlalchemy import Connection

from ingest.store.schema import SCHEMA_VERSION
from ingest.store.store import put_meta

__all__ = ["make_one_version_older", "on_both_stores"]

# Above a test that takes `bench`; a whole module says `BOTH_STORES = True` instead.
on_both_stores = pytest.mark.parametrize("bench", ["file", "server"], indirect=True)


def make_one_version_older(connection: Connection) -> None:
    """Turn a new store into one of the version before: without the tables that its last step adds."""
    for name in ("stock_count", "earlier_count", "stale_stock", "film_age", "shelf_lot", "bench_part", "conformity"):
        connection.exec_driver_sql(f"DROP TABLE {name}")
    put_meta(connection, "schema_version", str(SCHEMA_VERSION - 1))
