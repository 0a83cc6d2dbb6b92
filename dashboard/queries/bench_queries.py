"""What the bench page and the lot page read of chambers, feeds and rounds."""

from __future__ import annotations

from itertools import pairwise
from statistics import median
from typing import TypedDict

from sqlalchemy import Connection, RowMapping, text

from dashboard.queries.stored_documents import from_iso, rows_of, suspect_sessions
from ingest.common.instants import DAY_US, HOUR_US
from ingest.config.lab import Lab
from ingest.config.models import Conditioning
from ingest.documents.bench import (
    BenchDocument,
    Chamber,
    ChamberTrace,
    FeedFile,
    MarkedSession,
    Refusals,
    RoundSummary,
    SourceFolder,
)
from ingest.documents.lot import Session
from ingest.documents.served import iso
from ingest.evaluation.alert_text import slip
from ingest.store.last_round import clock_went_back

__all__ = ["bench", "chamber_trace"]

DAYS_SHOWN = 14
FEEDS_SHOWN = 12
REFUSALS_SHOWN = 30
ROUNDS_SHOWN = 8
# A line of at most this many points tells as much at the width of a screen.
TRACE_POINTS = 400


class _Gap(TypedDict):
    """A moment without an entry in the log, at which the line of a chart is cut."""

    logged_us: int
    humidity_percent: None
    temperature_c: None


def chamber_trace(connection: Connection, lab: Lab, session: Session) -> ChamberTrace | None:
    """The chamber's log over the required hours before a session, with the window; None where nothing was logged."""
    rule = lab.conditioning_for(session["characteristic"])
    tested, ended = from_iso(session["tested_at"]), from_iso(session["ended_at"])
    chamber = connection.execute(
        text("SELECT id FROM label WHERE kind = 'chamber' AND text = :name"), {"name": session["chamber"]}
    ).scalar()
    if chamber is None:
        return None
    return _trace(
        connection,
        lab,
        int(chamber),
        (tested - int(1.15 * rule.hours * HOUR_US), ended),
        rule,
        (tested - int(rule.hours * HOUR_US), tested),
    )


def _trace(
    connection: Connection,
    lab: Lab,
    chamber: int,
    span: tuple[int, int],
    rule: Conditioning,
    required: tuple[int | None, int | None],
) -> ChamberTrace | None:
    """A chamber's log over `span`; `required` are the hours that had to be inside the window."""
    entries = rows_of(
        connection,
        "SELECT logged_us, humidity_percent, temperature_c FROM climate WHERE chamber_id = :chamber "
        "AND logged_us BETWEEN :start AND :end ORDER BY logged_us",
        chamber=chamber,
        start=span[0],
        end=span[1],
    )
    if not entries:
        return None
    shown = _with_gaps(_thinned(entries), int(rule.longest_gap_minutes * 60_000_000))
    return {
        "times": [iso(entry["logged_us"], lab.zone) for entry in shown],
        "humidity": [entry["humidity_percent"] for entry in shown],
        "temperature": [entry["temperature_c"] for entry in shown],
        "humidity_low": rule.humidity_percent - rule.humidity_tolerance,
        "humidity_high": rule.humidity_percent + rule.humidity_tolerance,
        "temperature_low": rule.temperature_c - rule.temperature_tolerance_c,
        "temperature_high": rule.temperature_c + rule.temperature_tolerance_c,
        "from": iso(required[0], lab.zone),
        "to": iso(required[1], lab.zone),
    }


