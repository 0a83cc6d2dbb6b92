"""What the store says when its file is broken, foreign or of another version."""

from __future__ import annotations

import sqlite3

import pytest
from labs import MONDAY, Bench, lot_rows

from ingest.errors import StoreError
from ingest.store import STORE_NAME, open_store, put_meta


def test_a_file_that_is_no_database_is_told_in_one_line_and_left_as_it_is(bench: Bench) -> None:
    path = bench.folder / STORE_NAME
    path.write_bytes(b"not a database" * 100)
    drop = bench.drop_tests("a.csv", lot_rows("L0", MONDAY, [[10.0]]))

    with pytest.raises(StoreError, match=r"lotdrift\.db: is not a database; move it away"):
        bench.run()

    assert path.read_bytes() == b"not a database" * 100
    assert drop.exists()


def test_a_database_of_another_program_is_not_touched(bench: Bench) -> None:
    path = bench.folder / STORE_NAME
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE theirs (x)")
    connection.close()
    before = path.read_bytes()

    with pytest.raises(StoreError, match="is a database of another program"):
        bench.run()

    assert path.read_bytes() == before


def test_a_store_of_another_version_is_told(bench: Bench) -> None:
    store = open_store(bench.folder)
    with store.writing() as connection:
        put_meta(connection, "schema_version", "99")

    with pytest.raises(StoreError, match="written by another version of lotdrift"):
        bench.run()


def test_a_transaction_that_raises_leaves_nothing(bench: Bench) -> None:
    store = open_store(bench.folder)

    def fail() -> None:
        with store.writing() as connection:
            put_meta(connection, "half", "done")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail()
    with store.reading() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM meta WHERE key = 'half'").scalar() == 0


def test_a_writer_waits_for_another_instead_of_failing(bench: Bench) -> None:
    store, other = open_store(bench.folder), open_store(bench.folder)
    with store.writing() as connection:
        put_meta(connection, "first", "1")
        with other.reading() as reader:
            # A reader beside a writer sees the state before, and no error.
            assert reader.exec_driver_sql("SELECT count(*) FROM meta WHERE key = 'first'").scalar() == 0
    with other.writing() as connection:
        assert connection.exec_driver_sql("SELECT value FROM meta WHERE key = 'first'").scalar() == "1"
