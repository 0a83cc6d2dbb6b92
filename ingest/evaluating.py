"""Store → statistics → store: evaluate the streams that changed.

Each stream's sessions go through `spc.evaluate.stream`; the result is written whole, so that screens, mails and
scorecards show stored figures and compute none.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from sqlalchemy import Connection

import spc.evaluate
from ingest.acts import Act, acts_on, left_out_standing, restarts_standing, stream_subject
from ingest.alerting import Alert, stream_alerts, write_stream_alerts
from ingest.lab import Lab
from ingest.limit_acts import with_entered_limits
from ingest.own_scores import forget_scores, write_scores
from ingest.progress import Watch, unwatched
from ingest.results import board_row, point_documents, sketch, stream_document
from ingest.sessions import SUMMARY
from ingest.sisters import note_sisters, sisters_of
from ingest.stamps import from_microseconds
from ingest.store import insert_many
from ingest.suspects import SET_ASIDE, Suspect, suspects, write_suspects
from ingest.watched import watched, write_watched
from spc import detection

__all__ = ["Evaluated", "Stream", "evaluate", "evaluate_stale", "evaluate_without", "heard_of", "sessions_of", "write"]

WEEK_US = 7 * 24 * 3_600_000_000
STREAMS_AT_ONCE = 200


@dataclass(frozen=True, slots=True)
class Stream:
    """Supplier × product × characteristic, with its number in the store."""

    id: int
    supplier: str
    product: str
    characteristic: str


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """What is known of a stream beside its sessions: what its sisters say, and what the detector said of its earlier lots."""

    sisters: detection.Sisters
    before: Sequence[detection.Watch]


@dataclass(frozen=True, slots=True, eq=False)
class Evaluated:
    """One stream as its evaluation is stored.

    `points` holds session, time of test, distance from usual and document of each point; `verdicts` has a row a session:
    those of `spc.evaluate`, and `lot` and `started_us`; `charted` are the points of `spc.evaluate`, `marked` are the sessions whose values may be a slip, `watches`
    what the detector said of each segment.
    """

    stream: Stream
    board: dict[str, Any]
    sketch: dict[str, Any]
    document: dict[str, Any]
    points: list[tuple[int, int, float | None, dict[str, Any]]]
    verdicts: pd.DataFrame
    alerts: list[Alert]
    charted: pd.DataFrame
    marked: Mapping[int, Suspect]
    watches: Sequence[detection.Watch]


def evaluate_stale(connection: Connection, lab: Lab, watch: Watch = unwatched) -> tuple[set[int], list[str]]:
    """Evaluate every stream marked stale; their numbers, and the ids of the alerts that are new."""
    lab = with_entered_limits(connection, lab)
    note_sisters(connection, lab)
    rows = connection.exec_driver_sql(
        "SELECT id, supplier, product, characteristic FROM stream WHERE stale = 1 ORDER BY id"
    )
    streams = [Stream(*row) for row in rows]
    raised: list[str] = []
    for start in range(0, len(streams), STREAMS_AT_ONCE):
        part = streams[start : start + STREAMS_AT_ONCE]
        sessions = sessions_of(connection, [stream.id for stream in part])
        heard = heard_of(connection, part)
        for number, stream in enumerate(part, start):
            watch("streams evaluated", number, len(streams))
            own = sessions[sessions["stream_id"] == stream.id]
            raised += _renew(connection, lab, stream, own, heard[stream.id])
    connection.exec_driver_sql("UPDATE stream SET stale = 0 WHERE stale = 1")
    return {stream.id for stream in streams}, raised


def sessions_of(connection: Connection, ids: Sequence[int]) -> pd.DataFrame:
    """The sessions of these streams as `evaluate` takes them, in order of time."""
    columns = ["id", "stream_id", "lot_id", "started_us", "chamber_id", "conditioning", "humidity_mean", *SUMMARY]
    rows = connection.exec_driver_sql(
        f"SELECT {', '.join(f's.{name}' for name in columns)}, l.lot, c.text FROM session s "
        "JOIN lot l ON l.id = s.lot_id JOIN label c ON c.id = s.chamber_id "
        f"WHERE s.stream_id IN ({', '.join('?' * len(ids))}) ORDER BY s.stream_id, s.started_us, l.lot",
        tuple(ids),
    ).fetchall()
    frame = pd.DataFrame([tuple(row) for row in rows], columns=[*columns, "lot", "chamber"]).set_index("id")
    numbers = [name for name in SUMMARY if frame[name].dtype == object] + ["humidity_mean"]
    return frame.astype(dict.fromkeys(numbers, np.float64))


def heard_of(connection: Connection, streams: Sequence[Stream]) -> dict[int, Heard]:
    """What is known of these streams beside their sessions, by number."""
    sisters, said = sisters_of(connection), watched(connection, [stream.id for stream in streams])
    return {
        stream.id: Heard(sisters.get(stream.characteristic, detection.ALONE), said.get(stream.id, []))
        for stream in streams
    }


def _renew(connection: Connection, lab: Lab, stream: Stream, sessions: pd.DataFrame, heard: Heard) -> list[str]:
    if sessions.empty:
        _forget(connection, stream)
        return []
    return write(connection, evaluate(lab, stream, _acts(connection, stream), sessions, heard))


def evaluate(lab: Lab, stream: Stream, acts: list[Act], sessions: pd.DataFrame, heard: Heard) -> Evaluated:
    """Evaluate one stream with these entries of people on it; reads and writes nothing.

    Parameters
    ----------
    lab : Lab
        The declarations, with the limits that people entered laid over them.
    stream : Stream
    acts : list of Act
        The entries on the stream, the oldest first.
    sessions : DataFrame
        Its rows of `sessions_of`; at least one.
    heard : Heard
        Its entry of `heard_of`.
    """
    scale = lab.characteristic(stream.characteristic).scale
    marked = suspects(sessions, scale, acts)
    prepared = _prepare(lab, stream, sessions, marked)
    settings = _settings(lab, stream, acts, prepared["lot"], marked)
    evaluation = spc.evaluate.stream(prepared, settings, heard.sisters, heard.before)
    return Evaluated(
        stream=stream,
        board=board_row(lab, stream, evaluation),
        sketch=sketch(lab, stream, evaluation),
        document=stream_document(lab, stream, evaluation, acts, marked),
        points=_points(evaluation, scale, marked),
        verdicts=evaluation.verdicts.join(prepared[["lot", "started_us"]]),
        alerts=stream_alerts(lab, stream, evaluation, marked),
        charted=evaluation.points,
        marked=marked,
        watches=evaluation.watches,
    )


def write(connection: Connection, evaluated: Evaluated) -> list[str]:
    """Store an evaluation in place of the stream's earlier one; the ids of the alerts that are new."""
    number = evaluated.stream.id
    write_watched(connection, number, evaluated.watches)
    _write_verdicts(connection, evaluated.verdicts)
    write_suspects(connection, number, evaluated.marked)
    write_scores(connection, number, evaluated.charted)
    _write_points(connection, number, evaluated.points)
    insert_many(
        connection,
        "INSERT INTO evaluation (stream_id, board, sketch, document) VALUES (?, ?, ?, ?) ON CONFLICT (stream_id) "
        "DO UPDATE SET board = excluded.board, sketch = excluded.sketch, document = excluded.document",
        [(number, as_json(evaluated.board), as_json(evaluated.sketch), as_json(evaluated.document))],
    )
    return write_stream_alerts(connection, number, evaluated.alerts)


