"""Store → statistics → store: evaluate the streams that changed.

Each stream's sessions go through `spc.stream.evaluate.stream`; the result is written whole, so that screens, mails and
scorecards show stored figures and compute none.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from sqlalchemy import Connection

import spc.stream.evaluate
from ingest.audit.audit_log import AuditEntry, baseline_restarts, entries_on_each, excluded_lots, stream_subject
from ingest.audit.limit_entries import with_entered_limits
from ingest.common.instants import WEEK_US
from ingest.common.progress import Progress, no_progress
from ingest.common.streams import Stream
from ingest.config.lab import Lab
from ingest.documents.stream import StoredBoardRow, StoredPoint, StoredSparkline, StoredStream
from ingest.evaluation.detector_state import detector_states, write_detector_state
from ingest.evaluation.pooled_autocorrelation import pools_of, update_pooled_autocorrelation
from ingest.evaluation.reference_scores import forget_scores, write_scores
from ingest.evaluation.stored_results import board_row, numbers, point_documents, sketch, stream_document
from ingest.evaluation.stream_alerts import Alert, stream_alerts, write_stream_alerts
from ingest.sessions.session_columns import for_evaluation, sessions_of
from ingest.sessions.suspect_values import SET_ASIDE, Suspect, suspects, write_suspects
from ingest.store.store import insert_many
from spc import detection
from spc.kernels.columns import Rows

__all__ = ["Evaluated", "contexts_of", "evaluate", "evaluate_stale", "evaluate_without", "subject_of", "write"]

STREAMS_AT_ONCE = 200
JSON = json.JSONEncoder(ensure_ascii=False, allow_nan=False, separators=(",", ":"))


@dataclass(frozen=True, slots=True, eq=False)
class StreamContext:
    """What is known of a stream beside its sessions: what people entered, what its sisters say, what was said before."""

    acts: list[AuditEntry]
    sisters: detection.PooledAutocorrelation
    before: spc.stream.evaluate.EvaluationCache


@dataclass(frozen=True, slots=True, eq=False)
class Evaluated:
    """One stream as its evaluation is stored.

    `points` holds session, time of test, distance from usual and document of each point; `verdicts` has a row a session:
    those of `spc.stream.evaluate`, and `lot` and `started_us`; `charted` are the points of `spc.stream.evaluate`, `marked` are the
    sessions whose values may be a slip, `said` is for the next evaluation.
    """

    stream: Stream
    board: StoredBoardRow
    sketch: StoredSparkline
    document: StoredStream
    points: list[tuple[int, int, float | None, StoredPoint]]
    verdicts: Rows
    alerts: list[Alert]
    charted: Rows
    marked: Mapping[int, Suspect]
    said: spc.stream.evaluate.EvaluationCache


def evaluate_stale(connection: Connection, lab: Lab, watch: Progress = no_progress) -> tuple[set[int], list[str]]:
    """Evaluate every stream marked stale; their numbers, and the ids of the alerts that are new."""
    lab = with_entered_limits(connection, lab)
    update_pooled_autocorrelation(connection, lab)
    rows = connection.exec_driver_sql(
        "SELECT id, supplier, product, characteristic FROM stream WHERE stale = 1 ORDER BY id"
    )
    streams = [Stream(*row) for row in rows]
    raised: list[str] = []
    for start in range(0, len(streams), STREAMS_AT_ONCE):
        watch("streams evaluated", start, len(streams))
        raised += _renew(connection, lab, streams[start : start + STREAMS_AT_ONCE])
    connection.exec_driver_sql("UPDATE stream SET stale = 0 WHERE stale = 1")
    return {stream.id for stream in streams}, raised


def contexts_of(connection: Connection, streams: Sequence[Stream]) -> dict[int, StreamContext]:
    """What is known of these streams beside their sessions, by number."""
    sisters, said = pools_of(connection), detector_states(connection, [stream.id for stream in streams])
    acts = entries_on_each(connection, [subject_of(stream) for stream in streams])
    return {
        stream.id: StreamContext(
            acts[subject_of(stream)],
            sisters.get(stream.characteristic, detection.NO_POOL),
            said.get(stream.id, spc.stream.evaluate.EvaluationCache()),
        )
        for stream in streams
    }


def subject_of(stream: Stream) -> str:
    """The subject of the entries on a stream."""
    return stream_subject(stream.supplier, stream.product, stream.characteristic)


def _renew(connection: Connection, lab: Lab, streams: Sequence[Stream]) -> list[str]:
    sessions, heard = sessions_of(connection, [stream.id for stream in streams]), contexts_of(connection, streams)
    for stream in streams:
        if stream.id not in sessions:
            _forget(connection, stream)
    there = [stream for stream in streams if stream.id in sessions]
    evaluated = evaluate(lab, [(stream, sessions[stream.id], heard[stream.id]) for stream in there])
    return [alert for one in evaluated for alert in write(connection, one)]


def evaluate(lab: Lab, streams: Sequence[tuple[Stream, Rows, StreamContext]]) -> list[Evaluated]:
    """Evaluate streams with the entries of people on them; reads and writes nothing.

    Parameters
    ----------
    lab : Lab
        The declarations, with the limits that people entered laid over them.
    streams : sequence of (Stream, Rows, Heard)
        Each with its rows of `sessions_of`, at least one, and its entry of `heard_of`.
    """
    marks = [
        suspects(rows, lab.characteristic(stream.characteristic).scale, heard.acts) for stream, rows, heard in streams
    ]
    asked = [_asked(lab, *one, marked) for one, marked in zip(streams, marks, strict=True)]
    evaluations = spc.stream.evaluate.streams(asked)
    return [
        _told(lab, stream, heard.acts, marked, rows, evaluation)
        for (stream, rows, heard), marked, evaluation in zip(streams, marks, evaluations, strict=True)
    ]


def _asked(
    lab: Lab, stream: Stream, sessions: Rows, heard: StreamContext, marked: Mapping[int, Suspect]
) -> spc.stream.evaluate.EvaluationRequest:
    aside = [session for session, one in marked.items() if one.settled == SET_ASIDE]
    prepared = for_evaluation(lab, stream.product, stream.characteristic, sessions, aside)
    return spc.stream.evaluate.EvaluationRequest(
        prepared, _settings(lab, stream, heard.acts, prepared, marked), heard.sisters, heard.before
    )


def _told(
    lab: Lab,
    stream: Stream,
    acts: list[AuditEntry],
    marked: Mapping[int, Suspect],
    sessions: Rows,
    evaluation: spc.stream.evaluate.Evaluation,
) -> Evaluated:
    return Evaluated(
        stream=stream,
        board=board_row(lab, stream, evaluation),
        sketch=sketch(lab, stream, evaluation),
        document=stream_document(lab, stream, evaluation, acts, marked),
        points=_points(evaluation, lab.characteristic(stream.characteristic).scale, marked),
        verdicts=evaluation.verdicts.adding({name: sessions[name] for name in ("lot", "started_us")}),
        alerts=stream_alerts(lab, stream, evaluation, marked),
        charted=evaluation.points,
        marked=marked,
        said=evaluation.said,
    )


def write(connection: Connection, evaluated: Evaluated) -> list[str]:
    """Store an evaluation in place of the stream's earlier one; the ids of the alerts that are new."""
    number = evaluated.stream.id
    write_detector_state(connection, number, evaluated.said)
    _write_verdicts(connection, number, evaluated.verdicts)
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
    connection: Connection, lab: Lab, stream: Stream, commons: Sequence[Mapping[int, float]]
) -> list[spc.stream.evaluate.Evaluation]:
    """Second looks at a stream, each with what the bench may have added to its levels (by session, charted scale) taken out."""
    lab = with_entered_limits(connection, lab)
    sessions, heard = sessions_of(connection, [stream.id])[stream.id], contexts_of(connection, [stream])[stream.id]
    marked = suspects(sessions, lab.characteristic(stream.characteristic).scale, heard.acts)
    # What was said of the levels as they are does not hold here.
    anew = replace(heard, before=spc.stream.evaluate.EvaluationCache())
    return spc.stream.evaluate.streams(
        [_asked(lab, stream, _without(sessions, common), anew, marked) for common in commons]
    )


