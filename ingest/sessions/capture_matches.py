"""Captures and readings: which reading a capture belongs to, and what recorded and recomputed energies say of each other.

The recorded figure stays the record. A match is looked for again whenever captures or readings of a lot are new, so that either may come
first.
"""

from __future__ import annotations

import json
import math
import re
from collections import defaultdict
from collections.abc import Sequence
from typing import Any, cast

import numpy as np
from sqlalchemy import Connection, RowMapping, text

from ingest.common.instants import day_number, day_of, from_microseconds
from ingest.config.lab import Lab, Limits
from ingest.documents.bench.capture import CaptureDay, SessionCapture, SessionCaptures
from ingest.documents.bench.waveform import WaveformMark
from ingest.documents.fields import Bound
from ingest.parsing.rows.capture_rows import NO_DAY
from ingest.sessions.sessions import READINGS_OF_SESSION
from ingest.store.dialect import among
from ingest.store.store import insert_many
from spc.bench.waveform import Agreement, agreement, budget, causes_of_ratio
from spc.kernels.columns import Rows
from spc.stream.verdicts import judge_rows
from spc.vocabulary.enums import Scale, Verdict

__all__ = ["captures_of_session", "days_off", "match_captures", "unmatched_lines"]

UNIT = "nJ"
DECIDED = (Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED)
# The budget of a capture where a source declares no uncertainty, half-widths as fractions: resistor 1 %, gain 2 %, bandwidth 1 %.
USUAL = budget(0.01, 0.02, 0.0001, 0.01, 0.0, 0.0).shared
NUMBER = re.compile(r"(\d*)[.,]?(\d*)")

STALE_SQL = """
INSERT INTO stale_capture SELECT DISTINCT n.id FROM stale_lot s JOIN lot l ON l.id = s.lot_id
JOIN captured_lot n ON n.supplier = l.supplier AND n.lot = l.lot WHERE true ON CONFLICT DO NOTHING
"""
PAIRS_SQL = """
SELECT t.id, l.id, t.characteristic FROM captured_lot n JOIN lot l ON l.supplier = n.supplier AND l.lot = n.lot
JOIN stream t ON t.supplier = l.supplier AND t.product = l.product WHERE n.id = ? ORDER BY t.id, l.id
"""
READINGS_SQL = """
SELECT stream_id, lot_id, tested_us, specimen, reading, instrument_id, value, bound, written FROM reading
WHERE (stream_id, lot_id) IN {} ORDER BY stream_id, lot_id, tested_us
"""
CAPTURES_SQL = "SELECT day, specimen, reading, energy, bound, sd FROM capture WHERE captured_lot_id = ? ORDER BY day, specimen, reading"
MATCH_COLUMNS = (
    "captured_lot_id", "day", "specimen", "reading", "fitting_readings", "stream_id", "lot_id", "tested_us", "instrument_id", "tested_day",
    "log_ratio", "noise",
)  # fmt: skip
MATCH_SQL = f"INSERT INTO capture_match ({', '.join(MATCH_COLUMNS)}) VALUES ({', '.join('?' * len(MATCH_COLUMNS))})"
SESSION_SQL = f"""
SELECT c.captured_lot_id, c.day, c.specimen, c.reading, c.energy, c.bound, c.sd, c.peak, c.charge, c.centroid, c.rise, c.decay, c.marks, c.trace, c.line,
d.name AS file, m.log_ratio, m.tested_us, m.tested_day, m.instrument_id, r.value AS recorded, r.bound AS recorded_bound
FROM session s JOIN reading r ON {READINGS_OF_SESSION}
JOIN capture_match m ON m.stream_id = r.stream_id AND m.lot_id = r.lot_id AND m.tested_us = r.tested_us AND m.specimen = r.specimen
  AND m.reading = r.reading
JOIN capture c ON c.captured_lot_id = m.captured_lot_id AND c.day = m.day AND c.specimen = m.specimen
  AND c.reading = m.reading
JOIN "drop" d ON d.id = c.drop_id
WHERE s.id = :session
ORDER BY c.specimen, c.reading, m.tested_us
"""


# In the round


def match_captures(connection: Connection, lab: Lab) -> None:
    """Look again for the readings of lots with new captures or new readings; before the sessions of those lots are rebuilt."""
    connection.exec_driver_sql(STALE_SQL)
    energies = {one.name for one in lab.characteristics if one.unit == UNIT}
    for captured in connection.exec_driver_sql("SELECT captured_lot_id FROM stale_capture ORDER BY 1").scalars().all():
        readings = _readings_of(connection, captured, energies)
        rows = [
            _match(captured, capture, readings, lab)
            for capture in connection.exec_driver_sql(CAPTURES_SQL, (captured,)).fetchall()
        ]
        connection.exec_driver_sql("DELETE FROM capture_match WHERE captured_lot_id = ?", (captured,))
        insert_many(connection, MATCH_SQL, rows)
    connection.exec_driver_sql("DELETE FROM stale_capture")


