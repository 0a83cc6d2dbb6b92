"""Whether lot levels may be judged by the normal law, and whether neighbouring lots are alike.

Both gate what is said elsewhere: a capability of values that are not normal is withheld, limits of lots that depend on
each other are widened. With few lots neither can be seen, and the answer says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spc._checks import Floats, as_points, whole
from spc._noncentral import root

__all__ = ["Dependence", "Neighbours", "Normality", "Shape", "dependence", "normality", "widen_for_dependence"]

FEWEST = 8
"""Lots below which neither check is made: the p-value in `normality` holds from 8 values on."""
_EXACT_TO = 100
_RHO_STEPS = 14  # halvings: the ends are known to 1e-4
_STEP = 0.1
_FREQUENCIES = np.exp(np.arange(-16.0, 12.0, _STEP))  # equal steps of the logarithm: the trapezoid is exact to 1e-7


class Shape(StrEnum):
    """What the values say of the normal law."""

    TOO_FEW = "too_few"
    """Fewer than 8 values: nothing can be seen."""
    PLAUSIBLE = "plausible"
    """Nothing speaks against it; with few values that is not much."""
    DOUBTFUL = "doubtful"
    """So poor a fit comes by chance in 1 to 5 % of normal samples."""
    REFUTED = "refuted"
    """So poor a fit comes by chance in less than 1 % of normal samples."""


class Neighbours(StrEnum):
    """What the values say of the dependence of neighbouring lots."""

    TOO_FEW = "too_few"
    """Fewer than 8 values: nothing can be seen."""
    NOT_SHOWN = "not_shown"
    """The interval of the correlation holds 0."""
    ALIKE = "alike"
    """Neighbouring lots are alike: limits are to be widened."""
    ALTERNATING = "alternating"
    """High follows low: two sources that take turns, or a reaction to the last result."""


@dataclass(frozen=True, slots=True)
class Normality:
    """How well values fit a normal law of unknown mean and standard deviation.

    `correlation` is that of the normal probability plot, at most 1; `statistic` the Anderson-Darling statistic adjusted
    for the number of values, `p_value` its chance to be larger for normal values; `shape` says it in a word and `count`
    on how many values it rests. Where `shape` is too few, `p_value` is 1 and `statistic` 0.
    """

    correlation: float
    statistic: float
    p_value: float
    shape: Shape
    count: int


@dataclass(frozen=True, slots=True)
class Dependence:
    """Correlation of neighbouring values.

    `sample` is the lag-1 autocorrelation as computed, `rho` the same less its bias for few values (kept to 0.99 either
    way, so that `spc.baseline.widen` takes it), `lower` and `upper`
    the interval of the true one, `neighbours` a word, `count` the number of values. Where `neighbours` is too few the
    interval is -1 to 1.
    """

    sample: float
    rho: float
    lower: float
    upper: float
    neighbours: Neighbours
    count: int


def normality(x: ArrayLike) -> Normality:
    """Test whether values may come from a normal law.

    Parameters
    ----------
    x : array_like, shape (n,)
        Independent values in the charted scale, n >= 3; levels of lots with unequal numbers of bags divided by their
        standard deviations first.

    Returns
    -------
    Normality

    Raises
    ------
    ValueError
        If fewer than 3 values, one that is not finite, or all are equal.

    Notes
    -----
    The correlation is that of the ordered values with the medians of normal order statistics [2]_; the p-value that of
    the Anderson-Darling statistic with both parameters estimated, adjusted by 1 + 0.75 / n + 2.25 / n**2 [1]_. Of
    normal samples of 8 to 100 values 4.9 to 5.1 % had a p-value under 0.05 in simulation.

    References
    ----------
    .. [1] R. B. D'Agostino and M. A. Stephens (1986), Goodness-of-Fit Techniques, section 4.8.5, tables 4.7 and 4.9.
    .. [2] J. J. Filliben (1975), The probability plot correlation coefficient test for normality, Technometrics 17,
       111-117.

    Examples
    --------
    >>> found = normality([1.0, 1.1, 0.9, 1.0, 1.2, 0.8, 1.05, 0.95, 9.0])
    >>> found.shape.value, round(found.correlation, 3)
    ('refuted', 0.628)
    """
    ordered = np.sort(as_points(x, at_least=3))
    _require_spread(ordered)
    count = ordered.size
    correlation = float(np.corrcoef(ordered, special.ndtri(_order_medians(count)))[0, 1])
    if count < FEWEST:
        return Normality(correlation, 0.0, 1.0, Shape.TOO_FEW, count)
    statistic = _anderson_darling(ordered) * (1 + 0.75 / count + 2.25 / count**2)
    p_value = _p_value(statistic)
    shape = Shape.REFUTED if p_value < 0.01 else Shape.DOUBTFUL if p_value < 0.05 else Shape.PLAUSIBLE
    return Normality(correlation, statistic, p_value, shape, count)


def dependence(x: ArrayLike, confidence: float = 0.95) -> Dependence:
    """Lag-1 autocorrelation of values in order, with its interval.

    Parameters
    ----------
    x : array_like, shape (n,)
        Values in time order, n >= 3; missing lots are passed over.
    confidence : float
        Of the interval, in (0, 1).

    Returns
    -------
    Dependence

    Raises
    ------
    ValueError
        If fewer than 3 values, one that is not finite, all are equal, or `confidence` is outside its range.

    Notes
    -----
    `rho` is (n sample + 1) / (n - 3), less the bias of [1]_. The interval holds every rho under which, in a normal
    first-order autoregression, neither a sample autocorrelation this high nor one this low is rarer than one tail. To
    100 values its law is exact, a ratio of quadratic forms summed by [2]_; beyond, it is normal with mean
    rho - (1 + 3 rho) / n and variance (1 - rho**2) / n [3]_. A drift makes neighbours alike as well: look at the level
    first.

    References
    ----------
    .. [1] F. H. C. Marriott and J. A. Pope (1954), Bias in the estimation of autocorrelations, Biometrika 41, 390-402.
    .. [2] J. P. Imhof (1961), Computing the distribution of quadratic forms in normal variables, Biometrika 48,
       419-426.
    .. [3] M. S. Bartlett (1946), On the theoretical specification and sampling properties of autocorrelated time
       series, Supplement to the JRSS 8, 27-41.

    Examples
    --------
    >>> found = dependence([1.0, 2.0, 1.0, 2.0, 1.0, 2.0, 1.0, 2.0, 1.0, 2.0])
    >>> found.neighbours.value, round(found.sample, 3)
    ('alternating', -0.9)
    """
    points = as_points(x, at_least=3)
    _require_spread(points)
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must be in (0, 1), got {confidence!r}")
    away, n = points - points.mean(), points.size
    sample = float((away[1:] * away[:-1]).sum() / (away**2).sum())
    rho = float(np.clip((n * sample + 1) / (n - 3), -0.99, 0.99)) if n > 3 else 0.0
    if n < FEWEST:
        return Dependence(sample, rho, -1.0, 1.0, Neighbours.TOO_FEW, n)
    tail = (1 - confidence) / 2
    lower, upper = _exact_interval(sample, n, tail) if n <= _EXACT_TO else _normal_interval(sample, n, tail)
    word = Neighbours.ALIKE if lower > 0 else Neighbours.ALTERNATING if upper < 0 else Neighbours.NOT_SHOWN
    return Dependence(sample, rho, lower, upper, word, n)


def widen_for_dependence(sigma: float, rho: float, lots: int) -> float:
    """Correct a standard deviation that was computed from lots whose neighbours are alike.

    Few lots that resemble their neighbours show too little of the scatter: limits drawn from them are too narrow.

    Parameters
    ----------
    sigma : float
        Sample standard deviation of `lots` values, >= 0.
    rho : float
        Correlation of neighbours in a first-order autoregression, in (-1, 1); below 0 nothing is changed, as narrower
        limits are not earned by alternation.
    lots : int
        Number of values, >= 2.

    Returns
    -------
    float
        `sigma` over the square root of the expected ratio of sample variance to variance,
        1 - 2 / (n (n - 1)) * sum over k of (n - k) rho**k.

    Raises
    ------
    ValueError
        If a number is outside its range.

    References
    ----------
    .. [1] A. V. Vasilopoulos and A. P. Stamboulis (1978), Modification of control chart limits in the presence of data
       correlation, Journal of Quality Technology 10, 20-30.
    .. [2] T. W. Anderson (1971), The Statistical Analysis of Time Series, section 8.2: the expectation.

    Examples
    --------
    >>> round(widen_for_dependence(1.0, 0.5, 25), 4)
    1.0407
    """
    whole(lots, "lots", 2)
    if not 0 <= sigma < np.inf:
        raise ValueError(f"sigma must be a number of at least 0, got {sigma!r}")
    if not -1 < rho < 1:
        raise ValueError(f"rho must be in (-1, 1), got {rho!r}")
    lag = np.arange(1, lots)
    shared = 2 / (lots * (lots - 1)) * float(((lots - lag) * max(rho, 0.0) ** lag).sum())
    return float(sigma / np.sqrt(1 - shared))


def _require_spread(points: Floats) -> None:
    if not np.ptp(points) > 0:
        raise ValueError(f"x does not vary: all {points.size} values are {points[0]!r}")


def _order_medians(count: int) -> Floats:
    """Medians of uniform order statistics (Filliben 1975, equation 4)."""
    medians = (np.arange(1, count + 1, dtype=np.float64) - 0.3175) / (count + 0.365)
    medians[-1] = 0.5 ** (1 / count)
    medians[0] = 1 - medians[-1]
    return medians


def _anderson_darling(ordered: Floats) -> float:
    n = ordered.size
    z = (ordered - ordered.mean()) / ordered.std(ddof=1)
    odd = 2 * np.arange(1, n + 1) - 1
    return float(-n - (odd * (special.log_ndtr(z) + special.log_ndtr(-z[::-1]))).sum() / n)


def _p_value(statistic: float) -> float:
    """D'Agostino and Stephens (1986), table 4.9, both parameters estimated."""
    a = statistic
    if a >= 0.6:
        return float(np.exp(1.2937 - 5.709 * a + 0.0186 * min(a, 153.0) ** 2))
    if a >= 0.34:
        return float(np.exp(0.9177 - 4.279 * a - 1.38 * a**2))
    if a >= 0.2:
        return float(1 - np.exp(-8.318 + 42.796 * a - 59.938 * a**2))
    return float(1 - np.exp(-13.436 + 101.14 * a - 223.73 * a**2))


