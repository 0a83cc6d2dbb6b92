"""The notice to a supplier about one alert: what was measured, what changed, which lots, and what is asked.

The document has figures of that supplier's own stream and of no other. It is sent to nobody automatically. Its time is that
of the store's last round, so that the same store gives the same bytes.
"""

from __future__ import annotations

import json

from sqlalchemy import Connection, RowMapping, text

from ingest.common.instants import from_microseconds
from ingest.config.lab import Lab
from ingest.decisions.corrective_actions import supplier_alert
from ingest.documents.alert import StoredStreamEvidence
from ingest.documents.notice import NoticeDocument, NoticeLot
from ingest.documents.served import iso, served
from ingest.documents.stream import StoredPoint
from ingest.quarter.notice_lots import charted, concerned, conditioning_shown, difference, left_out
from ingest.store.last_round import last_round
from spc.vocabulary.enums import Scale

__all__ = ["document", "file_name"]

POINTS_SQL = """
SELECT p.tested_us, p.document, s.worst, s.hours, s.humidity_min, s.humidity_max FROM point p
JOIN session s ON s.id = p.session_id WHERE p.stream_id = :stream ORDER BY p.ordinal
"""


def document(connection: Connection, lab: Lab, alert: str) -> NoticeDocument:
    """Everything that a notice says about an alert; CallError where there is no such alert or it concerns no supplier."""
    row = supplier_alert(connection, alert, "notice")
    evidence: StoredStreamEvidence = json.loads(row["evidence"])
    stream = {"stream": row["stream_id"]}
    drawn_up_us = last_round(connection)
    assert drawn_up_us is not None  # there is an alert, so a round raised it
    points = [_point(point, lab) for point in connection.execute(text(POINTS_SQL), stream).mappings()]
    in_unit, in_percent = difference(evidence)
    lots = concerned(points, row, evidence)
    stored = connection.execute(text("SELECT document FROM evaluation WHERE stream_id = :stream"), stream).scalar()
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
        "difference": in_unit,
        "difference_percent": in_percent,
        "from_lots": int(json.loads(stored)["limits"]["from_lots"]) if stored else 0,
        "lots": lots,
        "points": charted(points, lots),
        "left_out": left_out(points, row, evidence),
        "conditioning_shown": conditioning_shown(lots),
    }


def _point(row: RowMapping, lab: Lab) -> NoticeLot:
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
        "bag_spread": stored["bag_spread"],
        "bag_spread_upper": stored["bag_spread_upper"],
        "reading_spread": stored["reading_spread"],
        "reading_spread_upper": stored["reading_spread_upper"],
        "verdict": stored["verdict"],
        "state": stored["state"],
        "signals": stored["signals"],
        "worst": row["worst"],
        "hours": row["hours"],
        "humidity_min": row["humidity_min"],
        "humidity_max": row["humidity_max"],
    }


def file_name(notice: NoticeDocument) -> str:
    """The name of the file; an alert's id is letters and digits."""
    return f"notice-{notice['alert']}.pdf"
