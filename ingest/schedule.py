"""When rounds are done while the dashboard is served.

The scheduler is handed a callable and does not know what a round is. A round that is late is done all the same, several
missed ones are done once, and two never overlap.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from apscheduler.events import EVENT_JOB_ERROR, JobExecutionEvent
from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.base import BaseTrigger
from apscheduler.triggers.cron import CronTrigger
from apscheduler.triggers.interval import IntervalTrigger

from ingest.labfile import Schedule

__all__ = ["rounds_scheduled"]

log = logging.getLogger(__name__)

# Where lab.toml declares no [schedule].
USUAL_MINUTES = 60


@contextmanager
def rounds_scheduled(schedule: Schedule | None, do_round: Callable[[], None]) -> Iterator[BackgroundScheduler]:
    """Do rounds in the background, the first at once, until the block ends; a round under way is finished first."""
    scheduler = BackgroundScheduler(timezone="UTC", executors={"default": ThreadPoolExecutor(1)})
    scheduler.add_job(do_round, _trigger(schedule), id="round", coalesce=True, max_instances=1, misfire_grace_time=None)
    scheduler.add_job(do_round, id="first round", misfire_grace_time=None)
    scheduler.add_listener(_tell, EVENT_JOB_ERROR)
    scheduler.start()
    try:
        yield scheduler
    finally:
        scheduler.shutdown(wait=True)


def _trigger(schedule: Schedule | None) -> BaseTrigger:
    # In UTC: a daylight-saving change would do a round twice or not at all.
    if schedule is None:
        return IntervalTrigger(minutes=USUAL_MINUTES, timezone="UTC")
    if schedule.cron is not None:
        return CronTrigger.from_crontab(schedule.cron, timezone="UTC")
    return IntervalTrigger(minutes=schedule.every_minutes, timezone="UTC")


def _tell(event: JobExecutionEvent) -> None:
    """A round that failed says why in one line; the next one is done all the same."""
    log.error("round: %s", event.exception)