def _without(sessions: Rows, common: Mapping[int, float]) -> Rows:
    added = np.array([common.get(session, 0.0) for session in sessions.index.tolist()])
    return sessions.adding({name: sessions.floats(name) - added for name in ("level", "level_low", "level_high")})


def _settings(
    lab: Lab, stream: Stream, acts: list[AuditEntry], sessions: Rows, marked: Mapping[int, Suspect]
) -> spc.stream.evaluate.Settings:
    """What is declared and entered for a stream."""
    declared, left_out = lab.characteristic(stream.characteristic), excluded_lots(acts)
    numbered = zip(sessions.index.tolist(), sessions["lot"].tolist(), strict=True)
    return spc.stream.evaluate.Settings(
        scale=declared.scale,
        judged=declared.judged,
        guard_percent=declared.guard_percent,
        baseline_lots=lab.baseline.lots,
        false_alerts_per_year=lab.alerts.false_alerts_per_stream_year,
        horizon_weeks=lab.alerts.horizon_weeks,
        breach_probability=lab.alerts.breach_probability,
        every_session_is_a_point=lab.is_check_standard(stream.supplier, stream.product),
        restarts=tuple(from_us / WEEK_US for from_us in baseline_restarts(acts)),
        left_out=frozenset(session for session, lot in numbered if lot in left_out),
        doubted=frozenset(session for session, one in marked.items() if not one.settled),
    )


