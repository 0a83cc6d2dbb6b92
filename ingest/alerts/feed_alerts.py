"""Alerts about the feeds themselves: a source that went silent, a file that was refused, a file that no round reads."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime
from fnmatch import fnmatchcase
from pathlib import PurePath

from sqlalchemy import Connection

from ingest.common.instants import DAY_US, microseconds
from ingest.common.text import printable
from ingest.config.lab import Lab, Source
from ingest.documents.alert import FileEvidence, SourceEvidence
from ingest.evaluation.stream_alerts import Alert, alert_id, write_alerts
from ingest.intake.drops import IntakeResult
from ingest.store.last_round import misdated
from ingest.store.store import insert_many
from spc.vocabulary.enums import Grade, Kind

__all__ = ["watch_feeds"]

# The beginnings of the ids of alerts that end by themselves.
PASSING = ("silent", "unread")


def watch_feeds(connection: Connection, lab: Lab, now: datetime, taken: IntakeResult) -> list[str]:
    """Derive the `feed` alerts again; the ids that are new. They alone depend on the clock of the round."""
    right = misdated(connection)
    _date_again(connection, right)
    before = set(connection.exec_driver_sql("SELECT id FROM alert WHERE kind = 'feed'").scalars())
    # What was refused stays until a person closes it; silence, and a file that no round reads, end by themselves.
    unread = [*_unread(connection, taken, now)]
    for passing in PASSING:
        connection.exec_driver_sql("DELETE FROM alert WHERE kind = 'feed' AND id LIKE ?", (f"{passing}%",))
    alerts = [*_silent(connection, lab, now, right), *unread, *_refused(connection, taken, now, right)]
    fresh = list(
        {alert.id: alert for alert in alerts if alert.id not in before or alert.id.startswith(PASSING)}.values()
    )
    write_alerts(connection, fresh)
    return [alert.id for alert in fresh if alert.id not in before]


def _date_again(connection: Connection, right: Mapping[int, int]) -> None:
    """Give the alerts that were raised under a wrong clock the moment of the first round after it."""
    rows = connection.exec_driver_sql("SELECT id, raised_us FROM alert WHERE kind = 'feed'").fetchall()
    insert_many(
        connection,
        "UPDATE alert SET raised_us = ? WHERE id = ?",
        [(right[raised_us], name) for name, raised_us in rows if raised_us in right],
    )


def _silent(connection: Connection, lab: Lab, now: datetime, right: Mapping[int, int]) -> Iterator[Alert]:
    for source in lab.sources:
        if source.silent_after_days is None:
            continue
        last = _last_drop(connection, source, right)
        if last is not None and microseconds(now) - last > source.silent_after_days * DAY_US:
            yield _alert(
                f"silent{alert_id(source.folder, source.pattern or '')}",
                last,
                _silence(source),
                {"what": Kind.FEED, "folder": source.folder},
            )


def _last_drop(connection: Connection, source: Source, right: Mapping[int, int]) -> int | None:
    taken = connection.exec_driver_sql(
        'SELECT name, taken_us FROM "drop" WHERE kind = ? AND folder = ? ORDER BY id DESC',
        (source.kind, PurePath(source.folder).as_posix()),
    )
    last = next((int(row[1]) for row in taken if fnmatchcase(row[0], source.pattern or "*")), None)
    return None if last is None else right.get(last, last)


def _silence(source: Source) -> str:
    return f"{source.folder}: no file for over {source.silent_after_days:g} days; see whether the export still runs"


def _refused(connection: Connection, taken: IntakeResult, now: datetime, right: Mapping[int, int]) -> Iterator[Alert]:
    """Files refused as a whole, those that a killed round took in among them, and files that can't be read now."""
    known = set()
    rows = connection.exec_driver_sql("SELECT name, reason, digest, taken_us FROM \"drop\" WHERE state = 'refused'")
    for name, reason, digest, taken_us in rows:
        known.add((name, reason))
        about = alert_id("refused", name, reason, digest.hex())
        yield _alert(about, right.get(taken_us, taken_us), reason, {"what": Kind.FEED, "file": name})
    for entry in taken.entries:
        if entry.state == "refused" and (entry.name, entry.reason) not in known:
            about = alert_id("refused", entry.name, entry.reason)
            yield _alert(about, microseconds(now), entry.reason, {"what": Kind.FEED, "file": entry.name})


def _unread(connection: Connection, taken: IntakeResult, now: datetime) -> Iterator[Alert]:
    """Files that lie in a drop folder and that no round reads, one alert for each kind and folder."""
    rows = connection.exec_driver_sql("SELECT id, raised_us FROM alert WHERE id LIKE 'unread%'").fetchall()
    raised: dict[str, int] = {row[0]: row[1] for row in rows}
    for kind, line in taken.unread.items():
        name = f"unread{alert_id(kind)}"
        evidence: SourceEvidence = {"what": Kind.FEED, "folder": kind.partition(": ")[0]}
        yield _alert(name, raised.get(name, microseconds(now)), line, evidence)


def _alert(name: str, raised_us: int, message: str, evidence: SourceEvidence | FileEvidence) -> Alert:
    return Alert(
        id=name,
        kind=Kind.FEED,
        grade=Grade.NOTE,
        raised_us=raised_us,
        message=printable(message),
        evidence=evidence,
    )
