"""Was a test valid: did the chamber log show the conditioning, without a break, up to the test.

Pure: sessions and log entries in, a judgement a session out. The log of a chamber is turned into breaks once; each
session then asks for the latest break before it, by binary search.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from typing import Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ingest.common.instants import HOUR_US, MINUTE_US
from ingest.parsing.timestamps import NO_TIME

__all__ = [
    "BREAKS",
    "FINE",
    "ChamberLog",
    "LastBreak",
    "LogSummary",
    "Rule",
    "State",
    "Tolerance",
    "chamber_log",
    "doors_between",
    "judge",
    "last_break",
    "reach_us",
    "summarise_log",
    "tolerance",
    "without_rule",
]

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

# How far back a log is looked at. Fixed, so that a judgement does not depend on how much of the log happens to be at
# hand; long enough that an excursion of some days is one excursion for all sessions after it.
LOOK_BACK_HOURS = 168
# Humidity is summed in integers of this fraction of a percent: the mean must not depend on where the sum began.
FRACTION = 1e-6


class State(StrEnum):
    """What the chamber log says of a session, in one word."""

    VALID = "valid"
    """The conditioning is shown, unbroken, up to the last reading."""
    SHORT = "short"
    """Within tolerance, but the log begins too late to show the hours."""
    HUMID = "humid"
    """Humidity above tolerance."""
    DRY = "dry"
    """Humidity below tolerance."""
    WARM = "warm"
    """Temperature above tolerance."""
    COLD = "cold"
    """Temperature below tolerance."""
    UNLOGGED = "unlogged"
    """No log, or a silence of the logger."""
    INSTRUMENT = "instrument"
    """The log shows the conditioning, and an instrument that gates its tests was overdue or failed its set-up check."""


FINE = 0
BREAKS = (State.HUMID, State.DRY, State.WARM, State.COLD)
OUTCOMES = (State.VALID, *BREAKS, State.SHORT, State.UNLOGGED)
SHORT, UNLOGGED = OUTCOMES.index(State.SHORT), OUTCOMES.index(State.UNLOGGED)


class Rule(Protocol):
    """What a valid test needs; percent, degrees Celsius, hours, minutes."""

    @property
    def humidity_percent(self) -> float: ...
    @property
    def humidity_tolerance(self) -> float: ...
    @property
    def temperature_c(self) -> float: ...
    @property
    def temperature_tolerance_c(self) -> float: ...
    @property
    def hours(self) -> float: ...
    @property
    def longest_gap_minutes(self) -> float: ...
    @property
    def door_minutes(self) -> float: ...
    @property
    def door_peak_percent(self) -> float: ...


NO_RULES: Mapping[int, Rule] = {}


@dataclass(frozen=True, slots=True)
class Tolerance:
    """The range that a chamber has to keep; both ends are inside."""

    humidity_low: float
    humidity_high: float
    temperature_low: float
    temperature_high: float


@dataclass(frozen=True, slots=True)
class LogSummary:
    """What a stretch of a chamber's log shows.

    `hours_outside` is the time before each entry out of tolerance, back to the entry before it; a gap, which is counted
    in `gaps`, adds none.
    """

    last_inside: bool
    hours_outside: float
    gaps: int


@dataclass(frozen=True, slots=True, eq=False)
class ChamberLog:
    """One chamber's log in time order, shape (entries,), and its breaks."""

    us: Ints
    humidity: Floats
    # 0 within tolerance, else 1 + the index in BREAKS.
    fault: Ints
    # Whether the silence before the entry is longer than the rule allows.
    after_gap: NDArray[np.bool_]
    # First entry of the unbroken run that the entry ends; entry + 1 where the entry itself is out of tolerance.
    run_start: Ints
    # Latest entry up to this one that is out of tolerance or follows a gap; -1 where none is.
    latest_break: Ints
    # First entry of the stretch out of tolerance to which the entry belongs.
    fault_start: Ints
    # Number of door openings up to the entry that the rule allows; their entries are no faults.
    doors: Ints


@dataclass(frozen=True, slots=True)
class _Spans:
    """The rule in microseconds."""

    required: int
    gap: int
    reach: int


def _spans(rule: Rule) -> _Spans:
    return _Spans(round(rule.hours * HOUR_US), round(rule.longest_gap_minutes * MINUTE_US), reach_us(rule))


