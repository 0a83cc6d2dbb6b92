"""The test report of a lot: drawn up by the program from stored figures, issued by a person with name and number.

An issued report is kept whole in the audit log, so that it gives the same bytes again whatever is stored later. A number is
never used twice; an amended report names the one that it replaces.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import Connection

from ingest.audit.audit_log import AuditEntry, record
from ingest.audit.subjects import Subject
from ingest.common.errors import CallError
from ingest.common.instants import microseconds
from ingest.common.json_text import from_json
from ingest.common.text import printable
from ingest.config.lab import Lab
from ingest.documents.lot import LotDocument, Reading, Session
from ingest.documents.served import iso
from ingest.documents.verdict.report import ReportEntries, ReportReading, ReportSession, ReportStatistics, TestReport
from ingest.store.last_round import last_round
from ingest.verdict.report_evidence import chamber_record, deviations, equipment
from spc.lot_statistics import describe
from spc.vocabulary.enums import Scale

__all__ = ["ISSUE_REPORT", "NO_ENTRIES", "draft", "issue", "issued", "issued_numbers"]

ISSUE_REPORT = "issue report"
LONGEST = 600
LONGEST_NUMBER = 40
NO_ENTRIES: ReportEntries = {
    "number": "",
    "issued_by": "",
    "authorisation": "",
    "customer": "",
    "state": "",
    "sampling": "",
    "deviations": "",
    "replaces": "",
    "changes": "",
}


def draft(connection: Connection, lab: Lab, lot: LotDocument, characteristic: str = "") -> TestReport:
    """The report as it would be issued now; CallError where the lot has no test of the characteristic."""
    sessions = [one for one in lot["sessions"] if characteristic in ("", one["characteristic"])]
    if not sessions:
        raise CallError(f"report: lot {lot['lot']} has no test of {characteristic}; lotdrift lot shows its tests")
    drawn_up = last_round(connection)
    ordered = sorted(sessions, key=lambda one: (one["product"], one["characteristic"], one["tested_at"]))
    lots = {
        product: int(number)
        for number, product in connection.exec_driver_sql(
            "SELECT id, product FROM lot WHERE supplier = ? AND lot = ?", (lot["supplier"], lot["lot"])
        )
    }
    return {
        "lab": lab.name,
        "address": lab.address,
        "supplier": lot["supplier"],
        "product": lot["product"],
        "lot": lot["lot"],
        "received_on": lot["received_on"],
        "made_on": lot["made_on"],
        "drawn_up_at": iso(drawn_up or 0, lab.zone),
        "issued_at": None,
        "entries": NO_ENTRIES,
        "sessions": [
            _session(
                connection, lab, one, lots[one["product"]], [other for other in ordered[:place] if _same(other, one)]
            )
            for place, one in enumerate(ordered)
        ],
    }


def issue(connection: Connection, lab: Lab, drawn: TestReport, entries: ReportEntries, now: datetime) -> TestReport:
    """Record a report as issued.

    Raises
    ------
    CallError
        Where the name, the authorisation or the number is blank, the number was used before, or the report that it replaces
        does not exist.
    """
    cleaned = {name: printable(str(text).strip()) for name, text in entries.items()}
    for name, text in cleaned.items():
        if len(text) > (LONGEST_NUMBER if name in ("number", "replaces") else LONGEST):
            raise CallError(
                f"report: {name} is too long; write at most {LONGEST} characters, a number at most {LONGEST_NUMBER}"
            )
    number, replaces = cleaned["number"], cleaned["replaces"]
    if not number:
        raise CallError("report: an issued report needs a number, such as --number 2026-017")
    numbers = {one["entries"]["number"]: one for one in _all(connection)}
    if number in numbers:
        raise CallError(f"report: number {number} was issued before; a number is never used again")
    if replaces:
        earlier = numbers.get(replaces)
        if earlier is None or (earlier["supplier"], earlier["lot"]) != (drawn["supplier"], drawn["lot"]):
            raise CallError(
                f"report: no report {replaces} of lot {drawn['lot']} was issued; give the number that it replaces"
            )
        later = next((one for one in numbers.values() if one["entries"]["replaces"] == replaces), None)
        if later is not None:
            raise CallError(
                f"report: report {replaces} was replaced by {later['entries']['number']}; give the number of that one"
            )
        if not cleaned["changes"]:
            raise CallError(f"report: say what changed against report {replaces}")
    report: TestReport = {
        **drawn,
        "issued_at": iso(microseconds(now), lab.zone),
        "entries": {**NO_ENTRIES, **cleaned},  # type: ignore[typeddict-item]  # the keys of its type
    }
    subject = Subject.report(drawn["supplier"], drawn["lot"], number)
    body = {"number": number, "report": json.dumps(report, ensure_ascii=False)}
    if replaces:
        body["replaces"] = replaces
    record(
        connection,
        AuditEntry(now, cleaned["issued_by"], ISSUE_REPORT, subject, cleaned["authorisation"], body),  # type: ignore[arg-type]
    )
    return report


def issued(connection: Connection, supplier: str, lot: str, number: str) -> TestReport:
    """An issued report, as it was issued; CallError where there is none."""
    result = next((one for one in _of_lot(connection, supplier, lot) if one["entries"]["number"] == number), None)
    if result is None:
        raise CallError(f"report: no report {number} of lot {lot} was issued")
    return result


def issued_numbers(connection: Connection, supplier: str, lot: str) -> list[TestReport]:
    """The issued reports of a lot, the oldest first."""
    return _of_lot(connection, supplier, lot)


def _all(connection: Connection) -> list[TestReport]:
    rows = connection.exec_driver_sql("SELECT body FROM act WHERE what = ? ORDER BY id", (ISSUE_REPORT,))
    return [from_json(from_json(body)["report"]) for (body,) in rows]


def _of_lot(connection: Connection, supplier: str, lot: str) -> list[TestReport]:
    return [one for one in _all(connection) if (one["supplier"], one["lot"]) == (supplier, lot)]


def _same(one: Session, other: Session) -> bool:
    return (one["product"], one["characteristic"]) == (other["product"], other["characteristic"])


def _session(connection: Connection, lab: Lab, session: Session, lot_id: int, earlier: list[Session]) -> ReportSession:
    declared, result = lab.characteristic(session["characteristic"]), session["conformity"]
    needed = lab.conditioning_for(session["characteristic"])
    conditioning, valid = session["conditioning"], session["verdict"] != "invalid"
    stated = result if valid and session["verdict"] != "unlimited" else None
    return {
        "characteristic": session["characteristic"],
        "method": declared.method,
        "unit": session["unit"],
        "scale": session["scale"],
        "tested_at": session["tested_at"],
        "ended_at": session["ended_at"],
        "chamber": session["chamber"],
        "instrument": " and ".join(session["bench"]["instruments"]),
        "load": session["load"],
        "operators": sorted({one["operator"] for one in session["readings"] if one["operator"]}),
        "conditioning": conditioning["state"],
        "hours": conditioning["hours"],
        "humidity_min": conditioning["humidity_min"],
        "humidity_max": conditioning["humidity_max"],
        "required": "none"
        if needed is None
        else (
            f"{needed.hours:g} h at {needed.humidity_percent:g} ± {needed.humidity_tolerance:g} % RH and "
            f"{needed.temperature_c:g} ± {needed.temperature_tolerance_c:g} °C"
        ),
        "valid": valid,
        "judged_by": session["judged_by"],
        "judged": session["judged"],
        "limit_lower": session["limit_lower"],
        "limit_upper": session["limit_upper"],
        "limit_document": session["limit_document"],
        "verdict": session["verdict"],
        "bag_count": session["bag_count"],
        "outside_control_limits": session["outside_control_limits"],
        "rule": stated["rule"] if stated else None,
        "accept_lower": stated["accept_lower"] if stated else None,
        "accept_upper": stated["accept_upper"] if stated else None,
        "p": stated["p"] if stated else None,
        "p_low": stated["p_low"] if stated else None,
        "p_high": stated["p_high"] if stated else None,
        "u": stated["u"] if stated else None,
        "u_high": stated["u_high"] if stated else None,
        "parts": stated["parts"] if stated else None,
        "bench": stated["bench"] if stated else None,
        "bench_df": stated["bench_df"] if stated else None,
        "expanded": _expanded(session["level"], stated["u"], session["scale"]) if stated else None,
        "equipment": equipment(connection, lab, session),
        "chamber_record": chamber_record(connection, lab, session, lot_id),
        "statistics": _statistics(session["readings"]),
        "deviations": deviations(connection, lab, session, lot_id, earlier),
        "readings": [_reading(one) for one in session["readings"]],
    }


def _expanded(level: float | None, u: float | None, scale: Scale) -> tuple[float, float] | None:
    """The ends of the level by its expanded uncertainty (k = 2), in the unit; None where either is not known."""
    if level is None or u is None:
        return None
    return (level * math.exp(-2 * u), level * math.exp(2 * u)) if scale == Scale.LOG else (level - 2 * u, level + 2 * u)


def _statistics(readings: Sequence[Reading]) -> ReportStatistics:
    measured = [one for one in readings if one["bound"] == 0]
    bounded = len(readings) - len(measured)
    if not measured:
        return {
            "bags": len({one["specimen"] for one in readings}),
            "readings": len(readings),
            "bounded": bounded,
            "minimum": None,
            "maximum": None,
            "median": None,
            "mean": None,
            "mean_low": None,
            "mean_high": None,
            "geometric_mean": None,
            "geometric_low": None,
            "geometric_high": None,
            "sd_bags": None,
            "sd_within": None,
        }
    result = describe([one["value"] for one in measured], [one["specimen"] for one in measured])
    # A mean over the measured readings alone would leave out the ones beyond the range.
    whole = bounded == 0
    return {
        "bags": len({one["specimen"] for one in readings}),
        "readings": len(readings),
        "bounded": bounded,
        "minimum": result.minimum,
        "maximum": result.maximum,
        "median": result.median if whole else None,
        "mean": result.mean if whole else None,
        "mean_low": result.mean_low if whole else None,
        "mean_high": result.mean_high if whole else None,
        "geometric_mean": result.geometric_mean if whole else None,
        "geometric_low": result.geometric_low if whole else None,
        "geometric_high": result.geometric_high if whole else None,
        "sd_bags": result.sd_bags if whole else None,
        "sd_within": result.sd_within if whole else None,
    }


def _reading(one: Reading) -> ReportReading:
    return {
        "specimen": one["specimen"],
        "reading": one["reading"],
        "value": one["value"],
        "bound": one["bound"],
        "written": one["written"],
    }