def _readings_of(connection: Connection, captured: int, energies: set[str]) -> dict[tuple[int, int], list[Any]]:
    """The readings of a captured lot, by specimen and reading."""
    pairs = [
        (int(stream), int(lot))
        for stream, lot, name in connection.exec_driver_sql(PAIRS_SQL, (captured,)).fetchall()
        if name in energies
    ]
    fitting_readings: dict[tuple[int, int], list[Any]] = defaultdict(list)
    if pairs:
        wanted, values = among(connection, pairs)
        for row in connection.exec_driver_sql(READINGS_SQL.format(wanted), values):
            fitting_readings[row.specimen, row.reading].append(row)
    return fitting_readings


def _match(captured: int, capture: Any, readings: dict[tuple[int, int], list[Any]], lab: Lab) -> tuple[Any, ...]:
    days = [(row, _day(row.tested_us, lab)) for row in readings.get((capture.specimen, capture.reading), [])]
    fitting = [(row, day) for row, day in days if capture.day in (NO_DAY, day)]
    key = (captured, capture.day, capture.specimen, capture.reading, len(fitting))
    if len(fitting) != 1:
        return (*key, *[None] * 7)
    ((row, day),) = fitting
    log_ratio = noise = None
    if capture.energy and capture.bound == 0 and row.bound == 0 and row.value > 0:
        log_ratio = math.log(row.value / capture.energy)
        noise = math.hypot((capture.sd or 0.0) / capture.energy, _last_digit(row.written))
    return (*key, row.stream_id, row.lot_id, row.tested_us, row.instrument_id, day, log_ratio, noise)


def _day(tested_us: int, lab: Lab) -> int:
    return day_number(from_microseconds(tested_us).astimezone(lab.zone).date())


def _last_digit(written: str) -> float:
    """Relative standard uncertainty of a figure by its last digit (rectangular); 0 where it can't be told."""
    match = NUMBER.search(written.lstrip("<> "))
    digits = f"{match[1]}{match[2]}".lstrip("0") if match else ""
    return 1 / math.sqrt(12) / int(digits) if digits else 0.0


def unmatched_lines(connection: Connection) -> list[str]:
    """One line on captures without a reading, and one on those that fit several."""
    none, several = (
        connection.exec_driver_sql(f"SELECT count(*) FROM capture_match WHERE fitting_readings {which}").scalar_one()
        for which in ("= 0", "> 1")
    )
    lines = []
    if none:
        some = "1 capture has" if none == 1 else f"{none:,} captures have"
        lines.append(
            f"waveforms: {some} no reading in {UNIT} yet; bring the test results, or correct supplier, lot, specimen and reading of the captures"
        )
    if several:
        some = "1 capture fits" if several == 1 else f"{several:,} captures fit"
        lines.append(f"waveforms: {some} readings of several tests; name the day of the test, such as {{day}} in names")
    return lines


# For the documents


def _shared(lab: Lab, instrument: str) -> float:
    """Relative standard uncertainty of the ratio that all discharges of a day share."""
    declared = [one.uncertainty_percent for one in lab.sources if one.uncertainty_percent is not None]
    tester = next((one.uncertainty_percent for one in lab.instruments if one.name == instrument), 0.0)
    return math.hypot(max(declared) / 200 if declared else USUAL, tester / 100)


def _day_document(day: int, agreed: Agreement, captures: int) -> CaptureDay:
    ratio = math.exp(agreed.median)
    return {
        "day": day_of(day).isoformat(),
        "captures": captures,
        "ratio": ratio,
        "uncertainty": agreed.uncertainty,
        "is_off": agreed.is_off,
        "causes": causes_of_ratio(ratio, max(agreed.uncertainty, 0.1)) if agreed.is_off else [],
    }


def days_off(connection: Connection, lab: Lab, instrument: int, name: str, now_us: int) -> list[CaptureDay]:
    """Return the days on which the recorded energies of an instrument differ from the captures by a factor; the latest first."""
    rows = connection.exec_driver_sql(
        "SELECT tested_day, log_ratio, noise FROM capture_match WHERE instrument_id = ? AND tested_us <= ? AND log_ratio IS NOT NULL",
        (instrument, now_us),
    ).fetchall()
    by_day: dict[int, list[Any]] = defaultdict(list)
    for row in rows:
        by_day[row.tested_day].append(row)
    shared = _shared(lab, name)
    days = [
        _day_document(day, agreement([row.log_ratio for row in some], [row.noise for row in some], shared), len(some))
        for day, some in sorted(by_day.items())
    ]
    return [one for one in reversed(days) if one["is_off"]]


