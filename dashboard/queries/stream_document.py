"""The document of `lotdrift stream`: one stream, lot by lot. No figure is computed here."""

from __future__ import annotations

from sqlalchemy import Connection

from dashboard.queries.stored_documents import rows_of
from ingest.alerts.bench_marks import marks_of_stream
from ingest.audit.limit_entries import with_entered_limits
from ingest.common.errors import NotFoundError
from ingest.common.json_text import from_json
from ingest.config.lab import Lab
from ingest.config.rule_history import rule_step_document
from ingest.decisions.rule_risks import decision_risks
from ingest.documents.bench.bench_mark import BenchMark
from ingest.documents.served import iso, served
from ingest.documents.stream import Point, StoredPoint, StoredStream, StreamDocument
from ingest.documents.verdict.bag_count import BagCount
from ingest.documents.verdict.conformity import RuleStep
from ingest.evaluation.bag_counts import bag_counts_of_stream
from ingest.evaluation.humidity_effect import humidity_of

__all__ = ["point", "rule_steps", "stream"]


def stream(connection: Connection, lab: Lab, supplier: str, product: str, characteristic: str) -> StreamDocument:
    """One stream, lot by lot: the document of `lotdrift stream`; CallError if there is no such stream."""
    rows = rows_of(
        connection,
        "SELECT s.id, e.document FROM stream s JOIN evaluation e ON e.stream_id = s.id "
        "WHERE s.supplier = :supplier AND s.product = :product AND s.characteristic = :characteristic",
        supplier=supplier,
        product=product,
        characteristic=characteristic,
    )
    if not rows:
        raise NotFoundError(
            "stream",
            f'there is none for supplier "{supplier}", product "{product}", characteristic "{characteristic}"',
            "lotdrift board lists them all",
        )
    points = rows_of(
        connection,
        "SELECT session_id, tested_us, document FROM point WHERE stream_id = :id ORDER BY ordinal",
        id=rows[0]["id"],
    )
    marks = marks_of_stream(connection, lab, rows[0]["id"])
    bags = bag_counts_of_stream(connection, rows[0]["id"])
    stored: StoredStream = from_json(rows[0]["document"])
    humidity, adjusted = humidity_of(connection, lab, rows[0]["id"])
    return {
        "supplier": supplier,
        "product": product,
        "characteristic": characteristic,
        **served(stored, lab.zone),
        "humidity": humidity,
        "decision_rules": rule_steps(with_entered_limits(connection, lab), characteristic),
        "decision": decision_risks(
            connection, with_entered_limits(connection, lab), rows[0]["id"], product, characteristic
        ),
        "points": [
            point(
                row["tested_us"],
                from_json(row["document"]),
                level,
                marks.get(row["session_id"], []),
                bags.get(row["session_id"]),
                lab,
            )
            for row, level in zip(points, adjusted, strict=True)
        ],
    }


def rule_steps(lab: Lab, characteristic: str) -> list[RuleStep]:
    """The decision rules of a characteristic over time; `lab` includes those that people entered."""
    return [served(rule_step_document(step), lab.zone) for step in lab.rule_steps(characteristic)]


def point(
    tested_us: int,
    stored: StoredPoint,
    adjusted_level: float | None,
    marks: list[BenchMark],
    bags: BagCount | None,
    lab: Lab,
) -> Point:
    """A point of a chart as a page shows it."""
    return {
        "tested_at": iso(tested_us, lab.zone),
        **stored,
        "adjusted_level": adjusted_level,
        "bench_findings": marks,
        "bag_count": bags,
    }
