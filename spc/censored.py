"""Mean and scatter where some readings are only bounded: below the meter's floor, or over its range.

A bound put in the place of a value biases both mean and scatter. Maximum likelihood for the normal distribution on the
charted scale uses what a bounded reading says, and no more.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from spc.kernels.arrays import Floats, Indices
from spc.kernels.validation import as_points

__all__ = [
    "Fit",
    "LineFit",
    "OneSided",
    "estimable",
    "line_fit",
    "lot_level",
    "mean_interval",
    "normal_fit",
    "one_sided_level",
]

Bounds = NDArray[np.int8]

_STEPS = 200
_SILENT = 1e-9  # a bag whose largest score is a smaller share of the largest of all says nothing
_LOG_ROOT_TWO_PI = 0.5 * np.log(2.0 * np.pi)


@dataclass(frozen=True, slots=True)
class Fit:
    """Normal distribution fitted to values and bounds, in the unit of the values.

    `sd` is the standard deviation of one value. `mean_se` and `sd_se` are standard errors (> 0; inf where one bag, or
    for the sd two, say nothing of them). `df` is the degrees of freedom for an interval of the
    mean: values, or bags, less one.
    """

    mean: float
    sd: float
    mean_se: float
    sd_se: float
    df: int
    log_likelihood: float


@dataclass(frozen=True, slots=True)
class LineFit:
    """Straight line with normal scatter, mean = intercept + slope * x, with standard errors."""

    intercept: float
    slope: float
    sd: float
    intercept_se: float
    slope_se: float
    sd_se: float
    log_likelihood: float


@dataclass(frozen=True, slots=True)
class OneSided:
    """What is sure of a mean: it lies above `level` (`bound` +1), below it (-1), or at it (0)."""

    level: float
    bound: int


@dataclass(frozen=True, slots=True, eq=False)
class _Maximum:
    """Peak of the likelihood in regression coefficients and sd, shape (p + 1,), in the unit of the values.

    `covariance` is the inverse of the observed information, `scores` (n, p + 1) the weighted gradient of each value.
    """

    point: Floats
    covariance: Floats
    scores: Floats
    log_likelihood: float


def normal_fit(values: ArrayLike, bound: ArrayLike) -> Fit:
    """Maximum likelihood for independent normal values of which some are only bounded.

    For readings that do not share bags; for a lot see `lot_level`.

    Parameters
    ----------
    values : array_like, shape (n,)
        Values and bounds, in the charted scale.
    bound : array_like of int, shape (n,)
        -1 where the true value is below `values`, +1 where it is above, 0 where it was measured.

    Returns
    -------
    Fit
        `sd` is the maximum-likelihood value (divisor n where nothing is bounded).

    Raises
    ------
    ValueError
        If the shapes differ, a value is not finite, a bound is not -1, 0 or +1, or the likelihood has no maximum (see
        `estimable`): `one_sided_level` then says what is known.

    Notes
    -----
    In the parameters mean / sd and 1 / sd the log likelihood is concave [1]_, [2]_, so Newton's method with halved
    steps finds the one maximum from any start. Standard errors are from the observed information.

    References
    ----------
    .. [1] R. J. Olsen (1978), Note on the uniqueness of the maximum likelihood estimator for the Tobit model,
       Econometrica 46, 1211-1215.
    .. [2] J. Burridge (1981), A note on maximum likelihood estimation for regression models using grouped data, Journal
       of the Royal Statistical Society B 43, 41-45.

    Examples
    --------
    Seven of ten lives in days, three longer than the last (A. K. Gupta (1952), Biometrika 39, 260-273, from memory):

    >>> lives = np.log10([41, 44, 46, 54, 55, 58, 60, 60, 60, 60])
    >>> fit = normal_fit(lives, [0, 0, 0, 0, 0, 0, 0, 1, 1, 1])
    >>> round(fit.mean, 3), round(fit.sd, 3)
    (1.742, 0.079)
    """
    y, bounds = _checked(values, bound)
    _require_estimable(y, bounds)
    peak = _maximise(np.ones((y.size, 1)), y, bounds, np.ones(y.size))
    return _fit(peak, peak.covariance, y.size - 1)


def lot_level(values: ArrayLike, bag: ArrayLike, bound: ArrayLike) -> Fit:
    """Level of a lot from readings on a few bags, some of them bounded; the bag is the unit.

    Parameters
    ----------
    values, bound : array_like, shape (n,)
        As in `normal_fit`.
    bag : array_like, shape (n,)
        Which bag each reading was taken on.

    Returns
    -------
    Fit
        `mean` is the level: the mean of the bag means where nothing is bounded. `sd` is that of one reading on a bag
        drawn at random, so it holds the scatter between bags and between readings.
        `df` is bags less one, of the bags that say something.

    Raises
    ------
    ValueError
        As `normal_fit`.

    Notes
    -----
    A likelihood of the margins: a reading's own distribution is normal whatever it shares with its bag, so the sum of
    log likelihoods over readings, each bag of weight one, has its maximum at consistent estimates. What the readings of
    a bag share enters the standard errors, which sum the scores by bag [1]_ with the factor bags / (bags - 1).

    References
    ----------
    .. [1] K.-Y. Liang, S. L. Zeger (1986), Longitudinal data analysis using generalized linear models, Biometrika 73,
       13-22.
    """
    y, bounds = _checked(values, bound)
    number = np.unique(np.asarray(bag), return_inverse=True)[1].ravel()
    if number.shape != y.shape:
        raise ValueError(f"bag must name the bag of each of the {y.size} values, got {number.size}")
    _require_estimable(y, bounds)
    sizes = np.bincount(number)
    peak = _maximise(np.ones((y.size, 1)), y, bounds, 1.0 / sizes[number])
    return _fit(peak, *_by_bag(peak, number, sizes.size))


def _fit(peak: _Maximum, covariance: Floats, df: int) -> Fit:
    mean, sd = peak.point.tolist()
    mean_se, sd_se = np.sqrt(np.diag(covariance)).tolist()
    return Fit(mean, sd, mean_se, sd_se, df, peak.log_likelihood)


def _by_bag(peak: _Maximum, number: Indices, bags: int) -> tuple[Floats, int]:
    """Covariance of the estimates from scores summed by bag, and degrees of freedom.

    A bag whose bounds lie far from the others says nothing and does not count. One bag alone has nothing to compare
    with: its covariance is infinite.
    """
    size = np.zeros(bags)
    np.maximum.at(size, number, np.abs(peak.scores).max(axis=1))
    telling = int(np.sum(size > _SILENT * size.max()))
    if telling == 1:
        return np.full((2, 2), np.inf), 0
    scores = np.zeros((bags, 2))
    np.add.at(scores, number, peak.scores)
    covariance = peak.covariance @ (scores.T @ scores) @ peak.covariance * (telling / (telling - 1.0))
    if telling == 2:  # two bags lie as far from their mean, whatever the sd: they give it no error
        covariance[1, 1] = np.inf
    return covariance, telling - 1


def line_fit(x: ArrayLike, values: ArrayLike, bound: ArrayLike) -> LineFit:
    """Straight line by maximum likelihood through values of which some are only bounded.

    Parameters
    ----------
    x : array_like, shape (n,)
        Where each value was taken, for example test time in weeks.
    values, bound : array_like, shape (n,)
        As in `normal_fit`.

    Raises
    ------
    ValueError
        As `normal_fit`, or where the measured values do not fix a line.
    """
    y, bounds = _checked(values, bound)
    at = as_points(x, "x")
    if at.shape != y.shape:
        raise ValueError(f"x and values must be of one length, got {at.size} and {y.size}")
    _require_estimable(y, bounds)
    if np.ptp(at) == 0:
        raise ValueError(f"x must hold at least two different places for a line, got {float(at[0])!r} alone")
    # About the middle of x the two coefficients are nearly independent, so the fit keeps its digits.
    middle = float(at.mean())
    peak = _maximise(np.column_stack([np.ones(at.size), at - middle]), y, bounds, np.ones(y.size))
    back = np.array([[1.0, -middle, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    intercept, slope, sd = (back @ peak.point).tolist()
    intercept_se, slope_se, sd_se = np.sqrt(np.diag(back @ peak.covariance @ back.T)).tolist()
    return LineFit(intercept, slope, sd, intercept_se, slope_se, sd_se, peak.log_likelihood)


def mean_interval(fit: Fit, confidence: float = 0.95) -> tuple[float, float]:
    """Interval for the mean, from Student's t with the fit's degrees of freedom.

    Raises
    ------
    ValueError
        If `confidence` is not between 0 and 1, or the fit rests on a single value or bag.
    """
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must be between 0 and 1, got {confidence!r}")
    if fit.df < 1:
        raise ValueError("a single value or bag gives no interval for the mean; measure at least two")
    half = float(special.stdtrit(fit.df, 0.5 + confidence / 2.0)) * fit.mean_se
    return fit.mean - half, fit.mean + half


def estimable(values: ArrayLike, bound: ArrayLike) -> bool:
    """Whether mean and sd have a maximum-likelihood value.

    They have where two measured values differ. One measured value (or several that agree) does it only where a bound
    excludes it; else the likelihood grows without end as the sd shrinks. Bounds alone never do.
    """
    y, bounds = _checked(values, bound)
    exact = np.unique(y[bounds == 0])
    if exact.size != 1:
        return exact.size > 1
    # +1 demands a value above y, -1 one below.
    return bool(np.any(bounds * (exact[0] - y) < 0))


def one_sided_level(values: ArrayLike, bag: ArrayLike, bound: ArrayLike) -> OneSided:
    """Bound of a lot's level, the mean of its bag means, where readings are bounded on one side.

    Every true value lies beyond its own bound, so their mean lies beyond the mean of the bounds. Nothing is assumed of
    the distribution.

    Raises
    ------
    ValueError
        As `normal_fit`, or if some readings are bounded above and others below: then nothing is sure of the mean.
    """
    y, bounds = _checked(values, bound)
    sides = np.unique(bounds[bounds != 0])
    if sides.size > 1:
        raise ValueError("readings are bounded on both sides, so no bound of their mean is sure; show the readings")
    number = np.unique(np.asarray(bag), return_inverse=True)[1].ravel()
    bag_means = np.bincount(number, weights=y) / np.bincount(number)
    return OneSided(float(bag_means.mean()), int(sides[0]) if sides.size else 0)


def _checked(values: ArrayLike, bound: ArrayLike) -> tuple[Floats, Bounds]:
    y, bounds = as_points(values, "values"), np.asarray(bound)
    if bounds.shape != y.shape:
        raise ValueError(f"bound must have one entry a value, got shape {bounds.shape} for {y.size} values")
    wild = np.flatnonzero(~np.isin(bounds, (-1, 0, 1)))
    if wild.size:
        raise ValueError(f"bound must be -1 (below), 0 or +1 (above), got {bounds[wild[0]]!r} at index {wild[0]}")
    return y, bounds.astype(np.int8)


def _require_estimable(y: Floats, bounds: Bounds) -> None:
    if not estimable(y, bounds):
        raise ValueError(
            f"mean and sd have no maximum-likelihood value: {int(np.sum(bounds == 0))} of {y.size} values are measured "
            "and two that differ are needed; use spc.censored.one_sided_level"
        )


def _maximise(design: Floats, y: Floats, bounds: Bounds, weight: Floats) -> _Maximum:
    """Newton's method on (coefficients / sd, 1 / sd), where the log likelihood is concave."""
    shift, scale = _place(y, bounds)
    rows = np.column_stack([design, -(y - shift) / scale])
    point = np.zeros(rows.shape[1])
    point[-1] = 1.0
    for _ in range(_STEPS):
        value, slopes, bends = _likelihood(rows, point, bounds, weight)
        # Scaled to a unit diagonal: at a tiny sd the parameters differ by many powers of ten.
        information = (rows * bends[:, None]).T @ rows
        information[-1, -1] += np.sum(weight[bounds == 0]) / point[-1] ** 2
        unit = 1.0 / np.sqrt(np.diag(information))
        scores = rows * slopes[:, None]
        scores[bounds == 0, -1] += weight[bounds == 0] / point[-1]
        inverse = _inverse(information * np.outer(unit, unit)) * np.outer(unit, unit)
        step = inverse @ scores.sum(axis=0)
        if np.sum((step / unit) ** 2) <= 1e-24 * np.sum(weight):
            return _in_unit(
                design, point, inverse, scores, value - np.sum(weight[bounds == 0]) * np.log(scale), shift, scale
            )
        point = _climb(rows, point, step, bounds, weight, value)
    raise ValueError("the likelihood has no maximum: too few measured values for what is to be estimated")


