"""The first reading of a store's history: the round that took in the first tests, where they are older than a week."""

from __future__ import annotations

from typing import NamedTuple

from sqlalchemy import Connection

from ingest.common.instants import WEEK_US

__all__ = ["FirstReading", "first_reading"]

# The next round that took in a test ends it: what that one raises is new.
SQL = """
SELECT f.started_us, (SELECT min(n.started_us) FROM round n WHERE n.id > f.id AND n.evaluated > 0)
FROM round f WHERE f.id = (SELECT min(id) FROM round WHERE evaluated > 0)
"""


class FirstReading(NamedTuple):
    """From when on, and before when, what a store raises comes from its first reading; `until_us` is None while it is the only one."""

    since_us: int
    until_us: int | None

    def holds(self, moment_us: int) -> bool:
        """Whether what was noted at a moment comes from the first reading."""
        return self.since_us <= moment_us and (self.until_us is None or moment_us < self.until_us)


def first_reading(connection: Connection) -> FirstReading | None:
    """The first reading of a store; None before it, and where its tests go back no further than a week: then nothing is history."""
    row = connection.exec_driver_sql(SQL).first()
    oldest = connection.exec_driver_sql("SELECT min(started_us) FROM session").scalar()
    if row is None or oldest is None or oldest >= row[0] - WEEK_US:
        return None
    return FirstReading(int(row[0]), None if row[1] is None else int(row[1]))
