"""Store → statistics → store: evaluate the streams that changed.

Each stream's sessions go through `spc.evaluate.stream`; the result is written whole, so that screens, mails and
scorecards show stored figures and compute none.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from sqlalchemy import Connection

import spc.evaluate
from ingest.acts import LEAVE_OUT, SET_BASELINE, Act, acts_on, stream_subject
from ingest.alerting import stream_alerts, write_stream_alerts
from ingest.lab import Lab
from ingest.own_scores import forget_scores, write_scores
from ingest.progress import Watch, unwatched
from ingest.results import board_row, point_documents, sketch, stream_document
from ingest.sessions import SUMMARY
from ingest.stamps import from_microseconds
from ingest.store import insert_many

__all__ = ["Stream", "evaluate_stale", "evaluate_without"]

WEEK_US = 7 * 24 * 3_600_000_000
STREAMS_AT_ONCE = 200


@dataclass(frozen=True, slots=True)
class Stream:
    """Supplier × product × characteristic, with its number in the store."""

    id: int
    supplier: str
    product: str
    characteristic: str


def evaluate_stale(connection: Connection, lab: Lab, watch: Watch = unwatched) -> tuple[int, list[str]]:
    """Evaluate every stream marked stale; how many there were, and the ids of the alerts that are new."""
    rows = connection.exec_driver_sql(
        "SELECT id, supplier, product, characteristic FROM stream WHERE stale = 1 ORDER BY id"
    )
    streams = [Stream(*row) for row in rows]
    raised: list[str] = []
    for start in range(0, len(streams), STREAMS_AT_ONCE):
        part = streams[start : start + STREAMS_AT_ONCE]
        sessions = _sessions_of(connection, [stream.id for stream in part])
        for number, stream in enumerate(part, start):
            watch("streams evaluated", number, len(streams))
            raised += _evaluate(connection, lab, stream, sessions[sessions["stream_id"] == stream.id])
    connection.exec_driver_sql("UPDATE stream SET stale = 0 WHERE stale = 1")
    return len(streams), raised


def _sessions_of(connection: Connection, ids: Sequence[int]) -> pd.DataFrame:
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


def _evaluate(connection: Connection, lab: Lab, stream: Stream, sessions: pd.DataFrame) -> list[str]:
    if sessions.empty:
        _forget(connection, stream)
        return []
    prepared = _prepare(lab, stream, sessions)
    acts = _acts(connection, stream)
    evaluation = spc.evaluate.stream(prepared, _settings(lab, stream, acts, prepared["lot"]))
    _write_verdicts(connection, evaluation)
    write_scores(connection, stream.id, evaluation.points)
    _write_points(connection, stream, evaluation, lab.characteristic(stream.characteristic).scale)
    insert_many(
        connection,
        "INSERT INTO evaluation (stream_id, board, sketch, document) VALUES (?, ?, ?, ?) ON CONFLICT (stream_id) "
        "DO UPDATE SET board = excluded.board, sketch = excluded.sketch, document = excluded.document",
        [
            (
                stream.id,
                as_json(board_row(lab, stream, evaluation)),
                as_json(sketch(lab, stream, evaluation)),
                as_json(stream_document(lab, stream, evaluation, acts)),
            )
        ],
    )
    return write_stream_alerts(connection, stream.id, stream_alerts(lab, stream, evaluation))


def evaluate_without(
    connection: Connection, lab: Lab, stream: Stream, common: Mapping[int, float]
) -> spc.evaluate.Evaluation:
    """A second look at a stream, with what the bench added to its levels (by session, in the charted scale) taken out."""
    sessions = _sessions_of(connection, [stream.id])
    added = np.array([common.get(int(session), 0.0) for session in sessions.index])
    levels = {name: sessions[name] - added for name in ("level", "level_low", "level_high")}
    prepared = _prepare(lab, stream, sessions.assign(**levels))
    return spc.evaluate.stream(prepared, _settings(lab, stream, _acts(connection, stream), prepared["lot"]))


def _acts(connection: Connection, stream: Stream) -> list[Act]:
    return acts_on(connection, stream_subject(stream.supplier, stream.product, stream.characteristic))


def _prepare(lab: Lab, stream: Stream, sessions: pd.DataFrame) -> pd.DataFrame:
    """The frame that `spc.evaluate.stream` takes: times in weeks, limits in force on the day of each test."""
    limits = [
        lab.limits_at(stream.product, stream.characteristic, from_microseconds(int(started)))
        for started in sessions["started_us"]
    ]
    return sessions.assign(
        weeks=sessions["started_us"].to_numpy(np.float64) / WEEK_US,
        valid=sessions["conditioning"].to_numpy() == "valid",
        limit_lower=[_or_nan(limit.lower) for limit in limits],
        limit_upper=[_or_nan(limit.upper) for limit in limits],
    )


def _or_nan(limit: float | None) -> float:
    return np.nan if limit is None else limit


def _settings(lab: Lab, stream: Stream, acts: list[Act], lots: pd.Series) -> spc.evaluate.Settings:
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
        restarts=tuple(sorted(act.body["from_us"] / WEEK_US for act in acts if act.what == SET_BASELINE)),
        left_out=frozenset(
            int(session) for act in acts if act.what == LEAVE_OUT for session in lots.index[lots == act.body["lot"]]
        ),
    )


def _forget(connection: Connection, stream: Stream) -> None:
    """A stream whose last reading went away in a correction of its identity has nothing left to show."""
    for table in ("evaluation", "point", "alert"):
        connection.exec_driver_sql(f"DELETE FROM {table} WHERE stream_id = ?", (stream.id,))
    forget_scores(connection, stream.id)


def as_json(document: object) -> str:
    """A document as stored: short, and without a nan."""
    return json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def _write_verdicts(connection: Connection, evaluation: spc.evaluate.Evaluation) -> None:
    shown = evaluation.verdicts[["level_unit", "worst", "judged", "verdict"]]
    plain = shown.astype(object).where(shown.notna(), None)
    insert_many(
        connection,
        "UPDATE session SET level_unit = ?, worst = ?, judged = ?, verdict = ? WHERE id = ?",
        [(*row[1:], int(row[0])) for row in plain.itertuples(name=None)],
    )


def _write_points(connection: Connection, stream: Stream, evaluation: spc.evaluate.Evaluation, scale: str) -> None:
    connection.exec_driver_sql("DELETE FROM point WHERE stream_id = ?", (stream.id,))
    documents = point_documents(evaluation, scale)
    z = evaluation.points["z"].astype(object).where(evaluation.points["z"].notna(), None)
    started = evaluation.points["started_us"]
    insert_many(
        connection,
        "INSERT INTO point (stream_id, session_id, ordinal, tested_us, z, document) VALUES (?, ?, ?, ?, ?, ?)",
        [
            (stream.id, int(session), ordinal, int(started[session]), z[session], as_json(document))
            for ordinal, (session, document) in enumerate(zip(evaluation.points.index, documents, strict=True))
        ],
    )
