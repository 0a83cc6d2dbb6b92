"""Calibrations of an instrument: its correction line, its drift, how often it was in tolerance, and what a bad one did to results.

Reach for it when an instrument comes back from calibration, or when a set-up check fails. Nothing here corrects a reading: it shows
which verdicts would change under stated suppositions.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spc.kernels.arrays import Flags, Floats
from spc.kernels.validation import as_points, positive, whole

__all__ = [
    "Affected",
    "CorrectionLine",
    "Drift",
    "affected",
    "correction_line",
    "drift",
    "exponential_interval",
    "in_tolerance",
    "normalised_error",
]


@dataclass(frozen=True, slots=True)
class CorrectionLine:
    """A straight line of corrections against a reference: value at `at` and slope, standard uncertainties, correlation, residual sd."""

    intercept: float
    slope: float
    intercept_u: float
    slope_u: float
    correlation: float
    sd: float
    at: float
    df: int

    def value(self, x: float) -> tuple[float, float]:
        """Correction at `x` and its standard uncertainty, with the covariance of the two coefficients."""
        away = x - self.at
        square = (
            self.intercept_u**2
            + (away * self.slope_u) ** 2
            + 2 * away * self.correlation * self.intercept_u * self.slope_u
        )
        return self.intercept + self.slope * away, math.sqrt(max(square, 0.0))


@dataclass(frozen=True, slots=True)
class Drift:
    """Drift of an instrument between calibrations: `rate` a day and `sd` a root day, both as natural logs of the reading.

    `longest` is the number of days for which the reading stays within the tolerance with the stated confidence; 0 where not even a
    day does, nan where fewer than two calibrations are there.
    """

    rate: float
    sd: float
    df: int
    longest: float


@dataclass(frozen=True, slots=True, eq=False)
class Affected:
    """Levels under three suppositions on when the instrument went wrong, and how many of them change the verdict.

    `after_check`: a step right after the last good check. `straight`: a straight drift since the calibration. `at_calibration`: a step
    at the calibration, the worst. `changes` counts, for each level, the suppositions under which it is on the other side of a
    limit. `uncertain_share` is the chance that a step on an unknown day between check and finding came before the test.
    """

    after_check: Floats
    straight: Floats
    at_calibration: Floats
    changes: Flags
    uncertain_share: Floats


def correction_line(x: ArrayLike, correction: ArrayLike, at: float) -> CorrectionLine:
    """Least-squares line of corrections against readings, with the uncertainties and the correlation of its coefficients.

    Parameters
    ----------
    x, correction : array_like, shape (n,)
        Readings and the corrections found at them, n >= 3.
    at : float
        Reading at which the intercept is stated.

    Returns
    -------
    CorrectionLine

    Raises
    ------
    ValueError
        If there are fewer than three points or all readings are equal.

    References
    ----------
    .. [1] JCGM 100:2008, Guide to the expression of uncertainty in measurement, H.3.

    Examples
    --------
    >>> line = correction_line([21.0, 23.0, 25.0], [-0.170, -0.164, -0.160], at=20.0)
    >>> round(line.slope, 4), round(line.value(30.0)[0], 4)
    (0.0025, -0.1472)
    """
    points, values = as_points(x, "x", 3), as_points(correction, "correction", 3)
    if len(points) != len(values):
        raise ValueError(f"x and correction must be of one length, got {len(points)} and {len(values)}")
    away = points - at
    centred = away - away.mean()
    square = float(np.sum(centred**2))
    if not square:
        raise ValueError("x must hold at least two different readings")
    n = len(points)
    slope = float(np.sum(centred * values)) / square
    intercept = float(values.mean() - slope * away.mean())
    sd = math.sqrt(float(np.sum((values - intercept - slope * away) ** 2)) / (n - 2))
    intercept_u = sd * math.sqrt(float(np.mean(away**2)) / square)
    slope_u = sd / math.sqrt(square)
    correlation = -float(away.mean()) / math.sqrt(float(np.mean(away**2)))
    return CorrectionLine(intercept, slope, intercept_u, slope_u, correlation, sd, at, n - 2)


def drift(change: ArrayLike, days: ArrayLike, tolerance: float, confidence: float = 0.95) -> Drift:
    """Drift between calibrations, and for how many days the next reading stays within its tolerance.

    Parameters
    ----------
    change : array_like, shape (n,)
        Natural log of (as found / last as left) at each calibration.
    days : array_like, shape (n,)
        Days since the calibration before, > 0.
    tolerance : float
        Largest change that is accepted, as a natural log, > 0.
    confidence : float
        Two-sided confidence of the statement.

    Returns
    -------
    Drift
        The scatter is taken to grow with the time between calibrations: the change after x days has variance sd**2 * x.

    Examples
    --------
    >>> three = drift([0.004, 0.006, 0.003], [365, 365, 365], tolerance=0.02)
    >>> round(365 * three.rate, 4), round(three.longest)
    (0.0043, 702)
    """
    changes, times = as_points(change, "change"), as_points(days, "days")
    positive(tolerance, "tolerance")
    if len(changes) != len(times) or (times <= 0).any():
        raise ValueError("change and days must be of one length, with days above 0")
    total = float(times.sum())
    rate = float(changes.sum()) / total
    n = len(changes)
    if n < 2:
        return Drift(rate, float("nan"), 0, float("nan"))
    sd = math.sqrt(float(np.sum((changes - rate * times) ** 2 / times)) / (n - 1))
    reach = float(special.stdtrit(n - 1, (1 + confidence) / 2)) * sd

    def change_after(x: float) -> float:
        return abs(rate) * x + reach * math.sqrt(x + x**2 / total)

    low, high = 0.0, 1.0
    while change_after(high) < tolerance and high < 1e6:
        low, high = high, 2 * high
    while high - low > 1e-6 * high and high < 1e6:
        middle = (low + high) / 2
        low, high = (middle, high) if change_after(middle) <= tolerance else (low, middle)
    return Drift(rate, sd, n - 1, low if low >= 1 else 0.0)


def in_tolerance(within: int, of: int, confidence: float = 0.95) -> tuple[float, float]:
    """Exact two-sided limits of the share of calibrations that are found in tolerance.

    Ten of ten is compatible with 69 %: with the few calibrations of one bench, the count proves next to nothing.

    References
    ----------
    .. [1] C. J. Clopper and E. S. Pearson (1934), Biometrika 26, 404-413.

    Examples
    --------
    >>> [round(end, 4) for end in in_tolerance(10, 10)]
    [0.6915, 1.0]
    """
    whole(of, "of", 1)
    whole(within, "within", 0)
    if within > of:
        raise ValueError(f"within must be at most {of}, got {within}")
    tail = (1 - confidence) / 2
    low = float(special.betaincinv(within, of - within + 1, tail)) if within else 0.0
    high = float(special.betaincinv(within + 1, of - within, 1 - tail)) if within < of else 1.0
    return low, high


def exponential_interval(observed: float, target: float) -> float:
    """Factor on a calibration interval under the exponential model of reliability: ln(target) / ln(observed).

    Serves from about twenty calibrations on. Never lengthen by more than a half in one step; a person sets the due date.

    Examples
    --------
    >>> round(exponential_interval(0.85, 0.95), 3)
    0.316
    """
    for value, name in ((observed, "observed"), (target, "target")):
        if not 0 < value < 1:
            raise ValueError(f"{name} must be in (0, 1), got {value!r}")
    return math.log(target) / math.log(observed)


def normalised_error(x: float, reference: float, expanded: float, reference_expanded: float) -> float:
    """Difference of two results over their combined expanded uncertainty; more than 1 in size is a disagreement.

    Both uncertainties are expanded (k = 2), and hold only what the two results do not share.

    References
    ----------
    .. [1] ISO 13528 and ISO/IEC 17043 (definition, from memory).

    Examples
    --------
    >>> round(normalised_error(10.32, 10.05, 0.20, 0.15), 2)
    1.08
    """
    positive(expanded, "expanded")
    positive(reference_expanded, "reference_expanded")
    return (x - reference) / math.hypot(expanded, reference_expanded)


def affected(
    level: ArrayLike,
    day: ArrayLike,
    ratio: float,
    found: float,
    good: float,
    calibrated: float,
    lower: float | None = None,
    upper: float | None = None,
) -> Affected:
    """Re-read levels of an instrument that was found out of tolerance, under three suppositions on when it went wrong.

    Parameters
    ----------
    level : array_like, shape (n,)
        Levels as read, > 0.
    day : array_like, shape (n,)
        Day of each test, in any unit of time.
    ratio : float
        Instrument over reference, as found: 0.92 reads 8 % low.
    found, good, calibrated : float
        Days of the finding, of the last good evidence (a passing check, or the calibration), and of the last calibration.
    lower, upper : float, optional
        Specification limits: a level passes at or above the lower and below the upper one.

    Returns
    -------
    Affected

    Raises
    ------
    ValueError
        If the days are not in the order calibrated <= good <= found with calibrated < found.

    Examples
    --------
    Found 8 % low on day 90, last good check on day 60; the lot of day 85 fails under all three suppositions:

    >>> result = affected([18.9, 18.0], [85, 70], 0.92, found=90, good=60, calibrated=0, upper=20.0)
    >>> result.changes
    array([3, 0])
    """
    levels, days = as_points(level, "level"), as_points(day, "day")
    positive(ratio, "ratio")
    if not (calibrated <= good <= found and calibrated < found):
        raise ValueError(f"days must be in order: calibrated {calibrated!r}, good {good!r}, found {found!r}")
    touched = (days > calibrated) & (days <= found)
    late = (days > good) & (days <= found)
    share = np.where(touched, (days - calibrated) / (found - calibrated), 0.0)
    after = levels / np.where(late, ratio, 1.0)
    straight = levels / ratio**share
    whole_time = levels / np.where(touched, ratio, 1.0)

    def passes(values: Floats) -> Flags:
        inside = np.ones(len(values), dtype=bool)
        if lower is not None:
            inside &= values >= lower
        if upper is not None:
            inside &= values < upper
        return inside

    as_read = passes(levels)
    changes = sum((passes(each) != as_read).astype(int) for each in (after, straight, whole_time))
    # Before the check the step can't have come; after the finding it has.
    between = np.clip((days - good) / (found - good), 0.0, 1.0) if found > good else (days > good).astype(float)
    return Affected(after, straight, whole_time, np.asarray(changes), np.where(touched, between, 0.0))
