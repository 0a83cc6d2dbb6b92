"""How fast a chamber is dry again after its door was open, and whether that slows from month to month.

Reach for it to see a dryer that fails, or a seal that leaks, before the chamber leaves its tolerance for hours. Times are in minutes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import theilslopes

from spc.kernels.arrays import Floats
from spc.kernels.validation import as_points

__all__ = ["Opening", "Slowing", "openings", "slowing"]

DAY_MINUTES = 1440.0
MONTH_DAYS = 30.4375
# An opening lifts the humidity at least so far above the hours before it, in % RH; a smaller one can't be distinguished from the control of the chamber.
LEAST_RISE = 2.0
BEFORE_MINUTES = 360.0
LONGEST_MINUTES = 360.0
# The decay is fitted down to this share of the peak, on at least so many entries.
DOWN_TO = 0.1
FEWEST_ENTRIES = 3
FEWEST_OPENINGS = 12
FEWEST_MONTHS = 2.0
# The chance of a false alert of one test: the same log is tested after each opening. `tests/spc/bench/test_recovery.py` simulates a year.
ALPHA = 0.002
LEAST_SLOWING = 1.25


@dataclass(frozen=True, slots=True)
class Opening:
    """A door opening: when the humidity was highest, how far it rose in % RH, and the time constant of the recovery in minutes."""

    at: float
    rise: float
    time_constant: float


@dataclass(frozen=True, slots=True)
class Slowing:
    """A recovery that slows: change of the time constant in percent a month with its interval, and both ends in minutes."""

    percent_month: float
    low: float
    high: float
    first: float
    last: float
    months: float
    openings: int


def openings(minutes: ArrayLike, humidity: ArrayLike) -> list[Opening]:
    """Find the door openings of a log, and fit the recovery after each by an exponential.

    The humidity above the median of the hours before is fitted as `rise * exp(-t / time_constant)` by least squares on its logarithm, weighted
    by its square, as the scatter of an entry does not depend on the humidity. A recovery that the log shows with fewer than three entries, one that a
    next opening interrupts within them, and one that does not fall, is left out.

    Parameters
    ----------
    minutes : array_like, shape (n,)
        Rising times.
    humidity : array_like, shape (n,)
        In % RH.

    Examples
    --------
    A log every 5 minutes, open at minute 400, with a time constant of 20 minutes:

    >>> time = np.arange(0.0, 800.0, 5.0)
    >>> log = 12.0 + np.where(time >= 400, 10.0 * np.exp(-(time - 400) / 20.0), 0.0)
    >>> [(one.at, round(one.rise, 2), round(one.time_constant, 2)) for one in openings(time, log)]
    [(400.0, 10.0, 20.0)]
    """
    times, values = as_points(minutes, "minutes"), as_points(humidity, "humidity")
    if len(times) != len(values) or (np.diff(times) <= 0).any():
        raise ValueError("minutes and humidity must be of one length, with rising minutes")
    fitted: list[Opening] = []
    place = 1
    # A rise from one entry to the next, or over two where the door closed between them.
    steps = np.flatnonzero(np.diff(values) >= LEAST_RISE / 2) + 1
    for start in steps.tolist():
        if start < place:
            continue
        before = values[np.searchsorted(times, times[start] - BEFORE_MINUTES) : start]
        if len(before) < FEWEST_ENTRIES:
            continue
        usual = float(np.median(before))
        end = int(np.searchsorted(times, times[start] + LONGEST_MINUTES))
        peak = start
        while peak + 1 < end and values[peak + 1] > values[peak]:
            peak += 1
        rise = float(values[peak] - usual)
        place = peak + 1
        if rise < LEAST_RISE:
            continue
        above = values[peak:end] - usual
        low = np.flatnonzero(above < DOWN_TO * rise)
        up = np.flatnonzero(np.diff(above) >= LEAST_RISE / 2)
        last = min([len(above), *low[:1].tolist(), *(up[:1] + 1).tolist()])
        place = peak + max(1, last)
        if last < FEWEST_ENTRIES or (not len(low) and not len(up) and end == len(times)):
            continue
        constant = _time_constant(times[peak : peak + last] - times[peak], above[:last])
        if constant is not None:
            fitted.append(Opening(float(times[peak]), rise, constant))
    return fitted


def _time_constant(minutes: Floats, above: Floats) -> float | None:
    """The time constant of an exponential, by weighted least squares on the logarithm; None where it does not fall."""
    weights = above**2 / np.sum(above**2)
    logs = np.log(above)
    time_mean, log_mean = float(weights @ minutes), float(weights @ logs)
    slope = float(weights @ ((minutes - time_mean) * (logs - log_mean))) / float(weights @ (minutes - time_mean) ** 2)
    return -1.0 / slope if slope < 0 else None


def slowing(recoveries: list[Opening]) -> Slowing | None:
    """Whether the recovery slows: the Theil-Sen line through the logarithms of the time constants; None where that is not shown.

    It is shown where the lower end of the interval is above 0 and the line rises by a quarter or more over the openings, which are at least twelve
    over two months. A lone slow opening, such as a long one on a humid day, does not move the line.

    References
    ----------
    .. [1] P. K. Sen (1968), Estimates of the regression coefficient based on Kendall's tau, J. American Statistical Association 63, 1379-1389.

    Examples
    --------
    >>> slowing([Opening(3.0 * day * 1440, 10.0, 20.0 * 1.01 ** (3 * day)) for day in range(30)]).percent_month.__round__(1)
    35.4
    """
    if len(recoveries) < FEWEST_OPENINGS:
        return None
    months = np.array([one.at for one in recoveries]) / (DAY_MINUTES * MONTH_DAYS)
    span = float(months[-1] - months[0])
    if span < FEWEST_MONTHS:
        return None
    slope, middle, low, high = theilslopes(np.log([one.time_constant for one in recoveries]), months, 1 - 2 * ALPHA)
    if not low > 0 or slope * span < np.log(LEAST_SLOWING):
        return None
    first, last = (float(np.exp(middle + slope * end)) for end in (months[0], months[-1]))
    percent, percent_low, percent_high = (100 * float(np.expm1(one)) for one in (slope, low, high))
    return Slowing(percent, percent_low, percent_high, first, last, span, len(recoveries))
