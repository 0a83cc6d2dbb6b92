"""Instruments as of a moment: their state, their drift, and what one that was found off has touched.

Nothing here changes a reading or a verdict: a person decides what follows.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from sqlalchemy import Connection

from ingest.common.instants import DAY_US, from_microseconds, microseconds
from ingest.config.lab import Lab
from ingest.documents.bench.instrument import CalibrationRow, CheckRow, FoundOff, Instrument, TouchedLot
from ingest.documents.served import iso
from ingest.sessions.bench_state import BenchState, Calibration, Check, Outcome, bench_state
from ingest.sessions.capture_matches import days_off
from ingest.sessions.instrument_records import calibrations_of, checks_of
from ingest.store.stream_digits import stored_digits
from spc.bench.traceability import affected, drift
from spc.vocabulary.enums import Verdict

__all__ = ["check_row", "instruments", "sheets_found_off"]

INSTRUMENTS_SQL = """
SELECT n.id, n.text, (SELECT max(s.started_us) FROM session s WHERE s.instrument_id = n.id) AS last_us
FROM label n WHERE n.kind = 'instrument' AND n.text <> '' ORDER BY n.text
"""
CALIBRATION_SQL = """
SELECT done_us, due_on, as_found, as_left, uncertainty, certificate FROM calibration WHERE instrument_id = ? AND done_us <= ? ORDER BY done_us
"""
TOUCHED_SQL = """
SELECT s.started_us, s.level_unit, s.verdict, t.supplier, t.product, t.characteristic, l.lot, t.id
FROM session s JOIN stream t ON t.id = s.stream_id JOIN lot l ON l.id = s.lot_id
WHERE s.instrument_id = ? AND s.started_us > ? AND s.started_us <= ? ORDER BY s.started_us, l.lot
"""


@dataclass(frozen=True, slots=True)
class _Row:
    """A calibration as stored; figures in percent, None where not written."""

    done_us: int
    due_on: str
    found: float | None
    left: float | None
    uncertainty: float | None
    certificate: str


def instruments(connection: Connection, lab: Lab, now: datetime) -> list[Instrument]:
    """Return every instrument that the tests or the calibrations name, as of `now`."""
    now_us = microseconds(now)
    named = connection.exec_driver_sql(INSTRUMENTS_SQL).fetchall()
    ids = [int(row[0]) for row in named]
    known = calibrations_of(connection, lab, ids) if ids else None
    documents = []
    # All on record: a sheet of earlier years names the last good evidence of its time.
    checks = checks_of(connection, lab, np.iinfo(np.int64).min, now_us)
    for instrument, name, last_us in named:
        rows = _rows(connection, instrument, now_us)
        own = checks.get(instrument, [])
        state = _state(connection, instrument, now_us, None if known is None else known.get(instrument, []))
        declared = next((one for one in lab.instruments if one.name == name), None)
        moves = _drift(rows, declared.tolerance_percent if declared else None)
        documents.append(
            Instrument(
                name=name,
                state=state.value,
                gates=declared is not None and declared.gates,
                due_on=(rows[-1].due_on or None) if rows else None,
                last_tested_at=iso(last_us, lab.zone),
                drift_percent_year=moves[0],
                longest_days=moves[1],
                calibrations=[_calibration(row, lab) for row in reversed(rows)],
                checks=[check_row(one, lab) for one in reversed(own)],
                found_off=[
                    _found_off(
                        connection,
                        lab,
                        instrument,
                        before,
                        after,
                        own,
                        declared.tolerance_percent if declared else None,
                    )
                    for before, after in itertools.pairwise(rows)
                    if _is_off(after, declared.tolerance_percent if declared else None)
                ],
                capture_days=days_off(connection, lab, instrument, name, now_us),
            )
        )
    return documents


def sheets_found_off(connection: Connection, lab: Lab) -> list[tuple[int, str, FoundOff]]:
    """Return the sheet of each calibration that found an instrument off, with the number and name of the instrument."""
    found = []
    for instrument, name, _ in connection.exec_driver_sql(INSTRUMENTS_SQL).fetchall():
        rows = _rows(connection, instrument, np.iinfo(np.int64).max)
        declared = next((one for one in lab.instruments if one.name == name), None)
        tolerance = declared.tolerance_percent if declared else None
        pairs = [pair for pair in itertools.pairwise(rows) if _is_off(pair[1], tolerance)]
        if pairs:
            own = checks_of(connection, lab, pairs[0][0].done_us, pairs[-1][1].done_us).get(instrument, [])
            found += [
                (int(instrument), str(name), _found_off(connection, lab, instrument, before, after, own, tolerance))
                for before, after in pairs
            ]
    return found


def _rows(connection: Connection, instrument: int, until_us: int) -> list[_Row]:
    """The calibrations of an instrument up to a moment."""
    return [
        _Row(int(done), due, _percent(found), _percent(left), _percent(uncertainty), certificate)
        for done, due, found, left, uncertainty, certificate in connection.exec_driver_sql(
            CALIBRATION_SQL, (instrument, int(until_us))
        )
    ]


def _state(connection: Connection, instrument: int, now_us: int, calibrations: list[Calibration] | None) -> BenchState:
    """The state of the last test on the instrument, unless its calibration has passed its date since."""
    if calibrations is not None and bench_state(now_us, now_us, calibrations, None) is BenchState.OVERDUE:
        return BenchState.OVERDUE
    last = connection.exec_driver_sql(
        "SELECT bench FROM session WHERE instrument_id = ? ORDER BY started_us DESC, id DESC LIMIT 1", (instrument,)
    ).scalar()
    return BenchState.UNCHECKED if last is None else BenchState(last)


def _percent(text: str) -> float | None:
    return float(text) if text else None


def _calibration(row: _Row, lab: Lab) -> CalibrationRow:
    return {
        "done_at": iso(row.done_us, lab.zone),
        "due_on": row.due_on or None,
        "as_found": row.found,
        "as_left": row.left,
        "uncertainty": row.uncertainty,
        "certificate": row.certificate,
    }


def check_row(one: Check, lab: Lab) -> CheckRow:
    """A set-up check as it is served."""
    reading = one.reading
    assert reading is not None
    figures = [
        None if math.isnan(share) else round(100 * share, 4) for share in (reading.deviation, reading.low, reading.high)
    ]
    return {
        "at": iso(one.at_us, lab.zone),
        "outcome": one.outcome.value,
        "deviation_percent": figures[0],
        "low_percent": figures[1],
        "high_percent": figures[2],
        "tolerance_percent": round(100 * reading.tolerance, 4),
        "again": one.again,
    }


def _tolerance(row: _Row, declared: float | None) -> float | None:
    """The declared tolerance; the expanded uncertainty of the calibration where none is declared."""
    return row.uncertainty if declared is None else declared


def _is_off(row: _Row, declared: float | None) -> bool:
    tolerance = _tolerance(row, declared)
    return row.found is not None and tolerance is not None and abs(row.found) > tolerance


def _drift(rows: list[_Row], declared: float | None) -> tuple[float | None, float | None]:
    """Drift in percent a year, and days for which the instrument stays within its tolerance.

    Each change is that from what one calibration left to what the next one found. The rate is that since the instrument was last adjusted for
    being out of tolerance, where a calibration since shows it: the fault that was mended is no drift of the instrument as it is. The days
    are of all calibrations, as a fault may come again.
    """
    changes, days, adjusted = [], [], 0
    for before, after in itertools.pairwise(rows):
        start = before.left if before.left is not None else before.found
        if start is not None and after.found is not None and after.done_us > before.done_us:
            changes.append(math.log1p(after.found / 100) - math.log1p(start / 100))
            days.append((after.done_us - before.done_us) / DAY_US)
            if _is_off(after, declared) and after.left is not None and abs(after.left) < abs(after.found):
                adjusted = len(changes)
    tolerance = _tolerance(rows[-1], declared) if rows else None
    if not changes or not tolerance:
        return None, None
    result = drift(changes, days, math.log1p(tolerance / 100))
    longest = None if math.isnan(result.longest) else round(result.longest)
    since = slice(adjusted if adjusted < len(changes) else 0, None)
    rate = drift(changes[since], days[since], math.log1p(tolerance / 100)).rate
    return round(100 * math.expm1(365.25 * rate), 4), longest


def _found_off(
    connection: Connection,
    lab: Lab,
    instrument: int,
    before: _Row,
    after: _Row,
    checks: list[Check],
    declared: float | None,
) -> FoundOff:
    """The sheet of the lots between two calibrations, of which the second found the instrument off."""
    passed = [
        one.at_us for one in checks if one.outcome is Outcome.PASSED and before.done_us < one.at_us <= after.done_us
    ]
    good = max([before.done_us, *passed])
    found, tolerance = after.found, _tolerance(after, declared)
    assert found is not None
    assert tolerance is not None
    ratio = 1 + found / 100
    lots = []
    rows = connection.exec_driver_sql(TOUCHED_SQL, (instrument, before.done_us, after.done_us)).fetchall()
    digits = stored_digits(connection, {row[7] for row in rows})
    for started, level, verdict, supplier, product, characteristic, lot, stream in rows:
        if level is None or verdict in (None, Verdict.INVALID) or lab.is_check_standard(supplier, product):
            continue
        limits = lab.limits_at(product, characteristic, from_microseconds(started))
        result = affected(
            [level],
            [started],
            ratio,
            found=after.done_us,
            good=good,
            calibrated=before.done_us,
            lower=limits.lower,
            upper=limits.upper,
        )
        tested = from_microseconds(started).astimezone(lab.zone)
        lots.append(
            TouchedLot(
                supplier=supplier,
                product=product,
                characteristic=characteristic,
                lot=lot,
                unit=lab.characteristic(characteristic).unit,
                digits=digits[stream],
                tested_at=iso(started, lab.zone),
                quarter=f"{tested.year}-Q{(tested.month + 2) // 3}",
                verdict=Verdict(verdict),
                level=level,
                after_check=float(result.after_check[0]),
                straight=float(result.straight[0]),
                at_calibration=float(result.at_calibration[0]),
                changes=int(result.changes[0]),
            )
        )
    order = np.argsort([-one["changes"] for one in lots], kind="stable")
    return {
        "found_at": iso(after.done_us, lab.zone),
        "deviation_percent": found,
        "tolerance_percent": tolerance,
        "good_at": iso(good, lab.zone),
        "good_by": "set-up check" if passed else "calibration",
        "calibrated_at": iso(before.done_us, lab.zone),
        "lots": [lots[place] for place in order],
    }
