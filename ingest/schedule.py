"""When rounds are done while the dashboard is served.

The scheduler is handed a callable and does not know what a round is. A round that is late is done all the same, several
missed ones are done once, and two never overlap.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, tzinfo

from apscheduler.events import EVENT_JOB_ERROR, JobExecutionEvent
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

__all__ = ["rounds_scheduled"]

log = logging.getLogger(__name__)

# Where lab.toml declares no [schedule].
USUAL_MINUTES = 60
DAYS = ("sun", "mon", "tue", "wed", "thu", "fri", "sat")
EXAMPLE = 'write minute, hour, day, month and day of the week, such as "0 6 * * 1-5"'


@contextmanager
def rounds_scheduled(
    schedule: Schedule | None, do_round: Callable[[], None], zone: tzinfo = UTC
) -> Iterator[BackgroundScheduler]:
    """Do rounds in the background, the first at once, until the block ends; a round under way is finished first.

    `zone` is the one in which the hours of `cron` are meant: the lab's. LabFileError where `cron` can't be read.
    """
    trigger = _trigger(schedule, zone)
    scheduler = BackgroundScheduler(timezone="UTC", executors={"default": ThreadPoolExecutor(1)})
    # The first round is an early turn of the one job: a job of its own would be struck off while the scheduler ends.
    scheduler.add_job(
        do_round,
        trigger,
        id="round",
        coalesce=True,
        max_instances=1,
        misfire_grace_time=None,
        next_run_time=clock.now(),
    )
    scheduler.add_listener(_tell, EVENT_JOB_ERROR)
    scheduler.start()
    try:
        yield scheduler
    finally:
        scheduler.shutdown(wait=True)


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
    """A round that failed says why in one line; the next one is done all the same."""
    log.error("round: %s", event.exception)