def evaluate_without(
    connection: Connection, lab: Lab, stream: Stream, common: Mapping[int, float]
) -> spc.evaluate.Evaluation:
    """A second look at a stream, with what the bench added to its levels (by session, in the charted scale) taken out."""
    lab = with_entered_limits(connection, lab)
    sessions = sessions_of(connection, [stream.id])
    added = np.array([common.get(int(session), 0.0) for session in sessions.index])
    acts = _acts(connection, stream)
    marked = suspects(sessions, lab.characteristic(stream.characteristic).scale, acts)
    levels = {name: sessions[name] - added for name in ("level", "level_low", "level_high")}
    prepared = _prepare(lab, stream, sessions.assign(**levels), marked)
    settings = _settings(lab, stream, acts, prepared["lot"], marked)
    return spc.evaluate.stream(prepared, settings, heard_of(connection, [stream])[stream.id].sisters)


def _acts(connection: Connection, stream: Stream) -> list[Act]:
    return acts_on(connection, stream_subject(stream.supplier, stream.product, stream.characteristic))


def _prepare(lab: Lab, stream: Stream, sessions: pd.DataFrame, marked: Mapping[int, Suspect]) -> pd.DataFrame:
    """The frame that `spc.evaluate.stream` takes: times in weeks, limits in force on the day of each test.

    A session that a person set aside is as one whose conditioning is not shown.
    """
    aside = [session for session, one in marked.items() if one.settled == SET_ASIDE]
    limits = [
        lab.limits_at(stream.product, stream.characteristic, from_microseconds(int(started)))
        for started in sessions["started_us"]
    ]
    return sessions.assign(
        weeks=sessions["started_us"].to_numpy(np.float64) / WEEK_US,
        valid=(sessions["conditioning"].to_numpy() == "valid") & ~sessions.index.isin(aside),
        limit_lower=[_or_nan(limit.lower) for limit in limits],
        limit_upper=[_or_nan(limit.upper) for limit in limits],
    )


