"""The conditioning of a load: how long the specimens themselves were in the chamber, and when they may be tested.

Pure: the stays of a load and the logs of its chambers in, a judgement out. The clock of a specimen starts at the later of its entry and
the first log entry of the unbroken run. Hours of a chamber before the specimens went in count for nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from ingest.common.instants import HOUR_US, MINUTE_US
from ingest.sessions.conditioning import BREAKS, FINE, ChamberLog, Rule, State, doors_between

__all__ = [
    "Event",
    "LoadJudgement",
    "Progress",
    "Readiness",
    "Stay",
    "events_of_lot",
    "judge_load",
    "load_of_test",
    "readiness",
    "stays_of",
]

# What a load does; a planned test of it moves nothing.
MOVES = ("in", "moved", "out")
# UTC microseconds; "in", "out" or "moved"; chamber.
Event = tuple[int, str, int]


# Humidity is summed in integers of this fraction of a percent, so that the mean does not depend on the order.
FRACTION = 1e-6


@dataclass(frozen=True, slots=True)
class Stay:
    """The time that a load spent in one chamber, in UTC microseconds; `to_us` is None while it is still there."""

    chamber_id: int
    from_us: int
    to_us: int | None


@dataclass(frozen=True, slots=True)
class LoadJudgement:
    """The conditioning of a session whose load is on record; hours up to the first reading, humidity in percent (nan: no entry).

    `doors` is the number of door openings that the rule allows.
    """

    conditioning: State
    hours: float
    humidity_min: float
    humidity_max: float
    humidity_mean: float
    excursion_us: int | None
    doors: int


class Progress(StrEnum):
    """State of a load, in one word."""

    WAITING = "waiting"
    """The hours are running."""
    READY = "ready"
    """The conditioning is complete."""
    BROKEN = "broken"
    """The chamber is out of tolerance; the clock starts again with the next entry inside."""
    SILENT = "silent"
    """No log entry for longer than the gap allows: the hours are not lost, they are not shown."""
    OUT = "out"
    """The load was taken out."""


@dataclass(frozen=True, slots=True)
class Readiness:
    """State of a load at a moment.

    `hours` are those shown without a break; `since_us` is the moment from which the state holds, `ready_at_us` the moment at which
    the hours are or will be complete if nothing happens, None where that can't be said. `restarted_us` is the start of the clock
    where a break after the entry restarted it, with `reason` for the break (also while it lasts) and `lost_hours` for what it cost.
    `earliest_us` is the moment before which the hours can't be complete, whatever the log shows after its last entry: that of `ready_at_us`
    where there is one, or before it where the log of a chamber that the load has left is still to come; for a broken load as if the chamber
    had come back right after that entry. None for a load that is out.
    """

    state: Progress
    hours: float
    since_us: int
    ready_at_us: int | None
    reason: State | None
    restarted_us: int | None
    lost_hours: float
    earliest_us: int | None


def stays_of(events: Sequence[Event]) -> list[Stay]:
    """Return the stays of a load from its events: (UTC microseconds, "in", "out" or "moved", chamber); others are no stays.

    `in` or `moved` into another chamber ends the stay before it; a second `in` into the same chamber changes nothing, and so does
    an `out` of a load that is in no chamber. At one moment `out` comes before `in`.

    Examples
    --------
    >>> stays_of([(0, "in", 1), (9, "moved", 2), (20, "out", 2)])
    [Stay(chamber_id=1, from_us=0, to_us=9), Stay(chamber_id=2, from_us=9, to_us=20)]
    """
    stays: list[Stay] = []
    current: tuple[int, int] | None = None
    moves = [each for each in events if each[1] in ("in", "moved", "out")]
    for at, event, chamber in sorted(moves, key=lambda each: (each[0], each[1] != "out")):
        if current is not None and (event == "out" or chamber != current[0]):
            stays.append(Stay(current[0], current[1], at))
            current = None
        if event != "out" and current is None:
            current = (chamber, at)
    return [*stays, Stay(*current, None)] if current else stays


def events_of_lot(whole: Sequence[Event], named: Sequence[Event]) -> list[Event]:
    """Return the events of one lot of a load: those that name it, and those of the whole load while the lot was in it.

    A lot that has a row of its own for going in was not in the load before: an earlier `in` of the whole load is about other lots.
    """
    first = min((event for event in named if event[1] in MOVES), default=None)
    begins = first[0] if first is not None and first[1] == "in" else None
    return sorted({*named, *(event for event in whole if begins is None or event[0] >= begins)})


def load_of_test(loads: Sequence[Sequence[Stay]], started_us: int, out_us: int) -> Sequence[Stay]:
    """Return the stays of the load that a test belongs to, of the loads that its lot was in; each has a stay.

    It is the load that went in last, of those that were in a chamber at the test or not longer than `out_us` out of it; else the load
    that was taken out last. Without a load that had gone in by then it is any: that one judges nothing.
    """

    def nearness(stays: Sequence[Stay]) -> tuple[bool, int]:
        before = [stay for stay in stays if stay.from_us <= started_us]
        if not before:
            return False, -1
        last = before[-1]
        if last.to_us is None or started_us <= last.to_us + out_us:
            return True, last.from_us
        return False, last.to_us

    return max(loads, key=nearness)


def judge_load(
    stays: Sequence[Stay],
    started_us: int,
    ended_us: int,
    logs: Mapping[int, ChamberLog],
    rule: Rule,
    out_minutes: float = 0.0,
) -> LoadJudgement | None:
    """Judge a session by the time that its specimens spent in their chambers.

    Parameters
    ----------
    stays : sequence of Stay
        In the order of time.
    started_us, ended_us : int
        First and last reading, UTC microseconds.
    logs : mapping of int to ChamberLog
        By chamber; a chamber without entries is left out.
    rule : Rule
        The conditioning that a valid test needs.
    out_minutes : float
        Longest time between the chamber and the last reading, and between two chambers.

    Returns
    -------
    LoadJudgement or None
        None where no stay began before the session: there is no record to judge by.
    """
    before = [stay for stay in stays if stay.from_us <= started_us]
    if not before:
        return None
    out_us = round(out_minutes * MINUTE_US)
    last = before[-1]
    leaves = ended_us if last.to_us is None else min(ended_us, last.to_us)
    counted_to = min(started_us, leaves)
    required = round(rule.hours * HOUR_US)
    chain = _chain(before, counted_to, logs, rule, out_us)
    humidity = _humidity(before, counted_to - required, leaves, logs)
    doors = _doors(before, counted_to - required, leaves, logs)
    hours = 0.0 if chain is None else (counted_to - chain) / HOUR_US

    if ended_us - leaves > out_us:
        # Nobody logged the air around the specimens after they left the chamber.
        return LoadJudgement(State.UNLOGGED, hours, *humidity, leaves, doors)
    at = _last_entry(last, leaves, logs)
    if at is None or leaves - logs[last.chamber_id].us[at] > round(rule.longest_gap_minutes * MINUTE_US):
        return LoadJudgement(
            State.UNLOGGED, 0.0, *humidity, None if at is None else int(logs[last.chamber_id].us[at]), doors
        )
    through = _chain(before, leaves, logs, rule, out_us)
    if through is not None and chain is not None and counted_to - through >= required:
        return LoadJudgement(State.VALID, hours, *humidity, None, doors)
    broken = _latest_break(before, counted_to - required, leaves, logs)
    if broken is None:
        return LoadJudgement(State.SHORT, hours, *humidity, None, doors)
    return LoadJudgement(broken[0], hours, *humidity, broken[1], doors)


def readiness(
    stays: Sequence[Stay], now_us: int, logs: Mapping[int, ChamberLog], rule: Rule, out_minutes: float = 0.0
) -> Readiness | None:
    """Return the state of a load at a moment; None if it was in no chamber by then.

    Later events and log entries than `now_us` are not looked at.
    """
    known = [stay for stay in stays if stay.from_us <= now_us]
    if not known:
        return None
    last = known[-1]
    if last.to_us is not None and last.to_us <= now_us:
        return Readiness(Progress.OUT, 0.0, last.to_us, None, None, None, 0.0, None)
    required = round(rule.hours * HOUR_US)
    out_us = round(out_minutes * MINUTE_US)
    entered = _first_entry_of_chain(known, out_us)
    broken = _latest_break(known, entered, now_us, logs)
    reason = None if broken is None else broken[0]
    at = _last_entry(last, now_us, logs)
    earliest = _earliest_start(known, now_us, logs, rule, out_us) + required
    gap = round(rule.longest_gap_minutes * MINUTE_US)
    if at is None or now_us - logs[last.chamber_id].us[at] > gap:
        since = last.from_us if at is None else int(max(logs[last.chamber_id].us[at], last.from_us))
        return Readiness(Progress.SILENT, 0.0, since, None, reason, None, 0.0, earliest)
    start = _chain(known, now_us, logs, rule, out_us)
    if start is None:
        # The last entry is out of tolerance, perhaps since before the load went in.
        log = logs[last.chamber_id]
        since = max(int(log.us[log.fault_start[at]]), last.from_us)
        word = BREAKS[int(log.fault[at]) - 1]
        return Readiness(Progress.BROKEN, 0.0, since, None, word, None, (now_us - entered) / HOUR_US, earliest)
    restarted = start if start > entered else None
    lost = (start - entered) / HOUR_US if restarted is not None else 0.0
    ready_at = start + required
    ready = now_us >= ready_at
    return Readiness(
        Progress.READY if ready else Progress.WAITING,
        (now_us - start) / HOUR_US,
        ready_at if ready else start,
        ready_at,
        reason if restarted is not None else None,
        restarted,
        lost,
        earliest,
    )


def _earliest_start(stays: Sequence[Stay], at_us: int, logs: Mapping[int, ChamberLog], rule: Rule, out_us: int) -> int:
    """Moment before which the clock of the specimens can't have started, whatever the log shows after its last entry up to `at_us`."""
    stay, entered = stays[-1], _first_entry_of_chain(stays, out_us)
    index = _last_entry(stay, at_us, logs)
    if index is None or logs[stay.chamber_id].us[index] < stay.from_us:
        # No entry while the load was in: the hours may run since it went in.
        return entered
    log = logs[stay.chamber_id]
    if log.fault[index] != FINE:
        inside = np.flatnonzero(log.fault[: index + 1] == FINE)
        last_inside = int(log.us[inside[-1]]) if len(inside) else None
        opening = round(rule.door_minutes * MINUTE_US)
        if last_inside is None or not opening or log.us[index] - last_inside >= opening:
            return int(log.us[index])
        # Perhaps a door opening that the lab allows: then the hours go on.
        if last_inside < stay.from_us:
            return entered
        index = int(inside[-1])
    start = _chain(stays, int(log.us[index]), logs, rule, out_us)
    return entered if start is None else start


