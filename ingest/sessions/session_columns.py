"""The sessions of streams as the evaluation takes them: their times in weeks, the limits of their day, whether they count."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime, time
from zoneinfo import ZoneInfo

import numpy as np
from sqlalchemy import Connection

from ingest.common.instants import WEEK_US, microseconds
from ingest.config.lab import Lab
from ingest.config.limit_history import SIDES, Step
from ingest.sessions.sessions import SUMMARY
from spc.kernels.arrays import Floats, Integers
from spc.kernels.columns import Rows

__all__ = ["for_evaluation", "limits_in_force", "sessions_of"]

# Before every moment that a store holds: a limit without a day holds from the beginning.
NEVER_US = np.iinfo(np.int64).min

COUNTS = ("bags", "readings", "below", "above", "reading_df", "smallest_bound", "largest_bound")
WHOLE = ("id", "stream_id", "lot_id", "started_us", "chamber_id", "load_id", *COUNTS)
WORDS = ("conditioning", "lot", "chamber", "instrument")
COLUMNS = {
    **{
        name: f"s.{name}"
        for name in ("id", "stream_id", "lot_id", "started_us", "chamber_id", "load_id", "conditioning")
    },
    **{name: f"s.{name}" for name in ("humidity_mean", *SUMMARY)},
    "lot": "l.lot",
    "chamber": "c.text",
    "instrument": "i.text",
}


def sessions_of(connection: Connection, ids: Sequence[int]) -> dict[int, Rows]:
    """The sessions of these streams by stream, in order of time; a stream without one is left out."""
    rows = connection.exec_driver_sql(
        f"SELECT {', '.join(COLUMNS.values())} FROM session s "
        "JOIN lot l ON l.id = s.lot_id JOIN label c ON c.id = s.chamber_id JOIN label i ON i.id = s.instrument_id "
        f"WHERE s.stream_id IN ({', '.join('?' * len(ids))}) ORDER BY s.stream_id, s.started_us, l.lot, i.text",
        tuple(ids),
    ).fetchall()
    if not rows:
        return {}
    columns = {
        name: np.array(column, dtype=np.int64 if name in WHOLE else object if name in WORDS else np.float64)
        for name, column in zip(COLUMNS, zip(*rows, strict=True), strict=True)
    }
    every = Rows(columns.pop("id"), columns)
    streams, first = np.unique(columns["stream_id"], return_index=True)
    ends = [*first[1:].tolist(), len(every)]
    return {
        stream: every.take(np.arange(start, end))
        for stream, start, end in zip(streams.tolist(), first.tolist(), ends, strict=True)
    }


def for_evaluation(lab: Lab, product: str, characteristic: str, sessions: Rows, aside: Collection[int]) -> Rows:
    """The rows that `spc.stream.evaluate` takes: times in weeks, limits in force on the day of each test.

    A session that a person set aside is as one whose conditioning is not shown.
    """
    limits = limits_in_force(lab, product, characteristic, sessions["started_us"])
    valid = (sessions["conditioning"] == "valid") & ~np.isin(sessions.index, list(aside))
    return sessions.adding({"weeks": sessions["started_us"].astype(np.float64) / WEEK_US, "valid": valid, **limits})


def limits_in_force(lab: Lab, product: str, characteristic: str, moments_us: Integers) -> dict[str, Floats]:
    """The specification limits in force at each moment, as `limit_lower` and `limit_upper`; nan where there is none."""
    return {
        f"limit_{side}": _in_force(lab.limit_steps(product, characteristic, side), lab.zone, moments_us)
        for side in SIDES
    }


def _in_force(steps: Sequence[Step], zone: ZoneInfo, moments_us: Integers) -> Floats:
    """The value in force at each moment, nan where there is none; days change at midnight of the zone."""
    values = np.array([np.nan, *(np.nan if step.value is None else step.value for step in steps)])
    begin = [
        NEVER_US if step.start is None else microseconds(datetime.combine(step.start, time(), tzinfo=zone))
        for step in steps
    ]
    return np.asarray(values[np.searchsorted(np.array(begin, dtype=np.int64), moments_us, side="right")])
