"""Which alerts of a stream have one cause: those whose time overlaps. Together they are one case.

An alert lasts from the estimated start of what it is about until it ends: it is open, or has been quiet for some lots. An alert
that people entered something about and that a later round no longer raises, such as after a new baseline, stays in its case by
what the audit log kept of it.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from sqlalchemy import Connection

from ingest.audit.audit_log import withdrawn_alerts
from ingest.documents.alert import StoredStreamEvidence
from ingest.store.store import insert_many
from spc.stream.alert_episodes import LOTS

__all__ = ["Episode", "grouped", "update_cases"]

NEXT_LOTS_SQL = """
SELECT p.tested_us FROM point p JOIN session s ON s.id = p.session_id
WHERE p.stream_id = ? AND p.tested_us > ? AND s.conditioning = 'valid' ORDER BY p.tested_us LIMIT ?
"""


class Episode(NamedTuple):
    """The time of one alert, in microseconds; `end_us` is infinite while it is open."""

    raised_us: int
    alert: str
    start_us: int
    end_us: float


def grouped(episodes: Iterable[Episode]) -> dict[str, str]:
    """The case of each alert, named after the first alert of those that overlap."""
    cases: dict[str, str] = {}
    group: list[Episode] = []
    reached = -math.inf
    for episode in [*sorted(episodes, key=lambda one: (one.start_us, one.alert)), None]:
        if episode is None or episode.start_us > reached:
            name = min(group).alert if group else ""
            cases |= {one.alert: name for one in group}
            group, reached = [], -math.inf
        if episode is not None:
            group.append(episode)
            reached = max(reached, episode.end_us)
    return cases


def update_cases(connection: Connection, evaluated: Iterable[int]) -> None:
    """Derive the cases of these streams. An alert without a stream is a case by itself and has no row."""
    streams = sorted(evaluated)
    withdrawn = withdrawn_alerts(connection) if streams else {}
    for stream_id in streams:
        connection.exec_driver_sql("DELETE FROM case_alert WHERE stream_id = ?", (stream_id,))
        names = connection.exec_driver_sql(
            "SELECT supplier, product, characteristic FROM stream WHERE id = ?", (stream_id,)
        ).first()
        rows = connection.exec_driver_sql(
            "SELECT id, raised_us, evidence FROM alert WHERE stream_id = ?", (stream_id,)
        ).all()
        # The evidence of a stream's own lots; an alert about its lots in stock is a case by itself.
        gone = [
            (alert, row)
            for alert, row in withdrawn.items()
            if names is not None and row["stream"] == tuple(names) and "latest_tested_us" in row["evidence"]
        ]
        current: list[tuple[str, int, StoredStreamEvidence]] = [(row[0], row[1], json.loads(row[2])) for row in rows]
        episodes = [
            _episode(
                connection, stream_id, *one, closed=bool(one[2]["closed_because"]), alone=len(rows) + len(gone) == 1
            )
            for one in current
        ]
        episodes += [
            Episode(
                row["raised_us"], alert, _start(row["raised_us"], row["evidence"]), row["evidence"]["latest_tested_us"]
            )
            for alert, row in gone
        ]
        insert_many(
            connection,
            "INSERT INTO case_alert (alert, case_id, stream_id) VALUES (?, ?, ?)",
            [(alert, case, stream_id) for alert, case in sorted(grouped(episodes).items())],
        )


def _episode(
    connection: Connection,
    stream_id: int,
    alert: str,
    raised_us: int,
    evidence: StoredStreamEvidence,
    *,
    closed: bool,
    alone: bool,
) -> Episode:
    end: float = math.inf
    if closed and not alone:
        latest = evidence["latest_tested_us"]
        following: Sequence[int] = connection.exec_driver_sql(NEXT_LOTS_SQL, (stream_id, latest, LOTS)).scalars().all()
        end = max([latest, *following])
    return Episode(raised_us, alert, _start(raised_us, evidence), end)


def _start(raised_us: int, evidence: StoredStreamEvidence) -> int:
    since = evidence["since_us"]
    return raised_us if since is None else min(since, raised_us)
