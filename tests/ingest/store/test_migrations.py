"""A store of every released version is brought to this one, whole or not at all."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from click.testing import CliRunner
from sqlalchemy import inspect
from support.labs import LAB_TOML, Bench
from support.stores import make_version_4

from dashboard.cli import main
from ingest.common.errors import StoreError
from ingest.store import migrations
from ingest.store.schema import SCHEMA_VERSION, metadata
from ingest.store.store import STORE_NAME, get_meta, known_store, open_store, put_meta

if TYPE_CHECKING:
    from sqlalchemy import Connection
    from support.cluster import Cluster

# What each release wrote; a new release adds its own.
RELEASED = {
    1: "store_version_1.sql",
    2: "store_version_2.sql",
    3: "store_version_3.sql",
    4: "store_version_4.sql",
    5: "store_version_5.sql",
    6: "store_version_6.sql",
}


def put_released(bench: Bench, version: int) -> Path:
    """The store of a release, as its own code wrote it."""
    path = bench.folder / STORE_NAME
    dump = (Path(__file__).parent / RELEASED[version]).read_text(encoding="utf-8")
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(dump)
    return path


def rows_of(path: Path) -> dict[str, list[Any]]:
    """Every row of every table but the store's notes."""
    with closing(sqlite3.connect(path)) as connection:
        tables = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {
            table: sorted(connection.execute(f'SELECT * FROM "{table}"').fetchall(), key=repr)
            for table in tables
            if table != "meta"
        }


def shape(connection: Connection) -> dict[str, Any]:
    """Tables, their columns in order with types, keys and indexes, as the database itself tells them."""
    seen = inspect(connection)
    return {
        table: {
            "columns": [
                (one["name"], str(one["type"]), one["nullable"], one["default"]) for one in seen.get_columns(table)
            ],
            "key": seen.get_pk_constraint(table)["constrained_columns"],
            "indexes": sorted((one["name"] or "", one["column_names"]) for one in seen.get_indexes(table)),
            "unique": sorted(one["column_names"] for one in seen.get_unique_constraints(table)),
        }
        for table in seen.get_table_names()
    }


def call(folder: Path, *arguments: str) -> tuple[int, str, str]:
    found = CliRunner().invoke(main, [*arguments, "--lab", str(folder)])
    return found.exit_code, found.stdout, found.stderr


@pytest.mark.parametrize("version", RELEASED)
def test_a_store_of_a_release_has_the_tables_of_a_new_one_after_the_upgrade_and_keeps_its_rows(
    version: int, bench: Bench, tmp_path: Path
) -> None:
    path = put_released(bench, version)
    before = rows_of(path)

    assert migrations.upgrade(bench.folder) == migrations.Upgraded(
        version, SCHEMA_VERSION, f"lotdrift-version-{version}.db"
    )

    upgraded, fresh = known_store(bench.folder), open_store(Bench(tmp_path / "fresh").folder)
    assert upgraded is not None
    with upgraded.reading() as old, fresh.reading() as new:
        assert shape(old) == shape(new)
        # A second judge: what the migration tool of the field would still change.
        assert compare_metadata(MigrationContext.configure(old), metadata) == []
        assert get_meta(old, "schema_version") == get_meta(new, "schema_version") == str(SCHEMA_VERSION)
    # A later version adds columns at the end of a row and changes none of those before.
    after = rows_of(path)
    for table, rows in before.items():
        assert [row[: len(old)] for row, old in zip(after[table], rows, strict=True)] == rows
    assert rows_of(bench.folder / f"lotdrift-version-{version}.db") == before


@pytest.mark.parametrize("version", RELEASED)
def test_an_upgraded_store_takes_the_next_round(version: int, bench: Bench) -> None:
    put_released(bench, version)
    migrations.upgrade(bench.folder)

    done = bench.run()

    assert (done.entries, done.problems) == ([], [])
    (lot, other) = (call(bench.folder, "lot", "Alder Film", name) for name in ("L0", "L1"))
    assert lot[0] == other[0] == 0


def test_checks_of_two_testers_that_an_earlier_version_took_for_one_are_cut_apart(bench: Bench) -> None:
    put_released(bench, 6)
    migrations.upgrade(bench.folder)
    standard = (
        '[[check_standard]]\nsupplier = "Kept references"\nproduct = "coupon"\nexpected = 10.0\nbefore_hours = 12\n'
    )
    bench.declare(LAB_TOML + standard)

    bench.run()

    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        rows = connection.exec_driver_sql(
            "SELECT l.lot, i.text, s.bags, s.bench FROM session s JOIN lot l ON l.id = s.lot_id "
            "JOIN label i ON i.id = s.instrument_id ORDER BY l.lot, i.text"
        ).fetchall()
    # Tester 2 reads 25 % high: both lots were measured on both testers.
    assert [tuple(row[:3]) for row in rows if row[0].startswith("K")] == [
        (lot, tester, 1) for lot in ("K0", "K1") for tester in ("tester 1", "tester 2")
    ]
    assert [row[3] for row in rows if row[0].startswith("L")] == ["failed", "failed"]


def test_shifts_found_by_an_earlier_version_are_found_again(bench: Bench) -> None:
    """Its notes of a finding can't be read by this one, and must not stop a round."""
    put_released(bench, 2)
    with closing(sqlite3.connect(bench.folder / STORE_NAME)) as connection:
        connection.execute("UPDATE meta SET value = '[{\"suspect\": \"E1\"}]' WHERE key = 'bench_findings'")
        connection.commit()
    migrations.upgrade(bench.folder)

    assert bench.run().problems == []

    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        assert get_meta(connection, "bench_findings") == "[]"


