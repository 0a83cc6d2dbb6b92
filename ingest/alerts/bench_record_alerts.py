"""Alerts that a record of the bench raises by itself: an instrument that a calibration found off, a sensor that failed its check.

The tests of the time in which the instrument or sensor was not known to be right are marked on chart, lot and notice. No reading, log entry or
verdict is changed.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection

from ingest.alerts.bench_recovery import slowing_chambers
from ingest.audit.lot_decisions import LOT_DECISIONS
from ingest.audit.subjects import Subject
from ingest.common.instants import from_microseconds
from ingest.common.text import capitalised, printable
from ingest.config.lab import Lab
from ingest.documents.alert import BenchShift, ShownBy, StoredBenchEvidence
from ingest.evaluation.alert_text import place_named
from ingest.evaluation.stream_alerts import Alert, alert_id, write_alerts
from ingest.sessions.instruments import Sheet, sheets_found_off
from ingest.sessions.sensors import doubts, second_sensor, stored_checks
from ingest.store.store import insert_many
from spc.vocabulary.enums import Grade, Kind

__all__ = ["RECORD_ID", "update_bench_record_alerts"]

RECORD_ID = "check"
OURS = "kind = 'bench' AND id LIKE 'check%'"
Share = tuple[int, str, int, float, str, float | None]

INSTRUMENT_SESSIONS_SQL = """
SELECT s.id, s.stream_id, s.level_unit, t.supplier, t.product FROM session s JOIN stream t ON t.id = s.stream_id
WHERE s.instrument_id = ? AND s.started_us > ? AND s.started_us <= ? AND s.level_unit IS NOT NULL
"""
CHAMBER_SESSIONS_SQL = """
SELECT s.id, s.stream_id, t.characteristic FROM session s JOIN stream t ON t.id = s.stream_id JOIN label c ON c.id = s.chamber_id
WHERE c.kind = 'chamber' AND c.text = ? AND s.started_us > ? AND s.started_us <= ?
"""
LAST_ENTRY_SQL = "SELECT max(k.logged_us) FROM climate k JOIN label c ON c.id = k.chamber_id WHERE c.text = ?"


@dataclass(frozen=True, slots=True)
class _Finding:
    """An alert, and the tests that it marks."""

    alert: Alert
    shares: list[Share]


def update_bench_record_alerts(connection: Connection, lab: Lab) -> list[str]:
    """Derive the alerts and the marks of their tests again; the ids that are new."""
    before = {
        row[0]: int(row[1]) for row in connection.exec_driver_sql(f"SELECT id, raised_us FROM alert WHERE {OURS}")
    }
    connection.exec_driver_sql("DELETE FROM bench_share WHERE alert LIKE 'check%'")
    connection.exec_driver_sql(f"DELETE FROM alert WHERE {OURS}")
    found = [
        *_instruments(connection, lab), *_sensor_checks(connection, lab), *_second_sensors(connection, lab, before),
        *_recoveries(connection, lab, before),
    ]  # fmt: skip
    write_alerts(connection, [one.alert for one in found])
    insert_many(
        connection,
        "INSERT INTO bench_share (session_id, alert, stream_id, size, size_unit, level_without) VALUES (?, ?, ?, ?, ?, ?) "
        "ON CONFLICT DO NOTHING",
        [share for one in found for share in one.shares],
    )
    return [one.alert.id for one in found if one.alert.id not in before]


# Instruments that a calibration found off


def _instruments(connection: Connection, lab: Lab) -> Iterator[_Finding]:
    for sheet in sheets_found_off(connection, lab):
        name, found_us, good_us = sheet.name, sheet.found_us, sheet.good_us
        alert = f"{RECORD_ID}{alert_id('found off', name, str(found_us))}"
        turning = sheet.turning
        decided = _decided(connection, found_us) if turning else set()
        undecided = [lot for lot in turning if str(Subject.lot(*lot)) not in decided]
        because = None
        if not turning:
            because = "no verdict would change under any supposition"
        elif not undecided:
            because = "a person decided about every lot whose verdict could change"
        size = sheet.deviation
        marked = _marked_already(connection, name)
        evidence = _evidence(
            "calibration", "instrument", name, size, good_us, found_us, because,
            [{"quantity": "reading", "unit": "%", "size": size, "low": None, "high": None, "films": None, "check_standards": None}],
        )  # fmt: skip
        yield _Finding(
            _alert(
                alert,
                Grade.ACT if turning else Grade.NOTE,
                found_us,
                _found_off_message(sheet, lab),
                evidence,
            ),
            [
                (session, alert, stream, size, "%", level / (1 + size / 100))
                for session, stream, level, supplier, product in connection.exec_driver_sql(
                    INSTRUMENT_SESSIONS_SQL, (sheet.instrument, good_us, found_us)
                )
                if session not in marked and not lab.is_check_standard(supplier, product)
            ],
        )


def _marked_already(connection: Connection, instrument: str) -> set[int]:
    """The tests that a shared shift of this instrument marks: one cause is taken out once."""
    findings = [
        row[0]
        for row in connection.exec_driver_sql(
            "SELECT id, evidence FROM alert WHERE kind = 'bench' AND stream_id IS NULL"
        )
        if not row[0].startswith(RECORD_ID) and json.loads(row[1])["suspect"] == instrument
    ]
    if not findings:
        return set()
    marks = ", ".join("?" * len(findings))
    rows = connection.exec_driver_sql(f"SELECT session_id FROM bench_share WHERE alert IN ({marks})", tuple(findings))
    return set(rows.scalars())


def _decided(connection: Connection, since_us: int) -> set[str]:
    """The lots, as subjects, about which a person decided after a moment."""
    marks = ", ".join("?" * len(LOT_DECISIONS))
    rows = connection.exec_driver_sql(
        f"SELECT DISTINCT subject FROM act WHERE at_us > ? AND what IN ({marks})", (since_us, *LOT_DECISIONS)
    )
    return set(rows.scalars())


def _found_off_message(sheet: Sheet, lab: Lab) -> str:
    name, size, count = sheet.name, sheet.deviation, len(sheet.turning)
    verdicts = f"the verdict of {count} lot{'s' * (count > 1)} could change" if count else "no verdict would change"
    return (
        f"{capitalised(name)} was {abs(size):g} % {'high' if size > 0 else 'low'} at its calibration of {_day_us(sheet.found_us, lab)}, "
        f"tolerance {sheet.tolerance:g} %; last good evidence {sheet.good_by} of {_day_us(sheet.good_us, lab)}: {verdicts}"
    )


# Humidity sensors


def _sensor_checks(connection: Connection, lab: Lab) -> Iterator[_Finding]:
    second = lab.second_sensors()
    for name, checks in stored_checks(connection, lab).items():
        if name in second:
            continue
        for doubt in doubts(checks):
            alert = f"{RECORD_ID}{alert_id('sensor check', name, str(doubt.failed.at_us))}"
            from_us = 0 if doubt.from_us is None else doubt.from_us
            rows = connection.exec_driver_sql(CHAMBER_SESSIONS_SQL, (name, from_us, doubt.until_us or 2**62)).fetchall()
            shares: list[Share] = [
                (session, alert, stream, 0.0, "", None)
                for session, stream, characteristic in rows
                if lab.is_declared(characteristic) and lab.conditioning_for(characteristic) is not None
            ]
            off = doubt.failed.reads - doubt.failed.reference
            since = (
                "it was never checked before"
                if doubt.from_us is None
                else f"last good check {_day_us(doubt.from_us, lab)}"
            )
            against = doubt.failed.salt or "its reference"
            message = (
                f"Humidity sensor of {place_named('chamber', name)} read {doubt.failed.reads:g} % RH over {against}, expected "
                f"{doubt.failed.reference:g} ± {doubt.failed.uncertainty:g} %, on {_day_us(doubt.failed.at_us, lab)}; {since}: "
                f"{len(shares)} test session{'s' * (len(shares) != 1)} since then marked"
            )
            because = (
                None if doubt.until_us is None else f"the sensor passed its check on {_day_us(doubt.until_us, lab)}"
            )
            evidence = _evidence(
                "sensor check", "chamber", name, off, from_us or doubt.failed.at_us, doubt.until_us, because,
                [{"quantity": "humidity", "unit": "% RH", "size": off, "low": None, "high": None, "films": None, "check_standards": None}],
            )  # fmt: skip
            yield _Finding(_alert(alert, Grade.ACT, doubt.failed.at_us, message, evidence), shares)


def _second_sensors(connection: Connection, lab: Lab, before: dict[str, int]) -> Iterator[_Finding]:
    """Two sensors of a chamber that read apart by more than their uncertainties allow; the alert ends when they agree."""
    for chamber in lab.chambers:
        last_us = connection.exec_driver_sql(LAST_ENTRY_SQL, (chamber.name,)).scalar()
        pair = None if last_us is None else second_sensor(connection, lab, chamber.name, int(last_us))
        if pair is None or not pair["apart"] or pair["allowed"] is None:
            continue
        alert = f"{RECORD_ID}{alert_id('second sensor', chamber.name)}"
        raised_us = before.get(alert, int(last_us or 0))
        more = "more" if pair["difference"] > 0 else "less"
        message = (
            f"{pair['name']} reads {abs(pair['difference']):.1f} % RH {more} than the sensor of {place_named('chamber', chamber.name)} over "
            f"{pair['days']} days, the two uncertainties allow {pair['allowed']:.1f} %: check both against a salt"
        )
        shift = pair["difference"]
        evidence = _evidence(
            "second sensor", "chamber", chamber.name, shift, raised_us, None, None,
            [{"quantity": "humidity", "unit": "% RH", "size": shift, "low": pair["low"], "high": pair["high"], "films": None, "check_standards": None}],
        )  # fmt: skip
        yield _Finding(_alert(alert, Grade.LOOK, raised_us, message, evidence), [])


def _recoveries(connection: Connection, lab: Lab, before: dict[str, int]) -> Iterator[_Finding]:
    """Chambers whose recovery after door openings slows from month to month; the alert ends when it no longer does."""
    for one in slowing_chambers(connection, lab):
        alert = f"{RECORD_ID}{alert_id('recovery', one.chamber)}"
        raised_us = before.get(alert, one.last_us)
        message = (
            f"{place_named('Chamber', one.chamber)} recovers more slowly after each door opening: {one.first_minutes:.0f} min at the "
            f"beginning and {one.last_minutes:.0f} min at the end of {one.openings} openings in {one.months:.0f} months, "
            f"{one.percent_month:+.0f} % a month ({one.low:+.0f} to {one.high:+.0f} %): look at the dryer and the door seal"
        )
        evidence = _evidence(
            "recovery", "chamber", one.chamber, one.percent_month, one.first_us, None, None,
            [{"quantity": "recovery time", "unit": "% a month", "size": one.percent_month, "low": one.low, "high": one.high, "films": None, "check_standards": None}],
        )  # fmt: skip
        yield _Finding(_alert(alert, Grade.LOOK, raised_us, message.replace("-", "\N{MINUS SIGN}"), evidence), [])


# The alert


def _alert(name: str, grade: Grade, raised_us: int, message: str, evidence: StoredBenchEvidence) -> Alert:
    return Alert(
        id=name,
        kind=Kind.BENCH,
        grade=grade,
        raised_us=raised_us,
        message=printable(message),
        evidence=evidence,
    )


def _evidence(
    shown_by: ShownBy,
    kind: str,
    suspect: str,
    size: float,
    from_us: int,
    until_us: int | None,
    closed_because: str | None,
    shifts: list[BenchShift],
) -> StoredBenchEvidence:
    """The evidence of a finding by a record of the bench: the figures of lots are empty."""
    return {
        "what": Kind.BENCH,
        "shown_by": shown_by,
        "suspect_kind": kind,
        "suspect": suspect,
        "quantity": None,
        "direction": 1 if size > 0 else -1,
        "since_us": from_us,
        "since_low_us": from_us,
        "since_high_us": from_us,
        "until_us": until_us,
        "off_from_us": from_us,
        "off_until_us": until_us,
        "shifts": shifts,
        "sigmas": None,
        "sigmas_se": None,
        "suppliers": 0,
        "agreeing": 0,
        "streams_agreeing": 0,
        "streams_on_source": 0,
        "score": None,
        "chance": None,
        "check_score": None,
        "apart": [],
        "alternatives": [],
        "rivals": [],
        "streams": [],
        "humidity": None,
        "returned": False,
        "closed_because": closed_because,
    }


def _day_us(at_us: int, lab: Lab) -> str:
    return _day(from_microseconds(at_us).astimezone(lab.zone))


def _day(at: datetime) -> str:
    return f"{at.day} {at:%b %Y}"
