"""What single pages read of the store beside the documents of the public surface. No figure is computed here."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

from sqlalchemy import Connection, bindparam, text

from dashboard.queries.alert_order import GRADES
from dashboard.queries.stored_documents import iso, rows_of, with_times
from ingest.common.instants import WEEK_US
from ingest.config.lab import Lab
from ingest.store.last_round import last_round

__all__ = [
    "alert_ids",
    "chambers",
    "earlier_values",
    "entries",
    "every_alert",
    "last_week",
    "lots_tested",
    "reasons",
    "refused_rows",
    "reviewed",
    "state_of",
    "tested_in",
    "usual",
]

Document = dict[str, Any]
Stream = tuple[str, str, str]


def reviewed(connection: Connection, lab: Lab) -> str | None:
    """When the last round began, as ISO 8601."""
    return iso(last_round(connection), lab.zone)


def reasons(connection: Connection, lab: Lab) -> dict[Stream, list[Document]]:
    """Why a stream stands where it does: its alerts that are not closed, the most urgent first, by stream."""
    rows = rows_of(
        connection,
        "SELECT a.grade, a.kind, a.evidence, s.supplier, s.product, s.characteristic FROM alert a "
        "JOIN stream s ON s.id = a.stream_id WHERE a.state <> 'closed' ORDER BY a.raised_us DESC, a.id",
    )
    found: dict[Stream, list[Document]] = {}
    for row in sorted(rows, key=lambda row: GRADES.index(row["grade"])):
        alert = {"grade": row["grade"], "kind": row["kind"], "evidence": with_times(json.loads(row["evidence"]), lab)}
        found.setdefault((row["supplier"], row["product"], row["characteristic"]), []).append(alert)
    return found


def last_week(connection: Connection, lab: Lab) -> Document | None:
    """What came in the seven days before the last round: lots, and alerts whose evidence was completed then."""
    looked = last_round(connection)
    if looked is None:
        return None
    start = looked - WEEK_US
    tested = rows_of(
        connection,
        "SELECT DISTINCT l.supplier, l.product, l.lot FROM session s JOIN lot l ON l.id = s.lot_id "
        "WHERE s.started_us > :start AND s.started_us <= :looked",
        start=start,
        looked=looked,
    )
    lots = [row["supplier"] for row in tested if not lab.is_check_standard(row["supplier"], row["product"])]
    raised = rows_of(
        connection,
        "SELECT kind, grade, supplier, product, characteristic FROM alert WHERE raised_us > :start AND raised_us <= :looked "
        "AND state <> 'closed' ORDER BY raised_us DESC, id",
        start=start,
        looked=looked,
    )
    return {
        "since": iso(start, lab.zone),
        "lots": len(lots),
        "suppliers": len(set(lots)),
        "raised": [dict(row) for row in raised],
    }


def chambers(connection: Connection) -> list[str]:
    """The chambers that readings name."""
    return [
        row["text"]
        for row in rows_of(connection, "SELECT text FROM label WHERE kind = 'chamber' AND text <> '' ORDER BY text")
    ]


def tested_in(connection: Connection, chamber: str) -> set[Stream]:
    """The streams that were ever tested out of a chamber."""
    # The plus keeps SQLite from the index by chamber, which would be walked once for every stream.
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


def lots_tested(connection: Connection, lab: Lab, supplier: str, start_us: int, end_us: int) -> list[Document]:
    """The lots of a supplier tested between two times, the newest first, with the verdict on each characteristic.

    A lot counts by the session that is its point on the chart.
    """
    lots: dict[tuple[str, str], Document] = {}
    for row in rows_of(connection, LOTS_SQL, supplier=supplier, start=start_us, end=end_us):
        tested = iso(row["started_us"], lab.zone)
        lot = lots.setdefault(
            (row["product"], row["lot"]),
            {"product": row["product"], "lot": row["lot"], "tested_at": tested, "verdicts": {}},
        )
        lot["verdicts"][row["characteristic"]] = row["verdict"]
    return list(lots.values())


def every_alert(connection: Connection, lab: Lab) -> list[Document]:
    """What every alert is about and how it stands, without its evidence: enough to count and to choose among thousands."""
    names = ("id", "kind", "grade", "state", "held_under", "supplier", "product", "characteristic")
    rows = rows_of(connection, f"SELECT {', '.join(names)}, raised_us FROM alert ORDER BY raised_us DESC, id")
    return [{**{name: row[name] for name in names}, "raised_at": iso(row["raised_us"], lab.zone)} for row in rows]


def alert_ids(connection: Connection, **names: str) -> list[str]:
    """The alerts about a supplier, or one of its streams."""
    where = " AND ".join(f"{name} = :{name}" for name in ("supplier", "product", "characteristic") if name in names)
    return [row["id"] for row in rows_of(connection, f"SELECT id FROM alert WHERE {where}", **names)]


def state_of(connection: Connection) -> tuple[object, ...]:
    """What changes whenever the board may have changed: the last round, whether it has ended, and the last entry."""
    return tuple(
        connection.execute(
            text("SELECT max(id), max(ended_us), count(ended_us), (SELECT max(id) FROM act) FROM round")
        ).one()
    )


def usual(connection: Connection, supplier: str, product: str) -> dict[str, Document]:
    """The control limits now in force in the streams of a product, by characteristic, in the unit."""
    rows = rows_of(
        connection,
        "SELECT s.characteristic, e.document FROM stream s JOIN evaluation e ON e.stream_id = s.id "
        "WHERE s.supplier = :supplier AND s.product = :product",
        supplier=supplier,
        product=product,
    )
    return {row["characteristic"]: json.loads(row["document"])["limits"] for row in rows}


EARLIER_SQL = """
SELECT t.characteristic, t.id AS stream_id, e.tested_us, e.specimen, e.reading, e.value, e.bound, e.written, e.line,
e.replaced_us, d.name AS file, n.name AS replaced_by
FROM earlier_value e JOIN stream t ON t.id = e.stream_id JOIN lot l ON l.id = e.lot_id
JOIN "drop" d ON d.id = e.drop_id JOIN "drop" n ON n.id = e.replaced_by_drop_id
WHERE l.supplier = :supplier AND l.lot = :lot ORDER BY e.id
"""


def earlier_values(connection: Connection, lab: Lab, supplier: str, lot_name: str) -> list[Document]:
    """What readings of a lot said before they were corrected, the oldest first."""
    names = ("characteristic", "specimen", "reading", "value", "bound", "written", "file", "line", "replaced_by")
    return [
        {
            **{name: row[name] for name in names},
            "unit": lab.characteristic(row["characteristic"]).unit,
            "tested_at": iso(row["tested_us"], lab.zone),
            "replaced_at": iso(row["replaced_us"], lab.zone),
        }
        for row in rows_of(connection, EARLIER_SQL, supplier=supplier, lot=lot_name)
    ]


def refused_rows(connection: Connection, lot_name: str) -> list[Document]:
    """Refused rows in which the lot's name is a cell: they may belong to it."""
    # Cells are kept as JSON: a row that lacks the name as written there is not even fetched.
    rows = rows_of(
        connection,
        'SELECT d.name AS file, r.line, r.reason, r.cells FROM refusal r JOIN "drop" d ON d.id = r.drop_id '
        "WHERE replace(r.cells, :cell, '') <> r.cells ORDER BY d.taken_us, r.line",
        cell=json.dumps(lot_name),
    )
    own = [row for row in rows if lot_name in json.loads(row["cells"])]
    return [{name: row[name] for name in ("file", "line", "reason")} for row in own]


def entries(connection: Connection, lab: Lab, subjects: Iterable[str]) -> dict[str, list[Document]]:
    """What people entered about each subject, the newest first."""
    found: dict[str, list[Document]] = {subject: [] for subject in subjects}
    if not found:
        return {}
    wanted = text("SELECT * FROM act WHERE subject IN :subjects ORDER BY id DESC").bindparams(
        bindparam("subjects", expanding=True)
    )
    for row in connection.execute(wanted, {"subjects": list(found)}).mappings():
        entry = {"at": iso(row["at_us"], lab.zone), "body": with_times(json.loads(row["body"]), lab)}
        found[row["subject"]].append({**entry, **{name: row[name] for name in ("who", "what", "reason")}})
    return found
