"""The notice to a supplier about one alert: what was measured, what moved, which lots, and what is asked.

The document holds figures of that supplier's own stream and of no other; the paper only lays it out. It goes to nobody
by itself. The time at which it was drawn up is that of the store's last round, so that the same store gives the same
bytes.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, RowMapping, text

from dashboard.queries import stored_documents
from ingest.common.instants import WEEK_US, from_microseconds
from ingest.config.lab import Lab
from ingest.decisions.corrective_actions import supplier_alert
from ingest.documents.served import served
from ingest.store.last_round import last_round
from spc.vocabulary.enums import Kind

__all__ = ["LOT_BY_LOT", "document", "file_name"]

Document = Any

"""Days within which an answer is asked for: common practice."""
CHART_WEEKS = 78

POINTS_SQL = """
SELECT p.tested_us, p.document, s.worst, s.hours, s.humidity_min, s.humidity_max FROM point p
JOIN session s ON s.id = p.session_id WHERE p.stream_id = :stream ORDER BY p.ordinal
"""
# Kinds about single lots: the lots between two of them were as usual.
LOT_BY_LOT = (Kind.LIMIT, Kind.POINT, Kind.SPREAD)


def document(connection: Connection, lab: Lab, alert: str) -> Document:
    """All that a notice says about an alert; CallError where there is none such, or where no supplier is concerned."""
    row = supplier_alert(connection, alert, "notice")
    evidence = json.loads(row["evidence"])
    points = [
        _point(point, lab) for point in connection.execute(text(POINTS_SQL), {"stream": row["stream_id"]}).mappings()
    ]
    concerned = [point for point in points if _is_concerned(point, row, evidence)]
    return {
        **{key: row[key] for key in ("supplier", "product", "characteristic", "kind", "lot")},
        "alert": row["id"],
        "lab": lab.name,
        "drawn_up_at": stored_documents.iso(last_round(connection), lab.zone),
        "raised_at": stored_documents.iso(row["raised_us"], lab.zone),
        **_method(lab, row, evidence),
        "evidence": served(evidence, lab.zone),
        "from_lots": _from_lots(connection, row["stream_id"]),
        "lots": concerned,
        "points": _charted(points, concerned),
        "left_out": _left_out(points, row, evidence),
    }


def file_name(notice: Document) -> str:
    """The name of the file; an alert's id is letters and digits."""
    return f"notice-{notice['alert']}.pdf"


def _point(row: RowMapping, lab: Lab) -> Document:
    stored = json.loads(row["document"])
    keys = (
        "lot",
        "shown",
        "bound",
        "bags",
        "n",
        "level",
        "bag_spread",
        "reading_spread",
        "verdict",
        "state",
        "signals",
    )
    return {
        "tested_us": row["tested_us"],
        "tested_at": stored_documents.iso(row["tested_us"], lab.zone),
        **{key: stored[key] for key in keys},
        **{key: stored[key] for key in ("bag_spread_upper", "reading_spread_upper")},
        **{key: row[key] for key in ("worst", "hours", "humidity_min", "humidity_max")},
    }


def _span(alert: RowMapping, evidence: Document) -> tuple[int, int]:
    start = alert["raised_us"] if alert["kind"] in LOT_BY_LOT else evidence.get("since_us") or alert["raised_us"]
    return start, evidence["latest_tested_us"]


def _is_concerned(point: Document, alert: RowMapping, evidence: Document) -> bool:
    """Whether a lot belongs to what the alert is about: with the evidence itself, or tested since the move began."""
    start, end = _span(alert, evidence)
    if point["state"] != "valid" or not start <= point["tested_us"] <= end:
        return False
    named = point["lot"] in (alert["lot"], evidence["latest_lot"])
    return alert["kind"] not in LOT_BY_LOT or named or alert["kind"] in point["signals"]


def _left_out(points: Sequence[Document], alert: RowMapping, evidence: Document) -> int:
    """Lots in the same time whose test was not valid."""
    start, end = _span(alert, evidence)
    return sum(point["state"] != "valid" and start <= point["tested_us"] <= end for point in points)


def _charted(points: Sequence[Document], concerned: Sequence[Document]) -> list[Document]:
    """The lots of the picture, those concerned marked; the picture begins well before the first of them."""
    marked = {point["tested_us"] for point in concerned}
    valid = [point for point in points if point["state"] == "valid"]
    if not valid:
        return []
    start = min([valid[-1]["tested_us"], *marked]) - CHART_WEEKS * WEEK_US
    keys = ("tested_at", "shown", "bound", "verdict")
    return [
        {**{key: point[key] for key in keys}, "concerned": point["tested_us"] in marked}
        for point in valid
        if point["tested_us"] >= start
    ]


def _method(lab: Lab, alert: RowMapping, evidence: Document) -> Document:
    """How it was measured and what it is held against, as the lab declares it."""
    declared, needed = lab.characteristic(alert["characteristic"]), lab.conditioning_for(alert["characteristic"])
    limits = lab.limits_at(alert["product"], alert["characteristic"], from_microseconds(evidence["latest_tested_us"]))
    return {
        "unit": declared.unit,
        "scale": str(declared.scale),
        "judged_by": str(declared.judged),
        "guard_percent": declared.guard_percent,
        "conditioning": needed.model_dump(),
        "limit_lower": limits.lower,
        "limit_upper": limits.upper,
        "limit_document": limits.document,
    }


def _from_lots(connection: Connection, stream_id: int) -> int:
    """How many lots the usual level rests on."""
    stored = connection.execute(
        text("SELECT document FROM evaluation WHERE stream_id = :id"), {"id": stream_id}
    ).scalar()
    return int(json.loads(stored)["limits"]["from_lots"]) if stored else 0
