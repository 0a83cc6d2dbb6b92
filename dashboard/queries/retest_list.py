"""The lots to test again and the chambers to wait for, read from what the round derived."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Connection, text

from dashboard.queries.stored_documents import rows_of
from dashboard.text.retest_text import to_do
from ingest.audit.subjects import Subject
from ingest.common.instants import from_microseconds, microseconds
from ingest.config.lab import Lab
from ingest.decisions.responses import ENDS_RETEST, RETEST
from ingest.documents.bench.ready import ReadyLoad
from ingest.documents.retest import ChamberState, Retest
from ingest.documents.served import iso
from ingest.sessions.chamber_rules import is_silent, rule_of
from ingest.store.last_round import last_round

__all__ = ["chamber_states", "retests"]

RETESTS_SQL = """
SELECT t.supplier, t.product, t.characteristic, l.lot, r.reason, r.since_us, r.last_us, r.sessions, c.text AS chamber
FROM retest r JOIN stream t ON t.id = r.stream_id JOIN lot l ON l.id = r.lot_id JOIN session s ON s.id = r.session_id
LEFT JOIN label c ON c.id = s.chamber_id ORDER BY r.since_us DESC, t.supplier, t.product, l.lot, t.characteristic
"""


def retests(connection: Connection, lab: Lab) -> list[Retest]:
    """The lots to test again, the newest first: the document of `lotdrift retest`.

    A lot about which a person has decided since its last test is left out.
    """
    rows = rows_of(connection, RETESTS_SQL)
    waiting = _waiting(connection, lab) if rows else {}
    decided = _decided(connection) if rows else {}
    return [
        {
            "supplier": row["supplier"],
            "product": row["product"],
            "characteristic": row["characteristic"],
            "lot": row["lot"],
            "reason": row["reason"],
            "since_at": iso(row["since_us"], lab.zone),
            "last_tested_at": iso(row["last_us"], lab.zone),
            "sessions": row["sessions"],
            "chamber": row["chamber"] or "",
            "to_do": to_do(
                row["reason"],
                rule.hours if (rule := lab.conditioning_for(row["characteristic"])) else None,
                waiting.get((row["supplier"], row["lot"])) if rule else None,
            ),
            "load": one["load"] if (one := waiting.get((row["supplier"], row["lot"]))) and rule else None,
            "not_before_at": one["ready_at"] if one and rule else None,
        }
        for row in rows
        if decided.get(str(Subject.lot(row["supplier"], row["lot"])), 0) <= row["last_us"]
    ]


def _waiting(connection: Connection, lab: Lab) -> dict[tuple[str, str], ReadyLoad]:
    """The loads that are not ready at the time of the last round, by the lots in them."""
    looked_at = last_round(connection)
    if looked_at is None or connection.exec_driver_sql("SELECT 1 FROM load_event LIMIT 1").first() is None:
        return {}
    # Imported here: a list without loads needs no numerical libraries.
    from ingest.sessions.ready import ready

    return {
        (lot["supplier"], lot["lot"]): load
        for chamber in ready(connection, lab, from_microseconds(looked_at))["chambers"]
        for load in chamber["loads"]
        if load["state"] != "ready"
        for lot in load["lots"]
    }


def _decided(connection: Connection) -> dict[str, int]:
    """When a person last made a retest needless, by the subject of the lot; 0 where the lot is to be tested after all."""
    moments: dict[str, int] = {}
    marks = ", ".join(f":{number}" for number in range(len(ENDS_RETEST) + 1))
    values = {str(number): what for number, what in enumerate((*ENDS_RETEST, RETEST))}
    query = text(f"SELECT subject, what, at_us FROM act WHERE subject LIKE 'lot:%' AND what IN ({marks}) ORDER BY id")
    for subject, what, at_us in connection.execute(query, values):
        moments[subject] = 0 if what == RETEST else at_us
    return moments


def chamber_states(connection: Connection, lab: Lab, now: datetime) -> list[ChamberState]:
    """Each chamber that has a log: ready where the hours are over at the time of the last round, silent by its last entry at `now`."""
    looked_at = last_round(connection) or 0
    now_us = microseconds(now)
    rows = rows_of(
        connection,
        "SELECT s.*, c.text AS name FROM chamber_state s JOIN label c ON c.id = s.chamber_id ORDER BY c.text",
    )
    return [
        {
            "name": row["name"],
            "state": row["state"],
            "hours": row["hours"],
            "last_at": iso(row["last_us"], lab.zone),
            "began_at": iso(row["began_us"], lab.zone),
            "back_at": iso(row["back_us"], lab.zone),
            "valid_from_at": iso(row["valid_from_us"], lab.zone),
            "ready": row["valid_from_us"] is not None and row["valid_from_us"] <= looked_at,
            "silent": rule is not None and is_silent(row["last_us"], now_us, rule),
        }
        for row in rows
        for rule in (rule_of(connection, lab, row["chamber_id"], row["name"]),)
    ]
