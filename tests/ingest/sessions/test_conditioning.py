"""Was a test valid: hand-worked cases at the edges, and a slow literal reading of the rule against the fast one."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from ingest.common.instants import microseconds
from ingest.sessions.conditioning import LOOK_BACK_HOURS, State, judge, reach_us, summarise_log, tolerance

BOTH_STORES = True

MINUTE = 60_000_000
HOUR = 60 * MINUTE


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
# All cases are told in minutes before the test, which is at this moment.
TEST = 1_000_000 * HOUR


def log(entries, chamber=1):
    """A log from {minutes before the test: (humidity, temperature)}."""
    return pd.DataFrame(
        {
            "chamber_id": chamber,
            "logged_us": [TEST - minutes * MINUTE for minutes in entries],
            "humidity_percent": [humidity for humidity, _ in entries.values()],
            "temperature_c": [temperature for _, temperature in entries.values()],
        }
    ).astype({"chamber_id": np.int64, "logged_us": np.int64, "humidity_percent": float, "temperature_c": float})


def steady(first, last=0, every=30):
    """Entries within tolerance from `first` to `last` minutes before the test."""
    return dict.fromkeys([*range(first, last, -every), last], (12.0, 23.0))


def judged(entries, rule=RULE, length=0, chamber=1):
    """The judgement of one session that begins at TEST and lasts `length` minutes."""
    sessions = pd.DataFrame({"chamber_id": [chamber], "started_us": [TEST], "ended_us": [TEST + length * MINUTE]})
    return judge(sessions, log(entries), rule).iloc[0]


# The edges


@pytest.mark.parametrize(
    ("first", "state", "hours"),
    [(48 * 60, "valid", 48.0), (48 * 60 - 1, "short", 48 - 1 / 60), (72 * 60, "valid", 72.0)],
)
def test_exactly_48_hours_pass_and_a_minute_less_is_short(first, state, hours):
    told = judged(steady(first))

    assert told["conditioning"] == state
    assert told["hours"] == pytest.approx(hours, rel=1e-12)


@pytest.mark.parametrize(
    ("humidity", "temperature", "state"),
    [
        (15.0, 23.0, "valid"),
        (15.1, 23.0, "humid"),
        (9.0, 23.0, "valid"),
        (8.9, 23.0, "dry"),
        (12.0, 26.0, "valid"),
        (12.0, 26.1, "warm"),
        (12.0, 20.0, "valid"),
        (12.0, 19.9, "cold"),
        (15.1, 26.1, "humid"),
        (8.9, 19.9, "dry"),
    ],
)
def test_an_entry_on_the_edge_passes_and_one_beyond_it_names_the_fault(humidity, temperature, state):
    told = judged({**steady(72 * 60), 600: (humidity, temperature)})

    assert told["conditioning"] == state


def test_edges_are_those_that_one_adds_on_paper():
    # In floats 0.1 + 0.2 is above 0.3, and 12.4 + 2.7 is below 15.1.
    narrow = replace(RULE, humidity_percent=0.1, humidity_tolerance=0.2)
    assert (
        judged({**dict.fromkeys(range(4000, -1, -30), (0.1, 23.0)), 600: (0.3, 23.0)}, narrow)["conditioning"]
        == "valid"
    )
    wide = replace(RULE, humidity_percent=12.4, humidity_tolerance=2.7)
    assert judged({**steady(72 * 60), 600: (15.1, 23.0)}, wide)["conditioning"] == "valid"
    assert judged({**steady(72 * 60), 600: (math.nextafter(15.1, 16), 23.0)}, wide)["conditioning"] == "humid"


@pytest.mark.parametrize(("silence", "state"), [(60, "valid"), (61, "unlogged")])
def test_a_gap_of_60_minutes_passes_and_one_of_61_is_not_shown(silence, state):
    entries = {**steady(72 * 60, 600), **steady(600 - silence)}

    assert judged(entries)["conditioning"] == state


def test_a_gap_that_ends_with_the_required_hours_changes_nothing():
    before = steady(72 * 60, 50 * 60)

    assert judged({**before, **steady(48 * 60)})["conditioning"] == "valid"
    assert judged({**before, **steady(48 * 60 - 1)})["conditioning"] == "unlogged"


def test_a_silence_longer_than_the_look_back_is_the_beginning_of_the_log():
    told = judged({400 * 60: (12.0, 23.0), **steady(47 * 60)})

    assert (told["conditioning"], told["hours"]) == ("short", 47.0)


@pytest.mark.parametrize(("hours", "reach"), [(48.0, 168), (84.0, 168), (100.0, 200)])
def test_the_log_is_looked_at_for_a_week_or_for_twice_the_required_hours_where_that_is_longer(hours, reach):
    rule = replace(RULE, hours=hours)

    assert reach_us(rule) == reach * HOUR
    assert judged(steady(300 * 60), rule)["hours"] == reach


def test_hours_are_counted_no_further_back_than_the_look_back():
    assert judged(steady(300 * 60))["hours"] == LOOK_BACK_HOURS


@pytest.mark.parametrize(("silence", "state", "hours"), [(60, "valid", 72.0), (61, "unlogged", 0.0)])
def test_silence_between_the_last_entry_and_the_test_is_a_gap(silence, state, hours):
    told = judged(steady(72 * 60, silence))

    assert (told["conditioning"], told["hours"]) == (state, hours)


def test_hours_of_conditioning_are_elapsed_hours_across_a_change_of_the_clocks():
    # Lisbon lost an hour on 29 March 2026: from 10:00 on the 28th to 10:00 on the 30th are 47 elapsed hours.
    zone = ZoneInfo("Europe/Lisbon")
    test = microseconds(datetime(2026, 3, 30, 10, tzinfo=zone).astimezone(UTC))

    def state(first):
        start = microseconds(first.astimezone(UTC))
        logged = np.arange(start, test + 1, 10 * MINUTE)
        entries = pd.DataFrame({"chamber_id": 1, "logged_us": logged, "humidity_percent": 12.0, "temperature_c": 23.0})
        sessions = pd.DataFrame({"chamber_id": [1], "started_us": [test], "ended_us": [test]})
        return judge(sessions, entries, RULE).iloc[0]

    wall_48 = state(datetime(2026, 3, 28, 10, tzinfo=zone))
    elapsed_48 = state(datetime(2026, 3, 28, 9, tzinfo=zone))

    assert (wall_48["conditioning"], wall_48["hours"]) == ("short", 47.0)
    assert (elapsed_48["conditioning"], elapsed_48["hours"]) == ("valid", 48.0)


# Which state, and since when


def test_a_chamber_without_a_log_is_unlogged():
    told = judged(steady(72 * 60), chamber=2)

    assert told["conditioning"] == "unlogged"
    assert told["hours"] == 0
    assert pd.isna(told["excursion_us"])
    assert np.isnan(told["humidity_mean"])


def test_no_log_at_all_is_unlogged():
    assert judged({})["conditioning"] == "unlogged"


def test_the_latest_break_before_the_test_decides():
    humid_then_warm = {**steady(72 * 60), 900: (16.0, 23.0), 600: (12.0, 27.0)}
    humid_then_gap = {m: e for m, e in {**steady(72 * 60), 900: (16.0, 23.0)}.items() if not 400 < m < 600}
    gap_then_humid = {m: e for m, e in {**steady(72 * 60), 300: (16.0, 23.0)}.items() if not 400 < m < 600}

    assert judged(humid_then_warm)["conditioning"] == "warm"
    assert judged(humid_then_gap)["conditioning"] == "unlogged"
    assert judged(gap_then_humid)["conditioning"] == "humid"


def test_a_break_before_the_required_hours_changes_nothing():
    assert judged({**steady(72 * 60), 48 * 60 + 30: (16.0, 23.0)})["conditioning"] == "valid"
    assert judged({**steady(72 * 60), 48 * 60: (16.0, 23.0)})["conditioning"] == "humid"


def test_hours_count_from_the_entry_after_the_break():
    told = judged({**steady(72 * 60), 600: (16.0, 23.0)})

    assert told["hours"] == 570 / 60


def test_an_excursion_begins_with_its_first_entry():
    told = judged({**steady(72 * 60), 660: (12.0, 27.0), 630: (16.0, 23.0), 600: (16.0, 23.0)})

    assert told["conditioning"] == "humid"
    assert told["excursion_us"] == TEST - 660 * MINUTE


def test_a_gap_begins_with_the_last_entry_before_it():
    within = {m: e for m, e in steady(72 * 60).items() if not 400 < m < 600}

    assert judged(within)["excursion_us"] == TEST - 600 * MINUTE
    assert judged(steady(72 * 60, 90))["excursion_us"] == TEST - 90 * MINUTE


def test_a_valid_or_short_session_has_no_excursion():
    assert pd.isna(judged(steady(72 * 60))["excursion_us"])
    assert pd.isna(judged(steady(24 * 60))["excursion_us"])


def test_the_log_has_to_stay_within_tolerance_through_the_last_reading():
    entries = {**steady(72 * 60), -30: (12.0, 23.0), -60: (16.0, 23.0), -90: (12.0, 23.0)}

    assert judged(entries, length=45)["conditioning"] == "valid"
    told = judged(entries, length=60)
    assert (told["conditioning"], told["hours"]) == ("humid", 72.0)
    assert told["excursion_us"] == TEST + 60 * MINUTE
    assert judged(entries, length=150)["conditioning"] == "humid"
    assert judged(entries, length=151)["conditioning"] == "unlogged"
    silent = judged(steady(72 * 60), length=61)
    assert silent["conditioning"] == "unlogged"


def test_humidity_is_told_over_the_required_stretch():
    entries = {**steady(72 * 60), 50 * 60: (14.9, 23.0), 600: (10.0, 23.0), 300: (14.0, 23.0)}

    told = judged(entries)

    inside = [humidity for minutes, (humidity, _) in entries.items() if minutes <= 48 * 60]
    assert (told["humidity_min"], told["humidity_max"]) == (10.0, 14.0)
    # Summed in integers of 1e-6 %, so exact to that; the division rounds once.
    assert_allclose(told["humidity_mean"], math.fsum(inside) / len(inside), rtol=1e-14)


def test_the_order_of_entries_and_sessions_changes_nothing():
    entries = log({**steady(72 * 60), 600: (16.0, 23.0)})
    sessions = pd.DataFrame(
        {
            "chamber_id": 1,
            "started_us": TEST - np.array([0, 9, 11, 3]) * HOUR,
            "ended_us": TEST - np.array([0, 9, 11, 3]) * HOUR,
        },
        index=[7, 5, 3, 1],
    )

    told = judge(sessions, entries.sample(frac=1, random_state=1), RULE)

    assert list(told.index) == [7, 5, 3, 1]
    pd.testing.assert_frame_equal(told.sort_index(), judge(sessions.sort_index(), entries, RULE))


def test_the_columns_are_those_of_the_store():
    types = judge(pd.DataFrame({"chamber_id": [1], "started_us": [TEST], "ended_us": [TEST]}), log({}), RULE).dtypes

    assert list(types.index) == [
        "conditioning",
        "hours",
        "humidity_min",
        "humidity_max",
        "humidity_mean",
        "excursion_us",
        "doors",
    ]
    assert str(types["excursion_us"]) == "Int64"


# A slow, literal reading of the rule


def literally(entries, start, end, rule):
    """State, hours and start of the break, found by walking back through the log, entry by entry."""
    reach = timedelta(hours=max(2 * rule.hours, LOOK_BACK_HOURS)) // timedelta(microseconds=1)
    known = sorted(entry for entry in entries if start - reach <= entry[0] <= end)
    gap = rule.longest_gap_minutes * MINUTE
    stretch = start - rule.hours * HOUR
    return _state(known, start, end, stretch, gap, rule), _hours(known, start, gap, rule)


def _fault(entry, rule):
    _, humidity, temperature = entry
    if humidity != rule.humidity_percent and abs(humidity - rule.humidity_percent) > rule.humidity_tolerance:
        return State.HUMID if humidity > rule.humidity_percent else State.DRY
    if abs(temperature - rule.temperature_c) > rule.temperature_tolerance_c:
        return State.WARM if temperature > rule.temperature_c else State.COLD
    return None


def _hours(known, start, gap, rule):
    since, last = None, start
    for entry in reversed([entry for entry in known if entry[0] <= start]):
        if last - entry[0] > gap or _fault(entry, rule):
            break
        since = last = entry[0]
    return 0.0 if since is None else (start - since) / HOUR


def _state(known, start, end, stretch, gap, rule):
    last = end
    for entry in reversed(known):
        # The silence after this entry reaches into the stretch as soon as its later end lies inside.
        if last - entry[0] > gap and (last > stretch):
            return State.UNLOGGED
        if _fault(entry, rule) and entry[0] >= stretch:
            return _fault(entry, rule)
        last = entry[0]
    if not known:
        return State.UNLOGGED
    return State.VALID if _hours(known, start, gap, rule) >= rule.hours else State.SHORT


LEVELS = st.sampled_from(
    [(12.0, 23.0)] * 12 + [(15.0, 23.0), (9.0, 20.0), (15.5, 23.0), (8.5, 23.0), (12.0, 27.0), (12.0, 19.0)]
)


@settings(max_examples=200)
@given(
    st.lists(st.tuples(st.sampled_from([5, 20, 30, 30, 30, 59, 60, 61, 240, 3000]), LEVELS), min_size=1, max_size=60),
    st.lists(st.tuples(st.integers(0, 2500), st.integers(0, 200)), min_size=1, max_size=6),
    st.sampled_from([4.0, 12.0, 48.0]),
)
def test_the_fast_judgement_is_the_literal_one(steps, tests, hours):
    rule = replace(RULE, hours=hours)
    times = TEST + np.cumsum([minutes for minutes, _ in steps]) * MINUTE
    entries = [(int(us), humidity, temperature) for us, (_, (humidity, temperature)) in zip(times, steps, strict=True)]
    sessions = pd.DataFrame(
        {
            "chamber_id": 1,
            "started_us": [TEST + start * MINUTE for start, _ in tests],
            "ended_us": [TEST + (start + length) * MINUTE for start, length in tests],
        }
    )
    logs = pd.DataFrame(entries, columns=["logged_us", "humidity_percent", "temperature_c"]).assign(chamber_id=1)

    told = judge(sessions, logs, rule)

    for row in range(len(sessions)):
        state, unbroken = literally(entries, sessions["started_us"][row], sessions["ended_us"][row], rule)
        assert (told["conditioning"][row], told["hours"][row]) == (state, unbroken)


@settings(max_examples=50)
@given(st.integers(0, 2**32 - 1))
def test_a_judgement_does_not_depend_on_how_much_else_of_the_log_is_at_hand(seed):
    rng = np.random.default_rng(seed)
    us = TEST - np.sort(rng.choice(40_000, size=1200, replace=False)) * MINUTE
    logs = pd.DataFrame(
        {
            "chamber_id": 1,
            "logged_us": us,
            "humidity_percent": np.round(rng.normal(12, 1.2, len(us)), 1),
            "temperature_c": 23.0,
        }
    )
    sessions = pd.DataFrame({"chamber_id": [1], "started_us": [TEST - HOUR], "ended_us": [TEST]})
    near = logs[logs["logged_us"] >= TEST - HOUR - reach_us(RULE)]
    far = pd.concat([logs, logs.assign(logged_us=logs["logged_us"] + 60_000 * MINUTE)])

    for other in (near, far):
        pd.testing.assert_frame_equal(judge(sessions, logs, RULE), judge(sessions, other, RULE), check_exact=True)


# The state of a chamber


@pytest.mark.parametrize(
    ("humidity", "temperature", "inside"),
    [
        (9.0, 20.0, True),
        (15.0, 26.0, True),
        (15.0001, 23.0, False),
        (8.9999, 23.0, False),
        (12.0, 26.0001, False),
        (12.0, 19.9999, False),
    ],
)
def test_the_state_of_a_chamber_and_the_judgement_of_a_test_share_one_tolerance(humidity, temperature, inside):
    entries = {**steady(48 * 60, 30), 0: (humidity, temperature)}

    assert summarise_log(log(entries), RULE).last_inside is inside
    assert (judged(entries).conditioning == State.VALID) is inside


def test_the_edges_of_a_tolerance_are_those_of_the_sum_on_paper():
    # 0.1 + 0.2 is 0.30000000000000004 in binary floating point.
    edges = tolerance(replace(RULE, humidity_percent=0.1, humidity_tolerance=0.2))

    assert (edges.humidity_low, edges.humidity_high) == (-0.1, 0.3)


def test_hours_outside_count_any_fault_and_no_gap():
    entries = {
        600: (12.0, 23.0),
        540: (16.0, 23.0),  # one hour too humid
        480: (12.0, 23.0),
        450: (12.0, 27.0),  # half an hour too warm
        300: (16.0, 23.0),  # after a gap of 150 minutes: nobody knows for how long
        240: (12.0, 23.0),
    }
    summary = summarise_log(log(entries), RULE)

    assert (summary.hours_outside, summary.gaps, summary.last_inside) == (1.5, 1, True)
