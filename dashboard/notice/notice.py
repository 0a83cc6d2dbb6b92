"""The notice to a supplier about one alert: what was measured, what changed, which lots, and what is asked.

The document has figures of that supplier's own stream and of no other. It is sent to nobody automatically. Its time is that
of the store's last round, so that the same store gives the same bytes.
"""

from __future__ import annotations

import json
from typing import Any

from sqlalchemy import Connection, RowMapping, text

from dashboard.queries import stored_documents
from ingest.common.instants import from_microseconds
from ingest.config.lab import Lab
from ingest.decisions.corrective_actions import supplier_alert
from ingest.documents.served import served
from ingest.quarter.notice_lots import charted, concerned, conditioning_shown, difference, left_out
from ingest.store.last_round import last_round

__all__ = ["document", "file_name"]

Document = dict[str, Any]

POINTS_SQL = """
SELECT p.tested_us, p.document, s.worst, s.hours, s.humidity_min, s.humidity_max FROM point p
JOIN session s ON s.id = p.session_id WHERE p.stream_id = :stream ORDER BY p.ordinal
"""
POINT_KEYS = (
    "lot", "shown", "bound", "bags", "n", "level", "bag_spread", "reading_spread", "verdict", "state", "signals",
    "bag_spread_upper", "reading_spread_upper",
)  # fmt: skip
SESSION_KEYS = ("tested_us", "worst", "hours", "humidity_min", "humidity_max")


def document(connection: Connection, lab: Lab, alert: str) -> Document:
    """Everything that a notice says about an alert; CallError where there is no such alert or it concerns no supplier."""
    row = dict(supplier_alert(connection, alert, "notice"))
    evidence, stream = json.loads(row["evidence"]), {"stream": row["stream_id"]}
    points = [_point(point, lab) for point in connection.execute(text(POINTS_SQL), stream).mappings()]
    lots = concerned(points, row, evidence)
    stored = connection.execute(text("SELECT document FROM evaluation WHERE stream_id = :stream"), stream).scalar()
    declared, needed = lab.characteristic(row["characteristic"]), lab.conditioning_for(row["characteristic"])
    limits = lab.limits_at(row["product"], row["characteristic"], from_microseconds(evidence["latest_tested_us"]))
    return {
        **{key: row[key] for key in ("supplier", "product", "characteristic", "kind", "lot")},
        "alert": row["id"],
        "lab": lab.name,
        "drawn_up_at": stored_documents.iso(last_round(connection), lab.zone),
        "raised_at": stored_documents.iso(row["raised_us"], lab.zone),
        "unit": declared.unit,
        "scale": str(declared.scale),
        "judged_by": str(declared.judged),
        "guard_percent": declared.guard_percent,
        "conditioning": needed.model_dump(),
        "limit_lower": limits.lower,
        "limit_upper": limits.upper,
        "limit_document": limits.document,
        "evidence": served(evidence, lab.zone),
        **difference(evidence),
        "from_lots": int(json.loads(stored)["limits"]["from_lots"]) if stored else 0,
        "lots": lots,
        "points": charted(points, lots),
        "left_out": left_out(points, row, evidence),
        "conditioning_shown": conditioning_shown(lots),
    }


def _point(row: RowMapping, lab: Lab) -> Document:
    stored = json.loads(row["document"])
    return {
        **{key: row[key] for key in SESSION_KEYS},
        "tested_at": stored_documents.iso(row["tested_us"], lab.zone),
        **{key: stored[key] for key in POINT_KEYS},
    }


def file_name(notice: Document) -> str:
    """The name of the file; an alert's id is letters and digits."""
    return f"notice-{notice['alert']}.pdf"
