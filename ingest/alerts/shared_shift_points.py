"""Lots as the search for shared shifts takes them: their scores, and the chamber, instrument and load of each."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
import pandas as pd
from sqlalchemy import Connection

from ingest.common.instants import WEEK_US
from ingest.common.units import UNITS
from ingest.config.lab import Lab
from ingest.evaluation.pooled_autocorrelation import pools_of
from ingest.store.store import fetch_frame
from spc.detection import NO_POOL
from spc.vocabulary.enums import Scale

__all__ = ["points_of", "points_since", "quantity_of"]


# Names are joined here: a text for each row would cost more than all the rest.
SQL = """
SELECT o.session_id, o.stream_id, o.tested_us, o.score, o.sigma, s.chamber_id, s.instrument_id, s.load_id
FROM own_score o JOIN session s ON s.id = o.session_id WHERE {which} ORDER BY o.tested_us, o.stream_id, o.session_id
"""
COLUMNS = {
    "session": "i8", "stream": "i8", "tested_us": "i8", "z": "f8", "sigma": "f8", "chamber": "i8", "instrument": "i8",
    "load": "i8",
}  # fmt: skip
LABELS = ("chamber", "instrument", "load")
STREAMS_AT_ONCE = 5_000


def points_since(connection: Connection, lab: Lab, since_us: int) -> pd.DataFrame:
    """The points of all streams from a moment on."""
    return _named(connection, lab, fetch_frame(connection, SQL.format(which="o.tested_us >= ?"), (since_us,), COLUMNS))


def points_of(connection: Connection, lab: Lab, streams: Collection[int] | None) -> pd.DataFrame:
    """All points of these streams; None for all streams."""
    if streams is None:
        return points_since(connection, lab, np.iinfo(np.int64).min)
    wanted = sorted(streams)
    parts = [
        fetch_frame(connection, SQL.format(which=f"o.stream_id IN ({', '.join('?' * len(part))})"), part, COLUMNS)
        for part in (wanted[start : start + STREAMS_AT_ONCE] for start in range(0, len(wanted), STREAMS_AT_ONCE))
    ]
    rows = (
        pd.concat(parts, ignore_index=True) if parts else pd.DataFrame({name: [] for name in COLUMNS}).astype(COLUMNS)
    )
    return _named(connection, lab, rows.sort_values(["tested_us", "stream", "session"], ignore_index=True))


def _named(connection: Connection, lab: Lab, rows: pd.DataFrame) -> pd.DataFrame:
    """Add the names of each point's stream, its time in weeks, and the names of its chamber, instrument and load."""
    rows_of_streams = connection.exec_driver_sql("SELECT id, supplier, product, characteristic FROM stream").fetchall()
    streams = {row[0]: (row[1], row[2], row[3]) for row in rows_of_streams}
    number, known = pd.factorize(rows["stream"])
    about = pd.DataFrame(
        [
            (supplier, product, name, quantity_of(lab, name), lab.is_check_standard(supplier, product))
            for supplier, product, name in (streams[stream] for stream in known.tolist())
        ],
        columns=["supplier", "product", "characteristic", "quantity", "is_check_standard"],
    )
    texts = {row[0]: row[1] for row in connection.exec_driver_sql("SELECT id, text FROM label")}
    named = {name: _texts(rows[name], texts) for name in LABELS}
    of_stream = {str(name): about[name].to_numpy()[number] for name in about.columns}
    weeks = rows["tested_us"].to_numpy(np.float64) / WEEK_US
    return rows.assign(weeks=weeks, alike=_alike(connection, weeks, of_stream), **named, **of_stream)


def _alike(connection: Connection, weeks: np.ndarray, of_stream: dict[str, np.ndarray]) -> np.ndarray:
    """Expected correlation of neighbouring lots at each point; check standards have none pooled with them."""
    alike = NO_POOL.expected_autocorrelation(weeks)
    for characteristic, pool in pools_of(connection).items():
        films = (of_stream["characteristic"] == characteristic) & ~of_stream["is_check_standard"].astype(bool)
        alike[films] = pool.expected_autocorrelation(weeks[films])
    return alike


def _texts(ids: pd.Series, texts: dict[int, str]) -> np.ndarray:
    number, known = pd.factorize(ids)
    return np.array([texts[label] for label in known.tolist()], dtype=object)[number]


def quantity_of(lab: Lab, characteristic: str) -> str:
    """What is measured. Levels of one quantity share a scale, so that their shifts can be compared."""
    declared = lab.characteristic(characteristic)
    name = UNITS[declared.unit].quantity.name
    return name if Scale(declared.scale) is Scale.LOG else f"{name}, {declared.unit}"
