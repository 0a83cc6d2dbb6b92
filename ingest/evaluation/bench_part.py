"""The bench part of the uncertainty by characteristic, from its conditioned check standards and its gauge studies.

A round reads only the check standards that changed. Where a session of one, a finding about its tester, or a study changes
the part, every stream with tests since then is evaluated again, so that one round over a whole history and many rounds drop
by drop end in the same store. A session made while a finding or a calibration says that the tester was off tells nothing of
the bench as it usually is, and is left out.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

import numpy as np
from sqlalchemy import Connection

from ingest.audit.audit_log import baseline_restarts, entries_on_each
from ingest.audit.subjects import Subject
from ingest.common.instants import WEEK_US
from ingest.common.streams import Stream
from ingest.config.lab import Lab
from ingest.sessions.gauge_studies import study_steps
from ingest.sessions.session_columns import sessions_of
from ingest.sessions.suspect_values import STANDS, suspects
from spc.stream.level_uncertainty import NO_BENCH_PART, BenchPart, bench_part

__all__ = ["bench_parts_of", "update_bench_parts"]

OF_THE_TESTER = ("instrument", "quantity")


def bench_parts_of(connection: Connection) -> dict[str, tuple[BenchPart, BenchPart]]:
    """The bench parts by characteristic: by check standards, and by gauge studies."""
    rows = connection.exec_driver_sql("SELECT characteristic, document FROM bench_part")
    stored = {name: json.loads(document) for name, document in rows}
    return {name: (_part(one["steps"]), _part(one.get("studies", []))) for name, one in stored.items()}


def _part(steps: list[list[float]]) -> BenchPart:
    return BenchPart(*np.array(steps).reshape(-1, 3).T)


def update_bench_parts(connection: Connection, lab: Lab) -> None:
    """Bring the bench parts up to date, and mark the streams that a changed part concerns as stale."""
    rows = connection.exec_driver_sql("SELECT id, supplier, product, characteristic, stale FROM stream ORDER BY id")
    streams = [(Stream(*row[:4]), bool(row[4])) for row in rows]
    standards = lab.conditioned_standards()
    stored = {
        name: json.loads(text)
        for name, text in connection.exec_driver_sql("SELECT characteristic, document FROM bench_part")
    }
    off = _off(connection, lab)
    of_standards = [(one, stale) for one, stale in streams if (one.supplier, one.product) in standards]
    studies = study_steps(lab)
    for name in sorted({one.characteristic for one, _ in of_standards} | stored.keys() | studies.keys()):
        own = [one for one, _ in of_standards if one.characteristic == name]
        changed = any(stale for one, stale in of_standards if one.characteristic == name)
        before = stored.get(name, {"streams": [], "steps": []})
        own_off = sorted(session for one in own for session in off.get(one.id, ()))
        stands = (
            not changed and before["streams"] == [one.id for one in own] and before.get("tester_off", []) == own_off
        )
        steps = before["steps"] if stands else _steps(_computed(connection, lab, name, own, own_off))
        by_study = studies.get(name, [])
        if not stands or before.get("studies", []) != by_study:
            after = {
                "streams": [one.id for one in own],
                "steps": steps,
                "studies": by_study,
                "tester_off": own_off,
            }
            _renew(connection, name, before, after)


def _steps(part: BenchPart) -> list[list[float]]:
    return [list(one) for one in zip(part.from_weeks.tolist(), part.variance.tolist(), part.df.tolist(), strict=True)]


def _renew(connection: Connection, characteristic: str, before: dict[str, Any], after: dict[str, Any]) -> None:
    """Store a bench part, and mark the streams with tests since its first change as stale."""
    document = json.dumps(after)
    connection.exec_driver_sql(
        "INSERT INTO bench_part (characteristic, document) VALUES (?, ?) "
        "ON CONFLICT (characteristic) DO UPDATE SET document = excluded.document",
        (characteristic, document),
    )
    changed = set()
    for key in ("steps", "studies"):
        changed |= _as_set(after[key]) ^ _as_set(before.get(key, []))
    if changed:
        connection.exec_driver_sql(
            "UPDATE stream SET stale = 1 WHERE characteristic = ? AND EXISTS "
            "(SELECT 1 FROM session WHERE session.stream_id = stream.id AND session.started_us >= ?)",
            (characteristic, int(min(changed)[0] * WEEK_US)),
        )


def _as_set(steps: Iterable[Iterable[float]]) -> set[tuple[float, ...]]:
    return {tuple(one) for one in steps}


def _off(connection: Connection, lab: Lab) -> dict[int, set[int]]:
    """The sessions of check standards, by stream, that were made while a finding or a calibration says the tester was off."""
    rows = connection.exec_driver_sql("SELECT id, supplier, product FROM stream").fetchall()
    standards = {stream for stream, supplier, product in rows if lab.is_check_standard(supplier, product)}
    result: dict[int, set[int]] = {}
    for alert, document in connection.exec_driver_sql(
        "SELECT id, evidence FROM alert WHERE kind = 'bench' AND stream_id IS NULL"
    ).fetchall():
        evidence = json.loads(document)
        if evidence["suspect_kind"] not in OF_THE_TESTER:
            continue
        shares = "SELECT stream_id, session_id FROM bench_share WHERE alert = ?"
        found = [tuple(row) for row in connection.exec_driver_sql(shares, (alert,))]
        if evidence.get("shown_by") == "calibration":
            # A calibration marks the tests of lots; the check standards of its weeks are found by their tester.
            own = (
                "SELECT s.stream_id, s.id FROM session s JOIN label i ON i.id = s.instrument_id "
                "WHERE i.text = ? AND s.started_us > ? AND s.started_us <= ?"
            )
            span = (evidence["suspect"], evidence["off_from_us"], evidence["off_until_us"])
            found += [tuple(row) for row in connection.exec_driver_sql(own, span)]
        for stream, session in found:
            if stream in standards:
                result.setdefault(stream, set()).add(session)
    return result


def _computed(connection: Connection, lab: Lab, characteristic: str, own: list[Stream], off: list[int]) -> BenchPart:
    """The bench part from the valid sessions of these check standards but the ones with the tester `off`.

    A suspected slip counts once a person clears it.
    """
    sessions = sessions_of(connection, [one.id for one in own]) if own else {}
    subjects = {one.id: Subject.stream(one.supplier, one.product, one.characteristic) for one in own}
    entries = entries_on_each(connection, list(subjects.values()))
    rows: list[tuple[int, int, int, float, float]] = []
    for stream, found in sessions.items():
        acts = entries[subjects[stream]]
        marked = suspects(found, lab.characteristic(characteristic).scale, acts)
        aside = [session for session, one in marked.items() if one.settled != STANDS]
        counts = (found["conditioning"] == "valid") & np.isfinite(found.floats("level"))
        counts &= ~np.isin(found.index, [*aside, *off])
        used = found.take(counts)
        # A restart of the baseline says that the standard was exchanged: its levels before and after do not compare.
        stretch = np.searchsorted(
            np.array(sorted(baseline_restarts(acts)), dtype=np.int64), used["started_us"], "right"
        )
        noise = used.floats("reading_variance") / (used.floats("bags") * np.maximum(used.floats("readings_per_bag"), 1))
        rows += zip(
            used["started_us"].tolist(), [stream] * len(used), stretch.tolist(), used.floats("level").tolist(),
            noise.tolist(), strict=True,
        )  # fmt: skip
    if not rows:
        return NO_BENCH_PART
    rows.sort(key=lambda row: row[:3])
    groups = {key: number for number, key in enumerate(dict.fromkeys(row[1:3] for row in rows))}
    return bench_part(
        np.array([groups[row[1:3]] for row in rows]),
        np.array([row[0] for row in rows]) / WEEK_US,
        np.array([row[3] for row in rows]),
        np.array([row[4] for row in rows]),
    )
