"""Episodes as alerts: a stable id, the evidence as figures, one sentence, and what people did with it.

Each evaluation derives the alerts again and sets their state by the entries of people. The id of an alert depends only on what
the alert is about, so that one evaluation of a long history and many evaluations of its parts give it the same id.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, cast

import numpy as np
from sqlalchemy import Connection

from ingest.audit.subjects import Subject
from ingest.documents.alert import StoredEvidence, StoredStreamEvidence, StreamKind
from ingest.documents.fields import Bound, Direction
from ingest.evaluation.alert_text import message, slip
from ingest.evaluation.stored_results import number
from ingest.evaluation.stream_context import StreamContext
from ingest.store.store import insert_many
from spc.kernels.columns import Rows
from spc.stream.alert_episodes import QUIET_LOTS, Episode
from spc.stream.verdicts import to_unit
from spc.vocabulary.enums import AlertState, Grade, Kind

__all__ = ["Alert", "alert_id", "state_after_entries", "state_of", "stream_alerts", "write_stream_alerts"]


# The columns of a point that the evidence of an alert uses.
EVIDENCE = ("lot", "started_us", "center", "level", "level_low", "level_high", "judged", "limit_lower", "limit_upper")


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
    return [_alert(context, points, episode) for episode in _with_one_start(context.evaluation.episodes)]


MOVES = (Kind.DRIFT, Kind.FORECAST)


def _with_one_start(episodes: Sequence[Episode]) -> list[Episode]:
    """The episodes, where a drift and a forecast of one move share the start that was estimated first."""
    shared: list[Episode] = []
    for episode in sorted(episodes, key=lambda one: one.opened):
        first = next(
            (
                one
                for one in shared
                if one.kind in MOVES
                and episode.kind in MOVES
                and one.direction == episode.direction
                and episode.opened - one.latest <= QUIET_LOTS
            ),
            None,
        )
        if first is not None:
            episode = replace(episode, start=first.start, start_low=first.start_low, start_high=first.start_high)
        shared.append(episode)
    order = {(one.kind, one.direction, one.opened): place for place, one in enumerate(episodes)}
    return sorted(shared, key=lambda one: order[one.kind, one.direction, one.opened])


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
        message=message(stream, _as_of_the_day(evidence, context, episode, lot, started_us)),
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

    (level, level_bound), (latest_level, latest_bound) = _bounded_level(opened), _bounded_level(latest)
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
        "level": in_unit(level),
        "latest_level": in_unit(latest_level),
        "level_bound": level_bound,
        "latest_bound": latest_bound,
        "judged": number(opened["judged"]),
        "limit_lower": number(opened["limit_lower"]),
        "limit_upper": number(opened["limit_upper"]),
        "change_percent_per_month": None if outlook is None else number(outlook.change_percent_per_month),
        "breach_probability": None if outlook is None else number(outlook.breach_probability),
        "away_from_limit": _away(episode, opened["limit_lower"], opened["limit_upper"]),
        "closed_because": None if outlook is not None else f"{QUIET_LOTS} lots without it",
        "may_be_a_slip": doubt,
    }


def _as_of_the_day(
    evidence: StoredStreamEvidence, context: StreamContext, episode: Episode, lot: str, started_us: int
) -> StoredStreamEvidence:
    """The evidence as it was when it was complete: the sentence of an alert is of its day and stays."""
    chance, change = context.evaluation.forecast_then.get(episode.opened, (None, None))
    center = to_unit(np.array([context.evaluation.center_then[episode.opened]]), context.declared.scale)
    return {
        **evidence,
        "usual": number(float(center[0])),
        "lots": 1,
        "latest_lot": lot,
        "latest_tested_us": started_us,
        "latest_level": evidence["level"],
        "latest_bound": evidence["level_bound"],
        "change_percent_per_month": number(change),
        "breach_probability": number(chance),
    }


def _bounded_level(point: dict[str, Any]) -> tuple[float, Bound]:
    """The level of a point in the charted scale; where bounded readings leave it open, its known end with its sign."""
    level, low, high = (float(point[name]) for name in ("level", "level_low", "level_high"))
    if np.isfinite(low) and not np.isfinite(high):
        return low, 1
    if np.isfinite(high) and not np.isfinite(low):
        return high, -1
    return level, 0


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
    """The state that the entries of people give an alert: that of the last entry, open where there is none."""
    last = connection.exec_driver_sql(
        "SELECT what FROM act WHERE subject = ? AND what IN ('acknowledge', 'close', 'open again') "
        "ORDER BY id DESC LIMIT 1",
        (str(Subject.alert(alert)),),
    ).scalar()
    return {"acknowledge": AlertState.ACKNOWLEDGED, "close": AlertState.CLOSED}.get(str(last), AlertState.OPEN)
