"""What the bench page and the lot page read of chambers, files and rounds."""

from __future__ import annotations

from itertools import pairwise
from statistics import median
from typing import TypedDict

import pandas as pd
from sqlalchemy import Connection, RowMapping, text

from dashboard.queries.stored_documents import from_iso, rows_of
from ingest.alerts.attribution import MOVING_WEEKS, SHARE_WEEKS, attributed_share, moving_streams
from ingest.common.instants import DAY_US, HOUR_US, MINUTE_US
from ingest.common.json_text import from_json
from ingest.config.lab import Lab
from ingest.config.models import Conditioning
from ingest.documents.alert import StoredBenchEvidence
from ingest.documents.bench.bench import (
    AttributedAlerts,
    BenchDocument,
    BenchFinding,
    Chamber,
    ChamberTrace,
    FeedFile,
    MarkedSession,
    MovingStreams,
    Refusals,
    RoundSummary,
    SourceFolder,
)
from ingest.documents.lot import Session
from ingest.documents.served import iso
from ingest.evaluation.alert_text import slip
from ingest.sessions.conditioning import summarise_log, tolerance
from ingest.sessions.suspect_values import stored_suspect
from ingest.store.last_round import clock_went_back

__all__ = ["bench", "chamber_trace"]

DAYS_SHOWN = 14
FILES_SHOWN = 12
REFUSALS_SHOWN = 30
ROUNDS_SHOWN = 8
# A trace is drawn from so many stretches of the log, four entries each: as many points as its picture is wide.
TRACE_STRETCHES = 200
# The days between two files of a folder are a median over so many days with files.
INTERVAL_DAYS = 20

ENTRIES_SQL = """
SELECT logged_us, humidity_percent, temperature_c FROM climate WHERE chamber_id = :chamber
AND logged_us BETWEEN :start AND :end ORDER BY logged_us
"""


class _Gap(TypedDict):
    """An entry without values, which breaks the line of a trace."""

    logged_us: int
    humidity_percent: None
    temperature_c: None


# Chambers


def chamber_trace(connection: Connection, lab: Lab, session: Session) -> ChamberTrace | None:
    """The log of a session's chamber over the required hours; None where none are required or the log has no entry."""
    rule = lab.conditioning_for(session["characteristic"])
    if rule is None:
        return None
    rule = lab.rule_in(rule, session["chamber"])
    tested, ended = from_iso(session["tested_at"]), from_iso(session["ended_at"])
    required = int(rule.hours * HOUR_US)
    chamber = connection.execute(
        text("SELECT id FROM label WHERE kind = 'chamber' AND text = :name"), {"name": session["chamber"]}
    ).scalar()
    # A margin before the required hours shows how the chamber came into tolerance.
    start = tested - required - int(0.15 * required)
    entries = rows_of(connection, ENTRIES_SQL, chamber=chamber, start=start, end=ended)
    return _trace(entries, lab, rule, (tested - required, tested)) if entries else None


def _trace(
    entries: list[RowMapping], lab: Lab, rule: Conditioning, required: tuple[int | None, int | None] = (None, None)
) -> ChamberTrace:
    """A chamber's log as it is drawn; `required` are the hours that had to be within tolerance."""
    drawn, limits = _drawn(entries, int(rule.longest_gap_minutes * MINUTE_US)), tolerance(rule)
    return {
        "times": [iso(entry["logged_us"], lab.zone) for entry in drawn],
        "humidity": [entry["humidity_percent"] for entry in drawn],
        "temperature": [entry["temperature_c"] for entry in drawn],
        "humidity_low": limits.humidity_low,
        "humidity_high": limits.humidity_high,
        "temperature_low": limits.temperature_low,
        "temperature_high": limits.temperature_high,
        "from": iso(required[0], lab.zone),
        "to": iso(required[1], lab.zone),
    }


