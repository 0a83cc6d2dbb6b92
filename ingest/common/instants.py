"""Moments as the store keeps them, in microseconds, and as the statistics take them, in weeks."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

from ingest.common.errors import CallError

__all__ = [
    "AHEAD",
    "DAY_US",
    "EPOCH",
    "FIRST_DAY",
    "HOUR_US",
    "LAST_DAY",
    "MINUTE_US",
    "WEEK_US",
    "checked_day",
    "from_microseconds",
    "from_weeks",
    "microseconds",
    "weeks_to_us",
]

# The store keeps times in microseconds, the statistics take weeks since the same origin.
MINUTE_US = 60_000_000
HOUR_US = 60 * MINUTE_US
DAY_US = 24 * HOUR_US
WEEK_US = 7 * DAY_US

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
AHEAD = timedelta(days=1)
# No test is stored from before 1990, and a day of the next century is a slip of the finger. Near the ends of the calendar
# sums overflow.
FIRST_DAY, LAST_DAY = date(1990, 1, 1), date(2099, 12, 31)


def microseconds(moment: datetime) -> int:
    """An aware moment in UTC microseconds since 1970."""
    return (moment - EPOCH) // timedelta(microseconds=1)


def from_microseconds(us: int) -> datetime:
    """The aware moment in UTC of stored microseconds."""
    return EPOCH + timedelta(microseconds=us)


def weeks_to_us(weeks: float) -> int:
    """Weeks since 1970 to microseconds."""
    return round(weeks * WEEK_US)


def from_weeks(weeks: float) -> datetime:
    """Weeks since 1970 back to an aware datetime in UTC."""
    return from_microseconds(weeks_to_us(weeks))


def checked_day(asking: str, day: date) -> date:
    """A day that a person named; CallError, which `asking` leads, where it can't be meant."""
    if not FIRST_DAY <= day <= LAST_DAY:
        raise CallError(f"{asking}: expected a day from {FIRST_DAY} to {LAST_DAY}, got {day}")
    return day
