"""Calibrations and set-up checks in the store, and the state of the instrument of each session."""

from __future__ import annotations

import math
from collections import defaultdict

import pandas as pd
from sqlalchemy import Connection

from ingest.common.instants import HOUR_US
from ingest.config.lab import Lab
from ingest.sessions.bench_state import BenchState, Calibration, Check, bench_state, check_outcome, read_again
from ingest.sessions.calibration_due import end_of_day_us
from ingest.store.dialect import among

__all__ = [
    "adjustments_of",
    "bench_states",
    "calibrations_of",
    "check_reach_us",
    "check_streams",
    "checks_for",
    "checks_of",
]

CALIBRATION_SQL = (
    "SELECT c.instrument_id, c.done_us, c.due_on, c.as_found, c.as_left, c.uncertainty, n.text FROM calibration c "
    "JOIN label n ON n.id = c.instrument_id WHERE (c.instrument_id) IN {} ORDER BY c.instrument_id, c.done_us"
)
FIGURES_SQL = (
    "SELECT c.done_us, c.as_found, c.as_left, c.uncertainty FROM calibration c JOIN label n ON n.id = c.instrument_id "
    "WHERE n.text = ? ORDER BY c.done_us"
)
# From the check before the first moment on: whether a check is the second in a row depends on it.
CHECK_SQL = """
SELECT s.instrument_id, s.ended_us, s.level, s.bag_variance, s.reading_variance, s.bags, s.readings, t.supplier, t.product, t.characteristic,
s.stream_id
FROM session s JOIN stream t ON t.id = s.stream_id
LEFT JOIN (SELECT stream_id, instrument_id, max(started_us) AS last_us FROM session WHERE stream_id IN ({streams}) AND started_us < ?
GROUP BY stream_id, instrument_id) b ON b.stream_id = s.stream_id AND b.instrument_id = s.instrument_id
WHERE s.stream_id IN ({streams}) AND s.started_us BETWEEN coalesce(b.last_us, ?) AND ? ORDER BY s.ended_us, s.id
"""
CALIBRATED_SQL = "SELECT instrument_id, done_us FROM calibration WHERE done_us <= ? ORDER BY done_us"


def check_streams(connection: Connection, lab: Lab) -> dict[int, tuple[str, str]]:
    """Return the streams of the check standards that declare an expected value: id to supplier and product."""
    declared = {(one.supplier, one.product) for one in lab.check_standards if one.expected is not None}
    if not declared:
        return {}
    rows = connection.exec_driver_sql("SELECT id, supplier, product FROM stream").fetchall()
    return {int(row[0]): (row[1], row[2]) for row in rows if (row[1], row[2]) in declared}


def check_reach_us(lab: Lab) -> int:
    """How far from a session, before or after it, a set-up check may lie that decides its state."""
    return round(
        max((one.before_hours for one in lab.check_standards if one.expected is not None), default=0.0) * HOUR_US
    )


def bench_states(connection: Connection, lab: Lab, sessions: pd.DataFrame) -> list[BenchState]:
    """Return the state of the instrument of each session.

    `sessions` has the columns instrument_id, characteristic, started_us and ended_us.
    """
    instruments = sorted(set(sessions["instrument_id"].tolist()))
    calibrations = calibrations_of(connection, lab, instruments)
    reach = check_reach_us(lab)
    checks = checks_of(
        connection, lab, int(sessions["started_us"].min()) - reach, int(sessions["ended_us"].max()) + reach
    )
    columns = ["instrument_id", "characteristic", "started_us", "ended_us"]
    return [
        bench_state(
            int(started),
            int(ended),
            None if calibrations is None else calibrations.get(instrument, []),
            checks_for(lab, checks.get(instrument, []), characteristic),
        )
        for instrument, characteristic, started, ended in sessions[columns].itertuples(index=False, name=None)
    ]


def checks_for(lab: Lab, checks: list[Check], characteristic: str) -> list[Check] | None:
    """Return the checks that count for a characteristic; None where the lab declares none for it."""
    rules = [one.characteristics for one in lab.check_standards if one.expected is not None]
    if not any(not names or characteristic in names for names in rules):
        return None
    return [one for one in checks if not one.characteristics or characteristic in one.characteristics]


