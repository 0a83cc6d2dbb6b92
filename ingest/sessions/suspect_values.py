"""Sessions that a slip of the pen would explain: marked with the evaluation, settled by a person.

Values are never changed here. Until somebody has looked, a marked session keeps its verdict, as a breach stays a breach,
but sets no limit. Set aside, it leaves the chart as a test that is not valid does; the right values come as a corrected
drop, which takes the mark away by itself.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass

import numpy as np
from sqlalchemy import Connection, RowMapping

from ingest.audit import audit_log
from ingest.common.errors import CallError
from ingest.store.store import insert_many
from spc.kernels.columns import Rows
from spc.stream.unit_errors import affected_readings, find_unit_errors
from spc.stream.verdicts import to_unit
from spc.vocabulary.unit_error import ErrorCause, ErrorExtent, UnitError

__all__ = [
    "LOOK_AGAIN",
    "SETTLEMENTS",
    "SET_ASIDE",
    "STANDS",
    "Suspect",
    "marked_tests",
    "settle",
    "stored_suspect",
    "suspects",
    "write_suspects",
]

STANDS = "stands as written"
SET_ASIDE = "set aside"
LOOK_AGAIN = "look again"
SETTLEMENTS = (STANDS, SET_ASIDE, LOOK_AGAIN)


@dataclass(frozen=True, slots=True)
class Suspect:
    """A marked session: why it is marked, and how a person settled it ("" where nobody has)."""

    mark: UnitError
    settled: str

    def readings(self, values: Sequence[float]) -> list[bool]:
        """Which readings of the session are suspect."""
        return [bool(one) for one in affected_readings(self.mark, values)]


def stored_suspect(row: RowMapping) -> Suspect | None:
    """The mark of a session that is joined to the table `mark`; None where the session has none."""
    if row["share"] is None:
        return None
    mark = UnitError(ErrorExtent(row["share"]), ErrorCause(row["slip"]), row["power"], row["low"], row["high"])
    return Suspect(mark, row["settled"])


def suspects(sessions: Rows, scale: str, entered: Sequence[audit_log.AuditEntry]) -> dict[int, Suspect]:
    """The marked sessions of one stream, by number.

    `sessions` are all of the stream, index the session's number, with the columns of
    `spc.stream.session_summary.summarise`, `lot`, `started_us` and `conditioning`; `entered` are the entries on the stream,
    the oldest first.
    """
    keys = list(zip(sessions["started_us"].tolist(), sessions["lot"].tolist(), strict=True))
    ordered = sessions.take(np.array(sorted(range(len(keys)), key=keys.__getitem__), dtype=np.intp))
    last = {(entry.body["lot"], entry.body["started_us"]): entry.what for entry in entered if entry.what in SETTLEMENTS}
    settled = [_settled(last.get((lot, started))) for started, lot in sorted(keys)]
    found = find_unit_errors(
        to_unit(ordered.floats("level"), scale),
        _measured(ordered, "smallest"),
        _measured(ordered, "largest"),
        usable=[
            state == "valid" and how != SET_ASIDE for state, how in zip(ordered["conditioning"], settled, strict=True)
        ],
        accepted=[how == STANDS for how in settled],
    )
    marked = zip(ordered.index.tolist(), found, settled, strict=True)
    return {session: Suspect(mark, how) for session, mark, how in marked if mark is not None}


def _settled(what: str | None) -> str:
    return "" if what in (None, LOOK_AGAIN) else str(what)


def _measured(sessions: Rows, extreme: str) -> np.ndarray:
    """An extreme of each session; nan where it is a bound, which hides what was read."""
    return np.where(sessions[f"{extreme}_bound"] == 0, sessions.floats(extreme), np.nan)


def write_suspects(connection: Connection, stream: int, found: Mapping[int, Suspect]) -> None:
    """Replace the marks of a stream."""
    connection.exec_driver_sql("DELETE FROM mark WHERE stream_id = ?", (stream,))
    insert_many(
        connection,
        "INSERT INTO mark (session_id, stream_id, share, slip, power, low, high, settled) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        [(session, stream, *asdict(one.mark).values(), one.settled) for session, one in found.items()],
    )


def marked_tests(connection: Connection, supplier: str, lot: str, characteristic: str) -> list[tuple[str, int]]:
    """Product and start of each marked session of a lot, in test order."""
    rows = connection.exec_driver_sql(
        "SELECT t.product, s.started_us FROM mark m JOIN session s ON s.id = m.session_id JOIN stream t ON t.id = m.stream_id "
        "JOIN lot l ON l.id = s.lot_id WHERE t.supplier = ? AND l.lot = ? AND t.characteristic = ? ORDER BY s.started_us",
        (supplier, lot, characteristic),
    )
    return [(row[0], row[1]) for row in rows]


def settle(connection: Connection, entry: audit_log.AuditEntry) -> None:
    """Record how a marked session is settled, and have its stream evaluated again.

    The entry is about the stream; its body names the session by `lot` and `started_us`.

    Raises
    ------
    CallError
        Where no such session is marked, or the entry says not who or why.
    """
    stream = connection.exec_driver_sql(
        "SELECT m.stream_id FROM mark m JOIN session s ON s.id = m.session_id JOIN stream t ON t.id = m.stream_id "
        "JOIN lot l ON l.id = s.lot_id WHERE t.supplier = ? AND t.product = ? AND t.characteristic = ? AND l.lot = ? "
        "AND s.started_us = ?",
        (*entry.subject.names, entry.body["lot"], entry.body["started_us"]),
    ).scalar()
    if stream is None:
        raise CallError(
            f"{entry.what}: no test of lot {entry.body['lot']} at this time is marked; lotdrift lot shows its tests"
        )
    audit_log.record(connection, entry)
    connection.exec_driver_sql("UPDATE stream SET stale = 1 WHERE id = ?", (stream,))