def _or_nan(limit: float | None) -> float:
    return np.nan if limit is None else limit


def _settings(
    lab: Lab, stream: Stream, acts: list[Act], lots: pd.Series, marked: Mapping[int, Suspect]
) -> spc.evaluate.Settings:
    """What is declared and entered for a stream."""
    declared = lab.characteristic(stream.characteristic)
    return spc.evaluate.Settings(
        scale=declared.scale,
        judged=declared.judged,
        guard_percent=declared.guard_percent,
        baseline_lots=lab.baseline.lots,
        false_alerts_per_year=lab.alerts.false_alerts_per_stream_year,
        horizon_weeks=lab.alerts.horizon_weeks,
        breach_probability=lab.alerts.breach_probability,
        every_session_is_a_point=lab.is_check_standard(stream.supplier, stream.product),
        restarts=tuple(from_us / WEEK_US for from_us in restarts_standing(acts)),
        left_out=frozenset(int(session) for session in lots.index[lots.isin(list(left_out_standing(acts)))]),
        doubted=frozenset(session for session, one in marked.items() if not one.settled),
    )


def _forget(connection: Connection, stream: Stream) -> None:
    """A stream whose last reading went away in a correction of its identity has nothing left to show."""
    for table in ("evaluation", "watched", "point", "alert", "mark"):
        connection.exec_driver_sql(f"DELETE FROM {table} WHERE stream_id = ?", (stream.id,))
    forget_scores(connection, stream.id)


def as_json(document: object) -> str:
    """A document as stored: short, and without a nan."""
    return json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def _points(
    evaluation: spc.evaluate.Evaluation, scale: str, marked: Mapping[int, Suspect]
) -> list[tuple[int, int, float | None, dict[str, Any]]]:
    documents = point_documents(evaluation, scale, marked)
    z = evaluation.points["z"].astype(object).where(evaluation.points["z"].notna(), None)
    started = evaluation.points["started_us"]
    return [
        (int(session), int(started[session]), z[session], document)
        for session, document in zip(evaluation.points.index, documents, strict=True)
    ]


def _write_verdicts(connection: Connection, verdicts: pd.DataFrame) -> None:
    shown = verdicts[["level_unit", "worst", "judged", "verdict"]]
    plain = shown.astype(object).where(shown.notna(), None)
    insert_many(
        connection,
        "UPDATE session SET level_unit = ?, worst = ?, judged = ?, verdict = ? WHERE id = ?",
        [(*row[1:], int(row[0])) for row in plain.itertuples(name=None)],
    )


def _write_points(
    connection: Connection, stream_id: int, points: list[tuple[int, int, float | None, dict[str, Any]]]
) -> None:
    connection.exec_driver_sql("DELETE FROM point WHERE stream_id = ?", (stream_id,))
    insert_many(
        connection,
        "INSERT INTO point (stream_id, session_id, ordinal, tested_us, z, document) VALUES (?, ?, ?, ?, ?, ?)",
        [
            (stream_id, session, ordinal, started_us, z, as_json(document))
            for ordinal, (session, started_us, z, document) in enumerate(points)
        ],
    )
