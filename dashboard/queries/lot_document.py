"""The document of `lotdrift lot`: one lot with its test sessions, readings and alerts. No figure is computed here."""

from __future__ import annotations

from collections import defaultdict
from typing import Literal, cast

from sqlalchemy import Connection, RowMapping

from dashboard.queries.page_queries import entries
from dashboard.queries.stored_documents import alert_documents, rows_of
from dashboard.text.formatting import digits_of
from ingest.alerts.bench_marks import marks_of_sessions
from ingest.audit.limit_entries import with_entered_limits
from ingest.audit.subjects import Subject
from ingest.common import clock
from ingest.common.errors import CallError, NotFoundError
from ingest.common.instants import from_microseconds
from ingest.common.json_text import from_json
from ingest.common.number_format import LEAST_DIGITS
from ingest.config.lab import Lab
from ingest.config.limit_history import Step, step_document
from ingest.decisions.responses import NOTE, RETEST_ENTRIES
from ingest.documents.bench.bench_mark import BenchMark
from ingest.documents.bench.capture import SessionCaptures
from ingest.documents.entries import SubjectEntry
from ingest.documents.lot import LotDocument, Reading, Session
from ingest.documents.served import iso, served
from ingest.documents.stream import Limit
from ingest.documents.verdict.bag_count import BagCount
from ingest.evaluation.alert_text import slip
from ingest.evaluation.bag_counts import bag_counts_of_sessions, bags_outside
from ingest.evaluation.session_values import determined, level_range, worst_bound
from ingest.sessions.capture_matches import captures_of_session
from ingest.sessions.sessions import READINGS_OF_SESSION
from ingest.sessions.suspect_values import stored_suspect
from ingest.stock.shelf_list import lot_in_stock
from ingest.stock.stock_alerts import STOCK_ALERTS
from ingest.verdict.proof import conformity
from spc.vocabulary.enums import Scale

__all__ = ["lot"]


def lot(connection: Connection, lab: Lab, supplier: str, name: str) -> LotDocument:
    """One lot, every reading and session: the document of `lotdrift lot`; CallError if the supplier has no such lot."""
    lots = rows_of(
        connection,
        "SELECT id, supplier, product, received_on, made_on FROM lot WHERE supplier = :supplier AND lot = :lot ORDER BY product",
        supplier=supplier,
        lot=name,
    )
    if not lots:
        raise NotFoundError(
            "lot", f'supplier "{supplier}" has no lot "{name}"', "lotdrift board lists the suppliers and lots"
        )
    lab, subject = with_entered_limits(connection, lab), str(Subject.lot(supplier, name))
    sessions = [document for row in lots for document in _sessions(connection, lab, row)]
    right = lab.right_names(supplier, lots[0]["product"], name)
    if not sessions and (right[0], right[2]) != (supplier, name):
        raise CallError(
            f'lot: lab.toml reads supplier "{supplier}" lot "{name}" as supplier "{right[0]}" lot "{right[2]}"'
        )
    return {
        "supplier": supplier,
        "product": lots[0]["product"],
        "lot": name,
        "received_on": lots[0]["received_on"] or None,
        "made_on": lots[0]["made_on"] or None,
        "check_standard": any(lab.is_check_standard(supplier, row["product"]) for row in lots),
        "decision": next((entry for entry in entries(connection, lab, [subject])[subject] if _decides(entry)), None),
        "sessions": sessions,
        "alerts": alert_documents(connection, lab, _own_alerts(connection, supplier, name)),
        "stream_alerts": alert_documents(
            connection, lab, rows_of(connection, STREAM_ALERTS_SQL, supplier=supplier, lot=name)
        ),
        "stock": lot_in_stock(connection, lab, supplier, name, clock.now().astimezone(lab.zone).date()),
    }


def _own_alerts(connection: Connection, supplier: str, name: str) -> list[RowMapping]:
    """The alerts that the lot raised, and the open ones about lots in stock that name it."""
    stock = [
        row
        for row in rows_of(connection, STOCK_ALERTS_SQL, supplier=supplier, lot=name)
        if name in from_json(row["evidence"])["lots"]
    ]
    return [*rows_of(connection, OWN_ALERTS_SQL, supplier=supplier, lot=name), *stock]


