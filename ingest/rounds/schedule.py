"""When rounds are done while the dashboard is served, and what is done on Mondays.

The scheduler is handed callables and does not know what a round is. What is late is done all the same, several missed turns
are one, and no two overlap.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, tzinfo

from apscheduler.events import EVENT_JOB_ERROR, JobExecutionEvent
from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.base import BaseTrigger
from apscheduler.triggers.cron import CronTrigger
from apscheduler.triggers.interval import IntervalTrigger

from ingest.common import clock
from ingest.common.errors import LabFileError
from ingest.config.field_types import shown
from ingest.config.lab import LAB_FILE
from ingest.config.models import Schedule

__all__ = ["Mondays", "next_round", "rounds_scheduled"]

log = logging.getLogger(__name__)

# Where lab.toml declares no [schedule].
USUAL_MINUTES = 60
# The wait of a thread stands still while a laptop sleeps, and knows nothing of a clock that is set: how often both are looked
# for.
PULSE_SECONDS = 30
# A clock that is corrected by less moves no turn.
SET_BACK = timedelta(minutes=2)
DAYS = ("sun", "mon", "tue", "wed", "thu", "fri", "sat")
EXAMPLE = 'write minute, hour, day, month and day of the week, such as "0 6 * * 1-5"'


@dataclass(frozen=True, slots=True)
class Mondays:
    """What is done each Monday at an hour of the lab's zone."""

    at: time
    do: Callable[[], None]


@contextmanager
def rounds_scheduled(
    schedule: Schedule | None, do_round: Callable[[], None], zone: tzinfo = UTC, mondays: Mondays | None = None
) -> Iterator[BackgroundScheduler]:
    """Do rounds in the background, the first at once, until the block ends; a round under way is finished first.

    `zone` is the one in which the hours of `cron` and of `mondays` are meant: the lab's. LabFileError where `cron` can't be
    read.
    """
    trigger = _trigger(schedule, zone)
    usual = {"coalesce": True, "max_instances": 1, "misfire_grace_time": None}
    # One thread for what works on the store.
    scheduler = BackgroundScheduler(timezone="UTC", executors={"default": ThreadPoolExecutor(1)}, job_defaults=usual)
    # The first round is the first run of the one job: a second job could be removed while the scheduler stops.
    scheduler.add_job(do_round, trigger, id="round", next_run_time=clock.now())
    if mondays is not None:
        scheduler.add_job(mondays.do, _monday_trigger(mondays.at, zone), id="mondays")
    scheduler.add_listener(_tell, EVENT_JOB_ERROR)
    scheduler.start()
    try:
        with _pulse(scheduler, lambda: _plan_again(scheduler, schedule, zone)):
            yield scheduler
    finally:
        scheduler.shutdown(wait=True)


@contextmanager
def _pulse(scheduler: BackgroundScheduler, plan_again: Callable[[], None]) -> Iterator[None]:
    """Have the scheduler look at the clock ever and again. A turn of its own would wait for the wrong clock, as all do."""
    ended = threading.Event()

    def beat() -> None:
        while not ended.wait(PULSE_SECONDS):
            plan_again()
            scheduler.wakeup()

    thread = threading.Thread(target=beat, name="pulse", daemon=True)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()


def _plan_again(scheduler: BackgroundScheduler, schedule: Schedule | None, zone: tzinfo) -> None:
    """Where the clock was set back, do a round at once, and plan all turns from the present on.

    A turn never lies further ahead than one that is planned now, unless it was planned under a clock that was ahead.
    """
    now = clock.now()
    for job in scheduler.get_jobs():
        # That of the rounds may count from its own making, so it is made anew.
        trigger = _trigger(schedule, zone) if job.id == "round" else job.trigger
        due = trigger.get_next_fire_time(None, now)
        if job.next_run_time > due + SET_BACK:
            scheduler.modify_job(job.id, trigger=trigger, next_run_time=now if job.id == "round" else due)


def next_round(scheduler: BackgroundScheduler) -> datetime | None:
    """When the next round is due; None where none will be."""
    job = scheduler.get_job("round")
    due: datetime | None = None if job is None else job.next_run_time
    return due


def _monday_trigger(at: time, zone: tzinfo) -> CronTrigger:
    return CronTrigger(day_of_week="mon", hour=at.hour, minute=at.minute, timezone=zone)


def _trigger(schedule: Schedule | None, zone: tzinfo) -> BaseTrigger:
    if schedule is None:
        return IntervalTrigger(minutes=USUAL_MINUTES, timezone="UTC")
    if schedule.cron is None:
        return IntervalTrigger(minutes=schedule.every_minutes, timezone="UTC")
    *others, week = schedule.cron.split()
    names = ("minute", "hour", "day", "month")
    try:
        return CronTrigger(**dict(zip(names, others, strict=True)), day_of_week=_week_days(week), timezone=zone)
    except ValueError as error:
        raise LabFileError(
            f"{LAB_FILE}, schedule.cron: {shown(schedule.cron)} can't be read ({error}); {EXAMPLE}"
        ) from error


def _week_days(field: str) -> str:
    """The days of a week field by name: cron numbers them from Sunday, 0 and 7, the scheduler from Monday."""
    if field.startswith("*"):
        return field
    days: list[str] = []
    for part in field.lower().split(","):
        span, _, step = part.partition("/")
        first, _, last = span.partition("-")
        begin, end = _day_number(first), _day_number(last or first)
        # Sunday is 0 and 7; a span that ends on a Sunday ends at 7.
        stop = 7 if begin > end == 0 else end
        days += [DAYS[day % 7] for day in range(begin, stop + 1, int(step or 1))]
    return ",".join(days)


def _day_number(name: str) -> int:
    number = DAYS.index(name) if name in DAYS else int(name)
    if number > 7:
        raise ValueError(f"there is no day {number} of the week")
    return number


def _tell(event: JobExecutionEvent) -> None:
    """What failed says why in one line; its next turn comes all the same."""
    log.error("%s: %s", event.job_id, event.exception)
