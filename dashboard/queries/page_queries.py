"""What single pages read from the store beside the documents of the public surface. No figure is computed here."""

from __future__ import annotations

import json
from collections.abc import Iterable

from sqlalchemy import Connection, bindparam, text

from dashboard.queries.alert_order import GRADES
from dashboard.queries.new_alerts import new_alert_ids
from dashboard.queries.stored_documents import ALERTS_OF_STREAMS, rows_of
from dashboard.text.formatting import digits_of
from ingest.common.instants import WEEK_US
from ingest.common.json_text import from_json
from ingest.common.number_format import LEAST_DIGITS
from ingest.config.lab import Lab
from ingest.documents.alert import AlertReason, AlertSummary, StoredEvidence
from ingest.documents.entries import StoredEntryBody, SubjectEntry
from ingest.documents.lot import EarlierValue, RefusedRow, TestedLot
from ingest.documents.rounds import Week
from ingest.documents.served import iso, served
from ingest.documents.stream import StoredControlLimits, StoredStream
from ingest.store.last_round import last_round

__all__ = [
    "alert_ids",
    "chambers",
    "earlier_values",
    "entries",
    "every_alert",
    "last_week",
    "limits_in_force",
    "lots_tested",
    "reasons",
    "refused_rows",
    "reviewed",
    "state_of",
    "tested_in",
]

Stream = tuple[str, str, str]


def reviewed(connection: Connection, lab: Lab) -> str | None:
    """When the last round began, as ISO 8601."""
    return iso(last_round(connection), lab.zone)


def reasons(connection: Connection, lab: Lab) -> dict[Stream, list[AlertReason]]:
    """The reasons for each stream's state: its alerts that are not closed, the most urgent first."""
    rows = rows_of(
        connection,
        f"SELECT a.grade, a.kind, a.evidence, s.supplier, s.product, s.characteristic FROM {ALERTS_OF_STREAMS} "
        "WHERE a.state <> 'closed' ORDER BY a.raised_us DESC, a.id",
    )
    by_stream: dict[Stream, list[AlertReason]] = {}
    for row in sorted(rows, key=lambda row: GRADES.index(row["grade"])):
        evidence: StoredEvidence = from_json(row["evidence"])
        alert: AlertReason = {"grade": row["grade"], "kind": row["kind"], "evidence": served(evidence, lab.zone)}
        by_stream.setdefault((row["supplier"], row["product"], row["characteristic"]), []).append(alert)
    return by_stream


def last_week(connection: Connection, lab: Lab) -> Week | None:
    """The seven days before the last round: the lots tested and the alerts detected; None before the first round."""
    reviewed_us = last_round(connection)
    if reviewed_us is None:
        return None
    start = reviewed_us - WEEK_US
    tested = rows_of(
        connection,
        "SELECT DISTINCT l.supplier, l.product, l.lot FROM session s JOIN lot l ON l.id = s.lot_id "
        "WHERE s.started_us > :start AND s.started_us <= :reviewed",
        start=start,
        reviewed=reviewed_us,
    )
    lots = [row["supplier"] for row in tested if not lab.is_check_standard(row["supplier"], row["product"])]
    new = new_alert_ids(connection, start, reviewed_us)
    raised = [
        row
        for row in rows_of(
            connection,
            "SELECT id, kind, grade, supplier, product, characteristic FROM alert ORDER BY raised_us DESC, id",
        )
        if row["id"] in new
    ]
    return {
        "since": iso(start, lab.zone),
        "lots": len(lots),
        "suppliers": len(set(lots)),
        "raised": [
            {
                "kind": row["kind"],
                "grade": row["grade"],
                "supplier": row["supplier"],
                "product": row["product"],
                "characteristic": row["characteristic"],
            }
            for row in raised
        ],
    }


def chambers(connection: Connection) -> list[str]:
    """The chambers named in readings."""
    return [
        row["text"]
        for row in rows_of(connection, "SELECT text FROM label WHERE kind = 'chamber' AND text <> '' ORDER BY text")
    ]


def tested_in(connection: Connection, chamber: str) -> set[Stream]:
    """The streams with a test from a chamber."""
    # The plus keeps SQLite from using the index by chamber, which it would scan once for every stream.
    rows = rows_of(
        connection,
        "SELECT t.supplier, t.product, t.characteristic FROM stream t WHERE EXISTS (SELECT 1 FROM session s "
        "WHERE s.stream_id = t.id AND +s.chamber_id = (SELECT id FROM label WHERE kind = 'chamber' AND text = :chamber))",
        chamber=chamber,
    )
    return {(row["supplier"], row["product"], row["characteristic"]) for row in rows}


LOTS_SQL = """
SELECT l.lot, t.product, t.characteristic, s.started_us, s.verdict FROM session s JOIN stream t ON t.id = s.stream_id
JOIN lot l ON l.id = s.lot_id JOIN point p ON p.stream_id = s.stream_id AND p.session_id = s.id
WHERE t.supplier = :supplier AND s.started_us >= :start AND s.started_us < :end ORDER BY s.started_us DESC, l.lot, t.characteristic
"""


def lots_tested(connection: Connection, lab: Lab, supplier: str, start_us: int, end_us: int) -> list[TestedLot]:
    """The lots of a supplier tested between two times, the newest first, with the verdict on each characteristic.

    A lot counts by the session that is its point on the chart.
    """
    lots: dict[tuple[str, str], TestedLot] = {}
    for row in rows_of(connection, LOTS_SQL, supplier=supplier, start=start_us, end=end_us):
        tested = iso(row["started_us"], lab.zone)
        lot = lots.setdefault(
            (row["product"], row["lot"]),
            {"product": row["product"], "lot": row["lot"], "tested_at": tested, "verdicts": {}},
        )
        lot["verdicts"][row["characteristic"]] = row["verdict"]
    return list(lots.values())


