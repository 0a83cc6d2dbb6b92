"""What the board and the alerts would have said on a past day, from the stored readings.

A copy of the store forgets everything that was tested, logged or entered after that day and is evaluated by the same code
as ever. What was corrected since is as corrected, and `lab.toml` is today's.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import date, datetime, time, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

from sqlalchemy import Connection

from ingest.bench_alerts import watch_bench
from ingest.climate_alerts import watch_climate
from ingest.errors import CallError
from ingest.evaluating import evaluate_stale
from ingest.humidity import tell_humidity
from ingest.lab import Lab
from ingest.progress import Watch, unwatched
from ingest.sessions import rebuild_stale
from ingest.stamps import microseconds
from ingest.store import STORE_NAME, known_store

__all__ = ["replayed"]

# What evaluation derives; it is derived again. Alerts about feeds hang on the clock of their rounds and stay.
DERIVED = ("evaluation", "point", "own_score")


@contextmanager
def replayed(lab: Lab, day: date, watch: Watch = unwatched) -> Iterator[Connection]:
    """A connection to the store as of the end of a day in the lab's zone; gone when the block ends.

    Raises
    ------
    CallError
        Where nothing was tested by then, or there is no store yet.
    StoreError
        Where the store can't be used.
    """
    if known_store(lab.folder) is None:
        raise CallError("the lab has no store yet; do a first round with lotdrift run")
    # The first moment after the day.
    cut = microseconds(datetime.combine(day + timedelta(days=1), time(), tzinfo=lab.zone))
    with TemporaryDirectory(prefix="lotdrift-replay-") as scratch:
        _copy(lab.folder / STORE_NAME, Path(scratch) / STORE_NAME)
        store = known_store(Path(scratch))
        assert store is not None  # a copy of one that is known
        try:
            with store.writing() as connection:
                if not _forget_after(connection, cut):
                    raise CallError(f"replay: nothing was tested up to {day}; give a later day")
                _derive(connection, lab, watch)
            with store.reading() as connection:
                yield connection
        finally:
            store.close()


def _copy(source: Path, target: Path) -> None:
    """A consistent copy, also while a round is writing."""
    with (
        closing(sqlite3.connect(f"{source.absolute().as_uri()}?mode=ro", uri=True)) as here,
        closing(sqlite3.connect(target)) as there,
    ):
        here.backup(there)


def _forget_after(connection: Connection, cut: int) -> bool:
    """Take out what came later, and all that is derived; whether something is left."""

    def do(sql: str, *values: object) -> None:
        connection.exec_driver_sql(sql, values)

    do("INSERT OR IGNORE INTO stale_lot SELECT DISTINCT stream_id, lot_id FROM reading WHERE tested_us >= ?", cut)
    do("DELETE FROM reading WHERE tested_us >= ?", cut)
    do("DELETE FROM climate WHERE logged_us >= ?", cut)
    do("DELETE FROM act WHERE at_us >= ?", cut)
    do("DELETE FROM alert WHERE kind <> 'feed' OR raised_us >= ?", cut)
    for table in DERIVED:
        do(f"DELETE FROM {table}")
    do("DELETE FROM meta WHERE key IN ('bench_findings', 'held_by', 'scores_changed_from_us')")
    do("UPDATE stream SET stale = 1")
    # Silence is told by the clock of the last round: here the end of the day, or the round that has been done since.
    do("UPDATE round SET started_us = min(started_us, ?)", cut - 1)
    return bool(connection.exec_driver_sql("SELECT EXISTS (SELECT 1 FROM reading)").scalar())


def _derive(connection: Connection, lab: Lab, watch: Watch) -> None:
    """What a round does after the intake, apart from the feeds."""
    rebuild_stale(connection, lab, watch)
    streams = set(connection.exec_driver_sql("SELECT id FROM stream").scalars())
    evaluate_stale(connection, lab, watch)
    watch_bench(connection, lab, streams)
    tell_humidity(connection, lab, streams)
    watch_climate(connection, lab)
