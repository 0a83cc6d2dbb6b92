"""Instruments as of a moment: their state, their drift, and what one that was found off has touched.

Nothing here changes a reading or a verdict: a person decides what follows.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, time
from typing import Literal, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sqlalchemy import Connection

from ingest.common.instants import DAY_US, from_microseconds, microseconds
from ingest.config.lab import Lab
from ingest.config.limit_history import SIDES
from ingest.documents.bench.instrument import CalibrationRow, CheckRow, FoundOff, Instrument, TouchedLot
from ingest.documents.bench.sensor import Sensor
from ingest.documents.served import iso
from ingest.sessions.bench_state import BenchState, Check, Outcome, bench_state
from ingest.sessions.calibration_due import overdue_instruments
from ingest.sessions.capture_matches import days_off
from ingest.sessions.instrument_records import calibrations_of, checks_of
from ingest.sessions.sensors import sensors
from ingest.store.dialect import among
from ingest.store.store import fetch_frame
from ingest.store.stream_digits import stored_digits
from spc.bench.traceability import affected, drift
from spc.vocabulary.enums import Verdict

__all__ = ["Sheet", "check_row", "instruments", "instruments_and_sensors", "sheets_found_off"]

INSTRUMENTS_SQL = """
SELECT n.id, n.text, (SELECT max(s.started_us) FROM session s WHERE s.instrument_id = n.id) AS last_us
FROM label n WHERE n.kind = 'instrument' AND n.text <> '' ORDER BY n.text
"""
CALIBRATION_SQL = """
SELECT done_us, due_on, as_found, as_left, uncertainty, certificate FROM calibration WHERE instrument_id = ? AND done_us <= ? ORDER BY done_us
"""
# The tests between two calibrations with a level and a verdict; their figures and their names are read in the same order.
TOUCHED = """
FROM session s WHERE (s.instrument_id = ? OR s.id IN (SELECT session_id FROM session_instrument WHERE instrument_id = ?))
AND s.started_us > ? AND s.started_us <= ? AND s.level_unit IS NOT NULL
AND s.verdict <> 'invalid'
"""
FIGURES_SQL = f"SELECT s.stream_id, s.lot_id, s.started_us, s.level_unit {TOUCHED} ORDER BY s.started_us, s.id"
FIGURES = {"stream_id": "i8", "lot_id": "i8", "started_us": "i8", "level": "f8"}
NAMES_SQL = f"""
SELECT n.verdict, l.lot FROM (SELECT s.id, s.started_us, s.verdict, s.lot_id {TOUCHED}) n JOIN lot l ON l.id = n.lot_id
ORDER BY n.started_us, n.id
"""


@dataclass(frozen=True, slots=True, eq=False)
class Sheet:
    """What a calibration that found an instrument off has touched, without the figures of each lot.

    Times are UTC microseconds, deviation and tolerance in percent. `turning` are the lots whose verdict would change under a supposition.
    """

    instrument: int
    name: str
    found_us: int
    good_us: int
    good_by: Literal["set-up check", "calibration"]
    deviation: float
    tolerance: float
    turning: list[tuple[str, str]]


@dataclass(frozen=True, slots=True, eq=False)
class _Touched:
    """The tests between two calibrations: `figures` with the columns of `FIGURES` and those of their stream, and their re-read levels.

    `kept` marks the tests of suppliers' lots among all, the check standards being left out.
    """

    good_us: int
    good_by: Literal["set-up check", "calibration"]
    tolerance: float
    figures: pd.DataFrame
    kept: NDArray[np.bool_]


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
    overdue = {one["name"] for one in overdue_instruments(connection, lab, now, in_use=False)}
    documents = []
    # All on record: a sheet of earlier years names the last good evidence of its time.
    checks = checks_of(connection, lab, np.iinfo(np.int64).min, now_us)
    for instrument, name, last_us in named:
        rows = _rows(connection, instrument, now_us)
        own = checks.get(instrument, [])
        state = BenchState.OVERDUE if name in overdue else _state(connection, lab, instrument, own, last_us)
        declared = next((one for one in lab.instruments if one.name == name), None)
        moves = _drift(rows, declared.tolerance_percent if declared else None)
        documents.append(
            Instrument(
                name=name,
                state=state.value,
                gates=declared is not None and declared.gates,
                tolerance_percent=declared.tolerance_percent if declared else None,
                wide_check_percent=_wide_check(own, declared.tolerance_percent if declared else None),
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
                kind="test instrument",
                sensor=None,
            )
        )
    return documents


def instruments_and_sensors(connection: Connection, lab: Lab, now: datetime) -> list[Instrument]:
    """Return the instruments of the tests, then the humidity sensors, as of `now`."""
    return [*instruments(connection, lab, now), *(_as_instrument(one) for one in sensors(connection, lab, now))]


def _as_instrument(one: Sensor) -> Instrument:
    return Instrument(
        name=one["name"],
        state=one["state"],
        gates=False,
        tolerance_percent=None,
        wide_check_percent=None,
        due_on=None,
        last_tested_at=None,
        drift_percent_year=None,
        longest_days=None,
        calibrations=[],
        checks=[],
        found_off=[],
        capture_days=[],
        kind="humidity sensor",
        sensor=one,
    )


def sheets_found_off(connection: Connection, lab: Lab) -> list[Sheet]:
    """Return what each calibration that found an instrument off has touched."""
    sheets = []
    for instrument, name, _ in connection.exec_driver_sql(INSTRUMENTS_SQL).fetchall():
        rows = _rows(connection, instrument, np.iinfo(np.int64).max)
        declared = next((one for one in lab.instruments if one.name == name), None)
        tolerance = declared.tolerance_percent if declared else None
        pairs = [pair for pair in itertools.pairwise(rows) if _is_off(pair[1], tolerance)]
        if not pairs:
            continue
        own = checks_of(connection, lab, pairs[0][0].done_us, pairs[-1][1].done_us).get(instrument, [])
        for before, after in pairs:
            touched = _touched(connection, lab, instrument, before, after, own, tolerance)
            changed = touched.figures[touched.figures["changes"] > 0]
            assert after.found is not None
            lots = _lots_of(connection, changed)
            good, tolerated = touched.good_us, touched.tolerance
            sheets.append(
                Sheet(int(instrument), str(name), after.done_us, good, touched.good_by, after.found, tolerated, lots)
            )
    return sheets


def _lots_of(connection: Connection, tests: pd.DataFrame) -> list[tuple[str, str]]:
    """Supplier and lot of some tests, each once."""
    if tests.empty:
        return []
    listed, values = among(connection, [(int(lot),) for lot in tests["lot_id"].unique()])
    lots: dict[int, str] = dict(
        connection.exec_driver_sql(f"SELECT id, lot FROM lot WHERE (id) IN {listed}", values).fetchall()
    )
    names = zip(tests["supplier"], tests["lot_id"], strict=True)
    return list(dict.fromkeys((supplier, lots[lot]) for supplier, lot in names))


def _rows(connection: Connection, instrument: int, until_us: int) -> list[_Row]:
    """The calibrations of an instrument up to a moment."""
    return [
        _Row(int(done), due, _percent(found), _percent(left), _percent(uncertainty), certificate)
        for done, due, found, left, uncertainty, certificate in connection.exec_driver_sql(
            CALIBRATION_SQL, (instrument, int(until_us))
        )
    ]


def _state(connection: Connection, lab: Lab, instrument: int, checks: list[Check], last_us: int | None) -> BenchState:
    """The state of an instrument in date: that of its set-up check or its calibration where one came after its last test."""
    calibrations = calibrations_of(connection, lab, [instrument])
    done = [] if calibrations is None else calibrations.get(instrument, [])
    if not checks or checks[-1].at_us < (last_us or 0):
        return _last_state(connection, lab, instrument)
    # A check is a test of its standard, so that its own state is still that of the check before it.
    checked_us = checks[-1].at_us
    mended = any(one.left_right and one.done_us > checked_us for one in done)
    return bench_state(checked_us, checked_us, None if calibrations is None else done, [] if mended else checks)


def _last_state(connection: Connection, lab: Lab, instrument: int) -> BenchState:
    """The state of an instrument in date at its last test; one that was past its date then was calibrated since."""
    last = connection.exec_driver_sql(
        # The state of a test on several instruments is that of the worst of them, which need not be this one.
        "SELECT bench FROM session s WHERE instrument_id = ? AND NOT EXISTS (SELECT 1 FROM session_instrument m WHERE m.session_id = s.id) "
        "ORDER BY started_us DESC, id DESC LIMIT 1",
        (instrument,),
    ).scalar()
    if last == BenchState.OVERDUE:
        return (
            BenchState.UNCHECKED if any(one.expected is not None for one in lab.check_standards) else BenchState.CHECKED
        )
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


def _wide_check(checks: Sequence[Check], tolerance: float | None) -> float | None:
    """The widest tolerance of the set-up checks in percent, where it is wider than that of the instrument."""
    tolerances = [round(100 * one.reading.tolerance, 4) for one in checks if one.reading is not None]
    widest = max(tolerances, default=None)
    return widest if widest is not None and tolerance is not None and widest > tolerance else None


def _tolerance(row: _Row, declared: float | None) -> float | None:
    """The declared tolerance; the expanded uncertainty of the calibration where none is declared."""
    return row.uncertainty if declared is None else declared


def _is_off(row: _Row, declared: float | None) -> bool:
    tolerance = _tolerance(row, declared)
    return row.found is not None and tolerance is not None and abs(row.found) > tolerance


def _drift(rows: list[_Row], declared: float | None) -> tuple[float | None, float | None]:
    """Drift in percent a year, and days for which the instrument stays within its tolerance.

    Each change is that from what one calibration left to what the next one found. The rate is that since the instrument was last adjusted for
    being out of tolerance; None until a calibration since shows it: the fault that was mended is no drift of the instrument as it is. The
    days are of all calibrations, as a fault may come again.
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
    if adjusted == len(changes):
        return None, longest
    rate = drift(changes[adjusted:], days[adjusted:], math.log1p(tolerance / 100)).rate
    return round(100 * math.expm1(365.25 * rate), 4), longest


