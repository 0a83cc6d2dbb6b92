"""Migrate a store of an earlier release to the tables of this one: one step a version, all in one transaction.

A step is written once, in its own words, and never changed; `ingest/store/schema.py` describes only the newest tables.
Both databases change tables within a transaction, so a migration is complete or has no effect.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from alembic.migration import MigrationContext
from alembic.operations import Operations
from sqlalchemy import (
    BigInteger,
    Column,
    Connection,
    Float,
    Index,
    Integer,
    MetaData,
    SmallInteger,
    Table,
    Text,
    UniqueConstraint,
)

from ingest.common.errors import StoreError
from ingest.store.round_lock import alone
from ingest.store.schema import SCHEMA_VERSION
from ingest.store.store import Store, backend_of, get_meta, put_meta

__all__ = ["Upgraded", "upgrade"]


@dataclass(frozen=True, slots=True)
class Upgraded:
    """The result of an upgrade: the versions, equal if there was nothing to do, and the name of the copy, "" for none."""

    before: int
    after: int
    copy: str


def upgrade(folder: Path) -> Upgraded:
    """Migrate the store of a lab to this version's tables.

    Raises
    ------
    StoreError
        If there is no store yet, it is of a later version, or it can't be written.
    """
    backend = backend_of(folder)
    version = backend.version()
    if version is None:
        raise StoreError(f"{backend.name}: there is no store yet; lotdrift run makes one that needs no upgrade")
    before = int(version) if version.isdigit() else 0
    if not 1 <= before <= SCHEMA_VERSION:
        raise StoreError(
            f"{backend.name}: was written by another version of lotdrift (schema {version}); only that version can read it"
        )
    if before == SCHEMA_VERSION:
        return Upgraded(before, before, "")
    with alone(folder):
        store = Store(backend)
        try:
            store.hold()
            copy = backend.back_up(version)
            with store.writing() as connection:
                # Read the version again: another process may have migrated the store meanwhile.
                for step in range(int(get_meta(connection, "schema_version") or 1) + 1, SCHEMA_VERSION + 1):
                    STEPS[step](connection)
                    put_meta(connection, "schema_version", str(step))
        finally:
            store.close()
    return Upgraded(before, SCHEMA_VERSION, copy)


def _to_2(connection: Connection) -> None:
    """Add accounts, corrections of logs, suspect values and issued quarters; the next round derives everything again."""
    word = Text().with_variant(Text(collation="C"), "postgresql")
    number = BigInteger().with_variant(Integer, "sqlite")
    made = MetaData()
    Table(
        "account", made, Column("name", word, primary_key=True), *_needed(word, "role", "hash"),
        *_needed(BigInteger, "made_us"), Column("closed_us", BigInteger),
    )  # fmt: skip
    Table(
        "earlier_climate", made, Column("id", number, primary_key=True), *_needed(number, "chamber_id"),
        *_needed(BigInteger, "logged_us"), *_needed(Float, "humidity_percent", "temperature_c"),
        *_needed(number, "drop_id"), *_needed(Integer, "line"), *_needed(number, "replaced_by_drop_id"),
        *_needed(BigInteger, "replaced_us"), Index("earlier_climate_by_time", "chamber_id", "logged_us"),
    )  # fmt: skip
    Table(
        "mark", made, Column("session_id", number, primary_key=True), *_needed(number, "stream_id"),
        *_needed(word, "share", "slip"), *_needed(Integer, "power"), *_needed(Float, "low", "high"),
        *_needed(word, "settled"), Index("mark_by_stream", "stream_id"), sqlite_with_rowid=False,
    )  # fmt: skip
    Table(
        "drawn_quarter", made, Column("quarter", word, primary_key=True), *_needed(BigInteger, "drawn_us"),
        *_needed(word, "digest", "lots"),
    )  # fmt: skip
    Table("watched", made, Column("stream_id", number, primary_key=True), *_needed(word, "said"))
    Table(
        "neighbour", made, Column("stream_id", number, primary_key=True), Column("block", Integer, primary_key=True),
        *_needed(Float, *[f"{name}_{apart}" for name in ("pairs", "apart") for apart in (1, 2, 3)]),
        sqlite_with_rowid=False,
    )  # fmt: skip
    Table(
        "own_score", made, Column("stream_id", number, primary_key=True), Column("session_id", number, primary_key=True),
        *_needed(BigInteger, "tested_us"), *_needed(Float, "score", "sigma"), Index("own_score_by_time", "tested_us"),
        sqlite_with_rowid=False,
    )  # fmt: skip
    Table("sister", made, Column("characteristic", word, primary_key=True), *_needed(word, "said"))
    made.create_all(connection)
    # The next round derives everything again, because sessions and figures of the earlier version lack values that this one shows.
    put_meta(connection, "declared", "")


def _needed(kind: Any, *names: str) -> list[Column[Any]]:
    """Columns that are not null."""
    return [Column(name, kind, nullable=False) for name in names]


def _to_3(connection: Connection) -> None:
    """Search for shared shifts again from the first test on: earlier findings lack competing candidates and latest ends."""
    put_meta(connection, "bench_findings", "[]")
    put_meta(connection, "scores_changed_from_us", "0")


def _to_4(connection: Connection) -> None:
    """Add the certain bounds of a session's extremes; the next round summarises every session again."""
    operations = Operations(MigrationContext.configure(connection))
    for name in ("smallest_high", "largest_low"):
        operations.add_column("session", Column(name, Float))
    put_meta(connection, "declared", "")