def _forget(connection: Connection, stream: Stream) -> None:
    """A stream whose last reading went away in a correction of its identity has nothing left to show."""
    for table in ("evaluation", "watched", "point", "alert", "mark"):
        connection.exec_driver_sql(f"DELETE FROM {table} WHERE stream_id = ?", (stream.id,))
    forget_scores(connection, stream.id)


def as_json(document: object) -> str:
    """A document as stored: short, and without a nan."""
    return JSON.encode(document)


def _points(
    evaluation: spc.stream.evaluate.Evaluation, scale: str, marked: Mapping[int, Suspect]
) -> list[tuple[int, int, float | None, StoredPoint]]:
    points = evaluation.points
    columns = (points.index.tolist(), points["started_us"].tolist(), numbers(points.floats("z")))
    return list(zip(*columns, point_documents(evaluation, scale, marked), strict=True))


def _write_verdicts(connection: Connection, stream_id: int, verdicts: Rows) -> None:
    """Write the verdicts that are new or another."""
    figures = [numbers(verdicts.floats(name)) for name in ("level_unit", "worst", "judged")]
    rows = zip(*figures, [str(word) for word in verdicts["verdict"].tolist()], verdicts.index.tolist(), strict=True)
    stored = connection.exec_driver_sql(
        "SELECT level_unit, worst, judged, verdict, id FROM session WHERE stream_id = ?", (stream_id,)
    )
    before = {tuple(row) for row in stored}
    insert_many(
        connection,
        "UPDATE session SET level_unit = ?, worst = ?, judged = ?, verdict = ? WHERE id = ?",
        [row for row in rows if row not in before],
    )


def _write_points(
    connection: Connection, stream_id: int, points: list[tuple[int, int, float | None, StoredPoint]]
) -> None:
    """Write the points that are new or other than they were, and take away those that are gone."""
    stored = connection.exec_driver_sql(
        "SELECT session_id, ordinal, tested_us, z, document FROM point WHERE stream_id = ?", (stream_id,)
    )
    before = {tuple(row) for row in stored}
    rows = {
        (session, ordinal, started_us, z, as_json(document))
        for ordinal, (session, started_us, z, document) in enumerate(points)
    }
    insert_many(
        connection,
        "DELETE FROM point WHERE stream_id = ? AND session_id = ?",
        [(stream_id, session) for session in {row[0] for row in before - rows} - {row[0] for row in rows}],
    )
    insert_many(
        connection,
        "INSERT INTO point (stream_id, session_id, ordinal, tested_us, z, document) VALUES (?, ?, ?, ?, ?, ?) "
        "ON CONFLICT (stream_id, session_id) DO UPDATE SET ordinal = excluded.ordinal, tested_us = excluded.tested_us, "
        "z = excluded.z, document = excluded.document",
        [(stream_id, *row) for row in sorted(rows - before)],
    )
