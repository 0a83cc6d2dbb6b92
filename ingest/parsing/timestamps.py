"""Convert time stamps of files to UTC microseconds.

Stamps in the common ISO 8601 forms are read together, all others one by one, with a reason for each that is refused: an
impossible date, a day without a time, an hour that the clocks skipped or showed twice.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from ingest.common.instants import AHEAD, EPOCH, microseconds
from ingest.common.text import quoted

__all__ = [
    "NO_TIME",
    "Clock",
    "StampError",
    "Stamps",
    "is_too_late",
    "read_date",
    "read_stamps",
    "settle_repeated",
]  # fmt: skip

# The value of a refused stamp; equal to numpy's NaT.
NO_TIME = np.iinfo(np.int64).min

EARLIEST = datetime(1990, 1, 1, tzinfo=UTC)
OFFSET_OR_ZONE = (
    "write it with an offset, or declare timezone in [[source]] if the clock of the instrument is never changed"
)
TOO_LATE = "is more than a day ahead of this round"

# Impossible months, days, hours and minutes don't match: one of them would make the fast route fail for all.
MINUTES = (
    r"^[0-9]{4}-(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])[T ]([01][0-9]|2[0-3]):[0-5][0-9]"
    r"(:[0-5][0-9](\.[0-9]{1,6})?)?"
)
NAIVE = MINUTES + "$"
OFFSET = MINUTES + r"(Z|[+-](0[0-9]|1[0-4]):[0-5][0-9])$"

ISO_DATE = r"(?:[0-9]{4}-[0-9]{2}-[0-9]{2}|[0-9]{8}|[0-9]{4}-?W[0-9]{2}-?[0-9]|[0-9]{4}-?[0-9]{3})"
ISO_STAMP = re.compile(rf"({ISO_DATE})[T ]([0-9][0-9:.,]*)(Z|[+-][0-9:]+)?")
ISO_DATE_ONLY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}(?![0-9])")
DATE_ONLY = re.compile(r"[0-9]{4}-[0-9]{1,2}-[0-9]{1,2}|[0-9]{8}|[0-9]{1,2}[./-][0-9]{1,2}[./-][0-9]{2,4}")
EPOCH_SECONDS = re.compile(r"[0-9]{9,19}(\.[0-9]+)?")
TWO_DIGIT_YEAR = re.compile(r"[0-9]{1,2}[./-][0-9]{1,2}[./-][0-9]{2}([T ].*)?")
OTHER_ORDER = re.compile(r"[0-9]{1,2}[./-][0-9]{1,2}[./-][0-9]{4}.*|[0-9]{4}[./][0-9]{1,2}[./][0-9]{1,2}.*")


class StampError(ValueError):
    """The text is not a plausible time; the message says why."""


@dataclass(frozen=True, slots=True)
class Clock:
    """How to read the stamps of a source.

    `zone` applies to stamps without an offset, `now` is the time of the round, `form` is the declared strptime format.
    """

    zone: ZoneInfo
    now: datetime
    form: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Stamps:
    """Stamps as read.

    `us` has shape (n,), UTC microseconds, NO_TIME if refused. `reasons` are by index. `repeated` has both moments of a stamp
    in a repeated hour, which the order of a log may resolve.
    """

    us: NDArray[np.int64]
    reasons: dict[int, str]
    repeated: dict[int, tuple[int, int]]


def read_stamps(texts: pa.Array, clock: Clock) -> Stamps:
    """Read a column of stamps.

    Parameters
    ----------
    texts : pyarrow.Array of string, shape (n,)
        The cells, or their distinct texts, stripped of blanks.
    clock : Clock
        The zone, the time of the round and the declared format.
    """
    us = np.full(len(texts), NO_TIME, dtype=np.int64)
    if clock.form is None:
        _read_common(texts, clock, us)
    reasons: dict[int, str] = {}
    repeated: dict[int, tuple[int, int]] = {}
    for index in map(int, np.flatnonzero(us == NO_TIME)):
        try:
            us[index] = _read_one(texts[index].as_py(), clock)
        except RepeatedHourError as error:
            repeated[index], reasons[index] = error.either, str(error)
        except StampError as error:
            reasons[index] = str(error)
    return Stamps(us, reasons, repeated)


class RepeatedHourError(StampError):
    """The clocks showed this time twice; `either` has both moments in UTC microseconds."""

    def __init__(self, message: str, either: tuple[int, int]) -> None:
        super().__init__(message)
        self.either = either


# The common forms, all together


def _read_common(texts: pa.Array, clock: Clock, us: NDArray[np.int64]) -> None:
    low, high = _accepted_range(clock)
    for form, zone in ((OFFSET, None), (NAIVE, clock.zone)):
        matching = np.flatnonzero(pc.match_substring_regex(texts, form).to_numpy(zero_copy_only=False))
        if len(matching):
            moments = _cast(texts.take(pa.array(matching)), zone)
            us[matching] = np.where((moments >= low) & (moments <= high), moments, NO_TIME)


def _accepted_range(clock: Clock) -> tuple[int, int]:
    return microseconds(EARLIEST), microseconds(clock.now + AHEAD)


def _cast(texts: pa.Array, zone: ZoneInfo | None) -> NDArray[np.int64]:
    """UTC microseconds; NO_TIME for all if one date is impossible, and for times that the zone skipped or had twice."""
    try:
        moments = pc.cast(texts, pa.timestamp("us", tz=None if zone else "UTC"))
    except pa.ArrowInvalid:
        return np.full(len(texts), NO_TIME, dtype=np.int64)
    us: NDArray[np.int64] = moments.cast(pa.int64()).to_numpy()
    if zone is None:
        return us
    local = pd.DatetimeIndex(us.view("datetime64[us]"))
    located = local.tz_localize(zone, ambiguous="NaT", nonexistent="NaT")
    return np.asarray(located.as_unit("us").asi8, dtype=np.int64)


# One by one


def _read_one(text: str, clock: Clock) -> int:
    moment = _parsed(text, clock)
    # Near the ends of the calendar a change of zone overflows, so the year is checked first.
    if moment.year < EARLIEST.year - 1:
        raise StampError(_too_early(text))
    if moment.year > clock.now.year + 2:
        raise StampError(_too_late(text))
    us = microseconds(moment) if moment.tzinfo is not None else _localised(text, moment, clock.zone)
    low, high = _accepted_range(clock)
    if us < low:
        raise StampError(_too_early(text))
    if us > high:
        raise StampError(_too_late(text))
    return us


def _too_early(text: str) -> str:
    return f"{quoted(text)} is before 1990; correct the year"


def _too_late(text: str) -> str:
    return f"{quoted(text)} {TOO_LATE}; correct it, or set the clock of the source"


def is_too_late(reason: str) -> bool:
    """Whether a row was refused because its time is ahead of the round's clock."""
    return TOO_LATE in reason


