"""The evidence for an audit: what a bundle is about, and which sessions, alerts and entries belong to it.

A bundle is about one lot, or about a quarter (of one supplier, or of all). The tests in it are chosen here once; the tables
of `evidencetables` are all drawn from that choice.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from hashlib import sha256
from typing import Any

from sqlalchemy import Connection, Row, text

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
    """What a bundle is about.

    `where` is a condition on session `s`, stream `t` and lot `l`, with its `values`; `span` are the first and the last
    moment of a quarter, None for a lot. `whole` says that no supplier was chosen, so that the bench belongs to it too.
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
        file_name=f"evidence-lot-{_plain(lot)}-{_mark(supplier, lot)}.zip",
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
        file_name=f"evidence-{name}" + ("" if whole else f"-{_plain(str(supplier))}-{_mark(str(supplier))}") + ".zip",
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


def _plain(name: str) -> str:
    """Letters, digits and hyphens of a name: nothing that could lead out of a folder or break a header."""
    spelt = "".join(c if c.isascii() and c.isalnum() else "-" for c in name)
    return "-".join(part for part in spelt.split("-") if part)[:60] or "name"


def _mark(*names: str) -> str:
    """Tells apart names that are spelt alike once they are plain."""
    return sha256(json.dumps(names).encode()).hexdigest()[:8]


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
    """Alerts whose evidence reaches into the time of the tests, and the bench alerts by which some are explained."""
    belongs = _belongs(connection, scope)
    found: set[str] = set()
    for row in connection.execute(text(ALERT_SQL), execution_options={"yield_per": 500}):
        if belongs(row):
            found |= {row.id} if row.held_under is None else {row.id, row.held_under}
    return found


def _belongs(connection: Connection, scope: Scope) -> Callable[[Row[Any]], bool]:
    spans = {one.id: scope.span or (one.first_us, one.last_us) for one in streams(connection, scope)}
    lot = None if scope.quarter else (scope.values["supplier"], scope.values["lot"])

    def belongs(row: Row[Any]) -> bool:
        if (row.supplier, row.lot) == lot:
            return True
        own = spans.get(row.stream_id, scope.span if scope.whole else None)
        return own is not None and _overlap(own, _evidence_span(row))

    return belongs


def _evidence_span(row: Row[Any]) -> Span:
    told = json.loads(row.evidence)
    times = (row.raised_us, told.get("since_us"), told.get("latest_tested_us"))
    known = [moment for moment in times if moment is not None]
    return min(known), max(known)


def _overlap(one: Span, other: Span) -> bool:
    return one[0] <= other[1] and other[0] <= one[1]


def subjects(connection: Connection, scope: Scope, alerts: set[str]) -> set[str]:
    """What people's entries can be about in this bundle: its streams, limits, lots and alerts."""
    found = {str(Subject.alert(alert)) for alert in alerts}
    for one in streams(connection, scope):
        found.add(str(Subject.stream(one.supplier, one.product, one.characteristic)))
        found.add(str(Subject.limit(one.product, one.characteristic)))
    lots = connection.execute(text(f"SELECT DISTINCT l.supplier, l.lot FROM {TESTS} WHERE {scope.where}"), scope.values)
    return found | {str(Subject.lot(supplier, lot)) for supplier, lot in lots}
