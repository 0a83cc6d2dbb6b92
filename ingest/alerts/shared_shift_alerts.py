"""Alerts about shared shifts: several suppliers, or the check standards, moved together, so the bench did."""

from __future__ import annotations

import dataclasses
import json
from typing import cast

import numpy as np
from sqlalchemy import Connection, select

from ingest.alerts.attribution import attribute_explained
from ingest.alerts.bench_shares import WeeksOff, update_bench_shares, weeks_off
from ingest.alerts.chamber_log import ChamberLog, compare_logs
from ingest.alerts.shared_shift_points import points_since
from ingest.common.instants import WEEK_US, day_text, weeks_to_us
from ingest.config.lab import Lab
from ingest.documents.alert import BenchShift, HumidityChange, StoredBenchEvidence
from ingest.documents.fields import Direction
from ingest.evaluation.alert_text import NOT_SHOWN, bench_message, suspect_named
from ingest.evaluation.reference_scores import CHANGED_FROM, changed_from
from ingest.evaluation.stored_results import number
from ingest.evaluation.stream_alerts import TAKE_BACK_FINDING, Alert, alert_id, write_alerts
from ingest.store import schema
from ingest.store.store import get_meta, put_meta
from spc.shared_shift.finding import Finding, Size, as_of
from spc.shared_shift.search import shared_shifts
from spc.vocabulary.enums import Grade, Kind

__all__ = ["FALSE_FINDINGS_PER_YEAR", "FINDINGS", "TAKEN_BACK", "known_findings", "update_shared_shift_alerts"]

# What the search needs before the first day that it looks at again.
REACH_WEEKS = 60.0
QUARTER_WEEKS = 13
FINDINGS, TAKEN_BACK = "bench_findings", "bench_findings_taken_back"
FALSE_FINDINGS_PER_YEAR = 1.0


def update_shared_shift_alerts(connection: Connection, lab: Lab, evaluated: set[int]) -> list[str]:
    """Search where points are new, write the alerts and attribute what they explain.

    `evaluated` are the streams whose alerts this round has written again. Returns the ids of the bench alerts that are new
    and of the alerts that are the supplier's again.
    """
    earlier, changed_us = _stored_findings(connection), changed_from(connection)
    findings = _searched(connection, lab, earlier)
    put_meta(connection, FINDINGS, json.dumps([dataclasses.asdict(finding) for finding in findings]))
    logs = compare_logs(connection, lab, {_id(finding): finding for finding in findings}, changed_us)
    alerts = [_alert(connection, lab, finding, logs.get(_id(finding))) for finding in findings]
    before = set(
        connection.exec_driver_sql(
            "SELECT id FROM alert WHERE kind = 'bench' AND stream_id IS NULL AND id NOT LIKE 'check%'"
        ).scalars()
    )
    connection.exec_driver_sql("DELETE FROM alert WHERE kind = 'bench' AND stream_id IS NULL AND id NOT LIKE 'check%'")
    write_alerts(connection, alerts)
    taken_back = sorted(_taken_back(connection))
    named = [(alert.id, finding) for alert, finding in zip(alerts, findings, strict=True) if alert.id not in taken_back]
    only: set[int] | None = evaluated
    if findings != earlier or json.loads(get_meta(connection, TAKEN_BACK) or "[]") != taken_back:
        only = None
        put_meta(connection, TAKEN_BACK, json.dumps(taken_back))
    update_bench_shares(connection, lab, named, only)
    raised_again = attribute_explained(connection, lab, named, only)
    return [alert.id for alert in alerts if alert.id not in before] + raised_again


def known_findings(connection: Connection) -> list[Finding]:
    """The shared shifts that the last search found, without those that a person took back."""
    taken_back = _taken_back(connection)
    return [finding for finding in _stored_findings(connection) if _id(finding) not in taken_back]


def _taken_back(connection: Connection) -> set[str]:
    """The alerts of the findings that a person took back and did not open again."""
    rows = connection.exec_driver_sql(
        "SELECT subject, what FROM act WHERE what IN (?, 'open again') ORDER BY id",
        (TAKE_BACK_FINDING,),
    )
    last = {subject.removeprefix("alert:"): what for subject, what in rows}
    return {alert for alert, what in last.items() if what == TAKE_BACK_FINDING}


def _stored_findings(connection: Connection) -> list[Finding]:
    stored = json.loads(get_meta(connection, FINDINGS) or "[]")
    return [
        Finding(
            **{
                **document,
                "sizes": {name: Size(**size) for name, size in document["sizes"].items()},
                **{name: tuple(document[name]) for name in ("first_named", "apart", "explained", "alternatives")},
                "rivals": tuple(tuple(label) for label in document["rivals"]),
            }
        )
        for document in stored
    ]


def _searched(connection: Connection, lab: Lab, earlier: list[Finding]) -> list[Finding]:
    first = changed_from(connection)
    if first is None:
        return earlier
    connection.exec_driver_sql("DELETE FROM meta WHERE key = ?", (CHANGED_FROM,))
    known, after = as_of(earlier, first / WEEK_US)
    points = points_since(connection, lab, weeks_to_us(after - REACH_WEEKS))
    return shared_shifts(points, false_findings_per_year=FALSE_FINDINGS_PER_YEAR, known=known, after=after)


