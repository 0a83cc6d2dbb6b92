"""The hours of the specimens: hand-worked loads, and a minute-by-minute walk of the log against the fast judgement."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from ingest.sessions.conditioning import State, chamber_log, judge
from ingest.sessions.load_conditioning import Progress, Stay, judge_load, readiness, stays_of

HOUR, MINUTE = 3_600_000_000, 60_000_000


@dataclass(frozen=True)
class Rule:
    """12 +/- 3 % RH and 23 +/- 3 C for 48 h: the low-humidity condition of the trade; the gap is common practice."""

    humidity_percent: float = 12.0
    humidity_tolerance: float = 3.0
    temperature_c: float = 23.0
    temperature_tolerance_c: float = 3.0
    hours: float = 48.0
    longest_gap_minutes: float = 60.0
    door_minutes: float = 0.0
    door_peak_percent: float = 0.0


RULE = Rule()


def log_of(entries, rule=RULE):
    """A log from (hour, humidity) pairs; temperature on its set point."""
    frame = pd.DataFrame(
        {
            "logged_us": [round(hour * HOUR) for hour, _ in entries],
            "humidity_percent": [float(humidity) for _, humidity in entries],
            "temperature_c": 23.0,
        }
    ).astype({"logged_us": np.int64})
    return chamber_log(frame, rule)


def every_half_hour(to=100, outside=()):
    return [(k / 2, 16.2 if k / 2 in outside else 12.3) for k in range(2 * to + 1)]


STEADY = {1: log_of(every_half_hour())}
DOOR = {1: log_of(every_half_hour(outside=(20,)))}


def test_a_load_put_in_at_hour_30_is_valid_at_78_whatever_the_hours_of_the_chamber():
    # Worked beside this project: chamber inside since hour 0, load in at hour 30; tests at 70 and 78.
    stays = [Stay(1, 30 * HOUR, None)]

    at_70, at_78 = (judge_load(stays, hour * HOUR, hour * HOUR, STEADY, RULE) for hour in (70, 78))

    assert (at_70.conditioning, at_70.hours) == (State.SHORT, 40)
    assert (at_78.conditioning, at_78.hours) == (State.VALID, 48)
    waiting = readiness(stays, 70 * HOUR, STEADY, RULE)
    assert (waiting.state, waiting.hours, waiting.ready_at_us) == (Progress.WAITING, 40, 78 * HOUR)


def test_a_door_at_hour_20_starts_the_clock_again_at_the_next_entry_inside():
    # One entry of 16.2 % at hour 20: clock from 20.5, ready at 68.5; at 68.4 there are 47.9 hours.
    stays = [Stay(1, 0, None)]
    at_50 = readiness(stays, 50 * HOUR, DOOR, RULE)
    assert (at_50.state, at_50.hours, at_50.ready_at_us) == (Progress.WAITING, 29.5, 68.5 * HOUR)
    assert (at_50.reason, at_50.restarted_us, at_50.lost_hours) == (State.HUMID, 20.5 * HOUR, 20.5)

    before = judge_load(stays, round(68.4 * HOUR), round(68.4 * HOUR), DOOR, RULE)
    assert (before.conditioning, before.hours) == (State.SHORT, pytest.approx(47.9))
    assert judge_load(stays, round(68.5 * HOUR), round(68.5 * HOUR), DOOR, RULE).conditioning == State.VALID
    assert judge_load(stays, 50 * HOUR, 50 * HOUR, DOOR, RULE).conditioning == State.HUMID
    assert readiness(stays, round(68.5 * HOUR), DOOR, RULE).state == Progress.READY


def test_a_door_before_the_load_went_in_costs_nothing():
    stays = [Stay(1, 21 * HOUR, None)]
    ready = readiness(stays, 70 * HOUR, DOOR, RULE)
    assert (ready.state, ready.since_us, ready.reason) == (Progress.READY, 69 * HOUR, None)
    assert judge_load(stays, 69 * HOUR, 69 * HOUR, DOOR, RULE).conditioning == State.VALID


def test_while_the_chamber_is_out_of_tolerance_the_load_is_broken_and_nothing_is_promised():
    broken = readiness([Stay(1, 0, None)], round(20.2 * HOUR), DOOR, RULE)
    assert (broken.state, broken.reason, broken.ready_at_us) == (Progress.BROKEN, State.HUMID, None)
    assert broken.since_us == 20 * HOUR
    assert broken.lost_hours == pytest.approx(20.2)


def test_a_silent_logger_shows_no_hours_and_loses_none():
    logs = {1: log_of([entry for entry in every_half_hour() if not 10 < entry[0] < 13])}
    stays = [Stay(1, 0, None)]
    assert readiness(stays, 12 * HOUR, logs, RULE).state == Progress.SILENT
    assert readiness(stays, 12 * HOUR, logs, RULE).since_us == 10 * HOUR
    # The entries that come late fill the gap.
    assert readiness(stays, 12 * HOUR, STEADY, RULE).hours == 12
    assert judge_load(stays, 12 * HOUR, 12 * HOUR, logs, RULE).conditioning == State.UNLOGGED
    # After the gap the clock runs from its end.
    assert readiness(stays, 20 * HOUR, logs, RULE).restarted_us == 13 * HOUR


def test_a_test_after_the_load_was_taken_out_is_valid_for_the_declared_minutes():
    stays = [Stay(1, 0, 50 * HOUR)]
    test_at = 50 * HOUR + 20 * MINUTE
    late = judge_load(stays, test_at, test_at, STEADY, RULE, out_minutes=19)
    assert (late.conditioning, late.excursion_us) == (State.UNLOGGED, 50 * HOUR)
    in_time = judge_load(stays, test_at, test_at, STEADY, RULE, out_minutes=20)
    assert (in_time.conditioning, in_time.hours) == (State.VALID, 50)
    # What the chamber does after the load left it matters no more.
    disturbed = {1: log_of(every_half_hour(outside=(50.5, 51)))}
    assert judge_load(stays, test_at, test_at, disturbed, RULE, out_minutes=20).conditioning == State.VALID
    assert readiness(stays, test_at, STEADY, RULE).state == Progress.OUT


def test_a_quick_move_between_two_chambers_inside_goes_on_and_a_slow_one_starts_again():
    logs = {1: log_of(every_half_hour()), 2: log_of(every_half_hour())}
    stays = [Stay(1, 0, 30 * HOUR), Stay(2, 30 * HOUR + 5 * MINUTE, None)]
    quick, slow = (readiness(stays, 48 * HOUR, logs, RULE, out_minutes=m) for m in (5, 4))
    assert (quick.state, quick.hours) == (Progress.READY, 48)
    assert (slow.state, slow.hours) == (Progress.WAITING, pytest.approx(18 - 5 / 60))
    assert judge_load(stays, 48 * HOUR, 48 * HOUR, logs, RULE, out_minutes=5).conditioning == State.VALID
    assert judge_load(stays, 48 * HOUR, 48 * HOUR, logs, RULE, out_minutes=4).conditioning == State.SHORT


def test_events_give_the_stays_and_odd_ones_change_nothing():
    assert stays_of([(5, "in", 1), (5, "in", 1), (9, "in", 1)]) == [Stay(1, 5, None)]
    assert stays_of([(3, "out", 1), (5, "in", 1)]) == [Stay(1, 5, None)]
    assert stays_of([(9, "in", 2), (5, "in", 1)]) == [Stay(1, 5, 9), Stay(2, 9, None)]
    assert stays_of([(5, "in", 1), (9, "in", 1), (9, "out", 1)]) == [Stay(1, 5, 9), Stay(1, 9, None)]


def test_a_session_before_the_load_went_in_is_not_judged_by_it():
    assert judge_load([Stay(1, 30 * HOUR, None)], 29 * HOUR, 29 * HOUR, STEADY, RULE) is None
    assert readiness([Stay(1, 30 * HOUR, None)], 29 * HOUR, STEADY, RULE) is None


def test_a_door_opening_that_the_lab_allows_is_no_break_and_is_counted():
    allows = replace(RULE, door_minutes=60.0, door_peak_percent=20.0)
    entries = every_half_hour(outside=(20,))
    logs = {1: log_of(entries, allows)}
    stays = [Stay(1, 0, None)]

    result = judge_load(stays, 48 * HOUR, 48 * HOUR, logs, allows)
    assert (result.conditioning, result.hours, result.doors) == (State.VALID, 48, 1)
    # Once it is out of the required hours it is no longer listed.
    assert judge_load(stays, 80 * HOUR, 80 * HOUR, logs, allows).doors == 0
    # A minute less, a peak above, two entries in a row, one that is not over yet: breaks as before.
    for rule, log in [
        (replace(allows, door_minutes=59.0), entries),
        (replace(allows, door_peak_percent=16.0), entries),
        (allows, every_half_hour(outside=(20, 20.5))),
        (allows, entries[:41]),
    ]:
        state = readiness(stays, round(20.9 * HOUR), {1: log_of(log, rule)}, rule)
        assert state.state == Progress.BROKEN or state.restarted_us == 20.5 * HOUR


# A minute-by-minute walk

SHORT_RULE = replace(RULE, hours=0.5, longest_gap_minutes=7.0)


@st.composite
def logs_and_stays(draw):
    """Two logs over two hours in whole minutes, and a load that moves between them once or never."""
    logs = {}
    for chamber in (1, 2):
        minutes = sorted(draw(st.sets(st.integers(0, 120), min_size=1, max_size=60)))
        humidity = [draw(st.sampled_from([12.0, 12.0, 12.0, 12.0, 16.2, 8.5])) for _ in minutes]
        logs[chamber] = list(zip(minutes, humidity, strict=True))
    entered, moved = draw(st.integers(0, 60)), draw(st.integers(1, 50))
    way = draw(st.integers(0, 6))
    stays = (
        [(1, entered, entered + moved), (2, entered + moved + way, None)]
        if draw(st.booleans())
        else [(1, entered, None)]
    )
    return logs, stays, draw(st.integers(0, 130)), draw(st.integers(0, 6))


def walked(logs, stays, now, out_minutes, rule):
    """Minutes of unbroken conditioning at `now`, by walking minute by minute from the entry; None while not shown."""
    started = None
    shown = None
    for minute in range(stays[0][1], now + 1):
        here = [stay for stay in stays if stay[1] <= minute and (stay[2] is None or minute <= stay[2])]
        if not here:
            left = max(stay[2] for stay in stays if stay[2] is not None and stay[2] < minute)
            if minute - left > out_minutes:
                started = None
            continue
        chamber, entered, _ = here[-1]
        if minute == entered and chamber != stays[0][0]:
            way = entered - stays[0][2]
            if way > out_minutes:
                started = None
        seen = [entry for entry in logs[chamber] if entry[0] <= minute]
        gap = rule.longest_gap_minutes
        if not seen or minute - seen[-1][0] > gap:
            shown = None
            # An entry within the gap rule later can't heal a silence that already is too long.
            started = None
            continue
        if not 9.0 <= seen[-1][1] <= 15.0:
            started = shown = None
            continue
        # The entry that began the unbroken run of this chamber.
        run = seen[-1][0]
        for later, earlier in zip(seen[::-1], seen[-2::-1], strict=False):
            if later[0] - earlier[0] > gap or not 9.0 <= earlier[1] <= 15.0:
                break
            run = earlier[0]
        if started is None or run > entered:
            started = max(run, entered)
        shown = minute - started
    return shown


@settings(max_examples=120)
@given(logs_and_stays())
def test_readiness_is_what_a_walk_of_the_log_minute_by_minute_shows(case):
    entries, stays, now, out_minutes = case
    logs = {chamber: log_of([(m / 60, h) for m, h in each], SHORT_RULE) for chamber, each in entries.items()}
    given_stays = [Stay(c, begin * MINUTE, None if end is None else end * MINUTE) for c, begin, end in stays]
    inside_now = [s for s in stays if s[1] <= now and (s[2] is None or now < s[2])]

    state = readiness(given_stays, now * MINUTE, logs, SHORT_RULE, out_minutes)

    if stays[0][1] > now:
        assert state is None
    elif not inside_now:
        assert state.state == Progress.OUT
    else:
        minutes = walked(entries, stays, now, out_minutes, SHORT_RULE)
        if minutes is None:
            assert state.state in (Progress.SILENT, Progress.BROKEN)
        else:
            assert state.hours * 60 == pytest.approx(minutes)
            assert (state.state == Progress.READY) == (minutes >= 30)


@settings(max_examples=200)
@example(({1: [(0, 12.0)], 2: [(1, 12.0)]}, [(1, 0, 8), (2, 8, None)], 8, 0), 1, 0.0)
@given(logs_and_stays(), st.integers(0, 130), st.sampled_from([0.0, 6.0]))
def test_no_log_that_comes_later_makes_a_load_ready_before_its_earliest_moment(case, read_to, door_minutes):
    entries, stays, now, out_minutes = case
    rule = replace(SHORT_RULE, door_minutes=door_minutes, door_peak_percent=20.0)
    every = {chamber: log_of([(m / 60, h) for m, h in each], rule) for chamber, each in entries.items()}
    early = {chamber: [one for one in each if one[0] <= read_to] for chamber, each in entries.items()}
    logs = {chamber: log_of([(m / 60, h) for m, h in each], rule) for chamber, each in early.items() if each}
    given_stays = [Stay(c, begin * MINUTE, None if end is None else end * MINUTE) for c, begin, end in stays]

    state = readiness(given_stays, now * MINUTE, logs, rule, out_minutes)

    if state is None or state.earliest_us is None:
        assert state is None or state.state == Progress.OUT
        return
    left = stays[0] if len(stays) == 2 and stays[1][1] <= now else None
    read = [minute for minute, _ in early[1] if left and minute <= left[2]]
    if left and state.ready_at_us is not None and left[2] - max(read, default=-99) > rule.longest_gap_minutes:
        # The rest of the log of the chamber that it left may show more hours, and none less.
        assert state.earliest_us in (state.ready_at_us, left[1] * MINUTE + round(rule.hours * 60) * MINUTE)
        assert state.earliest_us <= state.ready_at_us
    else:
        assert state.ready_at_us in (None, state.earliest_us)
    if len(stays) == 1 or stays[1][1] <= now:
        for minute in range(now, 160):
            later = readiness(given_stays, minute * MINUTE, every, rule, out_minutes)
            assert later.state != Progress.READY or minute * MINUTE >= state.earliest_us


def test_the_earliest_moment_of_a_broken_and_of_a_silent_load():
    stays = [Stay(1, 0, None)]
    # Out at hour 20: whatever comes, the hours begin after that entry. Silent since hour 10: they may have run on since hour 0.
    assert readiness(stays, round(20.2 * HOUR), DOOR, RULE).earliest_us == 68 * HOUR
    silent = {1: log_of([entry for entry in every_half_hour() if entry[0] <= 10])}
    assert readiness(stays, 30 * HOUR, silent, RULE).earliest_us == 48 * HOUR
    assert readiness(stays, 30 * HOUR, {}, RULE).earliest_us == 48 * HOUR
    stopped_outside = {1: log_of([entry for entry in every_half_hour(outside=(10,)) if entry[0] <= 10])}
    assert readiness(stays, 30 * HOUR, stopped_outside, RULE).earliest_us == 58 * HOUR
    # An opening that the lab may allow is no break yet: the next entry decides. One of half an hour is over before that.
    entries = [entry for entry in every_half_hour(outside=(20,)) if entry[0] <= 20]
    for minutes, hours in [(60.0, 48), (30.0, 68)]:
        allows = replace(RULE, door_minutes=minutes, door_peak_percent=20.0)
        broken = readiness(stays, round(20.2 * HOUR), {1: log_of(entries, allows)}, allows)
        assert (broken.state, broken.earliest_us) == (Progress.BROKEN, hours * HOUR)
    allows = replace(RULE, door_minutes=60.0, door_peak_percent=20.0)
    forgiven = {1: log_of(every_half_hour(outside=(20,)), allows)}
    assert readiness(stays, 48 * HOUR, forgiven, allows).state == Progress.READY


@settings(max_examples=80)
@given(logs_and_stays())
def test_a_load_that_was_in_from_the_beginning_is_judged_as_its_chamber(case):
    entries, _, now, _ = case
    frame = pd.DataFrame(
        {
            "chamber_id": 1,
            "logged_us": [m * MINUTE for m, _ in entries[1]],
            "humidity_percent": [h for _, h in entries[1]],
            "temperature_c": 23.0,
        }
    )
    sessions = pd.DataFrame({"chamber_id": [1], "started_us": [now * MINUTE], "ended_us": [(now + 3) * MINUTE]})
    chamber = judge(sessions, frame, SHORT_RULE).iloc[0]

    load = judge_load(
        [Stay(1, -10 * HOUR, None)], now * MINUTE, (now + 3) * MINUTE, {1: chamber_log(frame, SHORT_RULE)}, SHORT_RULE
    )

    assert load.conditioning == chamber["conditioning"]
    assert load.doors == chamber["doors"]
    if load.conditioning == State.VALID:
        assert load.hours == pytest.approx(chamber["hours"])
        assert load.humidity_mean == pytest.approx(chamber["humidity_mean"])
