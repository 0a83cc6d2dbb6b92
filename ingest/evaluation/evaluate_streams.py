"""Store → statistics → store: evaluate the streams that changed.

`spc.stream.evaluate` evaluates the sessions of each stream; the result is written whole, so that screens, mails and
scorecards show stored figures and compute none.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from sqlalchemy import Connection

import spc.stream.evaluate
from ingest.audit.audit_log import AuditEntry, baseline_restarts, entries_on_each, excluded_lots
from ingest.audit.limit_entries import with_entered_limits
from ingest.audit.subjects import Subject
from ingest.common.instants import WEEK_US
from ingest.common.json_text import as_json
from ingest.common.progress import Progress, no_progress
from ingest.common.streams import Stream
from ingest.config.lab import Lab
from ingest.documents.stream import StoredBoardRow, StoredPoint, StoredSparkline, StoredStream
from ingest.documents.verdict.conformity import StoredConformity
from ingest.evaluation.bag_counts import bags_outside_limits, update_bag_counts
from ingest.evaluation.bench_part import bench_parts_of, update_bench_parts
from ingest.evaluation.conformity import conformity_documents, with_uncertainty
from ingest.evaluation.detector_state import detector_states, write_detector_state
from ingest.evaluation.pooled_autocorrelation import pools_of, update_pooled_autocorrelation
from ingest.evaluation.reference_scores import forget_scores, write_scores
from ingest.evaluation.stored_results import board_row, numbers, point_documents, sketch, stream_document
from ingest.evaluation.stream_alerts import Alert, stream_alerts, write_stream_alerts
from ingest.evaluation.stream_context import StreamContext, StreamInput
from ingest.sessions.session_columns import for_evaluation, sessions_of
from ingest.sessions.suspect_values import SET_ASIDE, Suspect, suspects, write_suspects
from ingest.store.store import insert_many
from spc import detection
from spc.kernels.columns import Rows
from spc.stream.level_uncertainty import NO_BENCH_PART

__all__ = ["Evaluated", "evaluate", "evaluate_stale", "evaluate_without", "inputs_of", "subject_of", "write"]

STREAMS_AT_ONCE = 200


@dataclass(frozen=True, slots=True, eq=False)
class Evaluated:
    """One stream as its evaluation is stored.

    `conformity` holds the document of each session by number. `points` holds session, time of test, distance from the centre line and document of each point; `verdicts` are those of
    `spc.stream.evaluate` with `lot` and `started_us`, one row a session; `charted` are its points, `marked` the sessions whose
    values may be a slip, `cache` its results for the next evaluation.
    """

    stream: Stream
    board: StoredBoardRow
    sketch: StoredSparkline
    document: StoredStream
    points: list[tuple[int, int, float | None, StoredPoint]]
    conformity: Mapping[int, StoredConformity]
    verdicts: Rows
    alerts: list[Alert]
    charted: Rows
    marked: Mapping[int, Suspect]
    cache: spc.stream.evaluate.EvaluationCache


def evaluate_stale(connection: Connection, lab: Lab, watch: Progress = no_progress) -> tuple[set[int], list[str]]:
    """Evaluate every stream marked stale; their numbers, and the ids of the alerts that are new."""
    lab = with_entered_limits(connection, lab)
    update_pooled_autocorrelation(connection, lab)
    update_bench_parts(connection, lab)
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


def inputs_of(connection: Connection, streams: Sequence[Stream]) -> dict[int, StreamInput]:
    """What the evaluation of these streams starts from, by number; a stream without a session is left out."""
    ids = [stream.id for stream in streams]
    sessions, pools, caches = sessions_of(connection, ids), pools_of(connection), detector_states(connection, ids)
    benches = bench_parts_of(connection)
    entries = entries_on_each(connection, [subject_of(stream) for stream in streams])
    bags = bags_outside_limits(connection, ids)
    return {
        stream.id: StreamInput(
            stream,
            sessions[stream.id],
            entries[subject_of(stream)],
            pools.get(stream.characteristic, detection.NO_POOL),
            *benches.get(stream.characteristic, (NO_BENCH_PART, NO_BENCH_PART)),
            caches.get(stream.id, spc.stream.evaluate.EvaluationCache()),
            bags.get(stream.id, {}),
        )
        for stream in streams
        if stream.id in sessions
    }


def subject_of(stream: Stream) -> Subject:
    """The subject of the entries on a stream."""
    return Subject.stream(stream.supplier, stream.product, stream.characteristic)


def _renew(connection: Connection, lab: Lab, streams: Sequence[Stream]) -> list[str]:
    # Before the evaluation, as the sentence of an undecided lot states its bags outside.
    update_bag_counts(connection, lab, streams)
    inputs = inputs_of(connection, streams)
    for stream in streams:
        if stream.id not in inputs:
            _forget(connection, stream)
    return [alert for one in evaluate(lab, list(inputs.values())) for alert in write(connection, one)]


def evaluate(lab: Lab, inputs: Sequence[StreamInput]) -> Iterator[Evaluated]:
    """Evaluate streams with the entries of people on them; reads and writes nothing.

    `lab` holds the declarations with the limits that people entered laid over them. The documents of a stream are made in its turn,
    so that those of all streams are never held at once.
    """
    marks = [_marked(lab, one) for one in inputs]
    requests = [_request(lab, one, marked) for one, marked in zip(inputs, marks, strict=True)]
    for one, marked, request, evaluation in zip(
        inputs, marks, requests, spc.stream.evaluate.streams(requests), strict=True
    ):
        yield _evaluated(
            StreamContext(lab, one.stream, one.entries, marked, evaluation, one.bags), Rows.of(request.sessions)
        )


def _marked(lab: Lab, one: StreamInput) -> dict[int, Suspect]:
    return suspects(one.sessions, lab.characteristic(one.stream.characteristic).scale, one.entries)


def _request(lab: Lab, one: StreamInput, marked: Mapping[int, Suspect]) -> spc.stream.evaluate.EvaluationRequest:
    aside = [session for session, suspect in marked.items() if suspect.settled == SET_ASIDE]
    prepared = for_evaluation(lab, one.stream.product, one.stream.characteristic, one.sessions, aside)
    settings = _settings(lab, one.stream, one.entries, prepared, marked)
    prepared = with_uncertainty(lab, one.stream.characteristic, prepared, settings.unreviewed, one.bench, one.study)
    # The scatter of films says nothing of a reference that is kept so that it does not change.
    is_check = lab.is_check_standard(one.stream.supplier, one.stream.product)
    pool = one.pool.without_scatter() if is_check else one.pool
    return spc.stream.evaluate.EvaluationRequest(prepared, settings, pool, one.cache)


def _evaluated(context: StreamContext, sessions: Rows) -> Evaluated:
    evaluation, points = context.evaluation, context.evaluation.points
    columns = (points.index.tolist(), points["started_us"].tolist(), numbers(points.floats("z")))
    return Evaluated(
        stream=context.stream,
        board=board_row(context),
        sketch=sketch(context),
        document=stream_document(context),
        points=list(zip(*columns, point_documents(context), strict=True)),
        conformity=conformity_documents(context.lab, context.stream.characteristic, sessions),
        verdicts=evaluation.verdicts.adding({name: sessions[name] for name in ("lot", "started_us")}),
        alerts=stream_alerts(context),
        charted=points,
        marked=context.marked,
        cache=evaluation.cache,
    )


def write(connection: Connection, evaluated: Evaluated) -> list[str]:
    """Store an evaluation in place of the stream's earlier one; the ids of the alerts that are new."""
    number = evaluated.stream.id
    write_detector_state(connection, number, evaluated.cache)
    _write_verdicts(connection, number, evaluated.verdicts)
    _write_conformity(connection, number, evaluated.conformity)
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
    """Evaluations of a stream after a shift of the bench, by session in the charted scale, is taken out of its levels."""
    lab = with_entered_limits(connection, lab)
    stored = inputs_of(connection, [stream])[stream.id]
    marked = _marked(lab, stored)
    # The cached results are those of the levels as they are.
    anew = replace(stored, cache=spc.stream.evaluate.EvaluationCache())
    return spc.stream.evaluate.streams(
        [_request(lab, replace(anew, sessions=_without(stored.sessions, common)), marked) for common in commons]
    )


