"""What a person may decide on a lot, as the audit log keeps it, and the lots of an alert that wait for a decision."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from sqlalchemy import Connection

from ingest.audit.subjects import Subject
from ingest.store.dialect import among
from spc.vocabulary.enums import Kind, Verdict

__all__ = ["HOLD", "LOT_DECISIONS", "RETURN", "LotAlert", "decided_lots", "decisions_on_lots"]

HOLD, RETURN = "hold", "return"
LOT_DECISIONS = (HOLD, "release", RETURN, "use as is")
# Alerts about single lots: a decision on the lot answers them. Every other kind is about the stream.
ABOUT_LOTS = (Kind.LIMIT, Kind.POINT)

# The lots that an alert names, and those of the same verdict between them. The first valid test is the point of a lot; a decision
# has to follow its last test.
LOTS_SQL = """
SELECT l.supplier, l.lot, (SELECT max(n.started_us) FROM session n WHERE n.stream_id = p.stream_id AND n.lot_id = s.lot_id)
FROM point p JOIN session s ON s.id = p.session_id JOIN lot l ON l.id = s.lot_id
WHERE p.stream_id = ? AND p.tested_us BETWEEN ? AND ? AND s.conditioning = 'valid'
AND (p.tested_us = ? OR p.tested_us = ? OR s.verdict = ?) ORDER BY p.tested_us, l.lot
"""
DECIDED_SQL = "SELECT subject, max(at_us) FROM act WHERE subject IN {subjects} AND what IN ({what}) GROUP BY subject"


class LotAlert(NamedTuple):
    """The stream of an alert and the moment of the test that raised it."""

    stream_id: int
    raised_us: int


def decisions_on_lots(connection: Connection, alert: LotAlert, evidence: Mapping[str, Any]) -> dict[str, int | None]:
    """The lots that an alert is about, the oldest first, each with the moment of the decision since its last test.

    Empty where no decision on a lot answers the alert: it is about the stream, or it has ended. A lot without a decision
    since its last test has the moment None.
    """
    if evidence.get("what") not in ABOUT_LOTS or "latest_tested_us" not in evidence or evidence.get("closed_because"):
        return {}
    latest_us = evidence["latest_tested_us"]
    verdict = {"limit": Verdict.FAIL, "undecided": Verdict.UNDECIDED}.get(evidence["form"], "")
    ends = (alert.raised_us, latest_us)
    rows = connection.exec_driver_sql(LOTS_SQL, (alert.stream_id, *ends, *ends, str(verdict))).fetchall()
    if not rows:
        return {}
    decided = decided_lots(connection, [(supplier, lot) for supplier, lot, _ in rows])
    return {
        str(lot): at_us if (at_us := decided.get((supplier, lot))) is not None and at_us >= last_us else None
        for supplier, lot, last_us in rows
    }


def decided_lots(connection: Connection, lots: Sequence[tuple[str, str]]) -> dict[tuple[str, str], int]:
    """The moment of the last decision on each of these lots (supplier, lot); a lot without one is left out."""
    subjects = {str(Subject.lot(*lot)): lot for lot in lots}
    if not subjects:
        return {}
    keys, values = among(connection, [(subject,) for subject in subjects])
    marks = ", ".join("?" * len(LOT_DECISIONS))
    rows = connection.exec_driver_sql(DECIDED_SQL.format(subjects=keys, what=marks), (*values, *LOT_DECISIONS))
    return {subjects[subject]: int(at_us) for subject, at_us in rows}