STOCK_ALERTS_SQL = f"SELECT * FROM alert WHERE {STOCK_ALERTS} AND supplier = :supplier AND lot <> :lot AND state <> 'closed' ORDER BY raised_us DESC, id"
OWN_ALERTS_SQL = "SELECT * FROM alert WHERE supplier = :supplier AND lot = :lot ORDER BY raised_us DESC, id"
STREAM_ALERTS_SQL = """
SELECT * FROM alert WHERE state <> 'closed' AND (lot IS NULL OR lot <> :lot) AND stream_id IN (
SELECT s.stream_id FROM session s JOIN lot l ON l.id = s.lot_id WHERE l.supplier = :supplier AND l.lot = :lot)
ORDER BY raised_us DESC, id
"""


def _decides(entry: SubjectEntry) -> bool:
    return entry["what"] not in (NOTE, *RETEST_ENTRIES)


# By stream and lot: the indexes find sessions and readings that way without a scan.
SESSION_SQL = """
SELECT s.*, t.characteristic, c.text AS chamber, i.text AS instrument, l.text AS load,
m.share, m.slip, m.power, m.low, m.high, m.settled, p.document AS point, e.board, f.document AS conformity
FROM session s JOIN stream t ON t.id = s.stream_id LEFT JOIN mark m ON m.session_id = s.id
LEFT JOIN evaluation e ON e.stream_id = s.stream_id
LEFT JOIN conformity f ON f.session_id = s.id
JOIN label c ON c.id = s.chamber_id JOIN label i ON i.id = s.instrument_id JOIN label l ON l.id = s.load_id
LEFT JOIN point p ON p.stream_id = s.stream_id AND p.session_id = s.id
WHERE t.supplier = :supplier AND t.product = :product AND s.lot_id = :lot ORDER BY t.characteristic, s.started_us, i.text
"""

# Of the sessions that used several.
INSTRUMENTS_SQL = """
SELECT m.session_id, i.text AS instrument FROM session s JOIN session_instrument m ON m.session_id = s.id
JOIN label i ON i.id = m.instrument_id WHERE s.lot_id = :lot ORDER BY m.started_us, i.text
"""

READING_SQL = f"""
SELECT s.id AS session_id, r.tested_us, r.specimen, r.reading, r.value, r.bound, r.written, r.line, r.notes, d.name AS file,
o.text AS operator,
EXISTS (SELECT 1 FROM earlier_value e WHERE e.stream_id = r.stream_id AND e.lot_id = r.lot_id AND e.tested_us = r.tested_us
AND e.specimen = r.specimen AND e.reading = r.reading) AS corrected
FROM session s JOIN reading r ON {READINGS_OF_SESSION}
JOIN "drop" d ON d.id = r.drop_id JOIN label o ON o.id = r.operator_id
WHERE s.stream_id IN (SELECT id FROM stream WHERE supplier = :supplier AND product = :product) AND s.lot_id = :lot
ORDER BY s.id, r.tested_us, r.specimen, r.reading
"""


def _sessions(connection: Connection, lab: Lab, row: RowMapping) -> list[Session]:
    names = {"supplier": row["supplier"], "product": row["product"], "lot": row["id"]}
    readings: dict[int, list[RowMapping]] = defaultdict(list)
    for reading in rows_of(connection, READING_SQL, **names):
        readings[reading["session_id"]].append(reading)
    sessions = rows_of(connection, SESSION_SQL, **names)
    instruments: dict[int, list[str]] = defaultdict(list)
    for several in rows_of(connection, INSTRUMENTS_SQL, lot=row["id"]):
        instruments[several["session_id"]].append(several["instrument"] or "instrument not named")
    marks = marks_of_sessions(connection, lab, [session["id"] for session in sessions])
    bags = bag_counts_of_sessions(connection, [session["id"] for session in sessions])
    return [
        _session(
            row["product"],
            session,
            instruments.get(session["id"], [session["instrument"]] if session["instrument"] else []),
            readings[session["id"]],
            marks.get(session["id"], []),
            bags.get(session["id"]),
            _captures(connection, lab, row["product"], session),
            lab,
        )
        for session in sessions
    ]


