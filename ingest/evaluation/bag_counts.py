"""The bags of each test against its specification limits: how many are outside, and the worst.

A lot may pass on its mean while half of its bags are over the limit; pages and papers state both. The counts are derived once a
session and again only where its limits change.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from statistics import fmean

import numpy as np
from sqlalchemy import Connection, Row, bindparam, text

from ingest.common.streams import Stream
from ingest.config.lab import Lab
from ingest.documents.fields import Bound
from ingest.documents.verdict.bag_count import BagCount
from ingest.evaluation.stored_results import numbers
from ingest.evaluation.stream_context import CountedBags
from ingest.sessions.session_columns import limits_in_force
from ingest.sessions.sessions import READINGS_OF_SESSION
from ingest.store.store import KEYS_AT_ONCE, insert_many
from spc.vocabulary.enums import Scale
from spc.vocabulary.finite import LARGEST, exp

__all__ = [
    "bag_counts_of_sessions",
    "bag_counts_of_stream",
    "bags_outside",
    "bags_outside_limits",
    "update_bag_counts",
]

Reading = tuple[float, int]
# As in the verdict: six readings of exactly 20.0 have a mean of 19.999999999999996 on the log scale.
AT_THE_LIMIT = 1e-12

SESSIONS_SQL = """
SELECT s.id, s.lot_id, s.started_us, b.session_id AS counted, b.limit_lower, b.limit_upper FROM session s
LEFT JOIN bag_count b ON b.session_id = s.id WHERE s.stream_id = ?
"""
READINGS_SQL = f"""
SELECT s.id, r.specimen, r.value, r.bound FROM session s JOIN reading r ON {READINGS_OF_SESSION}
WHERE s.stream_id = :stream AND s.lot_id IN :lots
"""


def update_bag_counts(connection: Connection, lab: Lab, streams: Sequence[Stream]) -> None:
    """Count the bags of the tests that have no count yet, or whose limits have changed. `lab` has the entered limits."""
    for stream in streams:
        rows = connection.exec_driver_sql(SESSIONS_SQL, (stream.id,)).fetchall()
        started = np.array([row.started_us for row in rows], dtype=np.int64)
        limits = limits_in_force(lab, stream.product, stream.characteristic, started)
        present = zip(*map(numbers, limits.values()), strict=True)
        due = [
            (row, (lower, upper))
            for row, (lower, upper) in zip(rows, present, strict=True)
            if row.counted is None or (row.limit_lower, row.limit_upper) != (lower, upper)
        ]
        _count(connection, stream, lab.characteristic(stream.characteristic).scale, due)


def _count(
    connection: Connection,
    stream: Stream,
    scale: str,
    due: list[tuple[Row[tuple[int, ...]], tuple[float | None, float | None]]],
) -> None:
    lots = sorted({row.lot_id for row, _ in due})
    query = text(READINGS_SQL).bindparams(bindparam("lots", expanding=True))
    by_session: dict[int, dict[int, list[Reading]]] = {}
    for start in range(0, len(lots), KEYS_AT_ONCE):
        values = {"stream": stream.id, "lots": lots[start : start + KEYS_AT_ONCE]}
        for session, specimen, value, bound in connection.execute(query, values):
            by_session.setdefault(session, {}).setdefault(specimen, []).append((value, bound))
    rows = []
    for row, limits in due:
        counted = _bag_count(list(by_session.get(row.id, {}).values()), *limits, scale)
        rows.append(
            (
                row.id, stream.id, *limits, counted["bags"], counted["outside"], counted["undecided"], counted["worst"],
                counted["worst_bound"],
            )
        )  # fmt: skip
    insert_many(
        connection,
        "INSERT INTO bag_count (session_id, stream_id, limit_lower, limit_upper, bags, outside, undecided, worst, worst_bound) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (session_id) DO UPDATE SET limit_lower = excluded.limit_lower, "
        "limit_upper = excluded.limit_upper, bags = excluded.bags, outside = excluded.outside, "
        "undecided = excluded.undecided, worst = excluded.worst, worst_bound = excluded.worst_bound",
        rows,
    )


def _bag_count(bags: Sequence[Sequence[Reading]], lower: float | None, upper: float | None, scale: str) -> BagCount:
    means = [_mean(readings, scale) for readings in bags]
    outside = undecided = 0
    for low, _, high in means:
        if _is_outside(low, high, lower, upper):
            outside += 1
        elif (upper is not None and _reaches(high, upper)) or (
            lower is not None and low < lower and not _equal(low, lower)
        ):
            undecided += 1
    worst: float | None = None
    bound: Bound = 0
    if means:
        # With two limits the worst bag is the one that uses most of its margin, in proportion to the limit.
        highest, lowest = max(means, key=lambda one: (one[2], one[1])), min(means, key=lambda one: (one[0], one[1]))
        toward_upper = lower is None or (upper is not None and upper * lower <= highest[1] * lowest[1])
        low, mean, high = highest if toward_upper else lowest
        worst, bound = mean, 1 if high == math.inf else -1 if low < mean else 0
    return {"bags": len(means), "outside": outside, "undecided": undecided, "worst": worst, "worst_bound": bound}


def bags_outside(
    readings: Iterable[tuple[int, float, int]], lower: float | None, upper: float | None, scale: str
) -> list[int]:
    """The bags that the count of a test takes as outside the limits; `readings` are specimen, value and bound."""
    bags: dict[int, list[Reading]] = {}
    for specimen, value, bound in readings:
        bags.setdefault(specimen, []).append((value, bound))
    means = {specimen: _mean(some, scale) for specimen, some in bags.items()}
    return sorted(specimen for specimen, (low, _, high) in means.items() if _is_outside(low, high, lower, upper))


def _is_outside(low: float, high: float, lower: float | None, upper: float | None) -> bool:
    """Whether a bag whose mean lies between `low` and `high` is certainly outside the limits."""
    over = upper is not None and _reaches(low, upper)
    return over or (lower is not None and high < lower and not _equal(high, lower))


def _mean(readings: Sequence[Reading], scale: str) -> tuple[float, float, float]:
    """The mean of a bag's readings as they are written, between the least and the most that bounded readings allow."""
    is_log = scale == Scale.LOG
    values = [math.log(value) if is_log else value for value, _ in readings]
    # The sum of values near the largest number is beyond it; elsewhere the plain mean keeps the digits as written.
    near_end = max(map(abs, values)) > LARGEST / len(values)
    mean = math.fsum(value / len(values) for value in values) if near_end else fmean(values)
    # Rounded as the verdict does it: the mean of six readings of 20 nJ is 20 nJ.
    value = min(float(f"{exp(mean):.14e}"), LARGEST) if is_log else mean
    floor = 0.0 if is_log else -math.inf
    low = floor if any(bound < 0 for _, bound in readings) else value
    high = math.inf if any(bound > 0 for _, bound in readings) else value
    return low, value, high


