"""Prior of the streams of a characteristic (autocorrelation, scatter), kept so that a round reads only what changed.

A stream that changed gets new sums; the pool follows from the sums of all streams of its characteristic. Where the pool
changes, every stream with lots since then is evaluated again, so that one round over a whole history and many rounds drop by
drop end in the same store.
"""

from __future__ import annotations

import json
from collections.abc import Sequence

import numpy as np
import pandas as pd
from sqlalchemy import Connection

from ingest.common.instants import WEEK_US
from ingest.config.lab import Lab
from ingest.evaluation.reference_scores import note_changed
from ingest.store.store import fetch_frame, insert_many
from spc import detection
from spc.detection.pooled_prior import COLUMNS

__all__ = ["pools_of", "update_pooled_autocorrelation"]

STREAMS_AT_ONCE = 500
FIELDS = ("from_weeks", "independent", "autocorrelation", "scatter", "scatter_lots")
"""Columns of a stored pool, in order."""


def update_pooled_autocorrelation(connection: Connection, lab: Lab) -> None:
    """Bring the pools up to date, and mark the streams that a changed pool concerns as stale."""
    rows = connection.exec_driver_sql(
        "SELECT id, supplier, product, characteristic FROM stream WHERE stale = 1 ORDER BY id"
    ).fetchall()
    # A check standard is no film: it is kept so that it does not change.
    films = [row[0] for row in rows if not lab.is_check_standard(row[1], row[2])]
    insert_many(connection, "DELETE FROM neighbour WHERE stream_id = ?", [(row[0],) for row in rows])
    for start in range(0, len(films), STREAMS_AT_ONCE):
        _write_sums(connection, films[start : start + STREAMS_AT_ONCE])
    for characteristic in sorted({row[3] for row in rows}):
        _update_pool(connection, characteristic)


def pools_of(connection: Connection) -> dict[str, detection.PooledPrior]:
    """The pools, by characteristic."""
    rows = connection.exec_driver_sql("SELECT characteristic, said FROM sister")
    return {
        name: detection.PooledPrior(*np.array(json.loads(stored), dtype=np.float64).reshape(-1, len(FIELDS)).T)
        for name, stored in rows
    }


def _write_sums(connection: Connection, ids: Sequence[int]) -> None:
    """The sums of these streams, from the first valid measured session of each lot."""
    lots = fetch_frame(
        connection,
        "SELECT stream_id, started_us, level FROM (SELECT s.stream_id, s.started_us, s.level, l.lot, "
        "ROW_NUMBER() OVER (PARTITION BY s.stream_id, s.lot_id ORDER BY s.started_us) AS turn FROM session s "
        "JOIN lot l ON l.id = s.lot_id WHERE s.conditioning = 'valid' AND s.level IS NOT NULL "
        f"AND s.stream_id IN ({', '.join('?' * len(ids))})) AS valid_session "
        "WHERE turn = 1 ORDER BY stream_id, started_us, lot",
        ids,
        {"stream": "int64", "started_us": "int64", "level": "float64"},
    )
    if len(lots):
        stream, started, level = (lots[name].to_numpy() for name in lots.columns)
        sums = detection.lag_sums(stream, started / WEEK_US, level)
        insert_many(
            connection,
            f"INSERT INTO neighbour (stream_id, {', '.join(COLUMNS)}) VALUES ({', '.join('?' * (len(COLUMNS) + 1))})",
            [
                (int(row[0]), int(row[1]), *row[2:])
                for row in sums[["stream", *COLUMNS]].itertuples(index=False, name=None)
            ],
        )


def _update_pool(connection: Connection, characteristic: str) -> None:
    rows = connection.exec_driver_sql(
        f"SELECT n.stream_id, {', '.join(f'n.{name}' for name in COLUMNS)} FROM neighbour n "
        "JOIN stream s ON s.id = n.stream_id WHERE s.characteristic = ? ORDER BY n.stream_id, n.block",
        (characteristic,),
    ).fetchall()
    sums = pd.DataFrame([tuple(row) for row in rows], columns=["stream", *COLUMNS])
    pool = detection.pool(sums)
    now = list(zip(*(getattr(pool, name).tolist() for name in FIELDS), strict=True))
    stored = connection.exec_driver_sql("SELECT said FROM sister WHERE characteristic = ?", (characteristic,)).scalar()
    changed = set(now) ^ {tuple(one) for one in json.loads(stored or "[]")}
    if not changed:
        return
    from_us = int(min(changed)[0] * WEEK_US)
    connection.exec_driver_sql(
        "INSERT INTO sister (characteristic, said) VALUES (?, ?) "
        "ON CONFLICT (characteristic) DO UPDATE SET said = excluded.said",
        (characteristic, json.dumps(now)),
    )
    connection.exec_driver_sql(
        "UPDATE stream SET stale = 1 WHERE characteristic = ? AND EXISTS "
        "(SELECT 1 FROM session WHERE session.stream_id = stream.id AND session.started_us >= ?)",
        (characteristic, from_us),
    )
    # The search for shared shifts uses the pool too.
    note_changed(connection, from_us)