def _drawn(entries: list[RowMapping], longest_gap: int) -> list[RowMapping | _Gap]:
    """The entries that a trace needs: the extremes of humidity and temperature in every stretch, and each edge of a gap.

    An empty entry breaks the line at a gap. A logger slower than the longest gap has a gap after every entry, so a pause
    counts from twice the mean pause on.
    """
    mean_pause = (entries[-1]["logged_us"] - entries[0]["logged_us"]) / max(1, len(entries) - 1)
    longest = max(longest_gap, 2 * mean_pause)
    gaps = {
        place
        for place, (one, other) in enumerate(pairwise(entries), 1)
        if other["logged_us"] - one["logged_us"] > longest
    }
    kept = {0, len(entries) - 1, *gaps, *(place - 1 for place in gaps)}
    stretch = max(4, -(-len(entries) // TRACE_STRETCHES))
    for column in ([entry[name] for entry in entries] for name in ("humidity_percent", "temperature_c")):
        for start in range(0, len(entries), stretch):
            places = range(start, min(start + stretch, len(entries)))
            kept |= {min(places, key=column.__getitem__), max(places, key=column.__getitem__)}
    drawn: list[RowMapping | _Gap] = []
    for place in sorted(kept):
        if place in gaps:
            drawn.append({"logged_us": entries[place]["logged_us"], "humidity_percent": None, "temperature_c": None})
        drawn.append(entries[place])
    return drawn


def _chambers(connection: Connection, lab: Lab) -> list[Chamber]:
    """Each chamber over its last days, by the first declared conditioning."""
    declared = next(iter(lab.conditioning.values()), None)
    chambers: list[Chamber] = []
    if declared is None:
        return chambers
    second = lab.second_sensors()
    for row in rows_of(
        connection,
        "SELECT c.id, c.text AS name, max(k.logged_us) AS last_us FROM climate k JOIN label c ON c.id = k.chamber_id "
        "GROUP BY c.id ORDER BY c.text",
    ):
        if row["name"] in second:
            continue
        rule = lab.rule_in(declared, row["name"])
        start = row["last_us"] - DAYS_SHOWN * DAY_US
        entries = rows_of(connection, ENTRIES_SQL, chamber=row["id"], start=start, end=row["last_us"])
        summary = summarise_log(pd.DataFrame(entries), rule)
        invalid = connection.execute(
            text(
                "SELECT count(*) FROM session WHERE chamber_id = :chamber AND started_us >= :start "
                "AND conditioning <> 'valid'"
            ),
            {"chamber": row["id"], "start": start},
        ).scalar_one()
        chambers.append(
            {
                "name": row["name"] or "unnamed",
                "last_at": iso(row["last_us"], lab.zone),
                "humidity": entries[-1]["humidity_percent"],
                "temperature_c": entries[-1]["temperature_c"],
                "days": DAYS_SHOWN,
                "last_inside": summary.last_inside,
                "hours_outside": summary.hours_outside,
                "gaps": summary.gaps,
                "invalid_sessions": invalid,
                "trace": _trace(entries, lab, rule),
            }
        )
    return chambers


# The bench


def bench(connection: Connection, lab: Lab) -> BenchDocument:
    """Chambers, files, refused rows, suspect values and rounds."""
    return {
        "findings": _findings(connection, lab),
        "chambers": _chambers(connection, lab),
        "feeds": _files(connection, lab),
        "sources": _sources(connection, lab),
        "refusals": _refusals(connection, lab),
        "to_look_at": _suspect_values(connection, lab),
        "rounds": _rounds(connection, lab),
        "clock": clock_went_back(connection, lab.zone, ROUNDS_SHOWN),
        "moving": _moving(connection, lab),
        "attribution": _attributed(connection),
    }


def _findings(connection: Connection, lab: Lab) -> list[BenchFinding]:
    """Every finding about the bench, the newest first, also those that are closed."""
    rows = rows_of(
        connection,
        "SELECT a.id, a.message, a.state, a.evidence, a.raised_us, count(b.session_id) AS tests, "
        "count(DISTINCT s.lot_id) AS lots FROM alert a LEFT JOIN bench_share b ON b.alert = a.id "
        "LEFT JOIN session s ON s.id = b.session_id WHERE a.kind = 'bench' AND a.stream_id IS NULL "
        "GROUP BY a.id, a.message, a.state, a.evidence, a.raised_us ORDER BY a.raised_us DESC, a.id",
    )
    findings: list[BenchFinding] = []
    for row in rows:
        evidence: StoredBenchEvidence = from_json(row["evidence"])
        findings.append(
            {
                "finding": row["id"],
                "message": row["message"],
                "state": row["state"],
                "off_from_at": iso(evidence["off_from_us"] or None, lab.zone),
                "off_until_at": iso(evidence["off_until_us"], lab.zone),
                "shown_by": evidence.get("shown_by"),
                "detected_at": iso(row["raised_us"], lab.zone),
                "tests": row["tests"],
                "lots": row["lots"],
            }
        )
    return findings


def _moving(connection: Connection, lab: Lab) -> MovingStreams:
    estimate = moving_streams(connection, lab)
    return {
        "weeks": MOVING_WEEKS,
        "streams": estimate.streams,
        "moved": estimate.moved,
        "share": estimate.share,
        "low": estimate.low,
        "high": estimate.high,
    }


def _attributed(connection: Connection) -> AttributedAlerts:
    share = attributed_share(connection)
    return {"weeks": SHARE_WEEKS, "alerts": share.alerts, "attributed": share.attributed, "large": share.is_high}


def _refusals(connection: Connection, lab: Lab) -> list[Refusals]:
    """Refused rows, grouped by file and reason."""
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


def _suspect_values(connection: Connection, lab: Lab) -> list[MarkedSession]:
    """Test sessions with suspect values that nobody has cleared, the newest first."""
    rows = rows_of(
        connection,
        "SELECT t.supplier, t.product, t.characteristic, l.lot, s.started_us, m.* "
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
            "reason": slip(suspect.mark),
        }
        for row in rows
        if (suspect := stored_suspect(row)) is not None
    ]


def _sources(connection: Connection, lab: Lab) -> list[SourceFolder]:
    """Each drop folder: how many files came, how often, when the last one did, and what became of their rows."""
    days: dict[tuple[str, str], list[int]] = {}
    for row in rows_of(
        connection,
        f"SELECT DISTINCT folder, kind, modified_ns / {1000 * DAY_US} AS day FROM \"drop\" WHERE folder <> '' ORDER BY folder, kind, day",
    ):
        days.setdefault((row["folder"], row["kind"]), []).append(int(row["day"]))
    # By the files' own times; fewer than three days with files show no interval.
    intervals = {
        source: float(median(later - earlier for earlier, later in pairwise(dates[-INTERVAL_DAYS:])))
        for source, dates in days.items()
        if len(dates) > 2
    }
    rows = rows_of(
        connection,
        "SELECT g.*, d.taken_us AS last_us FROM (SELECT folder, kind, count(*) AS files, max(id) AS last_id, max(modified_ns) AS last_ns, "
        "sum(stored) AS stored, sum(refused) AS refused, sum(corrected) AS corrected, "
        "sum(CASE WHEN state = 'refused' THEN 1 ELSE 0 END) AS unreadable FROM \"drop\" WHERE folder <> '' GROUP BY folder, kind) AS g "
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
            "days_between": intervals.get((row["folder"], row["kind"])),
        }
        for row in rows
    ]


def _files(connection: Connection, lab: Lab) -> list[FeedFile]:
    """The files taken in last, the newest first."""
    rows = rows_of(connection, 'SELECT * FROM "drop" ORDER BY id DESC LIMIT :most', most=FILES_SHOWN)
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