def _parsed(text: str, clock: Clock) -> datetime:
    if clock.form is not None:
        try:
            return datetime.strptime(text, clock.form)  # noqa: DTZ007  (the zone is the source's)
        except ValueError as error:
            raise StampError(f"{quoted(text)} is not a time in the declared format {clock.form}; correct it") from error
    if not ISO_STAMP.fullmatch(text):
        raise StampError(_why_no_stamp(text))
    try:
        return datetime.fromisoformat(text)
    except ValueError as error:
        raise StampError(f"{quoted(text)} is not a possible date and time; correct it") from error


def _why_no_stamp(text: str) -> str:
    if not text:
        return "is blank; write a date and time such as 2026-03-02T14:30"
    if EPOCH_SECONDS.fullmatch(text):
        return f"{quoted(text)} looks like seconds since 1970; write a date and time such as 2026-03-02T14:30"
    if TWO_DIGIT_YEAR.fullmatch(text):
        return f"{quoted(text)} has a year of two digits; write 2026-03-02T14:30, or declare time_format in [[source]]"
    if DATE_ONLY.fullmatch(text):
        return f"{quoted(text)} is a date without a time; write both, such as 2026-03-02T14:30"
    if OTHER_ORDER.fullmatch(text):
        return f"{quoted(text)} has another order than 2026-03-02T14:30; declare time_format in [[source]]"
    return f"{quoted(text)} is not a date and time; write it as 2026-03-02T14:30"


def _localised(text: str, wall: datetime, zone: ZoneInfo) -> int:
    """The single moment at which the clocks of the zone showed this time."""
    first, second = (microseconds(wall.replace(tzinfo=zone, fold=fold).astimezone(UTC)) for fold in (0, 1))
    if first == second:
        return first
    shown = (EPOCH + timedelta(microseconds=first)).astimezone(zone).replace(tzinfo=None)
    if shown != wall:
        raise StampError(
            f"{quoted(text)} does not exist in {zone.key}: the clocks went forward over it; {OFFSET_OR_ZONE}"
        )
    raise RepeatedHourError(
        f"{quoted(text)} happened twice in {zone.key}: the clocks went back over it; {OFFSET_OR_ZONE}",
        (first, second),
    )


# The repeated hour of a log


def settle_repeated(us: NDArray[np.int64], first: NDArray[np.int64], second: NDArray[np.int64]) -> NDArray[np.int64]:
    """Resolve the repeated hour of one chamber's log by the order of its entries.

    Parameters
    ----------
    us, first, second : ndarray of int64, shape (n,)
        The log in file order: unique moments, and both moments where the clocks showed a time twice (NO_TIME in `first`
        elsewhere).

    Returns
    -------
    ndarray of int64, shape (n,)
        `us` with the resolved moments. A run of repeated times is resolved if it goes back exactly once and fits between
        its neighbours; any other stays NO_TIME.
    """
    resolved = us.copy()
    ambiguous = np.flatnonzero(first != NO_TIME)
    for run in np.split(ambiguous, np.flatnonzero(np.diff(ambiguous) > 1) + 1):
        back = np.flatnonzero(np.diff(first[run]) <= 0) + 1
        if len(back) == 1:
            moments = np.concatenate([first[run[: back[0]]], second[run[back[0] :]]])
            before, after = resolved[: run[0]], resolved[run[-1] + 1 :]
            neighbours = before[before != NO_TIME][-1:], after[after != NO_TIME][:1]
            if np.all(np.diff(np.concatenate([neighbours[0], moments, neighbours[1]])) > 0):
                resolved[run] = moments
    return resolved


# Dates


@lru_cache(maxsize=4096)
def read_date(text: str, form: str | None) -> str:
    """Read a day as `2026-03-02`.

    Parameters
    ----------
    text : str
        An ISO date, an ISO date and time, or the day in the order of `form`, with its time or without.
    form : str or None
        The strptime format declared for the stamps of the source.

    Raises
    ------
    StampError
        If it is no such date.
    """
    if form is None or ISO_DATE_ONLY.match(text):
        try:
            return date.fromisoformat(text[:10]).isoformat()
        except ValueError as error:
            raise StampError(f"{quoted(text)} is not a date; write it as 2026-03-02") from error
    for part in (_day_part(form), form):
        try:
            return datetime.strptime(text, part).date().isoformat()  # noqa: DTZ007  (a day has no zone)
        except ValueError:
            continue
    raise StampError(f"{quoted(text)} is not a date; write it as 2026-03-02")


def _day_part(form: str) -> str:
    return re.split(r"[ T]*%[HIMSfpzZ]", form)[0]
