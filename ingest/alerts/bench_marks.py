"""Reads which tests were made while a source on the bench was off, and what their levels would be without it."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

from sqlalchemy import Connection, Row, bindparam, text

from ingest.config.lab import Lab
from ingest.documents.alert import StoredBenchEvidence
from ingest.documents.bench.bench_mark import BenchMark, StoredBenchMark
from ingest.documents.served import served
from ingest.evaluation.alert_text import suspect_named
from ingest.store.store import KEYS_AT_ONCE
from spc.vocabulary.enums import AlertState

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
    wanted = sorted(set(sessions))
    by_session: dict[int, list[BenchMark]] = {}
    for start in range(0, len(wanted), KEYS_AT_ONCE):
        by_session |= _marks(connection.execute(query, {"sessions": wanted[start : start + KEYS_AT_ONCE]}), lab)
    return by_session


def _marks(rows: Iterable[Row[Any]], lab: Lab) -> dict[int, list[BenchMark]]:
    marks: dict[int, list[BenchMark]] = {}
    for row in rows:
        evidence: StoredBenchEvidence = json.loads(row.evidence)
        mark: StoredBenchMark = {
            "finding": row.id,
            "source": suspect_named(evidence["suspect_kind"], evidence["suspect"], evidence["quantity"]),
            # Without a unit: the size is not known, such as that of a humidity sensor on an energy.
            "size": row.size if row.size_unit else None,
            "size_unit": row.size_unit,
            "level_without": row.level_without,
            "closed": row.state == AlertState.CLOSED,
            "shown_by": evidence.get("shown_by"),
            # A sensor that was never checked before has no first day.
            "off_from_us": evidence["off_from_us"] or None,
            "off_until_us": evidence["off_until_us"],
        }
        marks.setdefault(row.session_id, []).append(served(mark, lab.zone))
    return marks