def _place(y: Floats, bounds: Bounds) -> tuple[float, float]:
    """Middle and scale of the measured values; bounds far away must not drown how these differ."""
    measured = y[bounds == 0]
    scale = float(measured.std())
    return float(measured.mean()), scale if scale > 0 else float(y.std())


def _inverse(information: Floats) -> Floats:
    if np.linalg.matrix_rank(information, tol=1e-12) < information.shape[0]:
        raise ValueError("the likelihood has no single maximum: the measured values do not fix all that is estimated")
    return np.asarray(np.linalg.inv(information))


def _likelihood(rows: Floats, point: Floats, bounds: Bounds, weight: Floats) -> tuple[float, Floats, Floats]:
    """Log likelihood, and its first and negative second derivatives along each row's predictor, (n,)."""
    eta = rows @ point  # (mean - value) / sd
    side = np.where(bounds == 0, 1.0, bounds)
    beyond = side * eta
    tail = special.log_ndtr(beyond)
    # Density over tail probability, without the difference of two large logarithms.
    hazard = np.sqrt(2.0 / np.pi) / special.erfcx(-beyond / np.sqrt(2.0))
    bend = np.where(beyond < -1e4, 1.0, np.maximum(hazard * (hazard + beyond), 0.0))  # 1 - 3 / beyond^2 out there
    exact = bounds == 0
    terms = np.where(exact, np.log(point[-1]) - 0.5 * eta**2 - _LOG_ROOT_TWO_PI, tail)
    slopes = np.where(exact, -eta, side * hazard)
    bends = np.where(exact, 1.0, bend)
    return float(np.sum(weight * terms)), weight * slopes, weight * bends


def _climb(rows: Floats, point: Floats, step: Floats, bounds: Bounds, weight: Floats, value: float) -> Floats:
    for _ in range(60):
        trial = point + step
        # Near the top the gain is lost in rounding, so a loss of rounding size is let through.
        if trial[-1] > 0 and _likelihood(rows, trial, bounds, weight)[0] >= value - 1e-12 * (1.0 + abs(value)):
            return trial
        step = 0.5 * step
    return point


def _in_unit(
    design: Floats, point: Floats, inverse: Floats, scores: Floats, value: float, shift: float, scale: float
) -> _Maximum:
    """From (coefficients / sd, 1 / sd) of standardised values to coefficients and sd in the unit."""
    sd = 1.0 / point[-1]
    out = np.append(point[:-1] * sd, sd) * scale
    jacobian = np.diag(np.full(point.size, sd))
    jacobian[:-1, -1] = -point[:-1] * sd**2
    jacobian[-1, -1] = -(sd**2)
    jacobian *= scale
    covariance = jacobian @ inverse @ jacobian.T
    back = np.linalg.inv(jacobian)
    out[0] += shift
    return _Maximum(out, covariance, scores @ back, value)