def _last_entry(stay: Stay, at_us: int, logs: Mapping[int, ChamberLog]) -> int | None:
    """Index of the last log entry of the stay's chamber up to a moment."""
    log = logs.get(stay.chamber_id)
    if log is None:
        return None
    index = int(np.searchsorted(log.us, at_us, side="right")) - 1
    return index if index >= 0 else None


def _chain(stays: Sequence[Stay], at_us: int, logs: Mapping[int, ChamberLog], rule: Rule, out_us: int) -> int | None:
    """Moment at which the clock of the specimens started that runs unbroken up to `at_us`; None where it does not run."""
    stay = stays[-1]
    index = _last_entry(stay, at_us, logs)
    if index is None:
        return None
    log = logs[stay.chamber_id]
    first = int(log.run_start[index])
    if first > index or at_us - log.us[index] > round(rule.longest_gap_minutes * MINUTE_US):
        return None
    run_from = int(log.us[first])
    if run_from > stay.from_us:
        return run_from
    earlier = stays[-2] if len(stays) > 1 else None
    if earlier is not None and earlier.to_us is not None and stay.from_us - earlier.to_us <= out_us:
        start = _chain(stays[:-1], earlier.to_us, logs, rule, out_us)
        if start is not None:
            return start
    return stay.from_us


