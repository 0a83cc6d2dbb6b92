"""Time stamps as written, against Python's datetime and the tz database."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.common.instants import microseconds
from ingest.parsing.timestamps import NO_TIME, Clock, StampError, read_date, read_stamps, settle_repeated

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
LISBON = ZoneInfo("Europe/Lisbon")
CLOCK = Clock(LISBON, NOW)

# Summer time in the European Union begins and ends at 01:00 UTC on the last Sundays of March and October (Directive
# 2000/84/EC). In Lisbon the clocks skip 01:00-02:00 in March and show 01:00-02:00 twice in October.
SKIPPED, TWICE = "2026-03-29T01:30", "2025-10-26T01:30"


def read(*texts, clock=CLOCK):
    return read_stamps(pa.array(texts, pa.string()), clock)


def us(*numbers, tz=UTC):
    return microseconds(datetime(*numbers, tzinfo=tz))


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("2026-03-02T10:15", (2026, 3, 2, 10, 15)),
        ("2026-03-02 10:15", (2026, 3, 2, 10, 15)),
        ("2026-03-02T10:15:30", (2026, 3, 2, 10, 15, 30)),
        ("2026-03-02T10:15:30.250", (2026, 3, 2, 10, 15, 30, 250000)),
        ("2026-03-02T10:15:30,250", (2026, 3, 2, 10, 15, 30, 250000)),
        ("2026-03-02T10:15Z", (2026, 3, 2, 10, 15)),
        ("2026-03-02T10:15:00+02:00", (2026, 3, 2, 8, 15)),
        ("2026-03-02T10:15+0200", (2026, 3, 2, 8, 15)),
        ("2026-03-02T10:15-03:30", (2026, 3, 2, 13, 45)),
        ("20260302T101530", (2026, 3, 2, 10, 15, 30)),
        ("2026-W10-1T10:15", (2026, 3, 2, 10, 15)),
        ("2026-07-02T10:15", (2026, 7, 2, 9, 15)),  # summer time in Lisbon
    ],
)
def test_a_stamp_is_an_iso_date_and_time_in_the_zone_of_the_source_where_it_has_no_offset(text, moment):
    assert read(text).us[0] == us(*moment)


def test_two_o_clock_with_an_offset_of_two_hours_is_the_same_moment_as_eight_o_clock_utc():
    stamps = read("2026-03-02T10:00+02:00", "2026-03-02T08:00Z")

    assert stamps.us[0] == stamps.us[1]


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "is blank; write a date and time such as 2026-03-02T14:30"),
        ("2026-03-02", '"2026-03-02" is a date without a time'),
        ("20260302", '"20260302" is a date without a time'),
        ("02.03.2026", '"02.03.2026" is a date without a time'),
        ("02.03.26 10:15", '"02.03.26 10:15" has a year of two digits'),
        ("02/03/2026 10:15", '"02/03/2026 10:15" has another order than'),
        ("2026/03/02 10:15", '"2026/03/02 10:15" has another order than'),
        ("1772446500", '"1772446500" looks like seconds since 1970'),
        ("1772446500000", '"1772446500000" looks like seconds since 1970'),
        ("1772446500.25", '"1772446500.25" looks like seconds since 1970'),
        ("2026-02-30T10:15", '"2026-02-30T10:15" is not a possible date and time'),
        ("2026-13-01T10:15", '"2026-13-01T10:15" is not a possible date and time'),
        ("2026-03-02T25:00", '"2026-03-02T25:00" is not a possible date and time'),
        ("2026-03-02T23:59:60", '"2026-03-02T23:59:60" is not a possible date and time'),
        ("2026-03-02x10:15", '"2026-03-02x10:15" is not a date and time'),
        ("yesterday", '"yesterday" is not a date and time'),
        ("10:15", '"10:15" is not a date and time'),
        ("1989-12-31T23:59Z", '"1989-12-31T23:59Z" is before 1990'),
        ("0001-01-01T00:00", '"0001-01-01T00:00" is before 1990'),
        ("9999-12-31T23:59", '"9999-12-31T23:59" is more than a day ahead'),
        ("2026-11-26T12:00:01Z", '"2026-11-26T12:00:01Z" is more than a day ahead'),
        (
            SKIPPED,
            "does not exist in Europe/Lisbon: the clocks went forward over it; write it with an offset, or declare timezone in [[source]]",
        ),
        (
            TWICE,
            "happened twice in Europe/Lisbon: the clocks went back over it; write it with an offset, or declare timezone in [[source]]",
        ),
    ],
)
def test_a_stamp_that_is_not_believed_is_refused_by_name(text, why):
    stamps = read("2026-03-02T10:15", text)

    assert stamps.us[1] == NO_TIME
    assert why in stamps.reasons[1]
    assert stamps.us[0] == us(2026, 3, 2, 10, 15)


def test_exactly_a_day_ahead_and_the_first_moment_of_1990_are_inside():
    assert list(read("2026-11-26T12:00Z", "1990-01-01T00:00Z").us) == [us(2026, 11, 26, 12), us(1990, 1, 1)]


def test_one_impossible_date_costs_no_other_stamp():
    texts = [f"2026-02-{day:02d}T10:15" for day in range(1, 31)]

    stamps = read(*texts)

    assert list(stamps.reasons) == [28, 29]
    assert list(stamps.us[:28]) == [us(2026, 2, day, 10, 15) for day in range(1, 29)]


def test_another_order_is_read_where_the_source_declares_it():
    clock = Clock(LISBON, NOW, "%d.%m.%Y %H:%M")

    stamps = read("02.03.2026 10:15", "2026-03-02T10:15", "31.02.2026 10:15", clock=clock)

    assert stamps.us[0] == us(2026, 3, 2, 10, 15)
    assert "not a time in the declared format" in stamps.reasons[1]
    assert "not a time in the declared format" in stamps.reasons[2]


def test_a_declared_format_is_held_against_the_clocks_too():
    stamps = read("29.03.2026 01:30", "26.10.2025 01:30", clock=Clock(LISBON, NOW, "%d.%m.%Y %H:%M"))

    assert "does not exist" in stamps.reasons[0]
    assert "happened twice" in stamps.reasons[1]


ZONES = st.sampled_from(["Europe/Lisbon", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu", "UTC"])
MOMENTS = st.datetimes(min_value=datetime(1990, 1, 2), max_value=datetime(2026, 11, 24))  # noqa: DTZ001  (wall clock)


@given(MOMENTS, st.integers(-14 * 60, 14 * 60), st.sampled_from(["auto", "minutes", "milliseconds"]))
def test_a_stamp_with_an_offset_is_the_moment_that_datetime_says(moment, offset, precision):
    aware = moment.replace(tzinfo=timezone(timedelta(minutes=offset)))
    text = aware.isoformat(timespec=precision)

    assert read(text).us[0] == microseconds(datetime.fromisoformat(text))


@given(MOMENTS, ZONES)
def test_a_wall_clock_stamp_is_the_one_moment_at_which_the_clocks_showed_it_or_refused(wall, zone):
    zone = ZoneInfo(zone)
    showing = {
        moment
        for fold in (0, 1)
        if (moment := wall.replace(tzinfo=zone, fold=fold).astimezone(UTC)).astimezone(zone).replace(tzinfo=None)
        == wall
    }

    stamps = read(wall.isoformat(), clock=Clock(zone, NOW))

    assert stamps.us[0] == (microseconds(showing.pop()) if len(showing) == 1 else NO_TIME)


# A log's repeated hour: Lisbon, 26 October 2025, in minutes after 00:00 UTC. The first pass is 60 minutes earlier.

NONE = NO_TIME


def settled(known, first):
    first = np.array(first)
    second = np.where(first == NONE, NONE, first + 60)
    return list(settle_repeated(np.array(known), first, second))


def test_a_log_that_rises_and_falls_back_once_is_settled():
    # Wall clock 00:30, 01:00, 01:30, 01:00, 01:30, 02:00 of a half-hourly log.
    assert settled([-30, NONE, NONE, NONE, NONE, 120], [NONE, 0, 30, 0, 30, NONE]) == [-30, 0, 30, 60, 90, 120]


def test_an_hourly_log_shows_the_same_time_twice_and_is_settled():
    assert settled([-60, NONE, NONE, 120], [NONE, 0, 0, NONE]) == [-60, 0, 60, 120]


def test_a_log_that_shows_the_hour_once_is_not_settled():
    assert settled([-30, NONE, NONE, 120], [NONE, 0, 30, NONE]) == [-30, NONE, NONE, 120]


def test_a_log_that_falls_back_twice_is_not_settled():
    assert settled([NONE] * 4 + [120], [0, 0, 0, 30, NONE]) == [NONE, NONE, NONE, NONE, 120]


def test_a_log_in_falling_order_is_not_settled():
    assert settled([120, NONE, NONE, -60], [NONE, 0, 0, NONE]) == [120, NONE, NONE, -60]


# Days


@pytest.mark.parametrize(
    ("text", "form", "day"),
    [
        ("2026-03-02", None, "2026-03-02"),
        ("2026-03-02T00:00:00", None, "2026-03-02"),
        ("2026-03-02", "%d.%m.%Y %H:%M", "2026-03-02"),
        ("02.03.2026", "%d.%m.%Y %H:%M", "2026-03-02"),
    ],
)
def test_a_day_is_read_in_iso_form_or_in_the_order_of_the_source(text, form, day):
    assert read_date(text, form) == day


@pytest.mark.parametrize(("text", "form"), [("02/03/2026", None), ("2026-02-30", None), ("soon", "%d.%m.%Y %H:%M")])
def test_another_day_is_refused(text, form):
    with pytest.raises(StampError, match="is not a date; write it as 2026-03-02"):
        read_date(text, form)
