"""Humidity behind a shift of a chamber: the departure that the films show, and whether the chamber log shows it too.

A film conducts better in damper air, by a slope that differs from product to product. The shifts of the streams and their
slopes give the departure of humidity that would explain them. The log of the chamber may show the same departure, none, or
another one. The log of the sensor that controls the chamber shows none where that sensor itself has moved.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from spc.kernels.arrays import Floats
from spc.kernels.validation import as_points, positive

__all__ = [
    "LogComparison",
    "coincidence",
    "compare_log",
    "departure_factor",
    "fitted_departure",
    "span_changes",
    "spans_like",
]

DEPARTURE_SD = 2.0
"""Prior standard deviation of a departure of humidity, in % RH (common practice)."""
TESTER_SD = 0.15
"""Prior standard deviation of a shift of the tester, in natural logarithms (common practice)."""
PLAIN = 2.0
"""Standard errors from which the log shows a departure (common practice)."""
WEEKS_A_YEAR = 52.1775


@dataclass(frozen=True, slots=True)
class LogComparison:
    """Departure of humidity that the films show, and that of the log; in % RH, with standard errors.

    `log` is "agrees" where the log departs the way that the films show, and that explains the shifts better than a shift of the
    tester does, "contradicts" where it departs and does not, and "silent" where it does not depart. `factor` is the natural log
    of the Bayes factor of the logged departure over a shift of the tester.
    """

    log: Literal["agrees", "silent", "contradicts"]
    fitted: float
    fitted_se: float
    logged: float
    logged_se: float
    factor: float


def compare_log(
    shifts: ArrayLike,
    errors: ArrayLike,
    slopes: ArrayLike,
    slope_sds: ArrayLike,
    products: ArrayLike,
    logged: float,
    logged_se: float,
) -> LogComparison:
    """Compare the shifts of streams with the departure in the log of their chamber.

    Parameters
    ----------
    shifts, errors : array_like, shape (n,)
        Shift of each stream in natural logarithms, with its standard error > 0.
    slopes, slope_sds : array_like, shape (n,)
        Change of the level per 1 % RH, from lots outside the shift, with its standard deviation >= 0.
    products : array_like, shape (n,)
        Product of each stream: streams of one product have one slope, so they share its error.
    logged, logged_se : float
        Departure of the log in % RH, with its standard error > 0.

    Returns
    -------
    LogComparison

    Raises
    ------
    ValueError
        If shapes differ, a value is not finite or an error is not positive.

    Examples
    --------
    Two antistatic films that read 13 % and 12 % low while the log is 1.5 % RH above its place:

    >>> result = compare_log([-0.13, -0.12], [0.04, 0.04], [-0.09, -0.08], [0.02, 0.02], [0, 1], 1.5, 0.3)
    >>> result.log, round(result.fitted, 1)
    ('agrees', 1.4)
    """
    fitted, fitted_se = fitted_departure(shifts, errors, slopes, slope_sds, products)
    factor = departure_factor(shifts, errors, slopes, slope_sds, products, logged, logged_se)
    departs = abs(logged) > PLAIN * logged_se
    log: Literal["agrees", "silent", "contradicts"] = (
        "silent" if not departs else "agrees" if factor > 0 and fitted * logged > 0 else "contradicts"
    )
    return LogComparison(log, fitted, fitted_se, logged, logged_se, factor)


def fitted_departure(
    shifts: ArrayLike,
    errors: ArrayLike,
    slopes: ArrayLike,
    slope_sds: ArrayLike,
    products: ArrayLike,
    *,
    departure_sd: float = DEPARTURE_SD,
    tester_sd: float = 0.0,
) -> tuple[float, float]:
    """Fit the departure of humidity that would explain the shifts of streams.

    Parameters
    ----------
    shifts, errors, slopes, slope_sds, products : array_like, shape (n,)
        As in `compare_log`.
    departure_sd : float
        Prior standard deviation of the departure, > 0.
    tester_sd : float
        Prior standard deviation of a shift that all streams share whatever their slope, >= 0.

    Returns
    -------
    departure, standard_error : float

    Raises
    ------
    ValueError
        As `compare_log`.

    Notes
    -----
    Generalised least squares with a normal prior of mean 0. The uncertainty of a slope adds the square of its product with
    the departure to the variance of a shift; the departure of a first fit without it is used for that.

    Examples
    --------
    >>> departure, error = fitted_departure([-0.18], [0.01], [-0.09], [0.0], [0])
    >>> round(departure, 2), round(error, 2)
    (1.99, 0.11)
    """
    y, error, slope, slope_covariance = _checked(shifts, errors, slopes, slope_sds, products)
    prior = 1 / positive(departure_sd, "departure_sd") ** 2
    departure = variance = 0.0
    for _ in range(2):
        noise = np.diag(error**2) + departure**2 * slope_covariance + tester_sd**2
        weighted = np.linalg.solve(noise, slope)
        variance = 1 / (prior + float(slope @ weighted))
        departure = variance * float(weighted @ y)
    return departure, float(np.sqrt(variance))


def departure_factor(
    shifts: ArrayLike,
    errors: ArrayLike,
    slopes: ArrayLike,
    slope_sds: ArrayLike,
    products: ArrayLike,
    departure: float,
    departure_se: float,
    *,
    tester_sd: float = TESTER_SD,
) -> float:
    """Natural log of the Bayes factor of a logged departure over a shift of the tester.

    Parameters
    ----------
    shifts, errors, slopes, slope_sds, products : array_like, shape (n,)
        As in `compare_log`.
    departure, departure_se : float
        Departure of the log in % RH, with its standard error > 0.
    tester_sd : float
        Prior standard deviation of the shift of the tester, > 0.

    Returns
    -------
    float

    Raises
    ------
    ValueError
        As `compare_log`.

    Notes
    -----
    Both likelihoods are normal. With slope s ± a and departure h ± b the shift by humidity has mean s h and variance
    s**2 b**2 + h**2 a**2 + a**2 b**2. The part s s' b**2 is common to all streams, the others to those of a product.

    Examples
    --------
    >>> round(departure_factor([-0.13], [0.04], [-0.09], [0.03], [0], 1.5, 0.3), 3)
    1.194
    """
    y, error, slope, slope_covariance = _checked(shifts, errors, slopes, slope_sds, products)
    spread = positive(departure_se, "departure_se")
    by_humidity = np.diag(error**2) + slope_covariance * (departure**2 + spread**2)
    by_humidity += spread**2 * np.outer(slope, slope)
    by_tester = np.diag(error**2) + positive(tester_sd, "tester_sd") ** 2
    return _log_density(y - slope * departure, by_humidity) - _log_density(y, by_tester)


def coincidence(departures_a_year: float, weeks: float) -> float:
    """Chance that a departure of the log falls into a span of time without any connection.

    Parameters
    ----------
    departures_a_year : float
        >= 0; they come at random.
    weeks : float
        Length of the span, >= 0.

    Returns
    -------
    float

    Examples
    --------
    Two departures a year and a fortnight:

    >>> round(coincidence(2.0, 2.0), 3)
    0.074
    """
    if not (departures_a_year >= 0 and weeks >= 0):
        raise ValueError(f"departures_a_year and weeks must be at least 0, got {departures_a_year!r} and {weeks!r}")
    return float(-np.expm1(-departures_a_year * weeks / WEEKS_A_YEAR))


def spans_like(daily: ArrayLike, span: int, before: int, departure: float) -> tuple[int, int]:
    """Count the spans of a log that depart as much as one did, by sliding the date of the departure over the log.

    The count needs no prior: it is how often the log departs like this anyway.

    Parameters
    ----------
    daily : array_like, shape (days,)
        Mean humidity of each day in order, nan for a day without an entry.
    span : int
        Days of the departure, >= 1.
    before : int
        Days before it that it is compared with, >= 1.
    departure : float
        Difference of the means, in % RH. A span counts that differs as much to the same side.

    Returns
    -------
    like, spans : int
        Spans that depart as much, and all spans that could be compared. They overlap: the share is the estimate.

    Raises
    ------
    ValueError
        If `daily` is not one-dimensional or a length is below 1.

    Examples
    --------
    A log at 12 % RH with one fortnight at 13.5 % RH:

    >>> daily = np.full(200, 12.0)
    >>> daily[100:114] = 13.5
    >>> spans_like(daily, 14, 60, 1.4)
    (1, 127)
    """
    change = span_changes(daily, span, before)
    like = np.sign(departure) * change >= abs(departure) - 1e-9
    return int(like.sum()), int(change.size)


def span_changes(daily: ArrayLike, span: int, before: int) -> Floats:
    """Difference of the mean of each span of a log from that of the days before it.

    Parameters
    ----------
    daily, span, before
        As in `spans_like`.

    Returns
    -------
    ndarray, shape (spans,)
        In order of their first day; spans without an entry during or before them are left out.

    Raises
    ------
    ValueError
        As `spans_like`.

    Examples
    --------
    >>> span_changes([12.0, 12.0, 13.0, 13.0], 1, 2)
    array([1. , 0.5])
    """
    values = np.asarray(daily, dtype=np.float64)
    if values.ndim != 1:
        raise ValueError(f"daily must be one-dimensional, got shape {values.shape}")
    if span < 1 or before < 1:
        raise ValueError(f"span and before must be at least 1 day, got {span} and {before}")
    has_entry = np.isfinite(values)
    sums = np.concatenate([[0.0], np.cumsum(np.where(has_entry, values, 0.0))])
    counts = np.concatenate([[0], np.cumsum(has_entry)])
    first = np.arange(before, values.size - span + 1)
    if not first.size:
        return np.empty(0)
    during, earlier = counts[first + span] - counts[first], counts[first] - counts[first - before]
    compared = (during > 0) & (earlier > 0)
    first, during, earlier = first[compared], during[compared], earlier[compared]
    return np.asarray((sums[first + span] - sums[first]) / during - (sums[first] - sums[first - before]) / earlier)


def _checked(
    shifts: ArrayLike, errors: ArrayLike, slopes: ArrayLike, slope_sds: ArrayLike, products: ArrayLike
) -> tuple[Floats, Floats, Floats, Floats]:
    """Shifts, errors and slopes of the streams, and the covariance of the slopes."""
    shift, error, slope, slope_sd = (
        as_points(value, name)
        for value, name in (
            (shifts, "shifts"), (errors, "errors"), (slopes, "slopes"), (slope_sds, "slope_sds"),
        )
    )  # fmt: skip
    product = np.asarray(products)
    if not shift.shape == error.shape == slope.shape == slope_sd.shape == product.shape:
        raise ValueError("shifts, errors, slopes, slope_sds and products must have one shape")
    if (error <= 0).any() or (slope_sd < 0).any():
        raise ValueError("errors must be above 0 and slope_sds at least 0")
    return shift, error, slope, np.outer(slope_sd, slope_sd) * (product[:, None] == product)


def _log_density(away: Floats, covariance: Floats) -> float:
    """Log density of a normal vector without its constant."""
    _, determinant = np.linalg.slogdet(covariance)
    return -0.5 * (float(determinant) + float(away @ np.linalg.solve(covariance, away)))
