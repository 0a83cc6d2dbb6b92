"""Rounds in the background: the first at once, never two together, and none cut off."""

from __future__ import annotations

import threading
import time
from datetime import UTC, date, datetime, timedelta, tzinfo
from datetime import time as hour
from zoneinfo import ZoneInfo

import pytest

from ingest.common import clock
from ingest.common.errors import LabFileError
from ingest.config.models import Schedule
from ingest.rounds.schedule import Mondays, _monday_trigger, _trigger, next_round, rounds_scheduled

EVERY_HOUR = Schedule(every_minutes=60)
PATIENCE = 10  # seconds


def test_the_first_round_is_done_at_once() -> None:
    done = threading.Event()

    with rounds_scheduled(EVERY_HOUR, done.set):
        assert done.wait(PATIENCE)


def test_the_next_round_is_an_hour_after_the_one_under_way() -> None:
    began, go_on = threading.Event(), threading.Event()

    def wait() -> None:
        began.set()
        go_on.wait(PATIENCE)

    before = clock.now()
    with rounds_scheduled(EVERY_HOUR, wait) as scheduler:
        assert began.wait(PATIENCE)
        due = next_round(scheduler)
        go_on.set()
    assert due is not None
    # The trigger counts from its own making, a moment before the first round.
    assert timedelta(minutes=59) < due - before < timedelta(minutes=61)


def test_a_round_under_way_is_finished_before_the_block_ends() -> None:
    began, leaving, ended = threading.Event(), threading.Event(), threading.Event()

    def slow() -> None:
        began.set()
        leaving.wait(PATIENCE)
        # Long enough for the block to end before it, if it did not wait.
        time.sleep(0.3)
        ended.set()

    with rounds_scheduled(EVERY_HOUR, slow):
        assert began.wait(PATIENCE)
        assert not ended.is_set()
        leaving.set()
    assert ended.is_set()


def test_two_rounds_never_overlap() -> None:
    running, most, done = 0, 0, threading.Semaphore(0)

    def count() -> None:
        nonlocal running, most
        running += 1
        most = max(most, running)
        time.sleep(0.05)
        running -= 1
        done.release()

    with rounds_scheduled(EVERY_HOUR, count) as scheduler:
        for number in range(3):
            scheduler.add_job(count, id=str(number))
        for _ in range(4):
            assert done.acquire(timeout=PATIENCE)
    assert most == 1


def test_a_round_that_fails_is_told_and_the_next_one_is_done(caplog: pytest.LogCaptureFixture) -> None:
    second = threading.Event()

    def fail() -> None:
        raise RuntimeError("no room")

    with rounds_scheduled(EVERY_HOUR, fail) as scheduler:
        scheduler.add_job(second.set)
        assert second.wait(PATIENCE)
    assert "round: no room" in [record.getMessage() for record in caplog.records]


def test_rounds_come_as_declared_and_the_next_is_known() -> None:
    assert str(_trigger(EVERY_HOUR, UTC)) == "interval[1:00:00]"
    assert str(_trigger(None, UTC)) == "interval[1:00:00]"
    with rounds_scheduled(EVERY_HOUR, lambda: None) as scheduler:
        assert scheduler.get_job("round").next_run_time is not None


def next_week(cron: str, zone: str = "UTC") -> list[str]:
    """The days of the week and hours in UTC at which rounds come in the week from Saturday, 28 November 2026, noon."""
    trigger, now = _trigger(Schedule(cron=cron), ZoneInfo(zone)), datetime(2026, 11, 28, 12, tzinfo=UTC)
    last, times = now + timedelta(days=7), []
    while (moment := trigger.get_next_fire_time(None, now)) <= last:
        times.append(moment.astimezone(UTC).strftime("%a %H:%M"))
        now = moment + timedelta(seconds=1)
    return times


