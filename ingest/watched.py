"""What the detector has said of a stream, kept beside its evaluation so that a new lot does not weigh the old ones again."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from typing import Any

import pandas as pd
from sqlalchemy import Connection

from ingest.store import insert_many
from spc.detection import Watch

__all__ = ["watched", "write_watched"]


def watched(connection: Connection, ids: Sequence[int]) -> dict[int, list[Watch]]:
    """What was said of these streams, a watch a segment of each."""
    rows = connection.exec_driver_sql(
        f"SELECT stream_id, said FROM watched WHERE stream_id IN ({', '.join('?' * len(ids))})", tuple(ids)
    )
    return {stream: [_read(one) for one in json.loads(said)] for stream, said in rows}


def write_watched(connection: Connection, stream_id: int, watches: Sequence[Watch]) -> None:
    """Keep what was said of a stream for the next round."""
    said = json.dumps([_written(watch) for watch in watches], separators=(",", ":"))
    insert_many(
        connection,
        "INSERT INTO watched (stream_id, said) VALUES (?, ?) ON CONFLICT (stream_id) DO UPDATE SET said = excluded.said",
        [(stream_id, said)],
    )


def _written(watch: Watch) -> dict[str, object]:
    # A float's shortest text reads back to the same bits.
    columns = {name: [_plain(value) for value in column] for name, column in watch.signals.to_dict("list").items()}
    return {"lots": watch.lots, "digest": watch.digest, "signals": columns}


def _plain(value: Any) -> Any:
    """What JSON has a word for: an unknown start is null."""
    return None if isinstance(value, float) and math.isnan(value) else value


def _read(said: dict[str, Any]) -> Watch:
    signals = pd.DataFrame(said["signals"])
    return Watch(signals=signals, lots=said["lots"], digest=said["digest"])