# A finding as an alert


def _id(finding: Finding) -> str:
    """By the day and what was named on it: neither changes as later lots come in."""
    return alert_id(Kind.BENCH, *finding.first_named, str(finding.direction), str(int(finding.completed_at * 7.0)))


def _alert(connection: Connection, lab: Lab, finding: Finding, log: ChamberLog | None) -> Alert:
    evidence = _evidence(connection, lab, finding, log)
    return Alert(
        id=_id(finding),
        kind=Kind.BENCH,
        grade=Grade.LOOK,
        raised_us=weeks_to_us(finding.completed_at),
        message=bench_message(evidence, lab.zone),
        evidence=evidence,
    )


def _evidence(connection: Connection, lab: Lab, finding: Finding, log: ChamberLog | None) -> StoredBenchEvidence:
    returned = np.isfinite(finding.until)
    until = weeks_to_us(finding.until) if returned else None
    off = weeks_off(connection, lab, finding)
    humidity = _humidity(connection, finding)
    if off.humidity is not None:
        humidity = {"before": off.humidity[0], "during": off.humidity[1]}
    return {
        "what": Kind.BENCH,
        "suspect_kind": finding.suspect_kind,
        "suspect": finding.suspect,
        "quantity": finding.quantity or None,
        "direction": cast(Direction, finding.direction),
        "since_us": weeks_to_us(finding.since),
        "since_low_us": weeks_to_us(finding.since_low),
        "since_high_us": weeks_to_us(finding.since_high),
        "until_us": until,
        "shifts": [_shift(name, size) for name, size in finding.sizes.items()],
        "sigmas": number(finding.sigmas),
        "sigmas_se": number(finding.sigmas_se),
        "suppliers": finding.suppliers,
        "agreeing": finding.agreeing,
        "streams_agreeing": finding.streams_agreeing,
        "streams_on_source": finding.streams,
        "score": number(finding.score),
        "chance": number(finding.chance),
        "check_score": number(finding.check_score),
        "apart": list(finding.apart),
        "alternatives": list(finding.alternatives),
        # An alternative has the same lots and is not repeated as a competing candidate.
        "rivals": [
            suspect_named(label[0], label[1], label[-1])
            for label in finding.rivals
            if " ".join(label) not in finding.alternatives
        ],
        "streams": _names(connection, finding.explained),
        "humidity": humidity,
        "returned": off.returned,
        "off_from_us": off.from_us,
        "off_until_us": off.until_us,
        "log": None if log is None else log.log,
        "log_departure": None if log is None else log.departure,
        "closed_because": _closed_because(finding, off),
    }


def _closed_because(finding: Finding, off: WeeksOff) -> str | None:
    if off.until_us is None:
        return None
    # Where the shift is the return to normal, the weeks before it were off, and later lots decide nothing about those.
    if finding.withdrawn and not off.returned:
        return NOT_SHOWN
    if off.adjusted:
        # Only the lots since then show whether the adjustment was enough.
        return f"a calibration adjusted it on {day_text(off.until_us)}" if np.isfinite(finding.until) else None
    return f"it came back on {day_text(off.until_us)}"


def _shift(quantity: str, size: Size) -> BenchShift:
    """A shift in percent where the quantity is charted in logs, else in the unit; with its 95 % interval."""
    name, _, unit = quantity.partition(", ")

    def in_unit(value: float) -> float | None:
        return number(value if unit else 100.0 * float(np.expm1(value)))

    return {
        "quantity": name,
        "unit": unit or "%",
        "size": in_unit(size.size),
        "low": in_unit(size.size - 1.96 * size.se),
        "high": in_unit(size.size + 1.96 * size.se),
        "films": in_unit(size.films),
        "check_standards": in_unit(size.check),
    }


def _humidity(connection: Connection, finding: Finding) -> HumidityChange | None:
    """Mean humidity of the chamber's conditioning in the quarter before the shift and while it lasted."""
    if "chamber" not in finding.suspect_kind:
        return None
    since, until = weeks_to_us(finding.since), weeks_to_us(min(finding.until, finding.since + QUARTER_WEEKS))
    before, during = connection.exec_driver_sql(
        "SELECT avg(CASE WHEN s.started_us < ? THEN s.humidity_mean END), avg(CASE WHEN s.started_us >= ? THEN "
        "s.humidity_mean END) FROM session s JOIN label c ON c.id = s.chamber_id WHERE c.text = ? "
        "AND s.conditioning = 'valid' AND s.started_us >= ? AND s.started_us < ?",
        (since, since, finding.suspect, since - QUARTER_WEEKS * WEEK_US, until),
    ).one()
    return {"before": before, "during": during}


def _names(connection: Connection, streams: tuple[int, ...]) -> list[str]:
    columns = schema.stream.c
    rows = connection.execute(
        select(columns.supplier, columns.product, columns.characteristic).where(columns.id.in_(streams))
    )
    return sorted(f"{row[0]} {row[1]}, {row[2].replace('_', ' ')}" for row in rows)