def _thinned(entries: list[RowMapping]) -> list[RowMapping]:
    """As many entries as a screen is wide; of each stretch the one farthest from its middle, so that no peak is lost."""
    stretch = -(-len(entries) // TRACE_POINTS)
    if stretch == 1:
        return entries
    middle = sum(entry["humidity_percent"] for entry in entries) / len(entries)
    parts = [entries[start : start + stretch] for start in range(0, len(entries), stretch)]
    return [max(part, key=lambda entry: abs(entry["humidity_percent"] - middle)) for part in parts]


def _with_gaps(entries: list[RowMapping], longest: int) -> list[RowMapping | _Gap]:
    """The entries with an empty one where the log was silent for too long, so that no line is drawn across."""
    shown: list[RowMapping | _Gap] = []
    for entry in entries:
        if shown and entry["logged_us"] - shown[-1]["logged_us"] > max(longest, 2 * _pace(entries)):
            shown.append({"logged_us": entry["logged_us"], "humidity_percent": None, "temperature_c": None})
        shown.append(entry)
    return shown


def _pace(entries: list[RowMapping]) -> int:
    """The usual pause between two of the entries shown."""
    return int((entries[-1]["logged_us"] - entries[0]["logged_us"]) / max(1, len(entries) - 1))


def bench(connection: Connection, lab: Lab) -> BenchDocument:
    """Chambers, feeds, refused rows and rounds."""
    return {
        "chambers": [_chamber(connection, lab, row) for row in rows_of(connection, CHAMBERS_SQL)],
        "feeds": _feeds(connection, lab),
        "sources": _sources(connection, lab),
        "refusals": _refusals(connection, lab),
        "to_look_at": _to_look_at(connection, lab),
        "rounds": _rounds(connection, lab),
        "clock": clock_went_back(connection, lab.zone, ROUNDS_SHOWN),
    }


def _refusals(connection: Connection, lab: Lab) -> list[Refusals]:
    """Refused rows, those of one file with one reason together."""
    rows = rows_of(
        connection,
        "SELECT d.name AS file, d.taken_us, r.reason, count(*) AS rows, min(r.line) AS first_line, max(r.line) AS last_line "
        'FROM refusal r JOIN "drop" d ON d.id = r.drop_id GROUP BY d.id, r.reason ORDER BY d.id DESC, min(r.id) '
        "LIMIT :most",
        most=REFUSALS_SHOWN,
    )
    return [
        {
            "file": row["file"],
            "reason": row["reason"],
            "rows": row["rows"],
            "first_line": row["first_line"],
            "last_line": row["last_line"],
            "taken_at": iso(row["taken_us"], lab.zone),
        }
        for row in rows
    ]


def _to_look_at(connection: Connection, lab: Lab) -> list[MarkedSession]:
    """Test sessions that a slip of the pen would explain and that nobody has settled, the newest first."""
    rows = rows_of(
        connection,
        "SELECT t.supplier, t.product, t.characteristic, l.lot, s.started_us, m.share, m.slip, m.power, m.low, m.high "
        "FROM mark m JOIN session s ON s.id = m.session_id JOIN stream t ON t.id = m.stream_id JOIN lot l ON l.id = s.lot_id "
        "WHERE m.settled = '' ORDER BY s.started_us DESC, t.supplier, l.lot LIMIT :most",
        most=REFUSALS_SHOWN,
    )
    return [
        {
            "supplier": row["supplier"],
            "product": row["product"],
            "characteristic": row["characteristic"],
            "lot": row["lot"],
            "tested_at": iso(row["started_us"], lab.zone),
            "told": slip(suspect_sessions(row)),
        }
        for row in rows
    ]


def _sources(connection: Connection, lab: Lab) -> list[SourceFolder]:
    """Each kind of drop by its folder: how many came, how often, when the last did, and what its rows came to."""
    rhythms = _rhythms(connection)
    rows = rows_of(
        connection,
        "SELECT g.*, d.taken_us AS last_us FROM (SELECT folder, kind, count(*) AS files, max(id) AS last_id, max(modified_ns) AS last_ns, "
        "sum(stored) AS stored, sum(refused) AS refused, sum(corrected) AS corrected, "
        "sum(CASE WHEN state = 'refused' THEN 1 ELSE 0 END) AS unreadable FROM \"drop\" GROUP BY folder, kind) AS g "
        'JOIN "drop" d ON d.id = g.last_id ORDER BY g.folder',
    )
    return [
        {
            "folder": row["folder"],
            "kind": row["kind"],
            "files": row["files"],
            "stored": row["stored"],
            "refused": row["refused"],
            "corrected": row["corrected"],
            "unreadable": row["unreadable"],
            "last_at": iso(row["last_us"], lab.zone),
            "last_file_at": iso(row["last_ns"] // 1000, lab.zone),
            "days_between": rhythms.get((row["folder"], row["kind"])),
        }
        for row in rows
    ]


def _rhythms(connection: Connection) -> dict[tuple[str, str], float]:
    """The usual days from one file of a folder to the next, by the files' own times; none under three days with files."""
    days: dict[tuple[str, str], list[int]] = {}
    for row in rows_of(connection, FILE_DAYS_SQL):
        days.setdefault((row["folder"], row["kind"]), []).append(int(row["day"]))
    return {
        folder: float(median(later - earlier for earlier, later in pairwise(told[-RHYTHM_DAYS:])))
        for folder, told in days.items()
        if len(told) > 2
    }


RHYTHM_DAYS = 20
FILE_DAYS_SQL = f"""
SELECT folder, kind, modified_ns / {1000 * DAY_US} AS day FROM "drop" GROUP BY folder, kind, modified_ns / {1000 * DAY_US}
ORDER BY folder, kind, day
"""


CHAMBERS_SQL = """
SELECT c.id, c.text AS name, max(k.logged_us) AS last_us FROM climate k JOIN label c ON c.id = k.chamber_id
GROUP BY c.id ORDER BY c.text
"""


def _chamber(connection: Connection, lab: Lab, row: RowMapping) -> Chamber:
    """One chamber over its last days, against the first declared conditioning."""
    rule = next(iter(lab.conditioning.values()))
    start = row["last_us"] - DAYS_SHOWN * DAY_US
    (last,) = rows_of(
        connection,
        "SELECT humidity_percent, temperature_c FROM climate WHERE chamber_id = :chamber AND logged_us = :last",
        chamber=row["id"],
        last=row["last_us"],
    )
    (counts,) = rows_of(
        connection, OUTSIDE_SQL, chamber=row["id"], start=start, last=row["last_us"], low=rule.humidity_percent - rule.humidity_tolerance,
        high=rule.humidity_percent + rule.humidity_tolerance, gap=int(rule.longest_gap_minutes * 60_000_000),
    )  # fmt: skip
    invalid = connection.execute(
        text(
            "SELECT count(*) FROM session WHERE chamber_id = :chamber AND started_us >= :start AND conditioning <> 'valid'"
        ),
        {"chamber": row["id"], "start": start},
    ).scalar_one()
    return {
        "name": row["name"] or "unnamed",
        "last_at": iso(row["last_us"], lab.zone),
        "humidity": last["humidity_percent"],
        "temperature_c": last["temperature_c"],
        "in_window_now": abs(last["humidity_percent"] - rule.humidity_percent) <= rule.humidity_tolerance + 1e-9
        and abs(last["temperature_c"] - rule.temperature_c) <= rule.temperature_tolerance_c + 1e-9,
        "days": DAYS_SHOWN,
        "hours_outside": (counts["outside_us"] or 0) / HOUR_US,
        "gaps": counts["gaps"] or 0,
        "invalid_sessions": invalid,
        "trace": _trace(connection, lab, row["id"], (start, row["last_us"]), rule, (None, None)),
    }


OUTSIDE_SQL = """
WITH logged AS (
  SELECT logged_us, humidity_percent, logged_us - lag(logged_us) OVER (ORDER BY logged_us) AS since
  FROM climate WHERE chamber_id = :chamber AND logged_us BETWEEN :start AND :last
)
SELECT sum(CASE WHEN (humidity_percent < :low OR humidity_percent > :high) AND since <= :gap THEN since END) AS outside_us,
sum(CASE WHEN since > :gap THEN 1 ELSE 0 END) AS gaps FROM logged
"""


def _feeds(connection: Connection, lab: Lab) -> list[FeedFile]:
    rows = rows_of(connection, 'SELECT * FROM "drop" ORDER BY id DESC LIMIT :most', most=FEEDS_SHOWN)
    return [
        {
            "name": row["name"],
            "kind": row["kind"],
            "stored": row["stored"],
            "duplicate": row["duplicate"],
            "corrected": row["corrected"],
            "refused": row["refused"],
            "state": row["state"],
            "taken_at": iso(row["taken_us"], lab.zone),
        }
        for row in rows
    ]


def _rounds(connection: Connection, lab: Lab) -> list[RoundSummary]:
    """The last rounds, the newest first."""
    rows = rows_of(
        connection, "SELECT * FROM round WHERE ended_us IS NOT NULL ORDER BY id DESC LIMIT :most", most=ROUNDS_SHOWN
    )
    return [
        {
            "files": row["files"],
            "stored": row["stored"],
            "refused": row["refused"],
            "evaluated": row["evaluated"],
            "raised": row["raised"],
            "started_at": iso(row["started_us"], lab.zone),
            "seconds": (row["ended_us"] - row["started_us"]) / 1e6,
        }
        for row in rows
    ]
