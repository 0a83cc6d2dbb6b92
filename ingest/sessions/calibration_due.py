"""Instruments whose calibration is past its due date, and the one definition of that date.

Reads rows only and imports no statistics, as commands that list must start fast.
"""

from __future__ import annotations

from datetime import date, datetime, time, timedelta

from sqlalchemy import Connection

from ingest.common.instants import DAY_US, microseconds
from ingest.config.lab import Lab
from ingest.documents.bench.instrument import OverdueInstrument

__all__ = ["end_of_day_us", "is_past_due", "overdue_instruments"]

# An instrument on which nothing was tested for a year is out of use: a list of work does not name it for ever.
OUT_OF_USE_US = 365 * DAY_US

# The last calibration by the moment decides: one that is recorded later does not lengthen an earlier date.
LAST_SQL = """
SELECT n.text, c.due_on, (SELECT max(s.started_us) FROM session s WHERE s.instrument_id = c.instrument_id)
FROM calibration c JOIN label n ON n.id = c.instrument_id
WHERE n.text <> '' AND c.due_on <> '' AND c.done_us = (
  SELECT max(o.done_us) FROM calibration o WHERE o.instrument_id = c.instrument_id AND o.done_us <= ?
) ORDER BY n.text
"""


def overdue_instruments(
    connection: Connection, lab: Lab, now: datetime, *, in_use: bool = True
) -> list[OverdueInstrument]:
    """The instruments whose last calibration is past its due date at `now`, by name; with `in_use` only those not out of use."""
    now_us = microseconds(now)
    return [
        {"name": name, "due_on": due_on}
        for name, due_on, tested_us in connection.exec_driver_sql(LAST_SQL, (now_us,))
        if is_past_due(end_of_day_us(due_on, lab), now_us)
        and not (in_use and tested_us is not None and tested_us < now_us - OUT_OF_USE_US)
    ]


def is_past_due(end_us: int | None, moment_us: int) -> bool:
    """Whether a moment comes after the end of the last valid day of a calibration; one without a due date is never past it."""
    return end_us is not None and moment_us >= end_us


def end_of_day_us(day: str, lab: Lab) -> int:
    """The end of a day in the lab's zone: an instrument is in date on the day on which it is due."""
    following = date.fromisoformat(day) + timedelta(days=1)
    return microseconds(datetime.combine(following, time(), tzinfo=lab.zone))
