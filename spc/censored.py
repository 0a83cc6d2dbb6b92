"""Mean and standard deviation where some readings are bounded: below the range of the meter, or above it.

Replacing a bounded reading by its bound biases both. Maximum likelihood for the normal distribution in the charted
scale uses exactly the information that a bounded reading holds.
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
    "Regression",
    "estimable",
    "line_fit",
    "lot_level",
    "mean_interval",
    "normal_fit",
    "one_sided_level",
    "regression_fit",
]

Bounds = NDArray[np.int8]

_STEPS = 200
_NO_INFORMATION = 1e-9  # A bag whose largest score is a smaller share of the largest of all does not count
_LOG_ROOT_TWO_PI = 0.5 * np.log(2.0 * np.pi)


@dataclass(frozen=True, slots=True)
class Fit:
    """Normal distribution fitted to values and bounds, in the unit of the values.

    `sd` is the standard deviation of one value. `mean_se` and `sd_se` are standard errors (> 0; inf with one bag, and
    for `sd_se` also with two). `df` is the degrees of freedom for an interval of the mean: values, or bags, less one.
    """

    mean: float
    sd: float
    mean_se: float
    sd_se: float
    df: int
    log_likelihood: float


@dataclass(frozen=True, slots=True)
class LineFit:
    """Straight line with normal variation, mean = intercept + slope * x, with standard errors."""

    intercept: float
    slope: float
    sd: float
    intercept_se: float
    slope_se: float
    sd_se: float
    log_likelihood: float


@dataclass(frozen=True, slots=True, eq=False)
class Regression:
    """Coefficients of a linear model with normal variation, shape (p,), and the sd of one value about it."""

    coefficients: Floats
    sd: float
    log_likelihood: float


@dataclass(frozen=True, slots=True)
class OneSided:
    """Bound of a mean: it is above `level` (`bound` +1), below it (-1), or equal to it (0)."""

    level: float
    bound: int


@dataclass(frozen=True, slots=True, eq=False)
class _Maximum:
    """Maximum of the likelihood: regression coefficients and sd, shape (p + 1,), in the unit of the values.

    `covariance` is the inverse of the observed information, `scores` (n, p + 1) the weighted gradient of each value.
    """

    point: Floats
    covariance: Floats
    scores: Floats
    log_likelihood: float


def normal_fit(values: ArrayLike, bound: ArrayLike) -> Fit:
    """Fit a normal distribution to independent values of which some are bounded, by maximum likelihood.

    The readings must be of different bags; for a lot see `lot_level`.

    Parameters
    ----------
    values : array_like, shape (n,)
        Values and bounds, in the charted scale.
    bound : array_like of int, shape (n,)
        -1 where the true value is below `values`, +1 where it is above, 0 where it is measured.

    Returns
    -------
    Fit
        `sd` is the maximum-likelihood value (divisor n where no value is bounded).

    Raises
    ------
    ValueError
        If the shapes differ, a value is not finite, a bound is not -1, 0 or +1, or the likelihood has no maximum (see
        `estimable`); use `one_sided_level` then.

    Notes
    -----
    In the parameters mean / sd and 1 / sd the log likelihood is concave [1]_, [2]_, so Newton's method with step
    halving finds the only maximum from any start. Standard errors are from the observed information.

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
    """Level of a lot from readings on a few bags, some of them bounded; bags are the independent units.

    Parameters
    ----------
    values, bound : array_like, shape (n,)
        As in `normal_fit`.
    bag : array_like, shape (n,)
        Label of the bag of each reading.

    Returns
    -------
    Fit
        `mean` is the level: the mean of the bag means where no reading is bounded. `sd` is that of one reading on a
        random bag, so it includes the variation between bags and between readings. `df` is the number of informative
        bags less one.

    Raises
    ------
    ValueError
        As `normal_fit`.

    Notes
    -----
    This is a marginal likelihood: the distribution of a single reading is normal, so the sum of log likelihoods over
    readings, with weight one for each bag, has its maximum at consistent estimates. The correlation of the readings of
    a bag enters the standard errors, which sum the scores by bag [1]_ with the factor bags / (bags - 1).

    References
    ----------
    .. [1] K.-Y. Liang, S. L. Zeger (1986), Longitudinal data analysis using generalized linear models, Biometrika 73,
       13-22.

    Examples
    --------
    Three bags with two readings each; one reading is over the range of 5.0:

    >>> fit = lot_level([2.0, 2.2, 2.6, 2.8, 3.1, 5.0], bag=[1, 1, 2, 2, 3, 3], bound=[0, 0, 0, 0, 0, 1])
    >>> round(fit.mean, 2), fit.df
    (3.03, 2)
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

    A bag whose bounds are far from the other bags holds no information and does not count. With one bag the covariance
    is infinite.
    """
    size = np.zeros(bags)
    np.maximum.at(size, number, np.abs(peak.scores).max(axis=1))
    informative = int(np.sum(size > _NO_INFORMATION * size.max()))
    if informative == 1:
        return np.full((2, 2), np.inf), 0
    scores = np.zeros((bags, 2))
    np.add.at(scores, number, peak.scores)
    covariance = peak.covariance @ (scores.T @ scores) @ peak.covariance * (informative / (informative - 1.0))
    if informative == 2:  # Two bags are equally far from their mean, so the error of the sd is unknown
        covariance[1, 1] = np.inf
    return covariance, informative - 1