def reach_us(rule: Rule) -> int:
    """How far before a session `judge` looks at the log, in microseconds; older entries change nothing."""
    return int(max(2 * rule.hours, LOOK_BACK_HOURS) * HOUR_US)


def judge(sessions: pd.DataFrame, logs: pd.DataFrame, rule: Rule, rules: Mapping[int, Rule] = NO_RULES) -> pd.DataFrame:
    """Judge the conditioning of each session by the log of its chamber.

    Hours count back from the first reading; the log has to stay within tolerance through the last one. Edges are
    inside. What broke the conditioning is the latest break in the required stretch (the required hours before the first
    reading, up to the last one): an entry out of tolerance, or a silence that reaches into the stretch, the silence
    before the test included. An entry with several faults is told by its humidity. Where there is no break and the log
    only begins too late, the state is `short`.

    Parameters
    ----------
    sessions : DataFrame
        Columns chamber_id (int64), started_us, ended_us (int64, UTC microseconds, first and last reading).
    logs : DataFrame
        Columns chamber_id, logged_us (int64), humidity_percent, temperature_c (float64), in any order.
    rule : Rule
        Set points, tolerances, required hours, longest gap.
    rules : mapping of int to Rule, optional
        The rule of each chamber whose tolerance is another one; hours and gap are those of `rule`.

    Returns
    -------
    DataFrame
        A row a session, index as given: conditioning (a word of `State`), hours (float64, unbroken up to the first
        reading, counted no further back than `reach_us`), humidity_min, humidity_max, humidity_mean (float64, percent,
        over the required stretch, nan without entries), excursion_us (Int64, when the break began; missing where there
        is none), doors (int64, door openings in the required stretch that the rule allows).
    """
    spans = _spans(rule)
    chamber = sessions["chamber_id"].to_numpy()
    started = sessions["started_us"].to_numpy(np.int64)
    ended = sessions["ended_us"].to_numpy(np.int64)
    outcome = np.full(len(sessions), UNLOGGED)
    excursion = np.full(len(sessions), NO_TIME)
    hours = np.zeros(len(sessions))
    humidity = np.full((3, len(sessions)), np.nan)
    doors = np.zeros(len(sessions), dtype=np.int64)
    for own, log in _by_chamber(chamber, started, logs, rule, rules):
        outcome[own], hours[own], excursion[own] = _judged(log, started[own], ended[own], spans)
        humidity[:, own] = _humidity(log, started[own] - spans.required, ended[own])
        doors[own] = doors_between(log, started[own] - spans.required, ended[own])
    return pd.DataFrame(
        {
            "conditioning": np.array([state.value for state in OUTCOMES])[outcome],
            "hours": hours,
            "humidity_min": humidity[0],
            "humidity_max": humidity[1],
            "humidity_mean": humidity[2],
            "excursion_us": pd.arrays.IntegerArray(excursion, excursion == NO_TIME),
            "doors": doors,
        },
        index=sessions.index,
    )


def without_rule(sessions: pd.DataFrame) -> pd.DataFrame:
    """Return the judgement of sessions that need no conditioning, as stored: valid, with neither hours nor humidity."""
    unknown = np.full(len(sessions), np.nan)
    no_time = pd.array([pd.NA] * len(sessions), dtype="Int64")
    return pd.DataFrame(
        {
            "conditioning": State.VALID.value,
            **dict.fromkeys(("hours", "humidity_min", "humidity_max", "humidity_mean"), unknown),
            "excursion_us": no_time,
            "doors": 0,
            "clock": "chamber",
            "loaded_us": no_time,
        },
        index=sessions.index,
    )


def _by_chamber(
    chamber: NDArray[np.generic], started: Ints, logs: pd.DataFrame, rule: Rule, rules: Mapping[int, Rule]
) -> Iterator[tuple[Ints, ChamberLog]]:
    """The sessions of each chamber that has a log, by time, and that log."""
    entries = dict(iter(logs.groupby("chamber_id")))
    for key in np.unique(chamber):
        if key in entries:
            own = np.flatnonzero(chamber == key)
            yield own[np.argsort(started[own], kind="stable")], chamber_log(entries[key], rules.get(int(key), rule))


