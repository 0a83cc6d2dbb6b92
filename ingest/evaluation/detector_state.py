"""The results of a stream's last evaluation, kept so that a new lot does not cause the old ones to be evaluated again."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, is_dataclass
from typing import Any

from sqlalchemy import Connection

from ingest.store.store import insert_many
from spc.capability import Capability
from spc.components import Components
from spc.detection import DetectorState
from spc.stream.distribution_checks import Dependence, Neighbours
from spc.stream.evaluate import EvaluationCache
from spc.stream.stream_capability import Withheld
from spc.vocabulary.signal import Signal

__all__ = ["detector_states", "write_detector_state"]


def detector_states(connection: Connection, ids: Sequence[int]) -> dict[int, EvaluationCache]:
    """The results of the last evaluation of these streams."""
    rows = connection.exec_driver_sql(
        f"SELECT stream_id, said FROM watched WHERE stream_id IN ({', '.join('?' * len(ids))})", tuple(ids)
    )
    return {stream: _read(json.loads(stored)) for stream, stored in rows}


def write_detector_state(connection: Connection, stream_id: int, cache: EvaluationCache) -> None:
    """Keep the results of a stream's evaluation for the next round."""
    insert_many(
        connection,
        "INSERT INTO watched (stream_id, said) VALUES (?, ?) ON CONFLICT (stream_id) DO UPDATE SET said = excluded.said",
        [(stream_id, json.dumps(_written(cache), separators=(",", ":")))],
    )


def _written(cache: EvaluationCache) -> dict[str, Any]:
    # A float's shortest text reads back to the same bits, and nan and infinity have words that Python's reader knows.
    return {
        "watches": [{"lots": one.lots, "digest": one.digest, "seen": one.seen} for one in cache.detector_states],
        "figures": {key: _plain(figure) for key, figure in cache.figures.items()},
    }


def _plain(figure: Any) -> Any:
    return asdict(figure) if is_dataclass(figure) and not isinstance(figure, type) else figure


def _read(stored: dict[str, Any]) -> EvaluationCache:
    return EvaluationCache(
        detector_states=[
            DetectorState(tuple(Signal(*signal) for signal in one["seen"]), one["lots"], one["digest"])
            for one in stored["watches"]
        ],
        figures={key: _figure(key.partition(" ")[0], figure) for key, figure in stored["figures"].items()},
    )


def _figure(what: str, figure: Any) -> object:
    """A stored figure; the first word of its key is its kind."""
    if what == "components":
        tuples = {name: tuple(figure[name]) for name in ("negative", "unresolved")}
        return Components(**{**figure, **tuples})
    if what == "dependence":
        return Dependence(**{**figure, "neighbours": Neighbours(figure["neighbours"])})
    if what == "capability":
        return Capability(**figure) if isinstance(figure, dict) else Withheld(figure)
    if what == "then":
        return tuple(figure)
    return figure