def calibrations_of(connection: Connection, lab: Lab, instruments: list[int]) -> dict[int, list[Calibration]] | None:
    """Return the calibrations of these instruments; None where the store has none of any instrument."""
    if connection.exec_driver_sql("SELECT 1 FROM calibration LIMIT 1").first() is None:
        return None
    listed, values = among(connection, [(one,) for one in instruments])
    result: dict[int, list[Calibration]] = defaultdict(list)
    for instrument, done, due, before, after, uncertainty, name in connection.exec_driver_sql(
        CALIBRATION_SQL.format(listed), values
    ):
        tolerance, last = _tolerance(lab, name, uncertainty), after or before
        is_right = bool(last) and tolerance is not None and abs(float(last)) <= tolerance
        result[instrument].append(Calibration(int(done), end_of_day_us(due, lab) if due else None, is_right))
    return result


def adjustments_of(connection: Connection, lab: Lab, instrument: str) -> list[tuple[int, float]]:
    """Return the calibrations that adjusted an instrument: when, and the deviation as found, in percent.

    They found it outside its tolerance and left it inside.
    """
    result = []
    for done, before, after, uncertainty in connection.exec_driver_sql(FIGURES_SQL, (instrument,)):
        tolerance = _tolerance(lab, instrument, uncertainty)
        if tolerance is not None and before and after and abs(float(after)) <= tolerance < abs(float(before)):
            result.append((int(done), float(before)))
    return result


def _tolerance(lab: Lab, instrument: str, uncertainty: str) -> float | None:
    """The declared tolerance of an instrument in percent, else the uncertainty of the calibration."""
    declared = next((one.tolerance_percent for one in lab.instruments if one.name == instrument), None)
    return declared if declared is not None else float(uncertainty) if uncertainty else None


def checks_of(connection: Connection, lab: Lab, first_us: int, last_us: int) -> dict[int, list[Check]]:
    """Return the set-up checks of each instrument that ended between two moments, in the order of time.

    The check before the first moment is read too, as the outcome of the next can depend on it.
    """
    streams = check_streams(connection, lab)
    rules = {(one.supplier, one.product): one for one in lab.check_standards if one.expected is not None}
    if not streams:
        return {}
    rows: dict[tuple[int, int], list[Check]] = defaultdict(list)
    sql = CHECK_SQL.format(streams=", ".join("?" * len(streams)))
    for row in connection.exec_driver_sql(sql, (*streams, first_us, *streams, first_us, last_us)):
        (
            instrument,
            at,
            level,
            bag_variance,
            reading_variance,
            bags,
            readings,
            supplier,
            product,
            characteristic,
            stream,
        ) = row
        rule = rules[supplier, product]
        assert rule.expected is not None
        outcome, reading = check_outcome(
            float("nan") if level is None else _log_level(level, lab, characteristic),
            (bag_variance or 0.0) / bags + (reading_variance or 0.0) / readings,
            rule.expected,
            rule.tolerance_percent,
        )
        rows[int(instrument), int(stream)].append(
            Check(
                int(at),
                outcome,
                round(rule.before_hours * HOUR_US),
                rule.after,
                frozenset(rule.characteristics),
                reading,
            )
        )
    calibrated: dict[int, list[int]] = defaultdict(list)
    for instrument, done_us in connection.exec_driver_sql(CALIBRATED_SQL, (last_us,)):
        calibrated[int(instrument)].append(int(done_us))
    result: dict[int, list[Check]] = defaultdict(list)
    for (instrument, _), own in rows.items():
        result[instrument] += [one for one in read_again(own, calibrated[instrument]) if one.at_us >= first_us]
    return {instrument: sorted(checks, key=lambda one: one.at_us) for instrument, checks in result.items()}


def _log_level(level: float, lab: Lab, characteristic: str) -> float:
    """The natural log of a level on the scale of its chart."""
    return (
        level if lab.characteristic(characteristic).scale == "log" else math.log(level) if level > 0 else float("nan")
    )
