"""The board and the alerts of a past day, derived from the stored readings.

Everything that was tested, logged or entered after that day is deleted from a copy of the store, and the usual code evaluates
the rest. Readings are as corrected since, and `lab.toml` is today's.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime, time, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

from sqlalchemy import Connection, insert, select

from ingest.alerts.attribution import ATTRIBUTED_TO
from ingest.alerts.climate_alerts import watch_climate
from ingest.alerts.shared_shift_alerts import FINDINGS, TAKEN_BACK
from ingest.audit.accounts import SESSION_KEY
from ingest.common.errors import CallError, NoStoreYet
from ingest.common.instants import checked_day, day_number, microseconds
from ingest.common.progress import Progress, no_progress
from ingest.config.lab import Lab
from ingest.evaluation.reference_scores import CHANGED_FROM
from ingest.rounds.recompute import derive
from ingest.sessions.chamber_states import update_chamber_states
from ingest.sessions.sessions import rebuild_stale
from ingest.stock.update_stock import SHELF_STATE
from ingest.store import schema
from ingest.store.store import Store, known_store, scratch_store

__all__ = ["replayed"]

# Tables that are derived again. Alerts about feeds depend on the clock of their rounds and stay.
DERIVED = (
    "case_alert",
    "chamber_state",
    "evaluation",
    "film_age",
    "mark",
    "neighbour",
    "own_score",
    "point",
    "retest",
    "shelf_lot",
    "sister",
    "watched",
)
DERIVED_NOTES = (FINDINGS, TAKEN_BACK, ATTRIBUTED_TO, CHANGED_FROM, SHELF_STATE)
CAPTURES = ("capture", "capture_match", "captured_lot", "earlier_capture", "stale_capture")
# Tables that a replay does not need: accounts, deliveries, captures.
LEFT = ("account", "delivery", *CAPTURES, *DERIVED)
ROWS_AT_ONCE = 20_000


@contextmanager
def replayed(lab: Lab, day: date, watch: Progress = no_progress) -> Iterator[Connection]:
    """A connection to the store as of the end of a day in the lab's zone; gone when the block ends.

    Raises
    ------
    CallError
        Where nothing was tested by then, the day can't be meant, or there is no store yet.
    StoreError
        Where the store can't be used.
    """
    checked_day("replay", day)
    stored = known_store(lab.folder)
    if stored is None:
        raise NoStoreYet
    # The first moment after the day.
    cut = microseconds(datetime.combine(day + timedelta(days=1), time(), tzinfo=lab.zone))
    with TemporaryDirectory(prefix="lotdrift-replay-") as scratch:
        store = scratch_store(Path(scratch))
        _copy(stored, store)
        try:
            with store.writing() as connection:
                if not _forget_after(connection, cut, day):
                    raise CallError(f"replay: nothing was tested up to {day}; give a later day")
                _derive(connection, lab, watch)
            with store.reading() as connection:
                yield connection
        finally:
            store.close()


def _copy(source: Store, target: Store) -> None:
    """What the store holds as of one moment, also while a round is writing, be it a file or on a server."""
    with source.reading() as here, target.writing() as there:
        there.execute(schema.meta.delete())
        for table in schema.metadata.sorted_tables:
            if table.name in LEFT:
                continue
            chosen = select(table)
            if table is schema.meta:
                chosen = chosen.where(schema.meta.c.key != SESSION_KEY)
            rows = here.execution_options(stream_results=True).execute(chosen)
            for part in rows.partitions(ROWS_AT_ONCE):
                there.execute(insert(table), [dict(row._mapping) for row in part])


def _forget_after(connection: Connection, cut: int, day: date) -> bool:
    """Take out what came later, and all that is derived; whether something is left."""

    def do(sql: str, *values: object) -> None:
        connection.exec_driver_sql(sql, values)

    later = "SELECT DISTINCT stream_id, lot_id FROM reading WHERE tested_us >= ?"
    do(f"INSERT INTO stale_lot {later} ON CONFLICT DO NOTHING", cut)
    do("DELETE FROM reading WHERE tested_us >= ?", cut)
    do("DELETE FROM climate WHERE logged_us >= ?", cut)
    do("DELETE FROM stock_count WHERE counted_day >= ?", day_number(day) + 1)
    do("DELETE FROM act WHERE at_us >= ?", cut)
    do("DELETE FROM alert WHERE kind <> 'feed' OR raised_us >= ?", cut)
    for note in DERIVED_NOTES:
        do("DELETE FROM meta WHERE key = ?", note)
    do("UPDATE stream SET stale = 1")
    # A stream is silent by the time of the last round: here the end of the day.
    do("UPDATE round SET started_us = min(started_us, ?)", cut - 1)
    return bool(connection.exec_driver_sql("SELECT EXISTS (SELECT 1 FROM reading)").scalar())


def _derive(connection: Connection, lab: Lab, watch: Progress) -> None:
    """What a round does after the intake, apart from the feeds."""
    rebuild_stale(connection, lab, watch)
    derive(connection, lab, watch)
    watch_climate(connection, lab)
    update_chamber_states(connection, lab)