def _touched(
    connection: Connection,
    lab: Lab,
    instrument: int,
    before: _Row,
    after: _Row,
    checks: list[Check],
    declared: float | None,
) -> _Touched:
    """Re-read the levels between two calibrations, of which the second found the instrument off.

    A long history has many tests in such a time, so they are re-read together: one pass for each product and characteristic.
    """
    passed = [
        one.at_us for one in checks if one.outcome is Outcome.PASSED and before.done_us < one.at_us <= after.done_us
    ]
    good = max([before.done_us, *passed])
    tolerance = _tolerance(after, declared)
    assert after.found is not None
    assert tolerance is not None
    figures = fetch_frame(connection, FIGURES_SQL, (instrument, instrument, before.done_us, after.done_us), FIGURES)
    streams = {
        int(stream): names
        for stream, *names in connection.exec_driver_sql("SELECT id, supplier, product, characteristic FROM stream")
    }
    for place, name in enumerate(("supplier", "product", "characteristic")):
        figures[name] = figures["stream_id"].map({stream: each[place] for stream, each in streams.items()})
    standards = {stream for stream, each in streams.items() if lab.is_check_standard(each[0], each[1])}
    kept = ~figures["stream_id"].isin(standards).to_numpy()
    figures = figures[kept].reset_index(drop=True)
    level, started = figures["level"].to_numpy(), figures["started_us"].to_numpy()
    again = np.zeros((4, len(figures)))
    streams_of = figures.groupby(["product", "characteristic"], sort=False).indices
    for names, places in streams_of.items():
        product, characteristic = cast("tuple[str, str]", names)
        periods = np.searchsorted(_new_limits_us(lab, product, characteristic), started[places], side="right")
        for period in np.unique(periods):
            rows = places[periods == period]
            limits = lab.limits_at(product, characteristic, from_microseconds(int(started[rows[0]])))
            result = affected(
                level[rows], started[rows], 1 + after.found / 100, found=after.done_us, good=good,
                calibrated=before.done_us, lower=limits.lower, upper=limits.upper,
            )  # fmt: skip
            again[:, rows] = result.after_check, result.straight, result.at_calibration, result.changes
    for name, values in zip(("after_check", "straight", "at_calibration", "changes"), again, strict=True):
        figures[name] = values
    return _Touched(good, "set-up check" if passed else "calibration", tolerance, figures, kept)


