"""Episodes as alerts: a stable id, the evidence as figures, one sentence, and what people did with it.

Each evaluation derives the alerts again and sets their state by the entries of people. The id of an alert depends only on what
the alert is about, so that one evaluation of a long history and many evaluations of its parts give it the same id.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, cast

import numpy as np
from sqlalchemy import Connection

from ingest.audit.lot_decisions import LotAlert, decisions_on_lots
from ingest.audit.subjects import Subject
from ingest.documents.alert import StoredEvidence, StoredStreamEvidence, StreamKind
from ingest.documents.entries import StoredEntryBody
from ingest.documents.fields import Bound, Direction
from ingest.evaluation.alert_text import message, slip
from ingest.evaluation.stored_results import baseline_digits, number, stream_digits
from ingest.evaluation.stream_context import StreamContext
from ingest.store.store import insert_many
from spc.kernels.columns import Rows
from spc.stream.alert_episodes import LOTS, Episode, EpisodeEnd
from spc.stream.verdicts import to_unit
from spc.vocabulary.enums import AlertState, Grade, Kind

__all__ = [
    "SLEEP",
    "TAKE_BACK_FINDING",
    "Alert",
    "alert_id",
    "newest_valid_test",
    "state_after",
    "stream_alerts",
    "write_stream_alerts",
]

SLEEP = "sleep"
# A person takes a finding about the bench back: it explains and marks nothing any more.
TAKE_BACK_FINDING = "finding was wrong"


# The columns of a point that the evidence of an alert uses.
CLOSED_BECAUSE = {
    EpisodeEnd.QUIET: "{lots} lots without it",
    EpisodeEnd.BACK: "the {moved} of the last {lots} lots is back where it was",
    EpisodeEnd.REVERSED: "the level went on to the other side of where it was",
    EpisodeEnd.BASELINE: "the baseline was set again",
}
EVIDENCE = ("lot", "started_us", "center", "level", "level_low", "level_high", "judged", "limit_lower", "limit_upper")


@dataclass(frozen=True, slots=True, kw_only=True)
class Alert:
    """A row of the alert table, before the entries of people. An alert about the bench or a feed names no stream and no lot."""

    id: str
    kind: Kind
    grade: Grade
    raised_us: int
    message: str
    evidence: StoredEvidence
    stream_id: int | None = None
    supplier: str | None = None
    product: str | None = None
    characteristic: str | None = None
    lot: str | None = None

    @property
    def about_lots(self) -> LotAlert | None:
        """What finds the lots of the alert; None where it is about no stream."""
        return None if self.stream_id is None else LotAlert(self.stream_id, self.raised_us)


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
                and episode.opened - one.until <= LOTS
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
        message=message(stream, _as_of_the_day(evidence, context, episode, lot, started_us), context.lab.zone),
        evidence=evidence,
    )  # fmt: skip


def _evidence(context: StreamContext, points: Rows, episode: Episode, doubt: str | None) -> StoredStreamEvidence:
    """What moved, since when, how much, and what it would take to breach; levels in the unit."""
    declared, evaluation = context.declared, context.evaluation
    opened, latest = ({name: points[name][at] for name in EVIDENCE} for at in (episode.opened, episode.until))

    def in_unit(level: float) -> float | None:
        return number(float(to_unit(np.array([level]), declared.scale)[0]))

    def when(position: float) -> int | None:
        known = number(position)
        return None if known is None else int(points["started_us"][min(max(round(known) + 1, 0), len(points) - 1)])

    (level, level_bound), (latest_level, latest_bound) = _bounded_level(opened), _bounded_level(latest)
    # The outlook is today's: it belongs to a cause that is still there, not to one that was set right.
    outlook = evaluation.forecast if episode.end is None else None
    evidence: StoredStreamEvidence = {
        "what": cast(StreamKind, episode.kind),
        "form": episode.name,
        "direction": cast(Direction, episode.direction),
        "unit": declared.unit,
        "digits": stream_digits(evaluation, declared.scale),
        "lots": episode.lots,
        "latest_lot": str(latest["lot"]),
        "latest_tested_us": int(latest["started_us"]),
        "since_us": when(episode.start),
        "since_low_us": when(episode.start_low),
        "since_high_us": when(episode.start_high),
        "moved_on_us": None if np.isnan(episode.moved_on) else int(points["started_us"][int(episode.moved_on)]),
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
        "closed_because": _closed_because(episode),
        "may_be_a_slip": doubt,
    }
    counted = context.bags.get(int(points.index[episode.opened]))
    limits = (evidence["limit_lower"], evidence["limit_upper"])
    # A preview evaluates other limits than those against which the stored bags were counted.
    if episode.name == "undecided" and counted is not None and counted[2:] == limits:
        evidence |= {"bags_outside": counted.outside, "bags": counted.bags}
    return evidence


def _as_of_the_day(
    evidence: StoredStreamEvidence, context: StreamContext, episode: Episode, lot: str, started_us: int
) -> StoredStreamEvidence:
    """The evidence as it was when it was complete: the sentence of an alert is of its day and stays."""
    chance, change = context.evaluation.forecast_then.get(episode.opened, (None, None))
    then, scale = context.evaluation.baseline_then[episode.opened], context.declared.scale
    return {
        **evidence,
        "digits": baseline_digits(then.center, then.levels, scale),
        "usual": number(float(to_unit(np.array([then.center]), scale)[0])),
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


def _closed_because(episode: Episode) -> str | None:
    if episode.end is None:
        return None
    moved = "variation" if episode.kind == Kind.SPREAD else "level"
    return CLOSED_BECAUSE[episode.end].format(moved=moved, lots=LOTS)


def _away(episode: Episode, lower: float, upper: float) -> bool:
    """Whether the level moves away from the one limit there is; with limits on both sides nothing does."""
    if episode.kind not in (Kind.POINT, Kind.PATTERN, Kind.DRIFT):
        return False
    if np.isnan(lower) == np.isnan(upper):
        return False
    return episode.direction == (-1 if np.isnan(lower) else 1)


def write_stream_alerts(connection: Connection, stream_id: int, alerts: list[Alert]) -> list[str]:
    """Replace the alerts of one stream; the ids that were not there before, or are open again after a person closed them."""
    rows = connection.exec_driver_sql("SELECT id, state FROM alert WHERE stream_id = ?", (stream_id,)).fetchall()
    before = {row.id: row.state for row in rows}
    connection.exec_driver_sql("DELETE FROM alert WHERE stream_id = ?", (stream_id,))
    write_alerts(connection, alerts)
    again = {
        str(alert)
        for alert in connection.exec_driver_sql(
            "SELECT id FROM alert WHERE stream_id = ? AND state = 'open'", (stream_id,)
        ).scalars()
        if before.get(alert) == AlertState.CLOSED
    }
    return [alert.id for alert in alerts if alert.id not in before or alert.id in again]


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
                state_after(connection, alert.id, cast(Mapping[str, Any], alert.evidence), alert.about_lots),
            )
            for alert in alerts
        ],
    )


def state_after(
    connection: Connection, alert: str, evidence: Mapping[str, Any], about_lots: LotAlert | None
) -> AlertState:
    """The state of an alert by its evidence, the entries of people on it, and their decisions on its lots.

    A person who closes an alert accepts the level of that day. It is open again where the level has moved on since. An alert that
    sleeps is open again with the next valid lot of its stream. A decision on every lot that an alert names answers it, unless a
    person opened it again later.
    """
    if evidence.get("closed_because"):
        return AlertState.CLOSED
    last = connection.exec_driver_sql(
        "SELECT what, at_us, body FROM act WHERE subject = ? "
        "AND what IN ('acknowledge', 'close', 'open again', 'sleep', ?) ORDER BY id DESC LIMIT 1",
        (str(Subject.alert(alert)), TAKE_BACK_FINDING),
    ).one_or_none()
    state = AlertState.OPEN if last is None else _state_by_response(connection, evidence, last)
    if state != AlertState.OPEN or about_lots is None:
        return state
    moments = list(decisions_on_lots(connection, about_lots, evidence).values())
    decided = [moment for moment in moments if moment is not None]
    opened_us = last.at_us if last is not None and last.what == "open again" else 0
    answered = bool(moments) and len(decided) == len(moments) and max(decided) >= opened_us
    return AlertState.ACKNOWLEDGED if answered else AlertState.OPEN


def _state_by_response(connection: Connection, evidence: Mapping[str, Any], last: Any) -> AlertState:
    """The state that the last entry on an alert gives it."""
    if last.what == SLEEP:
        body: StoredEntryBody = json.loads(last.body)
        stream = Subject.parse(body["stream"])
        newest = None if stream is None else newest_valid_test(connection, *stream.names)
        awake = newest is not None and newest > body["after_us"]
        return AlertState.OPEN if awake else AlertState.ACKNOWLEDGED
    if last.what == TAKE_BACK_FINDING:
        return AlertState.CLOSED
    if last.what == "acknowledge":
        return AlertState.ACKNOWLEDGED
    is_closed = last.what == "close" and (evidence.get("moved_on_us") or 0) <= last.at_us
    return AlertState.CLOSED if is_closed else AlertState.OPEN


def newest_valid_test(connection: Connection, supplier: str, product: str, characteristic: str) -> int | None:
    """When the newest valid point of a stream was tested, in UTC microseconds; None where it has none."""
    newest: int | None = connection.exec_driver_sql(
        "SELECT max(p.tested_us) FROM point p JOIN session s ON s.id = p.session_id JOIN stream t ON t.id = p.stream_id "
        "WHERE t.supplier = ? AND t.product = ? AND t.characteristic = ? AND s.conditioning = 'valid'",
        (supplier, product, characteristic),
    ).scalar()
    return newest