def line_fit(x: ArrayLike, values: ArrayLike, bound: ArrayLike) -> LineFit:
    """Fit a straight line to values of which some are bounded, by maximum likelihood.

    Parameters
    ----------
    x : array_like, shape (n,)
        Position of each value, for example its test time in weeks.
    values, bound : array_like, shape (n,)
        As in `normal_fit`.

    Returns
    -------
    LineFit
        `sd` is the maximum-likelihood value (divisor n where no value is bounded).

    Raises
    ------
    ValueError
        As `normal_fit`, or if the measured values do not determine a line.

    References
    ----------
    .. [1] J. Burridge (1981), A note on maximum likelihood estimation for regression models using grouped data, Journal
       of the Royal Statistical Society B 43, 41-45.

    Examples
    --------
    The last value is known only to be above 4.0:

    >>> fit = line_fit([0, 1, 2, 3], [1.0, 2.1, 2.9, 4.0], [0, 0, 0, 1])
    >>> round(fit.intercept, 2), round(fit.slope, 2)
    (1.02, 1.0)
    """
    y, bounds = _checked(values, bound)
    at = as_points(x, "x")
    if at.shape != y.shape:
        raise ValueError(f"x and values must be of one length, got {at.size} and {y.size}")
    _require_estimable(y, bounds)
    if np.ptp(at) == 0:
        raise ValueError(f"x must hold at least two different places for a line, got {float(at[0])!r} alone")
    # With x centred, the two coefficients are nearly independent and the fit keeps all digits.
    middle = float(at.mean())
    peak = _maximise(np.column_stack([np.ones(at.size), at - middle]), y, bounds, np.ones(y.size))
    back = np.array([[1.0, -middle, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    intercept, slope, sd = (back @ peak.point).tolist()
    intercept_se, slope_se, sd_se = np.sqrt(np.diag(back @ peak.covariance @ back.T)).tolist()
    return LineFit(intercept, slope, sd, intercept_se, slope_se, sd_se, peak.log_likelihood)


def regression_fit(design: ArrayLike, values: ArrayLike, bound: ArrayLike) -> Regression:
    """Fit a linear model to values of which some are bounded, by maximum likelihood.

    Parameters
    ----------
    design : array_like, shape (n, p)
        A column for each coefficient.
    values, bound : array_like, shape (n,)
        As in `normal_fit`.

    Returns
    -------
    Regression
        `sd` is the maximum-likelihood value (divisor n where no value is bounded).

    Raises
    ------
    ValueError
        As `normal_fit`, or if the measured values do not determine all coefficients.

    References
    ----------
    .. [1] J. Burridge (1981), as in `line_fit`.

    Examples
    --------
    >>> fit = regression_fit([[1, 0], [1, 1], [1, 2], [1, 3]], [1.0, 2.1, 2.9, 4.0], [0, 0, 0, 1])
    >>> fit.coefficients.round(2)
    array([1.02, 1.  ])
    """
    y, bounds = _checked(values, bound)
    columns = np.asarray(design, dtype=np.float64)
    if columns.ndim != 2 or columns.shape[0] != y.size:
        raise ValueError(f"design must have one row a value, got shape {columns.shape} for {y.size} values")
    _require_estimable(y, bounds)
    peak = _maximise(columns, y, bounds, np.ones(y.size), first_is_constant=False)
    return Regression(peak.point[:-1], float(peak.point[-1]), peak.log_likelihood)


def mean_interval(fit: Fit, confidence: float = 0.95) -> tuple[float, float]:
    """Interval of the mean, from Student's t with the degrees of freedom of the fit.

    Parameters
    ----------
    fit : Fit
        From `normal_fit` or `lot_level`, of at least two values or bags.
    confidence : float
        Probability that the interval contains the true mean, in (0, 1).

    Returns
    -------
    low, high : float

    Raises
    ------
    ValueError
        If `confidence` is out of range, or the fit is of a single value or bag.

    Examples
    --------
    >>> low, high = mean_interval(normal_fit([2.0, 2.2, 2.6, 2.8, 3.1], [0, 0, 0, 0, 1]))
    >>> round(low, 2), round(high, 2)
    (1.97, 3.2)
    """
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must be between 0 and 1, got {confidence!r}")
    if fit.df < 1:
        raise ValueError("a single value or bag gives no interval for the mean; measure at least two")
    half = float(special.stdtrit(fit.df, 0.5 + confidence / 2.0)) * fit.mean_se
    return fit.mean - half, fit.mean + half


def estimable(values: ArrayLike, bound: ArrayLike) -> bool:
    """Whether mean and sd have a maximum-likelihood value.

    They have one if two measured values differ. With one measured value (or several equal ones), they have one only if
    a bound excludes that value; otherwise the likelihood grows without limit as the sd shrinks. With bounds alone they
    have none.

    Parameters
    ----------
    values, bound : array_like, shape (n,)
        As in `normal_fit`.

    Returns
    -------
    bool

    Raises
    ------
    ValueError
        If the shapes differ, a value is not finite, or a bound is not -1, 0 or +1.

    Examples
    --------
    >>> estimable([2.0, 2.2, 5.0], [0, 0, 1]), estimable([2.0, 5.0], [0, 1]), estimable([5.0, 5.0], [1, 1])
    (True, True, False)
    """
    y, bounds = _checked(values, bound)
    exact = np.unique(y[bounds == 0])
    if exact.size != 1:
        return exact.size > 1
    # A bound of +1 means a value above y, -1 one below.
    return bool(np.any(bounds * (exact[0] - y) < 0))


def one_sided_level(values: ArrayLike, bag: ArrayLike, bound: ArrayLike) -> OneSided:
    """Bound of the level of a lot, the mean of its bag means, where readings are bounded on one side.

    Every true value is beyond its own bound, so their mean is beyond the mean of the bounds, for any distribution.

    Parameters
    ----------
    values, bag, bound : array_like, shape (n,)
        As in `lot_level`.

    Returns
    -------
    OneSided

    Raises
    ------
    ValueError
        As `normal_fit`, or if some readings are bounded above and others below.

    Examples
    --------
    Both readings of bag 2 are above 5.0, so the level is above 3.55:

    >>> one_sided_level([2.0, 2.2, 5.0, 5.0], bag=[1, 1, 2, 2], bound=[0, 0, 1, 1])
    OneSided(level=3.55, bound=1)
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
    bad = np.flatnonzero(~np.isin(bounds, (-1, 0, 1)))
    if bad.size:
        raise ValueError(f"bound must be -1 (below), 0 or +1 (above), got {bounds[bad[0]]!r} at index {bad[0]}")
    return y, bounds.astype(np.int8)


def _require_estimable(y: Floats, bounds: Bounds) -> None:
    if not estimable(y, bounds):
        raise ValueError(
            f"mean and sd have no maximum-likelihood value: {int(np.sum(bounds == 0))} of {y.size} values are measured "
            "and two that differ are needed; use spc.censored.one_sided_level"
        )


def _maximise(design: Floats, y: Floats, bounds: Bounds, weight: Floats, *, first_is_constant: bool = True) -> _Maximum:
    """Maximise by Newton's method in (coefficients / sd, 1 / sd), where the log likelihood is concave."""
    shift, scale = _place(y, bounds)
    # Without a column of ones, the model does not follow when all values are moved.
    shift = shift if first_is_constant else 0.0
    rows = np.column_stack([design, -(y - shift) / scale])
    point = np.zeros(rows.shape[1])
    point[-1] = 1.0
    for _ in range(_STEPS):
        value, slopes, bends = _likelihood(rows, point, bounds, weight)
        # Scaled to a unit diagonal: at a tiny sd the parameters differ by many powers of ten.
        information = (rows * bends[:, None]).T @ rows
        information[-1, -1] += np.sum(weight[bounds == 0]) / point[-1] ** 2
        if not (np.diag(information) > 0).all():
            # A coefficient that only values bounded on one side depend on runs away, until their curvature is lost.
            raise ValueError("the likelihood has no maximum: a coefficient depends on bounded values alone")
        unit = 1.0 / np.sqrt(np.diag(information))
        scores = rows * slopes[:, None]
        scores[bounds == 0, -1] += weight[bounds == 0] / point[-1]
        inverse = _inverse(information * np.outer(unit, unit)) * np.outer(unit, unit)
        step = inverse @ scores.sum(axis=0)
        if np.sum((step / unit) ** 2) <= 1e-24 * np.sum(weight):
            return _in_unit(
                design, point, inverse, scores, value - np.sum(weight[bounds == 0]) * np.log(scale), shift, scale
            )
        point = _step_up(rows, point, step, bounds, weight, value)
    raise ValueError("the likelihood has no maximum: too few measured values for what is to be estimated")


def _place(y: Floats, bounds: Bounds) -> tuple[float, float]:
    """Mean and scale of the measured values; far bounds must not hide differences between them."""
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
    bend = np.where(beyond < -1e4, 1.0, np.maximum(hazard * (hazard + beyond), 0.0))  # 1 - 3 / beyond^2 there
    exact = bounds == 0
    terms = np.where(exact, np.log(point[-1]) - 0.5 * eta**2 - _LOG_ROOT_TWO_PI, tail)
    slopes = np.where(exact, -eta, side * hazard)
    bends = np.where(exact, 1.0, bend)
    return float(np.sum(weight * terms)), weight * slopes, weight * bends


def _step_up(rows: Floats, point: Floats, step: Floats, bounds: Bounds, weight: Floats, value: float) -> Floats:
    for _ in range(60):
        trial = point + step
        # Near the maximum the gain is below rounding, so accept a loss of that size.
        if trial[-1] > 0 and _likelihood(rows, trial, bounds, weight)[0] >= value - 1e-12 * (1.0 + abs(value)):
            return trial
        step = 0.5 * step
    return point


def _in_unit(
    design: Floats, point: Floats, inverse: Floats, scores: Floats, value: float, shift: float, scale: float
) -> _Maximum:
    """Convert (coefficients / sd, 1 / sd) of standardised values to coefficients and sd in the unit."""
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
