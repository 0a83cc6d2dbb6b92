"""The parts of a test report beside the readings: chamber record, instrument, calibration, set-up checks, deviations.

The records are those of the day of the test. What came to light later stands among the deviations, with its day.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime

import numpy as np
from sqlalchemy import Connection

from ingest.common.instants import HOUR_US, from_microseconds, microseconds, printed_day
from ingest.common.number_format import signed
from ingest.common.text import printable
from ingest.config.lab import Lab
from ingest.documents.lot import Session
from ingest.documents.served import iso
from ingest.documents.verdict.report import ChamberRecord, ReportCalibration, ReportCheck, ReportEquipment
from ingest.evaluation.alert_text import off_span
from ingest.parsing.rows.load_rows import LAID
from ingest.sessions.instrument_records import check_reach_us, checks_for, checks_of
from ingest.sessions.load_conditioning import load_of_test
from ingest.sessions.load_records import stays_in_store

__all__ = ["chamber_record", "deviations", "equipment"]

EARLIER_TESTS, FEWEST_TESTS = 25, 3
USUAL_VOLTAGE = 1000.0
MINUTE_US = HOUR_US // 60
STATES = {
    "short": "not enough hours within tolerance before the test",
    "humid": "the chamber was too humid",
    "dry": "the chamber was too dry",
    "warm": "the chamber was too warm",
    "cold": "the chamber was too cold",
    "unlogged": "no complete log of the air around the bags up to the test: a gap in the chamber log, or the load had been taken out",
    "instrument": "the instrument was overdue for calibration or failed its set-up check",
}
BENCH = {
    "unchecked": "No record shows that the instrument was right that day: calibration or set-up check missing.",
    "overdue": "The instrument was past the due date of its calibration.",
    "failed": "The set-up check of the instrument was out of tolerance.",
}


def equipment(connection: Connection, lab: Lab, session: Session) -> ReportEquipment:
    """The instrument of a session as of its day: last calibration, the set-up checks that decide its state, the state."""
    number = _label(connection, "instrument", session["instrument"])
    started, ended = (_us(session[key]) for key in ("tested_at", "ended_at"))
    last = None
    if number is not None:
        last = connection.exec_driver_sql(
            "SELECT done_us, due_on, as_found, as_left, uncertainty, certificate FROM calibration "
            "WHERE instrument_id = ? AND done_us <= ? ORDER BY done_us DESC LIMIT 1",
            (number, started),
        ).first()
    return {
        "instrument": session["instrument"],
        "state": session["bench"]["state"],
        "certificate_percent": 100 * lab.instrument_share(session["instrument"]),
        "calibration": None
        if last is None
        else ReportCalibration(
            done_at=iso(last[0], lab.zone),
            due_on=last[1] or None,
            as_found=float(last[2]) if last[2] else None,
            as_left=float(last[3]) if last[3] else None,
            uncertainty=float(last[4]) if last[4] else None,
            certificate=last[5],
        ),
        "checks": [] if number is None else _checks(connection, lab, session["characteristic"], number, started, ended),
        "checks_declared": checks_for(lab, [], session["characteristic"]) is not None,
    }


def _checks(
    connection: Connection, lab: Lab, characteristic: str, instrument: int, started: int, ended: int
) -> list[ReportCheck]:
    reach = check_reach_us(lab)
    own = checks_of(connection, lab, started - reach, ended + reach).get(instrument, [])
    counted = checks_for(lab, own, characteristic) or []
    before = [one for one in counted if 0 <= started - one.at_us <= one.before_us]
    after = [one for one in counted if one.after and 0 < one.at_us - ended <= one.before_us]
    return [
        *(ReportCheck(at=iso(one.at_us, lab.zone), when="before", outcome=one.outcome.value) for one in before[-1:]),
        *(ReportCheck(at=iso(one.at_us, lab.zone), when="after", outcome=one.outcome.value) for one in after[:1]),
    ]


def chamber_record(connection: Connection, lab: Lab, session: Session, lot_id: int) -> ChamberRecord | None:
    """The log of the chamber over the hours that the conditioning needs, and its sensors; None where no conditioning is needed."""
    needed = lab.conditioning_for(session["characteristic"])
    if needed is None:
        return None
    declared = lab.chamber(session["chamber"])
    until = _us(session["tested_at"])
    loaded = session["conditioning"]["loaded_at"]
    begin = until - round(needed.hours * HOUR_US)
    if loaded is not None:
        begin = max(min(_us(loaded), begin), until - 30 * 24 * HOUR_US)
    number = _label(connection, "chamber", session["chamber"])
    rows = connection.exec_driver_sql(
        "SELECT logged_us, humidity_percent, temperature_c FROM climate WHERE chamber_id = ? AND logged_us >= ? AND logged_us <= ? "
        "ORDER BY logged_us",
        (number if number is not None else -1, begin, until),
    ).fetchall()
    log = np.array(rows, dtype=np.float64).reshape(-1, 3)
    gaps = np.diff(np.concatenate([[begin], log[:, 0], [until]])) if len(log) else np.empty(0)

    def figures(column: int) -> tuple[float, float, float] | None:
        if not len(log):
            return None
        values = log[:, column]
        return float(values.min()), float(values.mean()), float(values.max())

    return {
        "chamber": session["chamber"],
        "from_at": iso(begin, lab.zone),
        "until_at": iso(until, lab.zone),
        "loaded_at": loaded,
        "out_at": iso(_out_us(connection, session, lot_id, round(needed.out_minutes * MINUTE_US)), lab.zone),
        "entries": len(log),
        "longest_gap_minutes": float(gaps.max() / MINUTE_US) if gaps.size else None,
        "humidity": figures(1),
        "temperature": figures(2),
        "sensor_uncertainty": declared.sensor_uncertainty,
        "second_sensor": declared.second,
        "laid": _laid(connection, session, lot_id),
    }


def _out_us(connection: Connection, session: Session, lot_id: int, out_us: int) -> int | None:
    """When the bags of a test left the chamber into which they had gone; None without a record."""
    load, started = _load(connection, session), _us(session["tested_at"])
    if load is None or session["conditioning"]["loaded_at"] is None:
        return None
    loads = stays_in_store(connection, [load], [lot_id]).get((load, lot_id), [])
    stays = load_of_test(loads, started, out_us) if loads else ()
    before = [stay for stay in stays if stay.from_us <= started]
    return before[-1].to_us if before else None


def _laid(connection: Connection, session: Session, lot_id: int) -> str:
    """How the bags lay in the chamber, by the record of loads; empty where it does not say."""
    number, loaded = _load(connection, session), session["conditioning"]["loaded_at"]
    if number is None:
        return ""
    # A test that names no load belongs to the one that names its lot and went in when its hours began.
    laid = connection.exec_driver_sql(
        "SELECT max(laid) FROM load_event WHERE at_us <= ? AND (load_id = ? OR ? = '' AND load_id IN "
        "(SELECT load_id FROM load_event WHERE lot_id = ?) AND load_id IN (SELECT load_id FROM load_event WHERE at_us = ?))",
        (_us(session["tested_at"]), number, session["load"], lot_id, -1 if loaded is None else _us(loaded)),
    ).scalar()
    return LAID[int(laid or 0)]


def deviations(
    connection: Connection, lab: Lab, session: Session, lot_id: int, earlier: Sequence[Session]
) -> list[str]:
    """What differs from the usual test, as far as the records show it; `earlier` are the tests of the lot before this one."""
    lines = [
        *_of_conditioning(connection, session, lot_id),
        *_of_order(earlier),
        *_of_bags(connection, lab, session, lot_id),
        *_of_readings(session),
        *_of_instrument(connection, lab, session),
    ]
    return [printable(line) for line in lines]


def _of_conditioning(connection: Connection, session: Session, lot_id: int) -> Iterator[str]:
    conditioning = session["conditioning"]
    if conditioning["state"] != "valid":
        yield f"Not a valid test: {STATES[conditioning['state']]}."
    if not conditioning["required"]:
        return
    if conditioning["clock"] == "chamber":
        yield "The hours are those of the chamber: no record says when the bags went in."
    if conditioning["doors"]:
        openings = "once" if conditioning["doors"] == 1 else f"{conditioning['doors']} times"
        yield f"The door of the chamber was opened {openings}, within what the laboratory allows."
    if _laid(connection, session, lot_id) == "closed":
        yield "The bags lay closed in the chamber."


def _of_order(earlier: Sequence[Session]) -> Iterator[str]:
    if earlier:
        yield (
            f"Test {len(earlier) + 1} of this lot; the first was on {printed_day(datetime.fromisoformat(earlier[0]['tested_at']))}, with the "
            f"result {earlier[0]['verdict']}. No test replaces another."
        )


def _of_bags(connection: Connection, lab: Lab, session: Session, lot_id: int) -> Iterator[str]:
    usual_bags, usual_readings = _usual_numbers(connection, session, lot_id)
    if usual_bags is not None and session["bags"] < usual_bags:
        yield f"{_number(session['bags'], 'bag')} tested; most earlier tests of this product had {usual_bags}."
    bags = [one["specimen"] for one in session["readings"]]
    sizes = sorted(Counter(bags).values())
    if sizes and sizes[0] != sizes[-1]:
        yield f"The bags have different numbers of readings, from {sizes[0]} to {sizes[-1]}."
    if sizes and usual_readings is not None and sizes[-1] < usual_readings:
        yield f"{_number(sizes[-1], 'reading')} a bag; most earlier tests of this product had {usual_readings}."
    if not session["unit"].endswith("J"):
        return
    if lab.shielding_source is not None and lab.shielding_source.voltage_v != USUAL_VOLTAGE:
        yield f"Discharges of {lab.shielding_source.voltage_v:g} V instead of {USUAL_VOLTAGE:g} V."


def _number(count: int, one: str) -> str:
    return f"1 {one}" if count == 1 else f"{count} {one}s"


def _usual_numbers(connection: Connection, session: Session, lot_id: int) -> tuple[int | None, int | None]:
    """Bags, and readings a bag, of most earlier tests of the product; None where these are few or have no usual number.

    No number is declared, so that what the laboratory does is the only measure of a deviation.
    """
    rows = connection.exec_driver_sql(
        "SELECT s.bags, s.readings_per_bag FROM session s JOIN stream t ON t.id = s.stream_id JOIN lot l ON l.supplier = t.supplier "
        "AND l.product = t.product WHERE l.id = ? AND t.characteristic = ? AND s.started_us < ? AND s.conditioning = 'valid' "
        f"ORDER BY s.started_us DESC LIMIT {EARLIER_TESTS}",
        (lot_id, session["characteristic"], _us(session["tested_at"])),
    ).fetchall()
    return _most(bags for bags, _ in rows), _most(round(readings) for _, readings in rows if readings is not None)


def _most(numbers: Iterable[int]) -> int | None:
    """The number that more than half of them have; None where they are few or no number is so frequent."""
    values = list(numbers)
    if len(values) < FEWEST_TESTS:
        return None
    number, times = Counter(values).most_common(1)[0]
    return int(number) if 2 * times > len(values) else None


def _of_readings(session: Session) -> Iterator[str]:
    bounded = sum(one["bound"] != 0 for one in session["readings"])
    if bounded:
        yield f"{bounded} readings beyond the range of the meter, given as written."
    corrected = sum(one["state"] == "corrected" for one in session["readings"])
    if corrected:
        yield f"{corrected} readings corrected after the test; earlier values are kept."
    if session["mark"] is not None and session["mark"]["settled"] != "stands as written":
        yield f"Suspect values: {session['mark']['told']}."


def _of_instrument(connection: Connection, lab: Lab, session: Session) -> Iterator[str]:
    state = session["bench"]["state"]
    if state in BENCH and session["conditioning"]["state"] != "instrument":
        yield BENCH[state]
    yield from _found_later(connection, lab, session)
    for mark in session["bench_findings"]:
        size = "" if mark["size"] is None else f" by {signed(mark['size'], '.2g')} {mark['size_unit']}"
        first, last = (_printed(mark[end]) for end in ("off_from_at", "off_until_at"))
        verb = "was not known to be right" if mark["size"] is None else f"was off{size}"
        span = off_span(mark["shown_by"], first, last)
        yield f"By a finding of the laboratory, {mark['source']} {verb} {span}. Values are given as read."


def _printed(stamp: str | None) -> str | None:
    return None if stamp is None else printed_day(datetime.fromisoformat(stamp))


def _found_later(connection: Connection, lab: Lab, session: Session) -> Iterator[str]:
    """The next calibration after the test, where it found the instrument off by more than its tolerance."""
    number = _label(connection, "instrument", session["instrument"])
    if number is None:
        return
    row = connection.exec_driver_sql(
        "SELECT done_us, as_found, uncertainty FROM calibration WHERE instrument_id = ? AND done_us > ? ORDER BY done_us LIMIT 1",
        (number, _us(session["tested_at"])),
    ).first()
    declared = next((one.tolerance_percent for one in lab.instruments if one.name == session["instrument"]), None)
    if row is None or not row[1]:
        return
    tolerance = declared if declared is not None else float(row[2]) if row[2] else None
    if tolerance is not None and abs(float(row[1])) > tolerance:
        day = printed_day(from_microseconds(row[0]).astimezone(lab.zone))
        yield (
            f"The next calibration ({day}) found the instrument {signed(float(row[1]), 'g')} % off, beyond its tolerance of {tolerance:g} %. "
            "Values are given as read."
        )


def _load(connection: Connection, session: Session) -> int | None:
    """The number of the load that a test names; a blank name has one too."""
    number = connection.exec_driver_sql("SELECT id FROM label WHERE kind = 'load' AND text = ?", (session["load"],))
    return number.scalar()


def _label(connection: Connection, kind: str, text: str) -> int | None:
    if not text:
        return None
    lines = connection.exec_driver_sql("SELECT id FROM label WHERE kind = ? AND text = ?", (kind, text)).scalar()
    return None if lines is None else int(lines)


def _us(moment: str) -> int:
    return microseconds(datetime.fromisoformat(moment))