def _exact_interval(sample: float, n: int, tail: float) -> tuple[float, float]:
    lower = root(lambda rho: 1 - tail - _chance_below(sample, rho, n), -1.0, 1.0, _RHO_STEPS)
    upper = root(lambda rho: tail - _chance_below(sample, rho, n), -1.0, 1.0, _RHO_STEPS)
    return lower, upper


def _chance_below(sample: float, rho: float, n: int) -> float:
    """Chance of a lag-1 autocorrelation of at most `sample` in a normal first-order autoregression.

    The autocorrelation is below where the quadratic form x' (shift - sample) x of the centred values is below 0.
    """
    lag = np.subtract.outer(np.arange(n), np.arange(n))
    path = np.where(lag >= 0, float(rho) ** np.abs(lag), 0.0)
    path[:, 0] /= np.sqrt(1 - rho**2)  # the first value has the full variance, the others add their news
    centred = path - path.mean(axis=0)
    form = centred[1:].T @ centred[:-1]
    roots = np.linalg.eigvalsh(0.5 * (form + form.T) - sample * (centred.T @ centred))
    turned = np.multiply.outer(_FREQUENCIES, roots / np.abs(roots).max())
    angle = 0.5 * np.arctan(turned).sum(axis=1)
    return float(0.5 - (np.sin(angle) * np.exp(-0.25 * np.log1p(turned**2).sum(axis=1))).sum() * _STEP / np.pi)


def _normal_interval(sample: float, n: int, tail: float) -> tuple[float, float]:
    """Roots of (sample - rho + (1 + 3 rho) / n)**2 = quantile**2 (1 - rho**2) / n."""
    keep, pull, noise = 1 - 3 / n, sample + 1 / n, float(special.ndtri(tail)) ** 2 / n
    a, b, c = keep**2 + noise, -2 * keep * pull, pull**2 - noise
    half = np.sqrt(max(b**2 - 4 * a * c, 0.0))  # below 0 only for a sample beyond what any rho explains
    return float(max(-1.0, (-b - half) / (2 * a))), float(min(1.0, (-b + half) / (2 * a)))