def summarise_log(entries: pd.DataFrame, rule: Rule) -> LogSummary:
    """The state of a chamber over a stretch of its log, by the same tolerance and gap as `judge`.

    `entries` are those of one chamber, at least one, with the columns logged_us, humidity_percent and temperature_c.
    """
    log = chamber_log(entries, rule)
    outside = (log.fault != FINE) & ~log.after_gap
    return LogSummary(
        last_inside=bool(log.fault[-1] == FINE),
        hours_outside=float(np.diff(log.us, prepend=log.us[0])[outside].sum() / HOUR_US),
        gaps=int(log.after_gap.sum()),
    )


@dataclass(frozen=True, slots=True)
class LastBreak:
    """The newest break of a chamber's log: what broke the conditioning, when it began and when the chamber was back.

    `back_us` is the first entry from which hours count again, None while the chamber is still out of tolerance. Without a break
    the state is `valid`, `began_us` is None and the hours count from the first entry.
    """

    state: State
    began_us: int | None
    back_us: int | None


def last_break(entries: pd.DataFrame, rule: Rule) -> LastBreak:
    """The newest break in a stretch of one chamber's log, by the same tolerance and gap as `judge`; at least one entry."""
    log = chamber_log(entries, rule)
    place = int(log.latest_break[-1])
    if place < 0:
        return LastBreak(State.VALID, None, int(log.us[0]))
    if log.fault[place] == FINE:
        return LastBreak(State.UNLOGGED, int(log.us[place - 1]), int(log.us[place]))
    back = int(log.us[place + 1]) if place + 1 < len(log.us) else None
    return LastBreak(BREAKS[int(log.fault[place]) - 1], int(log.us[int(log.fault_start[place])]), back)


# A log and its breaks


def chamber_log(entries: pd.DataFrame, rule: Rule) -> ChamberLog:
    """Return the log of one chamber, and its breaks by a rule.

    `entries` has the columns logged_us, humidity_percent and temperature_c, in any order, and at least one row.
    """
    ordered = entries.sort_values("logged_us", kind="stable")
    us = ordered["logged_us"].to_numpy(np.int64)
    humidity = ordered["humidity_percent"].to_numpy(np.float64)
    fault = _faults(humidity, ordered["temperature_c"].to_numpy(np.float64), rule)
    after_gap = np.diff(us, prepend=us[0]) > _spans(rule).gap
    doors = _forgive_doors(us, humidity, fault, after_gap, rule)
    place = np.arange(len(us))
    bad = fault != FINE
    return ChamberLog(
        us=us,
        humidity=humidity,
        fault=fault,
        after_gap=after_gap,
        run_start=np.maximum.accumulate(np.where(bad, place + 1, np.where(after_gap, place, 0))),
        latest_break=np.maximum.accumulate(np.where(bad | after_gap, place, -1)),
        fault_start=np.maximum.accumulate(np.where(bad, 0, place + 1)),
        doors=np.cumsum(doors),
    )


def _forgive_doors(us: Ints, humidity: Floats, fault: Ints, after_gap: NDArray[np.bool_], rule: Rule) -> Ints:
    """Clear the faults of the door openings that the rule allows; return 1 at the last entry of each.

    The time of an opening counts from the last entry inside tolerance to the next one: longer than the door was open for sure. An opening
    that is not over yet, or that a gap interrupts, is none.
    """
    over = np.zeros(len(us), dtype=np.int64)
    if not rule.door_minutes:
        return over
    edges = np.diff(np.concatenate([[0], (fault != FINE).astype(np.int64), [0]]))
    longest = round(rule.door_minutes * MINUTE_US)
    humid = 1 + BREAKS.index(State.HUMID)
    for first, after in zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True):
        if first == 0 or after == len(us) or us[after] - us[first - 1] > longest or after_gap[first : after + 1].any():
            continue
        if (fault[first:after] == humid).all() and humidity[first:after].max() <= rule.door_peak_percent:
            fault[first:after] = FINE
            over[after - 1] = 1
    return over


def _faults(humidity: Floats, temperature: Floats, rule: Rule) -> Ints:
    inside = tolerance(rule)
    conditions = [
        humidity > inside.humidity_high,
        humidity < inside.humidity_low,
        temperature > inside.temperature_high,
        temperature < inside.temperature_low,
    ]
    return np.select(conditions, [1, 2, 3, 4], FINE).astype(np.int64)


def tolerance(rule: Rule) -> Tolerance:
    """The range of humidity and temperature that a rule allows, in percent and degrees Celsius."""
    humidity = _edges(rule.humidity_percent, rule.humidity_tolerance)
    return Tolerance(*humidity, *_edges(rule.temperature_c, rule.temperature_tolerance_c))


