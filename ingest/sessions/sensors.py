"""Humidity sensors: their checks, their second sensor, and the times in which one is not known to be right.

Checks are entries of people in the audit log. Nothing here changes a log entry: the tests of a doubtful time are marked.
"""

from __future__ import annotations

import json
import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

import numpy as np
from sqlalchemy import Connection

from ingest.audit.subjects import Subject
from ingest.common.instants import DAY_US, microseconds
from ingest.config.lab import Lab
from ingest.documents.bench.sensor import SecondSensor, Sensor, SensorCheck, SensorState
from ingest.documents.served import iso
from spc.bench.moisture import SALTS, surely_inside
from spc.bench.traceability import normalised_error

__all__ = [
    "CHECK_SENSOR",
    "SALT_NAMES",
    "TAKE_BACK_CHECK",
    "Doubt",
    "StoredCheck",
    "doubts",
    "second_sensor",
    "sensors",
    "stored_checks",
]

SALT_NAMES = tuple(SALTS)
CHECK_SENSOR, TAKE_BACK_CHECK = "check sensor", "take back sensor check"
Word = Literal["passed", "failed", "open"]
SECOND_DAYS = 7
FEWEST_DAYS = 3
CHECKS_SQL = "SELECT subject, who, what, body FROM act WHERE what IN (?, ?) ORDER BY id"
SERIES_SQL = """
SELECT logged_us, humidity_percent FROM climate WHERE chamber_id = (SELECT id FROM label WHERE kind = 'chamber' AND text = ?)
AND logged_us > ? AND logged_us <= ? ORDER BY logged_us
"""


@dataclass(frozen=True, slots=True)
class StoredCheck:
    """A check of a sensor: humidities and expanded uncertainty of the reference in % RH, and its outcome by the normalised error."""

    at_us: int
    who: str
    reads: float
    reference: float
    uncertainty: float
    salt: str
    error: float | None
    outcome: Word


@dataclass(frozen=True, slots=True)
class Doubt:
    """A time in which a sensor is not known to be right: from its last good check to the next one after a failed check.

    `from_us` is None without an earlier good check, `until_us` without a later one. `failed` is the first failed check.
    """

    from_us: int | None
    until_us: int | None
    failed: StoredCheck


def stored_checks(connection: Connection, lab: Lab, until_us: int | None = None) -> dict[str, list[StoredCheck]]:
    """Return the checks of each sensor that no entry took back, in the order of time."""
    found: dict[str, dict[int, StoredCheck]] = defaultdict(dict)
    for text, who, what, body in connection.exec_driver_sql(CHECKS_SQL, (CHECK_SENSOR, TAKE_BACK_CHECK)):
        subject, fields = Subject.parse(text), json.loads(body)
        if subject is None:
            continue
        (name,), at = subject.names, int(fields["checked_us"])
        if what == TAKE_BACK_CHECK:
            found[name].pop(at, None)
            continue
        expanded = _expanded(lab, name)
        error = None
        if expanded is not None:
            error = normalised_error(fields["reads"], fields["reference"], expanded, fields["uncertainty"])
        outcome: Word = "open" if error is None else "passed" if abs(error) <= 1 else "failed"
        found[name][at] = StoredCheck(
            at, who, fields["reads"], fields["reference"], fields["uncertainty"], fields["salt"], error, outcome
        )
    return {
        name: [one for at, one in sorted(checks.items()) if until_us is None or at <= until_us]
        for name, checks in found.items()
    }


def _expanded(lab: Lab, name: str) -> float | None:
    """The declared expanded uncertainty of a sensor, by the name under which it is logged."""
    second = lab.second_sensors().get(name)
    return lab.chamber(name).sensor_uncertainty if second is None else second.second_uncertainty


def doubts(checks: Sequence[StoredCheck]) -> list[Doubt]:
    """Return the times in which a sensor is not known to be right.

    Examples
    --------
    >>> def check(at, outcome):
    ...     return StoredCheck(at, "", 11.0, 11.3, 0.3, "", None, outcome)
    >>> [(one.from_us, one.until_us) for one in doubts([check(1, "passed"), check(5, "failed"), check(6, "failed"), check(8, "passed")])]
    [(1, 8)]
    """
    times: list[Doubt] = []
    good: int | None = None
    failed: StoredCheck | None = None
    for check in checks:
        if check.outcome == "failed" and failed is None:
            failed = check
        elif check.outcome == "passed":
            times += [] if failed is None else [Doubt(good, check.at_us, failed)]
            good, failed = check.at_us, None
    return [*times, *([] if failed is None else [Doubt(good, None, failed)])]


