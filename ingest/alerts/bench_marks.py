"""Reads which tests were made while a source on the bench was off, and what their levels would be without it."""

from __future__ import annotations

import json
from collections.abc import Iterable

from sqlalchemy import Connection, bindparam, text

from ingest.config.lab import Lab
from ingest.documents.alert import StoredBenchEvidence
from ingest.documents.bench_mark import BenchMark
from ingest.documents.served import served
from ingest.evaluation.alert_text import suspect_named
from ingest.store.store import KEYS_AT_ONCE

__all__ = ["marks_of_sessions", "marks_of_stream"]

SQL = """
SELECT b.session_id, b.size, b.size_unit, b.level_without, a.id, a.state, a.evidence
FROM bench_share b JOIN alert a ON a.id = b.alert WHERE {which} ORDER BY b.session_id, a.raised_us, a.id
"""


def marks_of_stream(connection: Connection, lab: Lab, stream: int) -> dict[int, list[BenchMark]]:
    """The marks of a stream's tests, by session."""
    return _marks(connection.execute(text(SQL.format(which="b.stream_id = :stream")), {"stream": stream}), lab)


def marks_of_sessions(connection: Connection, lab: Lab, sessions: Iterable[int]) -> dict[int, list[BenchMark]]:
    """The marks of these tests, by session; a test without a mark is left out."""
    query = text(SQL.format(which="b.session_id IN :sessions")).bindparams(bindparam("sessions", expanding=True))
    wanted, found = sorted(set(sessions)), {}
    for start in range(0, len(wanted), KEYS_AT_ONCE):
        found |= _marks(connection.execute(query, {"sessions": wanted[start : start + KEYS_AT_ONCE]}), lab)
    return found


def _marks(rows: Iterable[object], lab: Lab) -> dict[int, list[BenchMark]]:
    marks: dict[int, list[BenchMark]] = {}
    for session, size, size_unit, level_without, alert, state, stored in rows:  # type: ignore[misc]
        evidence: StoredBenchEvidence = json.loads(stored)
        mark = served(
            {
                "finding": alert,
                "source": suspect_named(evidence["suspect_kind"], evidence["suspect"], evidence["quantity"]),
                "size": size,
                "size_unit": size_unit,
                "level_without": level_without,
                "closed": state == "closed",
                "off_from_us": evidence["off_from_us"],
                "off_until_us": evidence["off_until_us"],
            },
            lab.zone,
        )
        marks.setdefault(session, []).append(mark)
    return marks