def _reaches(value: float, limit: float) -> bool:
    """At the limit or above it: an upper limit is strict."""
    return value >= limit or _equal(value, limit)


def _equal(value: float, limit: float) -> bool:
    return math.isfinite(value) and abs(value - limit) <= AT_THE_LIMIT * abs(limit)


# Reading


def bags_outside_limits(connection: Connection, streams: Sequence[int]) -> dict[int, dict[int, CountedBags]]:
    """The counts of all tests of these streams with a bag outside the limits, by stream and session."""
    query = text(
        "SELECT stream_id, session_id, outside, bags, limit_lower, limit_upper FROM bag_count "
        "WHERE stream_id IN :streams AND outside > 0"
    ).bindparams(bindparam("streams", expanding=True))
    by_stream: dict[int, dict[int, CountedBags]] = {}
    for start in range(0, len(streams), KEYS_AT_ONCE):
        for stream, session, *counted in connection.execute(query, {"streams": streams[start : start + KEYS_AT_ONCE]}):
            by_stream.setdefault(stream, {})[session] = CountedBags(*counted)
    return by_stream


COLUMNS = "session_id, bags, outside, undecided, worst, worst_bound"


def bag_counts_of_stream(connection: Connection, stream: int) -> dict[int, BagCount]:
    """The bags of all tests of a stream, by session."""
    return _documents(
        connection.execute(text(f"SELECT {COLUMNS} FROM bag_count WHERE stream_id = :stream"), {"stream": stream})
    )


def bag_counts_of_sessions(connection: Connection, sessions: Iterable[int]) -> dict[int, BagCount]:
    """The bags of these tests, by session."""
    query = text(f"SELECT {COLUMNS} FROM bag_count WHERE session_id IN :sessions").bindparams(
        bindparam("sessions", expanding=True)
    )
    wanted = sorted(set(sessions))
    by_session: dict[int, BagCount] = {}
    for start in range(0, len(wanted), KEYS_AT_ONCE):
        by_session |= _documents(connection.execute(query, {"sessions": wanted[start : start + KEYS_AT_ONCE]}))
    return by_session


def _documents(rows: Iterable[Row[tuple[int, ...]]]) -> dict[int, BagCount]:
    return {
        row.session_id: {
            "bags": row.bags,
            "outside": row.outside,
            "undecided": row.undecided,
            "worst": row.worst,
            "worst_bound": row.worst_bound,
        }
        for row in rows
    }