def _without(sessions: Rows, common: Mapping[int, float]) -> Rows:
    added = np.array([common.get(session, 0.0) for session in sessions.index.tolist()])
    return sessions.adding({name: sessions.floats(name) - added for name in ("level", "level_low", "level_high")})


def _settings(
    lab: Lab, stream: Stream, acts: list[AuditEntry], sessions: Rows, marked: Mapping[int, Suspect]
) -> spc.stream.evaluate.Settings:
    """The settings of a stream, as declared and as people entered them."""
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
        excluded=frozenset(session for session, lot in numbered if lot in left_out),
        unreviewed=frozenset(session for session, one in marked.items() if not one.settled),
    )


def _forget(connection: Connection, stream: Stream) -> None:
    """Delete the results of a stream whose last reading was corrected away from it."""
    for table in ("evaluation", "watched", "point", "alert", "mark", "conformity"):
        connection.exec_driver_sql(f"DELETE FROM {table} WHERE stream_id = ?", (stream.id,))
    forget_scores(connection, stream.id)


def _write_verdicts(connection: Connection, stream_id: int, verdicts: Rows) -> None:
    """Write the verdicts that are new or changed."""
    figures = [numbers(verdicts.floats(name)) for name in ("level_unit", "worst", "judged")]
    rows = zip(*figures, [str(word) for word in verdicts["verdict"].tolist()], verdicts.index.tolist(), strict=True)
    stored = connection.exec_driver_sql(
        "SELECT level_unit, worst, judged, verdict, id FROM session WHERE stream_id = ?", (stream_id,)
    )
    before = {tuple(row) for row in stored.fetchall()}
    insert_many(
        connection,
        "UPDATE session SET level_unit = ?, worst = ?, judged = ?, verdict = ? WHERE id = ?",
        [row for row in rows if row not in before],
    )


def _write_conformity(connection: Connection, stream_id: int, documents: Mapping[int, StoredConformity]) -> None:
    """Write the documents that are new or changed, and delete those of sessions that are gone."""
    stored = connection.exec_driver_sql("SELECT session_id, document FROM conformity WHERE stream_id = ?", (stream_id,))
    before = dict(tuple(row) for row in stored.fetchall())
    rows = {session: as_json(document) for session, document in documents.items()}
    insert_many(
        connection,
        "DELETE FROM conformity WHERE session_id = ?",
        [(session,) for session in before if session not in rows],
    )
    insert_many(
        connection,
        "INSERT INTO conformity (session_id, stream_id, document) VALUES (?, ?, ?) "
        "ON CONFLICT (session_id) DO UPDATE SET stream_id = excluded.stream_id, document = excluded.document",
        [(session, stream_id, text) for session, text in rows.items() if before.get(session) != text],
    )


def _write_points(
    connection: Connection, stream_id: int, points: list[tuple[int, int, float | None, StoredPoint]]
) -> None:
    """Write the points that are new or changed, and delete those that are gone."""
    stored = connection.exec_driver_sql(
        "SELECT session_id, ordinal, tested_us, z, document FROM point WHERE stream_id = ?", (stream_id,)
    )
    before = {tuple(row) for row in stored.fetchall()}
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