def _new_limits_us(lab: Lab, product: str, characteristic: str) -> NDArray[np.int64]:
    """The moments at which other limits come into force, in order."""
    days = {step.start for side in SIDES for step in lab.limit_steps(product, characteristic, side)} - {None}
    return np.array(
        sorted(microseconds(datetime.combine(day, time(), tzinfo=lab.zone)) for day in days if day), dtype=np.int64
    )


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
    touched = _touched(connection, lab, instrument, before, after, checks, declared)
    names = connection.exec_driver_sql(NAMES_SQL, (instrument, instrument, before.done_us, after.done_us)).fetchall()
    digits = stored_digits(connection, touched.figures["stream_id"].tolist())
    named = [row for row, is_kept in zip(names, touched.kept, strict=True) if is_kept]
    lots = []
    for one, (verdict, lot) in zip(touched.figures.to_dict("records"), named, strict=True):
        started = int(one["started_us"])
        tested = from_microseconds(started).astimezone(lab.zone)
        lots.append(
            TouchedLot(
                supplier=one["supplier"],
                product=one["product"],
                characteristic=one["characteristic"],
                lot=lot,
                unit=lab.characteristic(one["characteristic"]).unit,
                digits=digits[one["stream_id"]],
                tested_at=iso(started, lab.zone),
                quarter=f"{tested.year}-Q{(tested.month + 2) // 3}",
                verdict=Verdict(verdict),
                level=one["level"],
                after_check=one["after_check"],
                straight=one["straight"],
                at_calibration=one["at_calibration"],
                changes=int(one["changes"]),
            )
        )
    # Those of one moment in the order of their names.
    moments = touched.figures["started_us"].tolist()
    order = sorted(range(len(lots)), key=lambda place: (-lots[place]["changes"], moments[place], lots[place]["lot"]))
    assert after.found is not None
    return {
        "found_at": iso(after.done_us, lab.zone),
        "deviation_percent": after.found,
        "tolerance_percent": touched.tolerance,
        "good_at": iso(touched.good_us, lab.zone),
        "good_by": touched.good_by,
        "calibrated_at": iso(before.done_us, lab.zone),
        "lots": [lots[place] for place in order],
    }
