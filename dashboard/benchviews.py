"""What the bench page and the lot page read of chambers, feeds and rounds."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, RowMapping, text

from dashboard.views import from_iso, iso
from ingest.lab import Lab
from ingest.labfile import Conditioning

__all__ = ["bench", "chamber_trace"]

Document = dict[str, Any]

HOUR_US = 3_600_000_000
DAYS_SHOWN = 14
FEEDS_SHOWN = 15
REFUSALS_SHOWN = 50
# A line of at most this many points tells as much at the width of a screen.
TRACE_POINTS = 400


def _rows(connection: Connection, sql: str, **values: object) -> list[RowMapping]:
    return list(connection.execute(text(sql), values).mappings())


def chamber_trace(connection: Connection, lab: Lab, session: Document) -> Document | None:
    """The chamber's log over the required hours before a session, with the window; None where nothing was logged."""
    rule = lab.conditioning_for(session["characteristic"])
    tested, ended = from_iso(session["tested_at"]), from_iso(session["ended_at"])
    chamber = connection.execute(
        text("SELECT id FROM label WHERE kind = 'chamber' AND text = :name"), {"name": session["chamber"]}
    ).scalar_one()
    return _trace(connection, lab, int(chamber), tested - int(1.15 * rule.hours * HOUR_US), ended, rule, tested)


def _trace(
    connection: Connection, lab: Lab, chamber: int, start: int, end: int, rule: Conditioning, tested: int
) -> Document | None:
    entries = _rows(
        connection,
        "SELECT logged_us, humidity_percent, temperature_c FROM climate WHERE chamber_id = :chamber "
        "AND logged_us BETWEEN :start AND :end ORDER BY logged_us",
        chamber=chamber,
        start=start,
        end=end,
    )
    if not entries:
        return None
    shown = entries[:: max(1, len(entries) // TRACE_POINTS)]
    return {
        "times": [iso(entry["logged_us"], lab.zone) for entry in shown],
        "humidity": [entry["humidity_percent"] for entry in shown],
        "temperature_c": [entry["temperature_c"] for entry in shown],
        "humidity_low": rule.humidity_percent - rule.humidity_tolerance,
        "humidity_high": rule.humidity_percent + rule.humidity_tolerance,
        "from": iso(tested - int(rule.hours * HOUR_US), lab.zone),
        "to": iso(tested, lab.zone),
    }


def bench(connection: Connection, lab: Lab) -> Document:
    """Chambers, feeds, refused rows and rounds."""
    return {
        "chambers": [_chamber(connection, lab, row) for row in _rows(connection, CHAMBERS_SQL)],
        "feeds": _feeds(connection, lab),
        "refusals": _rows(
            connection,
            'SELECT d.name AS file, r.line, r.reason FROM refusal r JOIN "drop" d ON d.id = r.drop_id '
            "ORDER BY d.taken_us DESC, r.id LIMIT :most",
            most=REFUSALS_SHOWN,
        ),
        "last_round": _last_round(connection, lab),
    }


CHAMBERS_SQL = """
SELECT c.id, c.text AS name, max(k.logged_us) AS last_us FROM climate k JOIN label c ON c.id = k.chamber_id
GROUP BY c.id ORDER BY c.text
"""


def _chamber(connection: Connection, lab: Lab, row: RowMapping) -> Document:
    """One chamber over its last days, against the first declared conditioning."""
    rule = next(iter(lab.conditioning.values()))
    start = row["last_us"] - DAYS_SHOWN * 24 * HOUR_US
    (last,) = _rows(
        connection,
        "SELECT humidity_percent, temperature_c FROM climate WHERE chamber_id = :chamber AND logged_us = :last",
        chamber=row["id"],
        last=row["last_us"],
    )
    (counts,) = _rows(
        connection, OUTSIDE_SQL, chamber=row["id"], start=start, last=row["last_us"], low=rule.humidity_percent - rule.humidity_tolerance,
        high=rule.humidity_percent + rule.humidity_tolerance, gap=int(rule.longest_gap_minutes * 60_000_000),
    )  # fmt: skip
    invalid = connection.execute(
        text(
            "SELECT count(*) FROM session WHERE chamber_id = :chamber AND started_us >= :start AND conditioning <> 'valid'"
        ),
        {"chamber": row["id"], "start": start},
    ).scalar()
    return {
        "name": row["name"] or "unnamed",
        "last_at": iso(row["last_us"], lab.zone),
        "humidity": last["humidity_percent"],
        "temperature_c": last["temperature_c"],
        "in_window_now": abs(last["humidity_percent"] - rule.humidity_percent) <= rule.humidity_tolerance + 1e-9,
        "days": DAYS_SHOWN,
        "hours_outside": (counts["outside_us"] or 0) / HOUR_US,
        "gaps": counts["gaps"] or 0,
        "invalid_sessions": invalid,
        "trace": _trace(connection, lab, row["id"], start, row["last_us"], rule, row["last_us"]),
    }


OUTSIDE_SQL = """
WITH logged AS (
  SELECT logged_us, humidity_percent, logged_us - lag(logged_us) OVER (ORDER BY logged_us) AS since
  FROM climate WHERE chamber_id = :chamber AND logged_us BETWEEN :start AND :last
)
SELECT sum(CASE WHEN (humidity_percent < :low OR humidity_percent > :high) AND since <= :gap THEN since END) AS outside_us,
sum(since > :gap) AS gaps FROM logged
"""


def _feeds(connection: Connection, lab: Lab) -> list[Document]:
    rows = _rows(connection, 'SELECT * FROM "drop" ORDER BY taken_us DESC, id DESC LIMIT :most', most=FEEDS_SHOWN)
    names = ("name", "kind", "stored", "duplicate", "corrected", "refused", "state")
    return [{**{name: row[name] for name in names}, "taken_at": iso(row["taken_us"], lab.zone)} for row in rows]


def _last_round(connection: Connection, lab: Lab) -> Document | None:
    rows = _rows(connection, "SELECT * FROM round WHERE ended_us IS NOT NULL ORDER BY id DESC LIMIT 1")
    if not rows:
        return None
    row = rows[0]
    return {
        "started_at": iso(row["started_us"], lab.zone),
        "seconds": (row["ended_us"] - row["started_us"]) / 1e6,
        "files": row["files"],
        "evaluated": row["evaluated"],
    }