def captures_of_session(
    connection: Connection, lab: Lab, session: RowMapping, limits: Limits, readings: int
) -> SessionCaptures | None:
    """Return the captures of a session beside its recorded figures; None where it has none."""
    rows = connection.execute(text(SESSION_SQL), {"session": session["id"]}).mappings().all()
    if not rows:
        return None
    days = [
        _day_of_instrument(connection, lab, *place)
        for place in dict.fromkeys((row["instrument_id"], row["tested_day"]) for row in rows)
    ]
    far = set().union(*(keys for _, keys in days))
    ratios = [row["log_ratio"] for row in rows if row["log_ratio"] is not None]
    recomputed = verdict = None
    if ratios and session["judged"] is not None:
        recomputed = session["judged"] / math.exp(_ratio_of_session(rows, readings))
        verdict = _verdict(recomputed, limits) if session["verdict"] in DECIDED else None
    return {
        "readings": readings,
        "captures": [_capture(row, far) for row in rows],
        "agreement": next((day for day, _ in days if day is not None), None),
        "recomputed": recomputed,
        "verdict": verdict,
        "is_another_verdict": verdict is not None and verdict != _verdict(session["judged"], limits),
    }


def _day_of_instrument(
    connection: Connection, lab: Lab, instrument: int, day: int
) -> tuple[CaptureDay | None, set[tuple[int, ...]]]:
    """The captures of an instrument on a day, and the keys of those that are far from the others."""
    rows = connection.exec_driver_sql(
        "SELECT captured_lot_id, day, specimen, reading, log_ratio, noise FROM capture_match "
        "WHERE instrument_id = ? AND tested_day = ? AND log_ratio IS NOT NULL",
        (instrument, day),
    ).fetchall()
    if not rows:
        return None, set()
    name = connection.exec_driver_sql("SELECT text FROM label WHERE id = ?", (instrument,)).scalar_one()
    agreed = agreement([row.log_ratio for row in rows], [row.noise for row in rows], _shared(lab, name))
    far = {tuple(row)[:4] for row, is_far in zip(rows, agreed.far, strict=True) if is_far}
    return _day_document(day, agreed, len(rows)), far


def _ratio_of_session(rows: Sequence[RowMapping], readings: int) -> float:
    """ln(recorded / recomputed) of the session: the mean over bags where every reading was captured, else the median of those that were."""
    by_bag: dict[int, list[float]] = defaultdict(list)
    for row in rows:
        if row["log_ratio"] is not None:
            by_bag[row["specimen"]].append(row["log_ratio"])
    values = [value for bag in by_bag.values() for value in bag]
    if len(values) == readings:
        return float(np.mean([np.mean(bag) for bag in by_bag.values()]))
    return float(np.median(values))


def _verdict(value: float, limits: Limits) -> Verdict:
    """On which side of the limits a judged figure lies, without guard band: the decision rule needs the scatter of the readings."""
    figure = dict.fromkeys(("level", "level_low", "level_high", "smallest", "largest"), np.array([value]))
    edges = {
        f"limit_{side}": np.array([np.nan if limit is None else limit])
        for side, limit in (("lower", limits.lower), ("upper", limits.upper))
    }
    columns = judge_rows(Rows(np.arange(1), figure | edges | {"valid": np.array([True])}), Scale.LINEAR, "mean", 0.0)
    return Verdict(columns["verdict"][0])


def _capture(row: RowMapping, far: set[tuple[int, ...]]) -> SessionCapture:
    log_ratio = row["log_ratio"]
    return {
        "specimen": row["specimen"],
        "reading": row["reading"],
        "recorded": row["recorded"],
        "recorded_bound": cast(Bound, row["recorded_bound"]),
        "energy": row["energy"],
        "bound": cast(Bound, row["bound"]),
        "sd": row["sd"],
        "peak": row["peak"],
        "charge": row["charge"],
        "centroid": row["centroid"],
        "rise": row["rise"],
        "decay": row["decay"],
        "marks": [cast(WaveformMark, mark) for mark in row["marks"].split()],
        "ratio": None if log_ratio is None else math.exp(log_ratio),
        "is_far": (row["captured_lot_id"], row["day"], row["specimen"], row["reading"]) in far,
        "file": row["file"],
        "line": row["line"],
        "trace": json.loads(row["trace"]),
    }
