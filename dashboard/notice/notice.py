"""The notice to a supplier about one alert: what was measured, what changed, which lots, and what is asked.

The document has figures of that supplier's own stream and of no other. It is sent to nobody automatically. Its time is that
of the store's last round, so that the same store gives the same bytes.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence

from sqlalchemy import Connection, RowMapping, text

from ingest.alerts.bench_marks import marks_of_stream
from ingest.common.instants import from_microseconds
from ingest.common.number_format import LEAST_DIGITS
from ingest.config.lab import Lab
from ingest.decisions.corrective_actions import supplier_alert
from ingest.documents.alert import StoredStreamEvidence
from ingest.documents.bench.bench_mark import BenchMark
from ingest.documents.notice import NoticeDocument, NoticeLot, NoticeRetest
from ingest.documents.served import iso, served
from ingest.documents.stream import StoredPoint
from ingest.documents.verdict.bag_count import BagCount
from ingest.evaluation.bag_counts import bag_counts_of_stream
from ingest.evaluation.session_values import determined, level_range, worst_bound
from ingest.quarter.notice_lots import basis, charted, concerned, conditioning_shown, difference, left_out, others
from ingest.store.last_round import last_round
from spc.vocabulary.enums import Scale

__all__ = ["document", "file_name"]

POINTS_SQL = """
SELECT p.session_id, p.tested_us, p.document, s.worst, s.level_low, s.level_high, s.smallest,
s.smallest_bound, s.largest, s.largest_bound, s.hours, s.humidity_min, s.humidity_max FROM point p
JOIN session s ON s.id = p.session_id WHERE p.stream_id = :stream ORDER BY p.ordinal
"""

# A check standard has no notice, so a session without a point is a repeat of its lot, or was not valid.
RETESTS_SQL = """
SELECT s.*, l.lot FROM session s
JOIN lot l ON l.id = s.lot_id WHERE s.stream_id = :stream
AND NOT EXISTS (SELECT 1 FROM point p WHERE p.stream_id = s.stream_id AND p.session_id = s.id)
ORDER BY s.started_us, l.lot
"""


def document(connection: Connection, lab: Lab, alert: str) -> NoticeDocument:
    """Everything that a notice says about an alert; CallError where there is no such alert or it concerns no supplier."""
    row = supplier_alert(connection, alert, "notice")
    evidence: StoredStreamEvidence = json.loads(row["evidence"])
    stream = {"stream": row["stream_id"]}
    drawn_up_us = last_round(connection)
    assert drawn_up_us is not None  # There is an alert, so a round raised it
    marks = marks_of_stream(connection, lab, row["stream_id"])
    bags, scale = bag_counts_of_stream(connection, row["stream_id"]), lab.characteristic(row["characteristic"]).scale
    points = [
        _point(point, marks, bags, scale, lab) for point in connection.execute(text(POINTS_SQL), stream).mappings()
    ]
    in_unit, in_percent = difference(evidence)
    lots = concerned(points, row, evidence)
    found = connection.execute(text("SELECT document, board FROM evaluation WHERE stream_id = :stream"), stream).first()
    declared, needed = lab.characteristic(row["characteristic"]), lab.conditioning_for(row["characteristic"])
    limits = lab.limits_at(row["product"], row["characteristic"], from_microseconds(evidence["latest_tested_us"]))
    return {
        "supplier": row["supplier"],
        "product": row["product"],
        "characteristic": row["characteristic"],
        "kind": row["kind"],
        "lot": row["lot"],
        "alert": row["id"],
        "lab": lab.name,
        "drawn_up_at": iso(drawn_up_us, lab.zone),
        "raised_at": iso(row["raised_us"], lab.zone),
        "unit": declared.unit,
        "digits": evidence.get("digits", LEAST_DIGITS),
        "scale": Scale(declared.scale),
        "judged_by": declared.judged,
        "guard_percent": declared.guard_percent,
        "conditioning": None
        if needed is None
        else {
            "humidity_percent": needed.humidity_percent,
            "humidity_tolerance": needed.humidity_tolerance,
            "temperature_c": needed.temperature_c,
            "temperature_tolerance_c": needed.temperature_tolerance_c,
            "hours": needed.hours,
            "longest_gap_minutes": needed.longest_gap_minutes,
        },
        "limit_lower": limits.lower,
        "limit_upper": limits.upper,
        "limit_document": limits.document,
        "evidence": served(evidence, lab.zone),
        "likely": lab.alerts.breach_probability,
        "difference": in_unit,
        "difference_percent": in_percent,
        "from_lots": int(json.loads(found.document)["limits"]["from_lots"]) if found else 0,
        "level_now": json.loads(found.board)["level"] if found else None,
        "level_now_bound": json.loads(found.board).get("level_bound", 0) if found else 0,
        "lots": lots,
        "others": others(points, lots),
        "basis": basis(points, lots, row, evidence, declared.scale),
        "retests": _retests(connection, stream, lots, marks, bags, scale, lab),
        "asks_for_answer": not evidence["away_from_limit"],
        "points": charted(points, lots),
        "left_out": left_out(points, row, evidence),
        "conditioning_shown": conditioning_shown(lots),
    }


def _retests(
    connection: Connection,
    stream: dict[str, int],
    lots: Sequence[NoticeLot],
    marks: Mapping[int, list[BenchMark]],
    bags: Mapping[int, BagCount],
    scale: str,
    lab: Lab,
) -> list[NoticeRetest]:
    """The other tests of the lots of the notice, valid or not."""
    listed = {lot["lot"] for lot in lots}
    return [
        {
            "lot": row["lot"],
            "tested_at": iso(row["started_us"], lab.zone),
            "level": determined(row, "level_unit"),
            "level_range": level_range(row, scale),
            "worst": row["worst"],
            "worst_bound": worst_bound(row),
            "bag_count": bags.get(row["id"]),
            "bags": row["bags"],
            "n": row["readings"],
            "state": row["conditioning"],
            "verdict": row["verdict"],
            "bench_findings": marks.get(row["id"], []),
        }
        for row in connection.execute(text(RETESTS_SQL), stream).mappings()
        if row["lot"] in listed
    ]


def _point(
    row: RowMapping, marks: Mapping[int, list[BenchMark]], bags: Mapping[int, BagCount], scale: str, lab: Lab
) -> NoticeLot:
    stored: StoredPoint = json.loads(row["document"])
    return {
        "tested_us": row["tested_us"],
        "tested_at": iso(row["tested_us"], lab.zone),
        "lot": stored["lot"],
        "shown": stored["shown"],
        "bound": stored["bound"],
        "bags": stored["bags"],
        "n": stored["n"],
        "level": stored["level"],
        "level_range": level_range(row, scale),
        "bag_spread": stored["bag_spread"],
        "bag_spread_upper": stored["bag_spread_upper"],
        "reading_spread": stored["reading_spread"],
        "reading_spread_upper": stored["reading_spread_upper"],
        "verdict": stored["verdict"],
        "state": stored["state"],
        "signals": stored["signals"],
        "worst": row["worst"],
        "worst_bound": worst_bound(row),
        "bag_count": bags.get(row["session_id"]),
        "outside_control_limits": stored["outside_control_limits"],
        "hours": row["hours"],
        "humidity_min": row["humidity_min"],
        "humidity_max": row["humidity_max"],
        "bench_findings": marks.get(row["session_id"], []),
    }


def file_name(notice: NoticeDocument) -> str:
    """The name of the file; an alert's id is letters and digits."""
    return f"notice-{notice['alert']}.pdf"