def _to_5(connection: Connection) -> None:
    """Add cases, lots to test again, names to search, stock, loads, calibrations, counts of bags, weeks of the bench, uncertainty.

    The next round derives everything again.
    """
    word = Text().with_variant(Text(collation="C"), "postgresql")
    operations = Operations(MigrationContext.configure(connection))
    operations.add_column("session", Column("clock", word, nullable=False, server_default="chamber"))
    operations.add_column("session", Column("loaded_us", BigInteger))
    operations.add_column("session", Column("doors", Integer, nullable=False, server_default="0"))
    operations.add_column("session", Column("bench", word, nullable=False, server_default="unchecked"))
    operations.create_index("session_by_instrument", "session", ["instrument_id", "started_us"])
    operations.create_index("session_by_load", "session", ["load_id"])
    operations.create_index("session_by_lot", "session", ["lot_id"])
    number = BigInteger().with_variant(Integer, "sqlite")
    operations.add_column("act", Column("about", word, nullable=False, server_default=""))
    made = MetaData()
    Table("bench_part", made, Column("characteristic", word, primary_key=True), *_needed(word, "document"))
    Table(
        "conformity", made, Column("session_id", number, primary_key=True), *_needed(number, "stream_id"),
        *_needed(word, "document"), Index("conformity_by_stream", "stream_id"), sqlite_with_rowid=False,
    )  # fmt: skip
    Table(
        "case_alert", made, Column("alert", word, primary_key=True), *_needed(word, "case_id"), Column("stream_id", number),
        Index("case_alert_by_case", "case_id"), Index("case_alert_by_stream", "stream_id"), sqlite_with_rowid=False,
    )  # fmt: skip
    Table(
        "retest", made, Column("stream_id", number, primary_key=True), Column("lot_id", number, primary_key=True),
        *_needed(number, "session_id"), *_needed(word, "reason"), *_needed(BigInteger, "since_us", "last_us"),
        *_needed(Integer, "sessions"), sqlite_with_rowid=False,
    )  # fmt: skip
    Table(
        "search_name", made, *[Column(name, word, primary_key=True) for name in ("kind", "supplier", "product", "name")],
        Column("source_id", number, primary_key=True), *_needed(word, "folded", "words"),
        Index("search_name_by_folded", "folded"), sqlite_with_rowid=False,
    )  # fmt: skip
    Table(
        "lot_source", made, Column("kind", word, primary_key=True),
        *[Column(name, number, primary_key=True) for name in ("source_id", "lot_id")], sqlite_with_rowid=False,
    )  # fmt: skip
    Table(
        "chamber_state", made, Column("chamber_id", number, primary_key=True), *_needed(word, "state"),
        *_needed(Float, "hours"), *_needed(BigInteger, "last_us"),
        *[Column(name, BigInteger) for name in ("began_us", "back_us", "valid_from_us")], sqlite_with_rowid=False,
    )  # fmt: skip
    Table(
        "stock_count", made, Column("lot_id", number, primary_key=True), Column("counted_day", BigInteger, primary_key=True),
        Column("storage_id", number, primary_key=True), *_needed(Float, "quantity"), *_needed(SmallInteger, "is_counted"),
        *_needed(word, "unit", "opened_on"), *_needed(number, "drop_id"), *_needed(Integer, "line"),
        Index("stock_count_by_day", "counted_day"),
        sqlite_with_rowid=False,
    )  # fmt: skip
    Table(
        "earlier_count", made, Column("id", number, primary_key=True), *_needed(number, "lot_id"),
        *_needed(BigInteger, "counted_day"), *_needed(number, "storage_id"), *_needed(Float, "quantity"),
        *_needed(SmallInteger, "is_counted"), *_needed(word, "unit", "opened_on"), *_needed(number, "drop_id"),
        *_needed(Integer, "line"), *_needed(number, "replaced_by_drop_id"), *_needed(BigInteger, "replaced_us"),
        Index("earlier_count_by_lot", "lot_id"),
    )  # fmt: skip
    Table("stale_stock", made, Column("lot_id", number, primary_key=True), sqlite_with_rowid=False)
    Table("film_age", made, Column("stream_id", number, primary_key=True), *_needed(word, "document", "law"))
    Table(
        "shelf_lot", made, Column("lot_id", number, primary_key=True), Column("stream_id", number, primary_key=True),
        *_needed(SmallInteger, "leads", "is_open"), *_needed(word, "word"),
        *[Column(name, Integer) for name in ("keep_day", "expected_day", "first_day", "last_day", "tested_day")],
        Column("level", Float), Column("quantity", Float), *_needed(word, "unit", "document"),
        Index("shelf_lot_by_date", "leads", "keep_day", "lot_id", "word"), Index("shelf_lot_by_word", "leads", "word"),
        Index("shelf_lot_by_chance", "leads", "first_day", "last_day"), Index("shelf_lot_by_stream", "stream_id"),
        sqlite_with_rowid=False,
    )  # fmt: skip
    Table(
        "load_event", made, Column("load_id", number, primary_key=True), Column("at_us", BigInteger, primary_key=True),
        Column("event", BigInteger, primary_key=True), Column("lot_id", number, primary_key=True),
        *_needed(number, "chamber_id"), *_needed(SmallInteger, "laid"), Column("specimens", word, nullable=False, server_default=""),
        *_needed(number, "drop_id"), *_needed(Integer, "line"), Index("load_event_by_lot", "lot_id"),
        Index("load_event_by_time", "at_us"), sqlite_with_rowid=False,
    )  # fmt: skip
    Table(
        "earlier_event", made, Column("id", number, primary_key=True), *_needed(number, "load_id"),
        *_needed(BigInteger, "at_us", "event"), *_needed(number, "lot_id", "chamber_id"), *_needed(SmallInteger, "laid"),
        *_needed(number, "drop_id"), *_needed(Integer, "line"), *_needed(number, "replaced_by_drop_id"),
        *_needed(BigInteger, "replaced_us"),
    )  # fmt: skip
    Table("stale_load", made, Column("load_id", number, primary_key=True), sqlite_with_rowid=False)
    figures = ("due_on", "as_found", "as_left", "uncertainty", "certificate")
    Table(
        "calibration", made, Column("instrument_id", number, primary_key=True), Column("done_us", BigInteger, primary_key=True),
        *_needed(word, *figures), *_needed(number, "drop_id"), *_needed(Integer, "line"), sqlite_with_rowid=False,
    )  # fmt: skip
    Table(
        "earlier_calibration", made, Column("id", number, primary_key=True), *_needed(number, "instrument_id"),
        *_needed(BigInteger, "done_us"), *_needed(word, *figures), *_needed(number, "drop_id"), *_needed(Integer, "line"),
        *_needed(number, "replaced_by_drop_id"), *_needed(BigInteger, "replaced_us"),
    )  # fmt: skip
    Table("stale_instrument", made, Column("instrument_id", number, primary_key=True), sqlite_with_rowid=False)
    Table(
        "bench_share", made, Column("session_id", number, primary_key=True), Column("alert", word, primary_key=True),
        *_needed(number, "stream_id"), *_needed(Float, "size"), *_needed(word, "size_unit"), Column("level_without", Float),
        Index("bench_share_by_stream", "stream_id"), sqlite_with_rowid=False,
    )  # fmt: skip
    Table(
        "bag_count", made, Column("session_id", number, primary_key=True), *_needed(number, "stream_id"),
        Column("limit_lower", Float), Column("limit_upper", Float), *_needed(Integer, "bags", "outside", "undecided"),
        Column("worst", Float), *_needed(SmallInteger, "worst_bound"), Index("bag_count_by_stream", "stream_id"),
    )  # fmt: skip
    Table(
        "captured_lot", made, Column("id", number, primary_key=True), *_needed(word, "supplier", "lot"),
        UniqueConstraint("supplier", "lot"),
    )  # fmt: skip
    identity = ("day", "specimen", "reading")
    Table(
        "capture", made, Column("captured_lot_id", number, primary_key=True),
        *[Column(name, BigInteger, primary_key=True) for name in identity], *_needed(Integer, "number", "line"),
        *_needed(word, "name", "quantity"), *_needed(Integer, "samples"), Column("energy", Float), *_needed(SmallInteger, "bound"),
        *[Column(name, Float) for name in ("sd", "peak", "charge", "centroid", "rise", "decay")],
        *_needed(word, "marks", "trace", "digest", "settings"), *_needed(number, "drop_id"), Index("capture_by_drop", "drop_id"),
        sqlite_with_rowid=False,
    )  # fmt: skip
    Table(
        "earlier_capture", made, Column("id", number, primary_key=True), *_needed(number, "captured_lot_id"),
        *_needed(BigInteger, *identity), Column("energy", Float), *_needed(SmallInteger, "bound"), *_needed(word, "digest", "settings"),
        *_needed(number, "drop_id"), *_needed(Integer, "line"), *_needed(number, "replaced_by_drop_id"),
        *_needed(BigInteger, "replaced_us"),
    )  # fmt: skip
    Table("stale_capture", made, Column("captured_lot_id", number, primary_key=True), sqlite_with_rowid=False)
    Table(
        "capture_match", made, Column("captured_lot_id", number, primary_key=True),
        *[Column(name, BigInteger, primary_key=True) for name in identity], *_needed(Integer, "fitting_readings"),
        Column("stream_id", number), Column("lot_id", number), Column("tested_us", BigInteger), Column("instrument_id", number),
        Column("tested_day", BigInteger), Column("log_ratio", Float), Column("noise", Float),
        Index("capture_match_by_lot", "lot_id", "stream_id"), Index("capture_match_by_day", "instrument_id", "tested_day"),
        Index("capture_match_by_count", "fitting_readings"), sqlite_with_rowid=False,
    )  # fmt: skip
    made.create_all(connection)
    put_meta(connection, "bench_findings", "[]")
    put_meta(connection, "scores_changed_from_us", "0")
    _keep_alerts_of_entries(connection)
    # Pooled again: a prior of a stream holds the scatter of the lots and the share of streams without autocorrelation.
    connection.exec_driver_sql("DELETE FROM sister")
    put_meta(connection, "declared", "")


