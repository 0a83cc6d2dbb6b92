"""Times in microseconds, as in the store, and in weeks, as in the statistics; both count from 1970 in UTC."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

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
    "day_number",
    "day_of",
    "day_text",
    "from_microseconds",
    "from_weeks",
    "local_day",
    "microseconds",
    "printed_day",
    "weeks_to_us",
]

MINUTE_US = 60_000_000
HOUR_US = 60 * MINUTE_US
DAY_US = 24 * HOUR_US
WEEK_US = 7 * DAY_US

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
AHEAD = timedelta(days=1)
# No stored test is older than 1990, and a day in the next century is a typing error. Near the ends of the calendar sums
# would overflow.
FIRST_DAY, LAST_DAY = date(1990, 1, 1), date(2099, 12, 31)


def microseconds(moment: datetime) -> int:
    """Convert an aware time to UTC microseconds since 1970."""
    return (moment - EPOCH) // timedelta(microseconds=1)


def from_microseconds(us: int) -> datetime:
    """Convert stored microseconds to an aware time in UTC."""
    return EPOCH + timedelta(microseconds=us)


def day_text(us: int) -> str:
    """The day of a moment in UTC, in words: 3 Nov 2026."""
    return printed_day(from_microseconds(us))


def weeks_to_us(weeks: float) -> int:
    """Convert weeks since 1970 to microseconds."""
    return round(weeks * WEEK_US)


def from_weeks(weeks: float) -> datetime:
    """Convert weeks since 1970 to an aware time in UTC."""
    return from_microseconds(weeks_to_us(weeks))


def day_number(day: date) -> int:
    """Count days since 1970."""
    return (day - EPOCH.date()).days


def printed_day(day: date) -> str:
    """A date, or the date of a moment, as it is printed: 3 Aug 2026."""
    return f"{day.day} {day:%b %Y}"


def day_of(number: int) -> date:
    """Return the day that so many days since 1970 are."""
    return EPOCH.date() + timedelta(days=number)


def local_day(us: int, zone: ZoneInfo) -> int:
    """Return the day of a stored time in a zone, in days since 1970."""
    return day_number(from_microseconds(us).astimezone(zone).date())


def checked_day(context: str, day: date) -> date:
    """Return a day that a person entered; CallError, beginning with `context`, if it is out of range."""
    if not FIRST_DAY <= day <= LAST_DAY:
        raise CallError(f"{context}: expected a day from {FIRST_DAY} to {LAST_DAY}, got {day}")
    return day
