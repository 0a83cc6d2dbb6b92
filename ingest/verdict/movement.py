"""Whether the level of a stream moves over a stretch of its lots: one definition for a comparison and for the next lot.

A level moves where by an alert of the stream itself it began to move inside the stretch, or where the lots of the stretch
show a trend of their own. A level that moved before the stretch and stands since does not move.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, bindparam, text

from ingest.common.instants import WEEK_US
from ingest.common.json_text import from_json
from ingest.store.dialect import json_number
from spc import trend

__all__ = ["Movement", "movements", "moves"]

ALERTS_SQL = text("""
SELECT stream_id, evidence, state FROM alert WHERE stream_id IN :streams AND kind IN ('drift', 'forecast') AND held_under IS NULL
""").bindparams(bindparam("streams", expanding=True))


@dataclass(frozen=True, slots=True)
class Movement:
    """What the store holds of the moves of a stream: `begun` are the moments at which its level began to move.

    `alerts` are moment and direction of the moves that are not over; `autocorrelation` is that of its lots.
    """

    begun: tuple[int, ...]
    alerts: tuple[tuple[int, int], ...]
    autocorrelation: float


def movements(connection: Connection, streams: Sequence[int]) -> dict[int, Movement]:
    """Read the moves of some streams. A move that a shared shift explains is none of the stream itself."""
    begun: dict[int, list[int]] = {stream: [] for stream in streams}
    alerts: dict[int, list[tuple[int, int]]] = {stream: [] for stream in streams}
    for stream, evidence, state in connection.execute(ALERTS_SQL, {"streams": list(streams)}):
        parts = from_json(evidence)
        since = parts.get("since_us")
        if since is None:
            continue
        begun[stream].append(since)
        if state != "closed":
            alerts[stream].append((since, int(parts.get("direction") or 0)))
    path = json_number(connection, "document", "detector", "autocorrelation")
    query = text(f"SELECT stream_id, {path} FROM evaluation WHERE stream_id IN :streams").bindparams(
        bindparam("streams", expanding=True)
    )
    correlation = {row[0]: row[1] for row in connection.execute(query, {"streams": list(streams)})}
    return {
        # Lots that differ more than independent ones show a trend no sooner: only likeness is allowed for.
        stream: Movement(
            tuple(begun[stream]), tuple(alerts[stream]), min(max(correlation.get(stream) or 0.0, 0.0), 0.95)
        )
        for stream in streams
    }


def moves(movement: Movement, start_us: int, end_us: int, tested_us: Sequence[int], levels: Sequence[float]) -> bool:
    """Whether the level moves from the start to the end of a stretch, by its alerts and its lots in order of test."""
    if any(start_us < moment < end_us for moment in movement.begun):
        return True
    before = {direction for since, direction in movement.alerts if since <= start_us}
    result = trend.trend([moment / WEEK_US for moment in tested_us], levels, movement.autocorrelation)
    return any(trend.moves(result, direction) for direction in before or {0})