def second_sensor(connection: Connection, lab: Lab, chamber: str, now_us: int) -> SecondSensor | None:
    """Compare the second sensor of a chamber with the logged one over the last days; None where there is too little to compare."""
    declared = lab.chamber(chamber)
    if declared.second is None:
        return None
    series = [
        connection.exec_driver_sql(SERIES_SQL, (name, now_us - SECOND_DAYS * DAY_US, now_us)).fetchall()
        for name in (chamber, declared.second)
    ]
    daily = [_daily_medians(rows) for rows in series]
    both = sorted(daily[0].keys() & daily[1].keys())
    if len(both) < FEWEST_DAYS:
        return None
    # Imported here: the library is slow to load, and few chambers have a second sensor.
    from scipy.stats import t as student

    differences = np.array([daily[1][day] - daily[0][day] for day in both])
    mean = float(differences.mean())
    half = float(student.ppf(0.975, len(both) - 1) * differences.std(ddof=1) / math.sqrt(len(both)))
    known = declared.sensor_uncertainty, declared.second_uncertainty
    allowed = math.hypot(*(one for one in known if one is not None)) if None not in known else None
    return {
        "name": declared.second,
        "days": len(both),
        "difference": round(mean, 4),
        "low": round(mean - half, 4),
        "high": round(mean + half, 4),
        "allowed": allowed,
        "apart": None if allowed is None else mean - half > allowed or mean + half < -allowed,
    }


def _daily_medians(rows: Sequence[Sequence[float]]) -> dict[int, float]:
    by_day: dict[int, list[float]] = defaultdict(list)
    for logged_us, humidity in rows:
        by_day[int(logged_us) // DAY_US].append(humidity)
    return {day: float(np.median(values)) for day, values in by_day.items()}


def sensors(connection: Connection, lab: Lab, now: datetime) -> list[Sensor]:
    """Return the sensors that are declared or were checked, as of `now`."""
    now_us = microseconds(now)
    checks = stored_checks(connection, lab, now_us)
    names = [one.name for one in lab.chambers]
    names += [one.second for one in lab.chambers if one.second is not None]
    return [
        _sensor(connection, lab, name, checks.get(name, []), now_us)
        for name in dict.fromkeys([*names, *sorted(checks)])
    ]


def _sensor(connection: Connection, lab: Lab, name: str, checks: list[StoredCheck], now_us: int) -> Sensor:
    main = lab.second_sensors().get(name)
    chamber = name if main is None else main.name
    expanded = _expanded(lab, name)
    rule = next(iter(lab.conditioning.values()), None)
    sure = None
    if rule is not None and expanded is not None:
        sure = surely_inside(rule.humidity_percent, rule.humidity_tolerance, expanded)
    judged = [one for one in checks if one.outcome != "open"]
    state: SensorState = "unchecked" if not judged else "checked" if judged[-1].outcome == "passed" else "failed"
    doubt = next(iter(reversed(doubts(checks))), None)
    return {
        "name": name,
        "chamber": chamber,
        "state": state,
        "uncertainty": expanded,
        "counts": main is None and lab.chamber(name).uncertainty_counts,
        "surely_low": None if sure is None else sure[0],
        "surely_high": None if sure is None else sure[1],
        "doubtful_from": None if doubt is None else iso(doubt.from_us, lab.zone),
        "doubtful_until": None if doubt is None else iso(doubt.until_us, lab.zone),
        "checks": [_check(one, lab) for one in reversed(checks)],
        "second": second_sensor(connection, lab, name, now_us) if main is None else None,
    }


def _check(one: StoredCheck, lab: Lab) -> SensorCheck:
    return {
        "at": iso(one.at_us, lab.zone),
        "by": one.who,
        "reads": one.reads,
        "reference": one.reference,
        "uncertainty": one.uncertainty,
        "salt": one.salt,
        "error": None if one.error is None else round(one.error, 4),
        "outcome": one.outcome,
    }
