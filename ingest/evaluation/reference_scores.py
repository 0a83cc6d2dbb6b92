"""Each lot against its own stream's past, stored for the search of shifts that suppliers share.

A row never changes for a later lot. What does change, by a correction, a late log or a new lot, is noted, so that the
search looks again from there on and no further back.
"""

from __future__ import annotations

import numpy as np
from sqlalchemy import Connection

from ingest.store.store import get_meta, insert_many, put_meta
from spc.kernels.columns import Rows
from spc.shared_shift.reference_scores import reference_scores

__all__ = ["CHANGED_FROM", "changed_from", "forget_scores", "note_changed", "write_scores"]

CHANGED_FROM = "scores_changed_from_us"

Row = tuple[int, int, float, float]


def write_scores(connection: Connection, stream_id: int, points: Rows) -> None:
    """Replace the scores of a stream by those of its evaluated points."""
    measured = np.flatnonzero(points["measured"] & ~points["unreviewed"])
    found = reference_scores(points.floats("level")[measured])
    known = np.isfinite(found.score)
    columns = (points.index[measured], points["started_us"][measured], found.score, found.sigma)
    rows: list[Row] = list(zip(*(column[known].tolist() for column in columns), strict=True))
    before = _stored(connection, stream_id)
    # Most rounds add a lot or two: only what differs is written.
    gone, new = set(before) - set(rows), set(rows) - set(before)
    insert_many(
        connection,
        "DELETE FROM own_score WHERE stream_id = ? AND session_id = ?",
        [(stream_id, row[0]) for row in gone],
    )
    insert_many(
        connection,
        "INSERT INTO own_score (stream_id, session_id, tested_us, score, sigma) VALUES (?, ?, ?, ?, ?)",
        [(stream_id, *row) for row in new],
    )
    _note(connection, gone | new)


def forget_scores(connection: Connection, stream_id: int) -> None:
    """Take away the scores of a stream that has nothing left to show."""
    gone = set(_stored(connection, stream_id))
    connection.exec_driver_sql("DELETE FROM own_score WHERE stream_id = ?", (stream_id,))
    _note(connection, gone)


def changed_from(connection: Connection) -> int | None:
    """The time of the first score that is new or changed since the search last looked; None where none is."""
    noted = get_meta(connection, CHANGED_FROM)
    return int(noted) if noted else None


def _stored(connection: Connection, stream_id: int) -> list[Row]:
    rows = connection.exec_driver_sql(
        "SELECT session_id, tested_us, score, sigma FROM own_score WHERE stream_id = ?", (stream_id,)
    )
    return [(row[0], row[1], row[2], row[3]) for row in rows.fetchall()]


def _note(connection: Connection, rows: set[Row]) -> None:
    if rows:
        note_changed(connection, min(row[1] for row in rows))


def note_changed(connection: Connection, from_us: int) -> None:
    """Have the search look again from a moment on."""
    noted = changed_from(connection)
    put_meta(connection, CHANGED_FROM, str(from_us if noted is None else min(from_us, noted)))