def every_alert(connection: Connection, lab: Lab) -> list[AlertSummary]:
    """The subject and state of every alert, without the evidence: enough to count and to filter thousands."""
    rows = rows_of(
        connection,
        "SELECT id, kind, grade, state, held_under, supplier, product, characteristic, raised_us FROM alert "
        "ORDER BY raised_us DESC, id",
    )
    return [
        {
            "id": row["id"],
            "kind": row["kind"],
            "grade": row["grade"],
            "state": row["state"],
            "held_under": row["held_under"],
            "supplier": row["supplier"],
            "product": row["product"],
            "characteristic": row["characteristic"],
            "raised_at": iso(row["raised_us"], lab.zone),
        }
        for row in rows
    ]


def alert_ids(connection: Connection, **names: str) -> list[str]:
    """The ids of the alerts about a supplier, or about one of its streams."""
    where = " AND ".join(f"{name} = :{name}" for name in ("supplier", "product", "characteristic") if name in names)
    return [row["id"] for row in rows_of(connection, f"SELECT id FROM alert WHERE {where}", **names)]


def state_of(connection: Connection) -> tuple[object, ...]:
    """The state of the store, which changes with each round and each entry."""
    return tuple(
        connection.execute(
            text("SELECT max(id), max(ended_us), count(ended_us), (SELECT max(id) FROM act) FROM round")
        ).one()
    )


def limits_in_force(connection: Connection, supplier: str, product: str) -> dict[str, StoredControlLimits]:
    """The control limits now in force in the streams of a product, by characteristic, in the unit."""
    rows = rows_of(
        connection,
        "SELECT s.characteristic, e.document FROM stream s JOIN evaluation e ON e.stream_id = s.id "
        "WHERE s.supplier = :supplier AND s.product = :product ORDER BY s.characteristic",
        supplier=supplier,
        product=product,
    )
    stored: dict[str, StoredStream] = {row["characteristic"]: from_json(row["document"]) for row in rows}
    return {characteristic: document["limits"] for characteristic, document in stored.items()}


EARLIER_SQL = """
SELECT t.characteristic, t.id AS stream_id, e.tested_us, e.specimen, e.reading, e.value, e.bound, e.written, e.line,
e.replaced_us, v.board, d.name AS file, n.name AS replaced_by
FROM earlier_value e JOIN stream t ON t.id = e.stream_id LEFT JOIN evaluation v ON v.stream_id = t.id JOIN lot l ON l.id = e.lot_id
JOIN "drop" d ON d.id = e.drop_id JOIN "drop" n ON n.id = e.replaced_by_drop_id
WHERE l.supplier = :supplier AND l.lot = :lot ORDER BY e.id
"""


def earlier_values(connection: Connection, lab: Lab, supplier: str, lot_name: str) -> list[EarlierValue]:
    """The values of a lot's readings before they were corrected, the oldest first."""
    return [
        {
            "characteristic": row["characteristic"],
            "specimen": row["specimen"],
            "reading": row["reading"],
            "value": row["value"],
            "bound": row["bound"],
            "written": row["written"],
            "file": row["file"],
            "line": row["line"],
            "replaced_by": row["replaced_by"],
            "unit": lab.characteristic(row["characteristic"]).unit,
            "digits": LEAST_DIGITS if row["board"] is None else digits_of(from_json(row["board"])),
            "tested_at": iso(row["tested_us"], lab.zone),
            "replaced_at": iso(row["replaced_us"], lab.zone),
        }
        for row in rows_of(connection, EARLIER_SQL, supplier=supplier, lot=lot_name)
    ]


def refused_rows(connection: Connection, lot_name: str) -> list[RefusedRow]:
    """Refused rows with a cell that is the lot's name: they may belong to it."""
    # Cells are kept as JSON; the query skips rows without the name as JSON writes it.
    rows = rows_of(
        connection,
        'SELECT d.name AS file, r.line, r.reason, r.cells FROM refusal r JOIN "drop" d ON d.id = r.drop_id '
        "WHERE replace(r.cells, :cell, '') <> r.cells ORDER BY d.taken_us, r.line",
        cell=json.dumps(lot_name),
    )
    return [
        {"file": row["file"], "line": row["line"], "reason": row["reason"]}
        for row in rows
        if lot_name in from_json(row["cells"])
    ]


def entries(connection: Connection, lab: Lab, subjects: Iterable[str]) -> dict[str, list[SubjectEntry]]:
    """The entries on each subject, the newest first."""
    by_subject: dict[str, list[SubjectEntry]] = {subject: [] for subject in subjects}
    if not by_subject:
        return {}
    query = text("SELECT * FROM act WHERE subject IN :subjects ORDER BY id DESC").bindparams(
        bindparam("subjects", expanding=True)
    )
    for row in connection.execute(query, {"subjects": list(by_subject)}).mappings():
        body: StoredEntryBody = from_json(row["body"])
        by_subject[row["subject"]].append(
            {
                "at": iso(row["at_us"], lab.zone),
                "body": served(body, lab.zone),
                "who": row["who"],
                "what": row["what"],
                "reason": row["reason"],
            }
        )
    return by_subject