# POSIX.1-2017, crontab: the day of the week is 0 to 6 with Sunday 0. 7 for Sunday and names: common practice.
@pytest.mark.parametrize(
    ("week", "days"),
    [
        ("*", "Sun Mon Tue Wed Thu Fri Sat"),
        ("1-5", "Mon Tue Wed Thu Fri"),
        ("mon-fri", "Mon Tue Wed Thu Fri"),
        ("0", "Sun"),
        ("7", "Sun"),
        ("0-6", "Sun Mon Tue Wed Thu Fri Sat"),
        ("1-7", "Sun Mon Tue Wed Thu Fri Sat"),
        ("FRI-SUN", "Sun Fri Sat"),
        ("0,3", "Sun Wed"),
        ("1-5/2", "Mon Wed Fri"),
    ],
)
def test_days_of_the_week_are_numbered_as_cron_does(week: str, days: str) -> None:
    assert next_week(f"0 6 * * {week}") == [f"{day} 06:00" for day in days.split()]


def test_hours_are_those_of_the_lab() -> None:
    assert next_week("30 6 * * 3", "America/New_York") == ["Wed 11:30"]


@pytest.mark.parametrize("cron", ["99 6 * * *", "0 6 * * 9", "0 6 * * x", "0 6 * * 5-1", "a b c d e"])
def test_what_is_no_cron_is_told(cron: str) -> None:
    with pytest.raises(LabFileError, match=r"lab\.toml, schedule\.cron: .* can't be read"):
        _trigger(Schedule(cron=cron), UTC)


# Mondays


SEVEN = hour(7)


def mondays_of(year: int, zone: str) -> list[datetime]:
    """The moments at which a year's Mondays come up in a zone, as the scheduler would find them."""
    trigger, now = _monday_trigger(SEVEN, ZoneInfo(zone)), datetime(year, 1, 1, tzinfo=ZoneInfo(zone))
    found = []
    while (moment := trigger.get_next_fire_time(None, now)).year == year:
        found.append(moment.astimezone(UTC))
        now = moment + timedelta(seconds=1)
    return found


# The zones' rules are those of the IANA time zone database. Adelaide and Saint John's lie half an hour aside, Lord Howe changes
# by half an hour, Reykjavik and Tokyo never.
@pytest.mark.parametrize(
    "zone",
    [
        "Europe/Lisbon", "America/New_York", "America/St_Johns", "Australia/Adelaide", "Australia/Lord_Howe",
        "Atlantic/Reykjavik", "Asia/Tokyo", "America/Santiago",
    ],
)  # fmt: skip
def test_mondays_come_at_seven_of_the_labs_zone_all_year_round(zone: str) -> None:
    days = [date(2026, 1, 5) + timedelta(weeks=week) for week in range(52)]
    expected = [datetime.combine(day, SEVEN, tzinfo=ZoneInfo(zone)).astimezone(UTC) for day in days]

    assert mondays_of(2026, zone) == expected


def test_the_hour_in_utc_moves_with_the_clocks() -> None:
    # Clocks in the European Union go forward on 29 March and back on 25 October 2026 (Directive 2000/84/EC: the last Sundays).
    lisbon = [moment.strftime("%d %b %H:%M") for moment in mondays_of(2026, "Europe/Lisbon")]

    assert lisbon[11:13] == ["23 Mar 07:00", "30 Mar 06:00"]
    assert lisbon[41:43] == ["19 Oct 06:00", "26 Oct 07:00"]


def test_what_is_for_monday_waits_for_it() -> None:
    sent = threading.Event()

    with rounds_scheduled(EVERY_HOUR, lambda: None, UTC, Mondays(SEVEN, sent.set)) as scheduler:
        due = scheduler.get_job("mondays").next_run_time

    assert (due.strftime("%a %H:%M"), sent.is_set()) == ("Mon 07:00", False)
    assert timedelta() < due - clock.now() <= timedelta(weeks=1)


