"""The scope of an evidence bundle: which sessions, alerts and entries belong to it.

A bundle covers one lot, or a quarter of one supplier or of all. Its tests are chosen here once; all tables are read from that
choice.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, text

from dashboard.text.file_names import MOST_CHARACTERS, distinguishing_mark, plain_name
from ingest.audit.subjects import Subject
from ingest.common.errors import CallError
from ingest.config.lab import Lab
from ingest.quarter.lots import quarter

__all__ = ["Scope", "Stream", "alert_ids", "of_lot", "of_quarter", "streams", "subjects"]

Span = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Stream:
    """A stream with tests in the bundle; `first_us` and `last_us` are when its tests began and ended."""

    id: int
    supplier: str
    product: str
    characteristic: str
    first_us: int
    last_us: int


@dataclass(frozen=True, slots=True)
class Scope:
    """What a bundle covers.

    `where` is a condition on session `s`, stream `t` and lot `l`, with its `values`. `span` is the first and the last moment
    of a quarter, None for a lot. With `whole` no supplier was chosen, so the bench belongs to it too.
    """

    title: str
    file_name: str
    where: str
    values: Mapping[str, Any]
    span: Span | None = None
    quarter: str = ""
    supplier: str = ""
    whole: bool = False


def of_lot(connection: Connection, supplier: str, lot: str) -> Scope:
    """All tests of a lot; CallError where there is none."""
    scope = Scope(
        title=f"Lot {lot} of {supplier}",
        file_name=f"evidence-lot-{_file_part(lot)}-{_mark(supplier, lot)}.zip",
        where="l.supplier = :supplier AND l.lot = :lot",
        values={"supplier": supplier, "lot": lot},
        supplier=supplier,
    )
    if not streams(connection, scope):
        raise CallError(
            f'evidence: supplier "{supplier}" has no lot "{lot}"; lotdrift board lists the suppliers and lots, nothing was written'
        )
    return scope


def of_quarter(connection: Connection, lab: Lab, name: str, supplier: str | None = None) -> Scope:
    """All tests of a quarter, or those of one supplier's lots; CallError where there is none."""
    span = quarter(name, lab)
    whole = supplier is None
    scope = Scope(
        title=f"Quarter {name}" + ("" if whole else f", {supplier}"),
        file_name=f"evidence-{name}"
        + ("" if whole else f"-{_file_part(str(supplier))}-{_mark(str(supplier))}")
        + ".zip",
        where="s.started_us >= :start AND s.started_us < :stop" + ("" if whole else " AND t.supplier = :supplier"),
        values={"start": span.start_us, "stop": span.end_us} | ({} if whole else {"supplier": supplier}),
        span=(span.start_us, span.end_us - 1),
        quarter=name,
        supplier=supplier or "",
        whole=whole,
    )
    if not streams(connection, scope):
        missing = "nobody had a test" if whole else f'supplier "{supplier}" had no test'
        raise CallError(f"evidence: {missing} in {name}; nothing was written")
    return scope


def _file_part(name: str) -> str:
    return plain_name(name)[:MOST_CHARACTERS] or "name"


def _mark(*names: str) -> str:
    return distinguishing_mark(json.dumps(names))


# What belongs to it

TESTS = "session s JOIN stream t ON t.id = s.stream_id JOIN lot l ON l.id = s.lot_id"


def streams(connection: Connection, scope: Scope) -> list[Stream]:
    """The streams that were tested, by supplier, product and characteristic."""
    rows = connection.execute(
        text(
            "SELECT t.id, t.supplier, t.product, t.characteristic, min(s.started_us), max(s.ended_us) "
            f"FROM {TESTS} WHERE {scope.where} GROUP BY t.id, t.supplier, t.product, t.characteristic "
            "ORDER BY t.supplier, t.product, t.characteristic"
        ),
        scope.values,
    )
    return [Stream(*row) for row in rows]


ALERT_SQL = "SELECT id, stream_id, supplier, lot, raised_us, evidence, held_under FROM alert ORDER BY raised_us, id"


def alert_ids(connection: Connection, scope: Scope) -> set[str]:
    """Alerts on the lot, alerts whose evidence overlaps the time of the tests, and the bench alerts that explain some or in whose weeks a test was made."""
    spans = {one.id: scope.span or (one.first_us, one.last_us) for one in streams(connection, scope)}
    lot = None if scope.quarter else (scope.values["supplier"], scope.values["lot"])
    ids: set[str] = set()
    for row in connection.execute(text(ALERT_SQL), execution_options={"yield_per": 500}):
        span, evidence = spans.get(row.stream_id, scope.span if scope.whole else None), _evidence_span(row)
        overlaps = span is not None and span[0] <= evidence[1] and evidence[0] <= span[1]
        if overlaps or (row.supplier, row.lot) == lot:
            ids |= {row.id} if row.held_under is None else {row.id, row.held_under}
    findings = f"SELECT DISTINCT b.alert FROM {TESTS} JOIN bench_share b ON b.session_id = s.id WHERE {scope.where}"
    return ids | set(connection.execute(text(findings), scope.values).scalars())


def _evidence_span(row: Row[Any]) -> Span:
    evidence = json.loads(row.evidence)
    times = (row.raised_us, evidence.get("since_us"), evidence.get("latest_tested_us"))
    stated = [moment for moment in times if moment is not None]
    return min(stated), max(stated)


def subjects(connection: Connection, scope: Scope, alerts: set[str]) -> set[str]:
    """What people's entries can be about in this bundle: its streams, limits, lots and alerts."""
    found = {str(Subject.alert(alert)) for alert in alerts}
    for one in streams(connection, scope):
        found.add(str(Subject.stream(one.supplier, one.product, one.characteristic)))
        found.add(str(Subject.limit(one.product, one.characteristic)))
        found.add(str(Subject.decision(one.characteristic)))
    lots = connection.execute(text(f"SELECT DISTINCT l.supplier, l.lot FROM {TESTS} WHERE {scope.where}"), scope.values)
    return found | {str(Subject.lot(supplier, lot)) for supplier, lot in lots}
