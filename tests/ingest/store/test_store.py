"""What the store says when its file is broken, foreign or of another version."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from support.labs import MONDAY, Bench, lot_rows
from support.stores import on_both_stores

from ingest.common.errors import StoreError
from ingest.store.sqlite_store import describe_error
from ingest.store.store import STORE_NAME, fetch_frame, known_store, open_store, put_meta


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


@on_both_stores
def test_a_store_of_another_version_is_told(bench: Bench) -> None:
    store = open_store(bench.folder)
    with store.writing() as connection:
        put_meta(connection, "schema_version", "99")

    with pytest.raises(StoreError, match="written by another version of lotdrift"):
        bench.run()


@on_both_stores
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


@on_both_stores
def test_a_writer_waits_for_another_instead_of_failing(bench: Bench) -> None:
    store, other = open_store(bench.folder), open_store(bench.folder)
    with store.writing() as connection:
        put_meta(connection, "first", "1")
        with other.reading() as reader:
            # A reader beside a writer sees the state before, and no error.
            assert reader.exec_driver_sql("SELECT count(*) FROM meta WHERE key = 'first'").scalar() == 0
    with other.writing() as connection:
        assert connection.exec_driver_sql("SELECT value FROM meta WHERE key = 'first'").scalar() == "1"


def test_a_damaged_store_is_told_and_its_bytes_and_the_drops_stay(bench: Bench) -> None:
    bench.drop_tests("a.csv", [row for lot in range(300) for row in lot_rows(f"L{lot}", MONDAY, [[10.0, 11.0]])])
    bench.run()
    path = bench.folder / STORE_NAME
    content = bytearray(path.read_bytes())
    content[4096 : len(content) // 2] = b"\xa5" * (len(content) // 2 - 4096)
    path.write_bytes(content)
    drop = bench.drop_tests("b.csv", lot_rows("L1", MONDAY, [[10.5]]))

    with pytest.raises(StoreError, match=r"lotdrift\.db: is damaged; move it away"):
        bench.run()

    assert path.read_bytes() == content
    assert drop.exists()


def test_a_store_that_another_program_holds_is_told_after_a_wait(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    bench.run()
    drop = bench.drop_tests("a.csv", lot_rows("L1", MONDAY, [[10.5]]))
    monkeypatch.setattr("ingest.store.sqlite_store.BUSY_SECONDS", 0.1)
    holder = sqlite3.connect(bench.folder / STORE_NAME)
    holder.execute("BEGIN IMMEDIATE")

    with pytest.raises(StoreError, match=r"lotdrift\.db: is held by another program"):
        bench.run()
    holder.close()

    assert drop.exists()
    assert [entry.stored for entry in bench.run().entries] == [1]


@pytest.mark.parametrize(
    ("said", "told_as"),
    [
        ("attempt to write a readonly database", "can't be written"),
        ("unable to open database file", "can't be opened"),
        ("database or disk is full", "the disk is full"),
        ("disk I/O error", "reports an error or is full"),
        ("out of\nmemory", "out of memory"),
    ],
)
def test_what_the_database_says_is_one_line_that_names_the_file(said: str, told_as: str, tmp_path: Path) -> None:
    line = describe_error(tmp_path / STORE_NAME, sqlite3.OperationalError(said))

    assert line.startswith(f"{tmp_path / STORE_NAME}: ")
    assert told_as in line
    assert "\n" not in line


def test_there_is_no_store_before_the_first_round_nor_while_its_file_is_being_made(bench: Bench) -> None:
    assert known_store(bench.folder) is None

    (bench.folder / STORE_NAME).touch()

    assert known_store(bench.folder) is None
    bench.run()
    assert known_store(bench.folder) is not None


def test_a_commit_is_on_the_disk_before_a_drop_is_moved(bench: Bench) -> None:
    # 2 is FULL: https://sqlite.org/pragma.html#pragma_synchronous
    store = open_store(bench.folder)
    with store.reading() as connection:
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == 2
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"


@on_both_stores
def test_a_frame_is_fetched_in_the_declared_types(bench: Bench) -> None:
    store = open_store(bench.folder)
    with store.reading() as connection:
        sql = "SELECT 1 AS a, 2.5 AS b UNION ALL SELECT 9007199254740993, ? "
        frame = fetch_frame(connection, sql, [1], {"a": "i8", "b": "f8"})

    assert frame["a"].tolist() == [1, 2**53 + 1]
    assert frame["b"].tolist() == [2.5, 1.0]