def _first_entry_of_chain(stays: Sequence[Stay], out_us: int) -> int:
    """Moment at which the load went in, over the moves that were quick enough."""
    entered = stays[-1].from_us
    for earlier, later in zip(stays[-2::-1], stays[:0:-1], strict=True):
        if earlier.to_us is None or later.from_us - earlier.to_us > out_us:
            break
        entered = earlier.from_us
    return entered


def _latest_break(
    stays: Sequence[Stay], from_us: int, to_us: int, logs: Mapping[int, ChamberLog]
) -> tuple[State, int] | None:
    """Latest break of the chambers while the load was in them, from one moment to another: its word and its beginning."""
    for stay in reversed(stays):
        end = to_us if stay.to_us is None else min(stay.to_us, to_us)
        begin = max(stay.from_us, from_us)
        index = _last_entry(stay, end, logs)
        if index is None or end < begin:
            continue
        log = logs[stay.chamber_id]
        place = int(log.latest_break[index])
        if place < 0 or (log.us[place] <= begin and log.fault[place] == FINE) or log.us[place] < begin:
            continue
        if log.fault[place] != FINE:
            return BREAKS[int(log.fault[place]) - 1], int(log.us[log.fault_start[place]])
        return State.UNLOGGED, int(log.us[place - 1])
    return None


def _doors(stays: Sequence[Stay], from_us: int, to_us: int, logs: Mapping[int, ChamberLog]) -> int:
    """Number of door openings, allowed by the rule, of the chambers while the load was in them."""
    total = 0
    for stay in stays:
        end = to_us if stay.to_us is None else min(stay.to_us, to_us)
        begin = max(stay.from_us, from_us)
        if stay.chamber_id in logs and begin <= end:
            total += int(doors_between(logs[stay.chamber_id], np.array([begin]), np.array([end]))[0])
    return total


def _humidity(
    stays: Sequence[Stay], from_us: int, to_us: int, logs: Mapping[int, ChamberLog]
) -> tuple[float, float, float]:
    """Least, greatest and mean humidity of the entries while the load was in its chambers."""
    parts = []
    for stay in stays:
        log = logs.get(stay.chamber_id)
        if log is not None:
            end = to_us if stay.to_us is None else min(stay.to_us, to_us)
            first = np.searchsorted(log.us, max(stay.from_us, from_us), side="left")
            parts.append(log.humidity[first : np.searchsorted(log.us, end, side="right")])
    values = np.concatenate(parts) if parts else np.empty(0)
    if not len(values):
        return float("nan"), float("nan"), float("nan")
    mean = int(np.rint(values / FRACTION).astype(np.int64).sum()) / len(values) * FRACTION
    return float(values.min()), float(values.max()), mean
