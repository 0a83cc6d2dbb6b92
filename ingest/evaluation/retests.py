"""The lots to test again, derived with the evaluation of their stream.

A lot is on the list while none of its tests counts, and while its newest valid test failed or is undecided. A valid test takes
it off; a failure that a second valid test confirms is a matter for a decision and no longer for the bench.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import groupby
from typing import NamedTuple

from sqlalchemy import Connection

from ingest.config.lab import Lab
from ingest.sessions.suspect_values import SET_ASIDE
from ingest.store.store import insert_many
from spc.vocabulary.enums import Verdict

__all__ = ["SessionResult", "retest_of", "update_retests"]

SESSIONS_SQL = f"""
SELECT s.lot_id, s.id, s.started_us, s.conditioning, s.verdict, m.settled
FROM session s LEFT JOIN mark m ON m.session_id = s.id WHERE s.stream_id = ? AND s.lot_id IN (
SELECT b.lot_id FROM session b LEFT JOIN mark k ON k.session_id = b.id WHERE b.stream_id = ?
AND (b.verdict IN ('fail', 'undecided', 'invalid') OR k.settled = '{SET_ASIDE}'))
ORDER BY s.lot_id, s.started_us
"""


class SessionResult(NamedTuple):
    """One test of a lot: its number, when it began, its conditioning, its verdict, and how a person settled its values."""

    id: int
    started_us: int
    conditioning: str
    verdict: str | None
    settled: str | None

    @property
    def counts(self) -> bool:
        """Whether the test is valid and was not set aside."""
        return self.conditioning == "valid" and self.settled != SET_ASIDE

    @property
    def failed(self) -> bool:
        """Whether the test counts and failed."""
        return self.counts and self.verdict == Verdict.FAIL


class Retest(NamedTuple):
    """Why a lot has to be tested again, and by which tests."""

    session_id: int
    reason: str
    since_us: int
    last_us: int
    sessions: int


def retest_of(sessions: Sequence[SessionResult]) -> Retest | None:
    """Why a lot has to be tested again, from all its tests in order of time; None where a test counts and settles it."""
    counting = [session for session in sessions if session.counts]
    if not counting:
        last = sessions[-1]
        reason = SET_ASIDE if last.settled == SET_ASIDE else last.conditioning
        return Retest(last.id, reason, sessions[0].started_us, last.started_us, len(sessions))
    newest = counting[-1]
    confirmed = len(counting) > 1 and newest.failed and counting[-2].failed
    if newest.verdict not in (Verdict.FAIL, Verdict.UNDECIDED) or confirmed:
        return None
    return Retest(newest.id, str(newest.verdict), newest.started_us, sessions[-1].started_us, len(sessions))


def update_retests(connection: Connection, lab: Lab, evaluated: Iterable[int]) -> None:
    """Derive the lots to test again of these streams; a check standard has none."""
    for stream_id in sorted(evaluated):
        connection.exec_driver_sql("DELETE FROM retest WHERE stream_id = ?", (stream_id,))
        names = connection.exec_driver_sql("SELECT supplier, product FROM stream WHERE id = ?", (stream_id,)).first()
        if names is None or lab.is_check_standard(names[0], names[1]):
            continue
        rows = connection.exec_driver_sql(SESSIONS_SQL, (stream_id, stream_id)).all()
        retests = [
            (stream_id, lot_id, *retest)
            for lot_id, own in groupby(rows, key=lambda row: row[0])
            if (retest := retest_of([SessionResult(*row[1:]) for row in own])) is not None
        ]
        insert_many(
            connection,
            "INSERT INTO retest (stream_id, lot_id, session_id, reason, since_us, last_us, sessions) "
            "VALUES (?, ?, ?, ?, ?, ?, ?)",
            retests,
        )