@pytest.mark.parametrize(
    "command",
    [
        ("run",),
        ("serve", "--port", "0"),
        ("board",),
        ("alerts",),
        ("lot", "Alder Film", "L0"),
        ("scorecard", "2026-Q1"),
    ],
)
def test_an_old_store_is_told_by_every_command_and_left_as_it_is(command: tuple[str, ...], bench: Bench) -> None:
    path = put_released(bench, 1)
    before = path.read_bytes()

    status, out, err = call(bench.folder, *command)

    assert (status, out, err.count("\n")) == (3, "", 1)
    assert "was written by an earlier version of lotdrift (schema 1, this one reads" in err
    assert "do lotdrift upgrade once" in err
    assert path.read_bytes() == before


def test_the_command_says_what_it_did_and_does_it_once(bench: Bench) -> None:
    put_released(bench, 1)

    status, out, err = call(bench.folder, "upgrade")
    again = call(bench.folder, "upgrade")

    assert (status, err) == (0, "")
    assert out == (
        f"The store was upgraded from schema 1 to {SCHEMA_VERSION}. A copy of the earlier store is kept in lotdrift-version-1.db.\n"
    )
    assert again == (0, f"The store already has this version (schema {SCHEMA_VERSION}). Nothing was changed.\n", "")


def test_a_copy_set_aside_earlier_is_never_overwritten(bench: Bench) -> None:
    put_released(bench, 1)
    earlier = bench.folder / "lotdrift-version-1.db"
    earlier.write_bytes(b"precious")

    assert migrations.upgrade(bench.folder).copy == "lotdrift-version-1.2.db"
    assert earlier.read_bytes() == b"precious"


def fail_after_one_step(monkeypatch: pytest.MonkeyPatch) -> None:
    """A step that breaks after it has changed something."""
    whole = migrations.STEPS[SCHEMA_VERSION]

    def breaks(connection: Connection) -> None:
        whole(connection)
        raise StoreError("the power went")

    monkeypatch.setitem(migrations.STEPS, SCHEMA_VERSION, breaks)


def test_a_half_done_upgrade_leaves_a_file_as_it_was(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    path = put_released(bench, 1)
    before = rows_of(path)
    with monkeypatch.context() as broken:
        fail_after_one_step(broken)
        with pytest.raises(StoreError, match="the power went"):
            migrations.upgrade(bench.folder)

    assert rows_of(path) == before
    with pytest.raises(StoreError, match="earlier version"):
        known_store(bench.folder)
    assert migrations.upgrade(bench.folder).after == SCHEMA_VERSION


def make_earlier(store_folder: Path) -> None:
    """A server's store of version 1. No release made one, so it is a new one without what came later."""
    with open_store(store_folder).writing() as connection:
        connection.exec_driver_sql("DROP TABLE account")
        for name in ("smallest_high", "largest_low"):
            connection.exec_driver_sql(f"ALTER TABLE session DROP COLUMN {name}")
        make_version_4(connection)
        put_meta(connection, "schema_version", "1")


def test_a_servers_store_is_upgraded_whole_or_not_at_all(
    tmp_path: Path, server: Cluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench, fresh = (Bench(tmp_path / name, store=server.new_store()) for name in ("old", "new"))
    make_earlier(bench.folder)
    with monkeypatch.context() as broken:
        fail_after_one_step(broken)
        with pytest.raises(StoreError, match="the power went"):
            migrations.upgrade(bench.folder)
    with pytest.raises(StoreError, match="earlier version"):
        known_store(bench.folder)

    assert migrations.upgrade(bench.folder) == migrations.Upgraded(1, SCHEMA_VERSION, "")

    upgraded = known_store(bench.folder)
    assert upgraded is not None
    with upgraded.reading() as old, open_store(fresh.folder).reading() as new:
        assert shape(old) == shape(new)
        assert [row.collation for row in collations(old)] == [row.collation for row in collations(new)]


def collations(connection: Connection) -> list[Any]:
    """The order of texts in each column of a server's schema."""
    return list(
        connection.exec_driver_sql(
            "SELECT table_name, column_name, collation_name AS collation FROM information_schema.columns "
            "WHERE table_schema = current_schema() ORDER BY table_name, ordinal_position"
        )
    )


@pytest.mark.parametrize(
    ("said", "told"), [("99", "only that version can read it"), ("new", "only that version can read it")]
)
def test_a_store_of_a_later_version_is_not_upgraded(said: str, told: str, bench: Bench) -> None:
    with open_store(bench.folder).writing() as connection:
        put_meta(connection, "schema_version", said)

    with pytest.raises(StoreError, match=told):
        migrations.upgrade(bench.folder)


def test_where_there_is_no_store_there_is_nothing_to_upgrade(bench: Bench) -> None:
    status, out, err = call(bench.folder, "upgrade")

    assert (status, out) == (3, "")
    assert "there is no store yet; lotdrift run makes one" in err
    assert not (bench.folder / STORE_NAME).exists()


def test_every_version_up_to_this_one_has_its_step() -> None:
    assert sorted(migrations.STEPS) == list(range(2, SCHEMA_VERSION + 1))
