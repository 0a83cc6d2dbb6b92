"""Episodes as alerts: a stable id, the evidence as figures, one sentence, and what people did with it.

Each evaluation derives the alerts again and sets their state by the entries of people. The id of an alert depends only on what
the alert is about, so that one evaluation of a long history and many evaluations of its parts give it the same id.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import cast

import numpy as np
from sqlalchemy import Connection

from ingest.audit.subjects import Subject
from ingest.documents.alert import StoredEvidence, StoredStreamEvidence, StreamKind
from ingest.documents.entries import StoredEntryBody
from ingest.documents.fields import Direction
from ingest.evaluation.alert_text import message, slip
from ingest.evaluation.stored_results import number
from ingest.evaluation.stream_context import StreamContext
from ingest.store.store import insert_many
from spc.kernels.columns import Rows
from spc.stream.alert_episodes import QUIET_LOTS, Episode
from spc.stream.verdicts import to_unit
from spc.vocabulary.enums import AlertState, Grade, Kind

__all__ = [
    "SLEEP",
    "Alert",
    "alert_id",
    "newest_valid_test",
    "state_after_entries",
    "state_of",
    "stream_alerts",
    "write_stream_alerts",
]

SLEEP = "sleep"


# The columns of a point that the evidence of an alert uses.
EVIDENCE = ("lot", "started_us", "center", "level", "judged", "limit_lower", "limit_upper")


@dataclass(frozen=True, slots=True)
class Alert:
    """A row of the alert table, before the entries of people."""

    id: str
    kind: Kind
    grade: Grade
    stream_id: int | None
    supplier: str | None
    product: str | None
    characteristic: str | None
    lot: str | None
    raised_us: int
    message: str
    evidence: StoredEvidence


def alert_id(*about: str) -> str:
    """A short name that depends only on what the alert is about."""
    return hashlib.sha256("\0".join(about).encode()).hexdigest()[:12]


def stream_alerts(context: StreamContext) -> list[Alert]:
    """The alerts of one stream. A check standard that moves raises an alert about the bench."""
    points = context.evaluation.points.take(context.evaluation.points["valid"])
    return [_alert(context, points, episode) for episode in context.evaluation.episodes]


def _alert(context: StreamContext, points: Rows, episode: Episode) -> Alert:
    stream, standard = context.stream, context.is_check_standard
    lot, started_us = str(points["lot"][episode.opened]), int(points["started_us"][episode.opened])
    suspect = context.marked.get(int(points.index[episode.opened]))
    doubt = None if suspect is None or suspect.settled else slip(suspect.mark)
    evidence = _evidence(context, points, episode, doubt)
    kind = Kind.BENCH if standard else Kind(episode.kind)
    # A move away from the only limit is worth a note, but gives no reason to call a supplier.
    grade = Grade.NOTE if evidence["away_from_limit"] else Grade(episode.grade)
    return Alert(
        id=alert_id(
            stream.supplier, stream.product, stream.characteristic, episode.kind, str(episode.direction),
            lot, str(started_us),
        ),
        kind=kind,
        grade=Grade.LOOK if standard else grade,
        stream_id=stream.id,
        supplier=stream.supplier,
        product=stream.product,
        characteristic=stream.characteristic,
        lot=lot,
        raised_us=started_us,
        message=message(stream, evidence),
        evidence=evidence,
    )  # fmt: skip


def _evidence(context: StreamContext, points: Rows, episode: Episode, doubt: str | None) -> StoredStreamEvidence:
    """What moved, since when, how much, and what it would take to breach; levels in the unit."""
    declared, evaluation = context.declared, context.evaluation
    opened, latest = ({name: points[name][at] for name in EVIDENCE} for at in (episode.opened, episode.latest))

    def in_unit(level: float) -> float | None:
        return number(float(to_unit(np.array([level]), declared.scale)[0]))

    def when(position: float) -> int | None:
        known = number(position)
        return None if known is None else int(points["started_us"][min(max(round(known) + 1, 0), len(points) - 1)])

    # The outlook is today's: it belongs to a cause that is still there, not to one that was set right.
    outlook = evaluation.forecast if not set_right(episode, len(points)) else None
    return {
        "what": cast(StreamKind, episode.kind),
        "form": episode.name,
        "direction": cast(Direction, episode.direction),
        "unit": declared.unit,
        "lots": episode.lots,
        "latest_lot": str(latest["lot"]),
        "latest_tested_us": int(latest["started_us"]),
        "since_us": when(episode.start),
        "since_low_us": when(episode.start_low),
        "since_high_us": when(episode.start_high),
        "usual": in_unit(float(opened["center"])),
        "level": in_unit(float(opened["level"])),
        "latest_level": in_unit(float(latest["level"])),
        "judged": number(opened["judged"]),
        "limit_lower": number(opened["limit_lower"]),
        "limit_upper": number(opened["limit_upper"]),
        "change_percent_per_month": None if outlook is None else number(outlook.change_percent_per_month),
        "breach_probability": None if outlook is None else number(outlook.breach_probability),
        "away_from_limit": _away(episode, opened["limit_lower"], opened["limit_upper"]),
        "closed_because": None if outlook is not None else f"{QUIET_LOTS} lots without it",
        "may_be_a_slip": doubt,
    }


def _away(episode: Episode, lower: float, upper: float) -> bool:
    """Whether the level moves away from the one limit there is; with limits on both sides nothing does."""
    if episode.kind not in (Kind.POINT, Kind.PATTERN, Kind.DRIFT):
        return False
    if np.isnan(lower) == np.isnan(upper):
        return False
    return episode.direction == (-1 if np.isnan(lower) else 1)


def set_right(episode: Episode, lots: int) -> bool:
    """Whether the stream has gone on for long enough without the evidence."""
    return lots - 1 - episode.latest >= QUIET_LOTS


def write_stream_alerts(connection: Connection, stream_id: int, alerts: list[Alert]) -> list[str]:
    """Replace the alerts of one stream; the ids that were not there before."""
    before = set(connection.exec_driver_sql("SELECT id FROM alert WHERE stream_id = ?", (stream_id,)).scalars())
    connection.exec_driver_sql("DELETE FROM alert WHERE stream_id = ?", (stream_id,))
    write_alerts(connection, alerts)
    return [alert.id for alert in alerts if alert.id not in before]


def write_alerts(connection: Connection, alerts: list[Alert]) -> None:
    """Write alerts with the state that the entries of people give them."""
    columns = (
        "id", "kind", "grade", "stream_id", "supplier", "product", "characteristic", "lot", "raised_us", "message",
    )  # fmt: skip
    insert_many(
        connection,
        f"INSERT INTO alert ({', '.join(columns)}, evidence, state) VALUES ({', '.join('?' * (len(columns) + 2))})",
        [
            (
                *(getattr(alert, name) for name in columns),
                json.dumps(alert.evidence, ensure_ascii=False, allow_nan=False),
                state_of(connection, alert),
            )
            for alert in alerts
        ],
    )


def state_of(connection: Connection, alert: Alert) -> AlertState:
    """The state of an alert: closed where its evidence ended, else as the entries of people set it."""
    return AlertState.CLOSED if alert.evidence.get("closed_because") else state_after_entries(connection, alert.id)


def state_after_entries(connection: Connection, alert: str) -> AlertState:
    """The state that the entries of people give an alert: that of the last entry, open where there is none.

    An alert that sleeps is open again with the next valid lot of its stream.
    """
    last = connection.exec_driver_sql(
        "SELECT what, body FROM act WHERE subject = ? AND what IN ('acknowledge', 'close', 'open again', 'sleep') "
        "ORDER BY id DESC LIMIT 1",
        (str(Subject.alert(alert)),),
    ).first()
    if last is None:
        return AlertState.OPEN
    if last[0] == SLEEP:
        body: StoredEntryBody = json.loads(last[1])
        stream = Subject.parse(body["stream"])
        newest = None if stream is None else newest_valid_test(connection, *stream.names)
        awake = newest is not None and newest > body["after_us"]
        return AlertState.OPEN if awake else AlertState.ACKNOWLEDGED
    return {"acknowledge": AlertState.ACKNOWLEDGED, "close": AlertState.CLOSED}.get(str(last[0]), AlertState.OPEN)


def newest_valid_test(connection: Connection, supplier: str, product: str, characteristic: str) -> int | None:
    """When the newest valid point of a stream was tested, in UTC microseconds; None where it has none."""
    newest: int | None = connection.exec_driver_sql(
        "SELECT max(p.tested_us) FROM point p JOIN session s ON s.id = p.session_id JOIN stream t ON t.id = p.stream_id "
        "WHERE t.supplier = ? AND t.product = ? AND t.characteristic = ? AND s.conditioning = 'valid'",
        (supplier, product, characteristic),
    ).scalar()
    return newest
