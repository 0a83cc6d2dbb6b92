"""When did it start: the last lot before a step or a ramp, with the lots that are about as likely.

To be asked after something has signalled; the answer is where to look in the records, of the film and of the bench.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from spc._checks import Floats, as_points, finite_number, whole

__all__ = ["Ramp", "Split", "Step", "ramp", "split", "step"]


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """A lasting shift of the level.

    Attributes
    ----------
    index : int
        Last point before the shift, from 0; -1 where the first point is already shifted.
    interval : tuple of int
        Earliest and latest `index` in the confidence set.
    likely : ndarray of int
        The confidence set itself, rising.
    size, size_se : float
        Level after the shift less `center`, and its standard error for the index given.
    """

    index: int
    interval: tuple[int, int]
    likely: NDArray[np.intp]
    size: float
    size_se: float


@dataclass(frozen=True, slots=True, eq=False)
class Ramp:
    """A steady drift away from `center`.

    Attributes
    ----------
    index : int
        Last point before the drift, from 0; -1 where the first point has already moved.
    interval : tuple of int
        Earliest and latest `index` in the confidence set.
    likely : ndarray of int
        The confidence set itself, rising.
    slope, slope_se : float
        Change a point, or a unit of `times` where those are given, and its standard error for the index given.
    """

    index: int
    interval: tuple[int, int]
    likely: NDArray[np.intp]
    slope: float
    slope_se: float


@dataclass(frozen=True, slots=True)
class Split:
    """Two levels instead of one, by least squares: for a stream that has no baseline yet.

    `index` is the last point of the first part, `before` and `after` its two means, `squares_one` and `squares_two` the
    sums of squared deviations from one mean and from two, `f` the largest F statistic of the comparison.
    """

    index: int
    before: float
    after: float
    squares_one: float
    squares_two: float
    f: float


def step(x: ArrayLike, center: float, sigma: ArrayLike, confidence: float = 0.95) -> Step:
    """Most likely start of a lasting shift, of unknown size, away from a known level.

    Parameters
    ----------
    x : array_like, shape (n,)
        Independent values in time order up to the signal, in the charted scale.
    center : float
        Level before the shift.
    sigma : float or array_like, shape (n,)
        Standard deviation of each value, > 0; an array where lots have different numbers of bags.
    confidence : float
        Of the set, in (0, 1).

    Returns
    -------
    Step

    Raises
    ------
    ValueError
        If `x` is empty or not finite, `sigma` is not above 0 or of another length.

    Notes
    -----
    The index maximises the likelihood [1]_: with weights 1 / sigma**2, the sum of weights after it times the squared
    weighted mean of the deviations after it. The set holds all indices whose log-likelihood is within a constant of the
    largest [2]_. For a shift of d sigma that constant makes (1 - v(d) exp(-constant))**2 the confidence, v(d) being the
    overshoot factor exp(-0.583 d) of [3]_, as the likelihood is the larger of two random walks that run away from the
    shift; d is the estimated size. In simulation (shifts of 0.5 to 3 sigma, 5 to 100 points after them) the set of 95 %
    held the true index in 93.8 to 96.3 %, the interval in 94.9 to 97.0 %.

    References
    ----------
    .. [1] T. R. Samuel, J. J. Pignatiello and J. A. Calvin (1998), Identifying the time of a step change with X-bar
       control charts, Quality Engineering 10, 521-527.
    .. [2] J. J. Pignatiello and T. R. Samuel (2001), Estimation of the change point of a normal process mean in SPC
       applications, Journal of Quality Technology 33, 82-95.
    .. [3] D. Siegmund (1986), Boundary crossing probabilities and statistical applications, Annals of Statistics 14,
       361-404; (1985), Sequential Analysis, chapter 10.

    Examples
    --------
    >>> found = step([0.1, -0.3, 0.2, 0.0, 2.1, 1.7, 2.4, 1.9], center=0.0, sigma=0.5)
    >>> found.index, found.interval, round(found.size, 3)
    (3, (3, 3), 2.025)
    """
    points = as_points(x) - finite_number(center, "center")
    weight = 1.0 / _sigmas(sigma, points.size) ** 2
    _confidence(confidence)
    after = _sums_after(weight)
    mean = _sums_after(weight * points) / after
    gain = 0.5 * after * mean**2
    best = int(np.argmax(gain))
    size = float(mean[best])
    likely = np.flatnonzero(gain >= gain[best] - _step_margin(abs(size) * np.sqrt(np.median(weight)), confidence))
    return Step(best - 1, _hull(likely), likely - 1, size, float(after[best] ** -0.5))


def ramp(
    x: ArrayLike, center: float, sigma: ArrayLike, times: ArrayLike | None = None, confidence: float = 0.95
) -> Ramp:
    """Most likely start of a steady drift, of unknown slope, away from a known level.

    Parameters
    ----------
    x : array_like, shape (n,)
        Independent values in time order up to the signal, in the charted scale.
    center : float
        Level before the drift.
    sigma : float or array_like, shape (n,)
        Standard deviation of each value, > 0.
    times : array_like, shape (n,), optional
        Time of each value, not falling (weeks); the points count as equally spaced where it is left out.
    confidence : float
        Of the set, in (0, 1).

    Returns
    -------
    Ramp

    Raises
    ------
    ValueError
        If `x` is empty or not finite, `sigma` is not above 0, `times` fall, or lengths differ.

    Notes
    -----
    The mean is `center` up to the index and `center` + slope * (time - time of the index) after it [1]_; the index and
    the slope maximise the likelihood. Index -1 stands for a start one usual gap (the median) before the first point.
    The set holds all indices whose log-likelihood is within half a chi-square quantile (one degree of freedom) of the
    largest: the broken line is continuous, so its corner is estimated as an ordinary parameter [2]_. In simulation
    (slopes of 0.05 to 1 sigma a point, 10 to 50 points after the start) the interval of 95 % held the true index in
    93.3 to 98.0 %.

    References
    ----------
    .. [1] M. B. Perry and J. J. Pignatiello (2006), Estimation of the change point of a normal process mean with a
       linear trend disturbance in SPC, Quality Technology and Quantitative Management 3, 325-334.
    .. [2] P. I. Feder (1975), On asymptotic distribution theory in segmented regression problems, Annals of Statistics
       3, 49-83.

    Examples
    --------
    >>> found = ramp([0.1, -0.1, 0.0, 0.1, 1.0, 2.0, 3.0, 4.0], center=0.0, sigma=0.2)
    >>> found.index, round(found.slope, 3)
    (3, 1.0)
    """
    points = as_points(x) - finite_number(center, "center")
    weight = 1.0 / _sigmas(sigma, points.size) ** 2
    _confidence(confidence)
    when = np.arange(points.size, dtype=np.float64) if times is None else _times(times, points.size)
    gaps = np.diff(when)
    usual = float(np.median(gaps[gaps > 0])) if (gaps > 0).any() else 1.0
    starts = np.concatenate([[when[0] - usual], when[:-1]])
    age = np.maximum(when - starts[:, None], 0.0)
    information = (weight * age**2).sum(axis=1)
    # Ties at the end leave no point after the start: such a start says nothing and gains nothing.
    slope = np.divide(
        (weight * points * age).sum(axis=1), information, out=np.zeros_like(starts), where=information > 0
    )
    gain = 0.5 * information * slope**2
    best = int(np.argmax(gain))
    likely = np.flatnonzero(gain >= gain[best] - 0.5 * float(special.chdtri(1, 1 - confidence)))
    return Ramp(best - 1, _hull(likely), likely - 1, float(slope[best]), float(information[best] ** -0.5))


def split(x: ArrayLike, shortest: int = 1) -> Split:
    """Cut a series in two where two means fit it best.

    Parameters
    ----------
    x : array_like, shape (n,)
        Values in time order, n >= 3.
    shortest : int
        Fewest points of a part, >= 1.

    Returns
    -------
    Split

    Raises
    ------
    ValueError
        If fewer than 3 values, or fewer than twice `shortest`, or all are equal.

    Notes
    -----
    `f` is (squares_one - squares_two) / (squares_two / (n - 2)), the supremum F statistic; its law is not that of F, as
    the cut is chosen [1]_. inf where two means fit exactly.

    References
    ----------
    .. [1] A. Zeileis, C. Kleiber, W. Kraemer and K. Hornik (2003), Testing and dating of structural changes in
       practice, Computational Statistics and Data Analysis 44, 109-123.

    Examples
    --------
    >>> found = split([1.0, 1.2, 0.8, 3.0, 3.2])
    >>> found.index, round(found.before, 3), round(found.after, 3)
    (2, 1.0, 3.1)
    """
    whole(shortest, "shortest", 1)
    points = as_points(x, at_least=max(3, 2 * shortest))
    if not np.ptp(points) > 0:
        raise ValueError(
            f"x does not vary: all {points.size} values are {points[0]!r}, and no cut is better than another"
        )
    n = points.size
    first = np.arange(1, n)
    away = np.cumsum(points - points.mean())[:-1]
    between = away**2 * n / (first * (n - first))
    allowed = (first >= shortest) & (n - first >= shortest)
    cut = int(first[np.argmax(np.where(allowed, between, -1.0))])
    parts = points[:cut], points[cut:]
    one = float(((points - points.mean()) ** 2).sum())
    two = float(sum(((part - part.mean()) ** 2).sum() for part in parts))
    f = (one - two) / (two / (n - 2)) if two > 0 else np.inf
    return Split(cut - 1, float(parts[0].mean()), float(parts[1].mean()), one, two, f)


def _sums_after(values: Floats) -> Floats:
    """Sum from each point to the end; entry i is what stands after point i - 1."""
    return np.cumsum(values[::-1])[::-1]


def _step_margin(shift: float, confidence: float) -> float:
    overshoot = np.exp(-0.583 * shift)
    return max(0.0, float(-np.log((1 - np.sqrt(confidence)) / overshoot)))


def _hull(likely: NDArray[np.intp]) -> tuple[int, int]:
    return int(likely[0]) - 1, int(likely[-1]) - 1


def _confidence(value: float) -> None:
    if not 0 < value < 1:
        raise ValueError(f"confidence must be in (0, 1), got {value!r}")


def _sigmas(sigma: ArrayLike, size: int) -> Floats:
    values = np.asarray(sigma, dtype=np.float64)
    if values.shape not in ((), (size,)):
        raise ValueError(f"sigma must be one number or one a point, shape ({size},); got shape {values.shape}")
    bad = np.flatnonzero(~((values > 0) & np.isfinite(values)))
    if bad.size:
        raise ValueError(f"sigma must be a finite number above 0, got {values.ravel()[bad[0]]!r} at index {bad[0]}")
    return np.broadcast_to(values, (size,))


def _times(times: ArrayLike, size: int) -> Floats:
    when = as_points(times, "times")
    if when.size != size:
        raise ValueError(f"times must hold one value a point, {size}; got {when.size}")
    back = np.flatnonzero(np.diff(when) < 0)
    if back.size:
        raise ValueError(f"times must not fall: index {back[0] + 1} is before index {back[0]}; sort the points by time")
    return when