def _session(
    product: str,
    session: RowMapping,
    instruments: list[str],
    readings: list[RowMapping],
    marks: list[BenchMark],
    bags: BagCount | None,
    captures: SessionCaptures | None,
    lab: Lab,
) -> Session:
    characteristic = lab.characteristic(session["characteristic"])
    suspect = stored_suspect(session)
    marked = suspect.readings([reading["value"] for reading in readings]) if suspect else [False] * len(readings)
    tested = from_microseconds(session["started_us"])
    limits = lab.limits_at(product, session["characteristic"], tested)
    sources = lab.limit_sources(product, session["characteristic"], tested)
    return {
        "product": product,
        "characteristic": session["characteristic"],
        "unit": characteristic.unit,
        "digits": _digits(session["board"]),
        "tested_at": iso(session["started_us"], lab.zone),
        "ended_at": iso(session["ended_us"], lab.zone),
        "chamber": session["chamber"],
        "instrument": session["instrument"],
        "load": session["load"],
        "conditioning": {
            "state": session["conditioning"],
            "required": characteristic.conditioning is not False,
            "hours": session["hours"],
            "humidity_min": session["humidity_min"],
            "humidity_max": session["humidity_max"],
            "clock": session["clock"],
            "loaded_at": iso(session["loaded_us"], lab.zone),
            "doors": session["doors"],
        },
        "bench": {"instruments": instruments, "state": session["bench"]},
        "level": determined(session, "level_unit"),
        "level_range": level_range(session, characteristic.scale),
        "worst": session["worst"],
        "worst_bound": worst_bound(session),
        "bag_count": bags,
        "bags_outside": bags_outside(
            ((reading["specimen"], reading["value"], reading["bound"]) for reading in readings),
            limits.lower,
            limits.upper,
            characteristic.scale,
        ),
        "outside_control_limits": bool(session["point"] and from_json(session["point"])["outside_control_limits"]),
        "judged_by": characteristic.judged,
        "scale": Scale(characteristic.scale),
        "limit_lower": limits.lower,
        "limit_upper": limits.upper,
        "limit_document": limits.document or None,
        "limit_sources": {"lower": _limit(sources["lower"], lab), "upper": _limit(sources["upper"], lab)},
        "judged": session["judged"],
        "verdict": session["verdict"],
        "bags": session["bags"],
        "mark": None
        if suspect is None
        else {
            "told": slip(suspect.mark),
            "low": suspect.mark.low,
            "high": suspect.mark.high,
            "settled": cast("Literal['stands as written', 'set aside'] | None", suspect.settled or None),
        },
        "conformity": conformity(
            session["conformity"],
            session,
            [(reading["specimen"], reading["value"], reading["bound"]) for reading in readings],
            characteristic.scale,
            limits.lower,
            limits.upper,
        ),
        "bench_findings": marks,
        "captures": captures,
        "readings": [
            _reading(reading, characteristic.unit, lab, marked=is_marked)
            for reading, is_marked in zip(readings, marked, strict=True)
        ],
    }


def _captures(connection: Connection, lab: Lab, product: str, session: RowMapping) -> SessionCaptures | None:
    limits = lab.limits_at(product, session["characteristic"], from_microseconds(session["started_us"]))
    return captures_of_session(connection, lab, session, limits, session["readings"])


def _digits(board: str | None) -> int:
    """The digits of the stream of a session, by its row on the board."""
    return LEAST_DIGITS if board is None else digits_of(from_json(board))


def _limit(step: Step | None, lab: Lab) -> Limit | None:
    return None if step is None else served(step_document(step), lab.zone)


def _reading(reading: RowMapping, unit: str, lab: Lab, *, marked: bool) -> Reading:
    return {
        "specimen": reading["specimen"],
        "reading": reading["reading"],
        "value": reading["value"],
        "bound": reading["bound"],
        "unit": unit,
        "written": reading["written"],
        "tested_at": iso(reading["tested_us"], lab.zone),
        "operator": reading["operator"],
        "file": reading["file"],
        "line": reading["line"],
        "notes": from_json(reading["notes"]) if reading["notes"] else {},
        "state": "corrected" if reading["corrected"] else "stored",
        "marked": marked,
    }
