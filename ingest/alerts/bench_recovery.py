"""Chambers whose recovery after door openings slows from month to month, by the log of the last half year."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass

from sqlalchemy import Connection

from ingest.common.instants import DAY_US, MINUTE_US
from ingest.config.lab import Lab
from ingest.store.store import fetch_frame, get_meta, put_meta
from spc.bench.recovery import openings, slowing

__all__ = ["SlowRecovery", "slowing_chambers"]

WINDOW_DAYS = 183
CHAMBERS_SQL = """
SELECT c.id, c.text, (SELECT max(k.logged_us) FROM climate k WHERE k.chamber_id = c.id) FROM label c
WHERE c.kind = 'chamber' AND c.text <> '' ORDER BY c.text
"""
LOG_SQL = "FROM climate WHERE chamber_id = ? AND logged_us BETWEEN ? AND ?"
LOG = {"logged_us": "i8", "humidity_percent": "f8"}


@dataclass(frozen=True, slots=True)
class SlowRecovery:
    """A chamber that recovers more slowly: change in percent a month with its interval, and the time constants at both ends."""

    chamber: str
    percent_month: float
    low: float
    high: float
    first_minutes: float
    last_minutes: float
    months: float
    openings: int
    first_us: int
    last_us: int


def slowing_chambers(connection: Connection, lab: Lab) -> list[SlowRecovery]:
    """Return the chambers whose recovery slows; a log that has not changed is not looked at again."""
    second = lab.second_sensors()
    found = []
    for chamber, name, last_us in connection.exec_driver_sql(CHAMBERS_SQL).fetchall():
        if last_us is None or name in second:
            continue
        span = (chamber, int(last_us) - WINDOW_DAYS * DAY_US, int(last_us))
        count, newest = connection.exec_driver_sql(f"SELECT count(*), max(drop_id) {LOG_SQL}", span).one()
        key, log = f"recovery_{chamber}", [int(last_us), int(count), int(newest)]
        stored = json.loads(get_meta(connection, key) or "{}")
        if stored.get("log") != log:
            stored = {"log": log, "slow": _slow(connection, name, span)}
            put_meta(connection, key, json.dumps(stored))
        if stored["slow"] is not None:
            found.append(SlowRecovery(**stored["slow"]))
    return found


def _slow(connection: Connection, name: str, span: tuple[int, int, int]) -> dict[str, object] | None:
    entries = fetch_frame(connection, f"SELECT {', '.join(LOG)} {LOG_SQL} ORDER BY logged_us", span, LOG)
    minutes = (entries["logged_us"].to_numpy() - span[1]) / MINUTE_US
    slow = slowing(openings(minutes, entries["humidity_percent"].to_numpy()))
    if slow is None:
        return None
    last_us = span[2]
    return asdict(
        SlowRecovery(
            name, slow.percent_month, slow.low, slow.high, slow.first, slow.last, slow.months, slow.openings,
            last_us - round(slow.months * 30.4375 * DAY_US), last_us,
        )
    )  # fmt: skip
