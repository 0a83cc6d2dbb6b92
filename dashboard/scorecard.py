"""The quarterly scorecard of a supplier: what was tested, how it stood, what moved.

One document holds every figure; each form (CSV, HTML) only lays it out.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, text

from dashboard import views
from ingest.errors import CallError
from ingest.lab import Lab
from ingest.stamps import microseconds

__all__ = ["Quarter", "document", "quarter"]

Document = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Quarter:
    """A calendar quarter in the lab's zone: from `start_us` up to, but not including, `end_us`."""

    name: str
    start_us: int
    end_us: int


def quarter(name: str, lab: Lab) -> Quarter:
    """The quarter called `name` (2026-Q3); CallError for anything else."""
    found = re.fullmatch(r"(\d{4})-Q([1-4])", name)
    if found is None:
        raise CallError(f'scorecard: expected a quarter like 2026-Q3, got "{name}"')
    year, number = int(found[1]), int(found[2])
    start = datetime(year, 3 * number - 2, 1, tzinfo=lab.zone)
    after = datetime(year + number // 4, 3 * number % 12 + 1, 1, tzinfo=lab.zone)
    return Quarter(name, microseconds(start), microseconds(after))


SESSIONS_SQL = """
SELECT t.supplier, t.product, t.characteristic, t.id AS stream_id, l.lot, s.readings, s.verdict, s.conditioning,
s.started_us, s.level_unit
FROM session s JOIN stream t ON t.id = s.stream_id JOIN lot l ON l.id = s.lot_id
WHERE s.started_us >= :start AND s.started_us < :end AND t.supplier = :supplier
ORDER BY t.product, t.characteristic, s.started_us, l.lot
"""


def document(connection: Connection, lab: Lab, supplier: str, name: str) -> Document:
    """Every figure of one supplier's scorecard; CallError where the supplier had no test in the quarter."""
    span = quarter(name, lab)
    rows = connection.execute(
        text(SESSIONS_SQL), {"supplier": supplier, "start": span.start_us, "end": span.end_us}
    ).mappings()
    by_stream: dict[int, list[Any]] = {}
    for row in rows:
        by_stream.setdefault(row["stream_id"], []).append(row)
    if not by_stream:
        raise CallError(f'scorecard: supplier "{supplier}" had no test in {name}; nothing was written')
    board = {(row["product"], row["characteristic"]): row for row in views.board(connection, lab) if row["supplier"] == supplier}
    alerts = [
        alert
        for alert in views.alerts(connection, lab, closed_too=True)
        if alert["supplier"] == supplier and span.start_us <= views.from_iso(alert["raised_at"]) < span.end_us
    ]
    return {
        "lab": lab.name,
        "supplier": supplier,
        "quarter": name,
        "streams": [_stream(own, board[own[0]["product"], own[0]["characteristic"]], alerts) for own in by_stream.values()],
        "alerts": alerts,
    }


def _stream(sessions: list[Any], board: Document, alerts: list[Document]) -> Document:
    """One stream of the quarter. A lot counts once, by its first valid session; invalid tests count against nobody."""
    first: dict[str, Any] = {}
    for session in sessions:
        held = first.get(session["lot"])
        if held is None or (held["verdict"] == "invalid" and session["verdict"] != "invalid"):
            first[session["lot"]] = session
    verdicts = [session["verdict"] for session in first.values()]
    names = ("product", "characteristic")
    own = [alert for alert in alerts if all(alert[key] == board[key] for key in names)]
    charged = [alert for alert in own if alert["held_under"] is None]
    return {
        **{key: board[key] for key in ("supplier", "product", "characteristic", "unit")},
        "lots": len(first),
        "readings": sum(session["readings"] for session in sessions),
        **{word: verdicts.count(word) for word in ("pass", "fail", "undecided", "invalid", "unlimited")},
        **{key: board[key] for key in ("level", "limit_lower", "limit_upper", "change_percent_per_month")},
        **{key: board[key] for key in ("breach_probability", "ppk", "ppk_lower", "state")},
        "alerts": len(charged),
        "explained_by_bench": len(own) - len(charged),
    }


def suppliers_in(connection: Connection, lab: Lab, name: str) -> list[str]:
    """Suppliers with a test in the quarter, check standards left out; CallError where there is none."""
    span = quarter(name, lab)
    rows = connection.execute(
        text(
            "SELECT DISTINCT t.supplier, t.product FROM session s JOIN stream t ON t.id = s.stream_id "
            "WHERE s.started_us >= :start AND s.started_us < :end ORDER BY t.supplier"
        ),
        {"start": span.start_us, "end": span.end_us},
    )
    found = dict.fromkeys(row[0] for row in rows if not lab.is_check_standard(row[0], row[1]))
    if not found:
        raise CallError(f"scorecard: no test in {name}; nothing was written")
    return list(found)
