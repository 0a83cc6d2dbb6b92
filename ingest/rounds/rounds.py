"""One round, from the drops to what is new on the board.

Take in the drops, bring sessions and conditioning up to date, evaluate the streams that changed, raise what is new.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field
from datetime import datetime

from sqlalchemy import Connection, insert, update

from ingest.alerts.climate_alerts import watch_climate
from ingest.alerts.feed_alerts import watch_feeds
from ingest.common import clock
from ingest.common.instants import microseconds
from ingest.common.progress import Progress, no_progress
from ingest.config.lab import Lab
from ingest.intake.drops import Entry, take_in_drops
from ingest.intake.move_names import move_names
from ingest.intake.search_names import update_search_names
from ingest.intake.similar_names import newest_lot, similar_since
from ingest.rounds.recompute import derive
from ingest.sessions.capture_matches import match_captures, unmatched_lines
from ingest.sessions.chamber_states import update_chamber_states
from ingest.sessions.sessions import rebuild_stale
from ingest.store import schema
from ingest.store.last_round import clock_went_back
from ingest.store.round_lock import alone
from ingest.store.store import Store, get_meta, open_store, put_meta
from ingest.store.unit_check import check_units

__all__ = ["Round", "run"]


@dataclass(slots=True)
class Round:
    """What one round did."""

    entries: list[Entry] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    evaluated: int = 0
    raised: list[str] = field(default_factory=list)
    # One line for each kind of file in the drop folders that no round reads.
    unread: list[str] = field(default_factory=list)
    # Lines for people that concern no file.
    notes: list[str] = field(default_factory=list)
    # Names that are probably one name written in two ways. A person may look at them; nothing is wrong with the round.
    hints: list[str] = field(default_factory=list)

    @property
    def refused_something(self) -> bool:
        """Whether a row, a file or a folder was refused."""
        return bool(self.problems) or any(entry.refused or entry.state == "refused" for entry in self.entries)


def run(lab: Lab, now: datetime, watch: Progress = no_progress) -> Round:
    """Do one round. Rounds wait for each other: two at once count each row once.

    Raises
    ------
    LabFileError
        Where `lab.toml` declares another unit for values that are stored.
    StoreError
        Where the store or the lab folder can't be used.
    """
    with alone(lab.folder):
        store = open_store(lab.folder)
        try:
            store.hold()
            return _run(store, lab, now, watch)
        finally:
            store.close()


def _run(store: Store, lab: Lab, now: datetime, watch: Progress) -> Round:
    with store.writing() as connection:
        put_meta(connection, "units", json.dumps(check_units(connection, lab)))
        number = _begin(connection, now)
        _note_declarations(connection, lab)
        moved = move_names(connection, lab, now)
        known = newest_lot(connection)
    taken = take_in_drops(store, lab, now, watch)
    done = Round(entries=taken.entries, problems=taken.problems, unread=list(taken.unread.values()), notes=moved)
    with store.writing() as connection:
        went_back = clock_went_back(connection, lab.zone, rounds=1)
        done.notes += [went_back] if went_back else []
        match_captures(connection, lab)
        done.notes += unmatched_lines(connection)
        update_search_names(connection)
        rebuild_stale(connection, lab, watch)
        done.hints = similar_since(connection, lab, known)
        done.evaluated, done.raised = derive(connection, lab, watch)
        done.raised += watch_climate(connection, lab)
        update_chamber_states(connection, lab)
        done.raised += watch_feeds(connection, lab, now, taken)
        _end(connection, number, done)
    return done


def _begin(connection: Connection, now: datetime) -> int:
    begun = insert(schema.round_).values(started_us=microseconds(now)).returning(schema.round_.c.id)
    number: int = connection.execute(begun).scalar_one()
    return number


def _end(connection: Connection, number: int, done: Round) -> None:
    connection.execute(
        update(schema.round_)
        .where(schema.round_.c.id == number)
        .values(
            ended_us=microseconds(clock.now()),
            files=len(done.entries),
            stored=sum(entry.stored for entry in done.entries),
            refused=sum(entry.refused for entry in done.entries),
            evaluated=done.evaluated,
            raised=len(done.raised),
        )
    )


def _note_declarations(connection: Connection, lab: Lab) -> None:
    """Mark every lot stale where `lab.toml` declares something else than in the last round."""
    digest = hashlib.sha256(repr(_deciding(lab)).encode()).hexdigest()
    if get_meta(connection, "declared") in (digest, None):
        put_meta(connection, "declared", digest)
        return
    # WHERE true: else SQLite takes ON for the beginning of a join (https://sqlite.org/lang_upsert.html, section 2.2).
    connection.exec_driver_sql(
        "INSERT INTO stale_lot SELECT DISTINCT stream_id, lot_id FROM session WHERE true ON CONFLICT DO NOTHING"
    )
    put_meta(connection, "declared", digest)


def _deciding(lab: Lab) -> tuple[object, ...]:
    """The declarations on which results depend; sources only decide how files are read."""
    return (
        str(lab.zone), lab.session_hours, dict(lab.conditioning), lab.characteristics, lab.products, lab.check_standards,
        lab.instruments, lab.gauge_studies, lab.chambers, lab.baseline, lab.alerts, lab.ageing,
    )  # fmt: skip