def test_mondays_that_were_missed_are_made_up_once() -> None:
    sent = threading.Semaphore(0)

    with rounds_scheduled(EVERY_HOUR, lambda: None, UTC, Mondays(SEVEN, sent.release)) as scheduler:
        last_month = clock.now() - timedelta(weeks=4)
        scheduler.modify_job("mondays", next_run_time=last_month)
        assert sent.acquire(timeout=PATIENCE)
        # The turn was planned before it was done; a second one would lie in the past, and so have come by then.
        assert scheduler.get_job("mondays").next_run_time > clock.now()
    assert not sent.acquire(timeout=0)


class Wall:
    """The wall clock of this process as it is set by hand; the waits of threads know nothing of it."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.ahead = timedelta()
        wall, now = self, clock.now

        class Clock(datetime):
            @classmethod
            def now(cls, tz: tzinfo | None = None) -> datetime:  # type: ignore[override]
                return now().astimezone(tz) + wall.ahead

        for module in ("schedulers.base", "triggers.interval", "triggers.cron"):
            monkeypatch.setattr(f"apscheduler.{module}.datetime", Clock)
        monkeypatch.setattr("ingest.common.clock.now", lambda: now() + wall.ahead)


@pytest.fixture
def wall(monkeypatch: pytest.MonkeyPatch) -> Wall:
    monkeypatch.setattr("ingest.rounds.schedule.PULSE_SECONDS", 0.05)
    return Wall(monkeypatch)


def test_a_machine_that_slept_through_seven_sends_on_waking(wall: Wall) -> None:
    sent = threading.Event()
    with rounds_scheduled(Schedule(every_minutes=60 * 24 * 30), lambda: None, UTC, Mondays(SEVEN, sent.set)):
        assert not sent.wait(0.3)
        wall.ahead = timedelta(weeks=1)
        assert sent.wait(PATIENCE)


@pytest.mark.parametrize("schedule", [EVERY_HOUR, Schedule(cron="0 6 * * *")])
def test_a_clock_that_is_set_right_does_a_round_at_once_and_moves_the_next_ones(wall: Wall, schedule: Schedule) -> None:
    wall.ahead = timedelta(days=365)
    rounds = threading.Semaphore(0)
    with rounds_scheduled(schedule, rounds.release, UTC, Mondays(SEVEN, lambda: None)) as scheduler:
        assert rounds.acquire(timeout=PATIENCE)
        wall.ahead = timedelta()
        assert rounds.acquire(timeout=PATIENCE)
        # Planned within a pulse of the same clock; the round above may have begun before Monday was planned again.
        deadline = time.monotonic() + PATIENCE
        while scheduler.get_job("mondays").next_run_time > clock.now() + timedelta(weeks=1):
            assert time.monotonic() < deadline
            time.sleep(0.01)
        due = next_round(scheduler)

    assert due is not None
    assert timedelta() < due - clock.now() <= timedelta(days=1)
    # A clock that stands still from then on asks for no other round.
    assert not rounds.acquire(timeout=0)


def test_a_clock_that_is_corrected_by_a_moment_moves_no_turn(wall: Wall) -> None:
    rounds = threading.Semaphore(0)
    with rounds_scheduled(EVERY_HOUR, rounds.release) as scheduler:
        assert rounds.acquire(timeout=PATIENCE)
        planned = next_round(scheduler)
        wall.ahead = -timedelta(seconds=90)
        assert not rounds.acquire(timeout=0.3)
        assert next_round(scheduler) == planned


def test_the_pulse_goes_on_during_a_long_round(
    caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ingest.rounds.schedule.PULSE_SECONDS", 0.01)
    began, go_on, beats = threading.Event(), threading.Event(), threading.Semaphore(0)

    def long() -> None:
        began.set()
        go_on.wait(PATIENCE)

    with rounds_scheduled(EVERY_HOUR, long) as scheduler:
        assert began.wait(PATIENCE)
        monkeypatch.setattr(scheduler, "wakeup", beats.release)
        for _ in range(3):
            assert beats.acquire(timeout=PATIENCE)
        go_on.set()
        monkeypatch.undo()
    # A turn that finds its job still running is skipped with a warning.
    assert not caplog.records