def _to_6(connection: Connection) -> None:
    """Add the planned test of a load, and the specimens of an event of a load before a correction.

    The next round derives everything again: tests that name no load are judged by rows that take out a whole load, too.
    """
    word = Text().with_variant(Text(collation="C"), "postgresql")
    operations = Operations(MigrationContext.configure(connection))
    operations.add_column("load_event", Column("planned_us", BigInteger, nullable=False, server_default="0"))
    operations.add_column("earlier_event", Column("specimens", word, nullable=False, server_default=""))
    operations.add_column("earlier_event", Column("planned_us", BigInteger, nullable=False, server_default="0"))
    put_meta(connection, "declared", "")


def _to_7(connection: Connection) -> None:
    """Add the instruments of a session that used several, and let two sessions of a lot begin at once, on two instruments.

    The next round cuts and judges every session again.
    """
    made, number = MetaData(), BigInteger().with_variant(Integer, "sqlite")
    Table(
        "session_instrument", made, Column("session_id", number, primary_key=True), Column("instrument_id", number, primary_key=True),
        *_needed(BigInteger, "started_us", "ended_us"), Index("session_instrument_by_instrument", "instrument_id", "started_us"),
        sqlite_with_rowid=False,
    )  # fmt: skip
    made.create_all(connection)
    key, name = ["stream_id", "lot_id", "started_us"], "session_stream_id_lot_id_started_us_key"
    # SQLite changes no constraint in place: Alembic copies the table. It names none either, hence the convention.
    convention = {"uq": "%(table_name)s_%(column_0_N_name)s_key"}
    operations = Operations(MigrationContext.configure(connection))
    with operations.batch_alter_table("session", naming_convention=convention) as batch:
        batch.drop_constraint(name, type_="unique")
        batch.create_unique_constraint("session_stream_id_lot_id_started_us_instrument_id_key", [*key, "instrument_id"])
    put_meta(connection, "declared", "")


def _keep_alerts_of_entries(connection: Connection) -> None:
    """Write beside each earlier entry on an alert what the alert is about, so that its case outlives the alert."""
    names = (
        "kind",
        "grade",
        "supplier",
        "product",
        "characteristic",
        "lot",
        "raised_us",
        "message",
        "evidence",
        "held_under",
    )
    rows = connection.exec_driver_sql(
        f"SELECT act.id, {', '.join(f'alert.{name}' for name in names)} FROM act JOIN alert ON act.subject = 'alert:' || alert.id"
    ).all()
    for row in rows:
        about = dict(zip(names, row[1:], strict=True))
        about["evidence"] = json.loads(about["evidence"])
        connection.exec_driver_sql(
            "UPDATE act SET about = ? WHERE id = ?", (json.dumps(about, ensure_ascii=False), row[0])
        )


STEPS: dict[int, Callable[[Connection], None]] = {2: _to_2, 3: _to_3, 4: _to_4, 5: _to_5, 6: _to_6, 7: _to_7}
