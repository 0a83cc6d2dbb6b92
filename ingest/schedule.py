"""When rounds are done while the dashboard is served, and what is done on Mondays.

The scheduler is handed callables and does not know what a round is. What is late is done all the same, several missed turns
are one, and no two overlap.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, time, tzinfo

from apscheduler.events import EVENT_JOB_ERROR, JobExecutionEvent
from apscheduler.executors.debug import DebugExecutor
from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.base import BaseTrigger
from apscheduler.triggers.cron import CronTrigger
from apscheduler.triggers.interval import IntervalTrigger

from ingest import clock
from ingest.errors import LabFileError
from ingest.lab import LAB_FILE
from ingest.labfile import Schedule
from ingest.labtypes import shown

__all__ = ["Mondays", "next_round", "rounds_scheduled"]

log = logging.getLogger(__name__)

# Where lab.toml declares no [schedule].
USUAL_MINUTES = 60
# The wait of a thread stands still while a laptop sleeps: what was missed is looked for this often.
PULSE_SECONDS = 30
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
    # One thread for what works on the store; the pulse needs none, and must not wait behind a long round.
    executors = {"default": ThreadPoolExecutor(1), "pulse": DebugExecutor()}
    scheduler = BackgroundScheduler(timezone="UTC", executors=executors, job_defaults=usual)
    # The first round is an early turn of the one job: a job of its own would be struck off while the scheduler ends.
    scheduler.add_job(do_round, trigger, id="round", next_run_time=clock.now())
    if mondays is not None:
        scheduler.add_job(mondays.do, _monday_trigger(mondays.at, zone), id="mondays")
    scheduler.add_job(_nothing, IntervalTrigger(seconds=PULSE_SECONDS, timezone="UTC"), id="pulse", executor="pulse")
    scheduler.add_listener(_tell, EVENT_JOB_ERROR)
    scheduler.start()
    try:
        yield scheduler
    finally:
        scheduler.shutdown(wait=True)


def next_round(scheduler: BackgroundScheduler) -> datetime | None:
    """When the next round is due; None where none will be."""
    job = scheduler.get_job("round")
    due: datetime | None = None if job is None else job.next_run_time
    return due


def _monday_trigger(at: time, zone: tzinfo) -> CronTrigger:
    return CronTrigger(day_of_week="mon", hour=at.hour, minute=at.minute, timezone=zone)


def _nothing() -> None:
    """Done so that the scheduler looks at the clock; what is due by then is done in the same turn."""


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
        # A span that ends on a Sunday ends with its other number.
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