def _edges(middle: float, tolerance: float) -> tuple[float, float]:
    """The edges as one adds them on paper: 0.1 + 0.2 is 0.3, so that an entry of 0.3 is inside."""
    exact, width = Decimal(repr(middle)), Decimal(repr(tolerance))
    return float(exact - width), float(exact + width)


# Sessions against a log


def _judged(log: ChamberLog, started: Ints, ended: Ints, spans: _Spans) -> tuple[Ints, Floats, Ints]:
    """Outcome, hours and start of the break for sessions of one chamber."""
    oldest = np.searchsorted(log.us, started - spans.reach, side="left")
    before = np.searchsorted(log.us, started, side="right") - 1
    unbroken = _unbroken_us(log, started, oldest, before, spans)
    outcome = np.where(unbroken >= spans.required, FINE, SHORT)
    excursion = np.full(len(started), NO_TIME)
    last = np.searchsorted(log.us, ended, side="right") - 1
    _tell_break(log, started - spans.required, oldest, last, outcome, excursion)
    silent = (last < oldest) | (ended - log.us[last] > spans.gap)
    outcome[silent] = UNLOGGED
    excursion[silent] = np.where(last >= oldest, log.us[last], NO_TIME)[silent]
    return outcome, unbroken / HOUR_US, excursion


def _unbroken_us(log: ChamberLog, started: Ints, oldest: Ints, before: Ints, spans: _Spans) -> Ints:
    """Elapsed time within tolerance and without a gap up to the first reading; 0 where the log is silent at it."""
    first = np.maximum(log.run_start[before], oldest)
    shown = (before >= oldest) & (first <= before) & (started - log.us[before] <= spans.gap)
    return np.where(shown, started - log.us[np.minimum(first, len(log.us) - 1)], 0)


def _tell_break(log: ChamberLog, stretch: Ints, oldest: Ints, last: Ints, outcome: Ints, excursion: Ints) -> None:
    """Name the latest break that reaches into the required stretch, which begins at `stretch`."""
    place = np.where(last >= 0, log.latest_break[last], -1)
    own = np.flatnonzero((place >= oldest) & (place >= 0))
    entry, first, begin = place[own], oldest[own], stretch[own]
    faulty = (log.fault[entry] != FINE) & (log.us[entry] >= begin)
    outcome[own[faulty]] = log.fault[entry[faulty]]
    excursion[own[faulty]] = log.us[np.maximum(log.fault_start[entry[faulty]], first[faulty])]
    # A silence whose earlier end is out of reach is the beginning of the log.
    silent = (log.fault[entry] == FINE) & (entry > first) & (log.us[entry] > begin)
    outcome[own[silent]] = UNLOGGED
    excursion[own[silent]] = log.us[entry[silent] - 1]


def doors_between(log: ChamberLog, first_us: Ints, last_us: Ints) -> Ints:
    """Number of allowed door openings whose last entry lies in each stretch."""
    counts = np.concatenate([[0], log.doors])
    after, before = np.searchsorted(log.us, last_us, side="right"), np.searchsorted(log.us, first_us, side="left")
    return np.asarray(counts[after] - counts[before])


def _humidity(log: ChamberLog, first_us: Ints, last_us: Ints) -> NDArray[np.float64]:
    """Least, greatest and mean humidity of the entries in each stretch, shape (3, sessions); nan without entries."""
    first = np.searchsorted(log.us, first_us, side="left")
    end = np.searchsorted(log.us, last_us, side="right")
    told = np.full((3, len(first)), np.nan)
    filled = np.flatnonzero(first < end)
    if not len(filled):
        return told
    # Every second result of reduceat is a stretch; one more entry lets a stretch end with the log.
    ends = np.stack([first[filled], end[filled]], axis=1).ravel()
    padded = np.append(log.humidity, log.humidity[-1])
    told[0, filled] = np.minimum.reduceat(padded, ends)[::2]
    told[1, filled] = np.maximum.reduceat(padded, ends)[::2]
    sums = np.concatenate([[0], np.cumsum(np.rint(log.humidity / FRACTION).astype(np.int64))])
    told[2, filled] = (sums[end[filled]] - sums[first[filled]]) / (end[filled] - first[filled]) * FRACTION
    return told
