"""The first stage: which lots set the limits of a stream, where its level lies and how far its lots scatter.

Lots that stand far from the rest are left out by a robust rule and named; the limits say how many lots they rest on and
are wider where that is few.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from spc._checks import Floats, as_points, finite_number, positive, whole

__all__ = [
    "CUTOFF",
    "Baseline",
    "LeftOut",
    "LeftOutReason",
    "establish",
    "limits",
    "moving_range_sigma",
    "prediction_factor",
    "qn",
    "widen",
]

CUTOFF = 3.5
"""Robust standard deviations from the median beyond which a lot is left out (Iglewicz and Hoaglin 1993, chapter 3)."""

_QN_NORMAL = 1.0 / float(np.sqrt(2.0) * special.ndtri(5 / 8))
# Croux and Rousseeuw (1992), the factors that make Qn unbiased for normal samples of 2 to 9; from memory.
_QN_SMALL = (0.399, 0.994, 0.512, 0.844, 0.611, 0.857, 0.669, 0.872)


class LeftOutReason(StrEnum):
    """Why a lot takes no part in the baseline."""

    BY_HAND = "by_hand"
    """A person left it out."""
    FAR_FROM_THE_REST = "far_from_the_rest"
    """Further from the median than the robust rule allows."""
    TELLS_NOTHING = "tells_nothing"
    """Its sampling variance is infinite: its readings do not settle its level."""


@dataclass(frozen=True, slots=True)
class LeftOut:
    """One lot that takes no part: its index among the lots given, why, and how far out it lies.

    `distance` is in robust standard deviations from the median of the lots screened, with sign; 0 where the lot was not
    measured against them.
    """

    index: int
    reason: LeftOutReason
    distance: float


@dataclass(frozen=True, slots=True, eq=False)
class Baseline:
    """What a stream is usually like, in the charted scale.

    Attributes
    ----------
    center : float
        Weighted mean of the lot levels.
    center_se : float
        Its standard error; inf where one lot is all there is.
    sigma : float
        Standard deviation between lots: that of a lot level measured without error. inf where one lot is all there is
        (nothing is known), 0 where the lots scatter no more than their sampling variances explain.
    sigma_squared_se : float
        Standard error of `sigma` squared.
    used : ndarray of bool, shape (n,)
        The lots that set the limits.
    left_out : tuple of LeftOut
        The lots that a person or the rule kept from setting them, in order.
    count : int
        Number of lots used.
    degrees_of_freedom : float
        What the estimate of scatter is worth: `count` - 1, less where neighbouring lots depend on each other.
    learning : bool
        Fewer lots than the minimum: the figures are a first guess.
    frozen : bool
        All the lots that are to set the limits are there: further lots change nothing.
    """

    center: float
    center_se: float
    sigma: float
    sigma_squared_se: float
    used: NDArray[np.bool_]
    left_out: tuple[LeftOut, ...]
    count: int
    degrees_of_freedom: float
    learning: bool
    frozen: bool

    def total_sigma(self, variance: ArrayLike) -> Floats:
        """Give the standard deviation of a lot level whose sampling variance is `variance` (any shape)."""
        return np.sqrt(self.sigma**2 + np.asarray(variance, dtype=np.float64))


def establish(
    levels: ArrayLike, variances: ArrayLike, lots: int = 25, minimum: int = 8, left_out: Iterable[int] = ()
) -> Baseline:
    """Choose the lots that set the limits, and estimate level and scatter from them.

    The first `lots` lots that nobody left out are candidates. Where at least `minimum` are there, those further than
    `CUTOFF` robust standard deviations from the median are left out. Later lots change nothing, so that a slow drift
    cannot carry the limits along.

    Parameters
    ----------
    levels : array_like, shape (n,)
        Lot levels in the charted scale, valid lots only, in order of test.
    variances : array_like, shape (n,)
        Sampling variance of each level, from its bags and readings, taken as known; 0 or more, inf where the readings
        do not settle the level.
    lots : int
        How many lots set the limits, >= 2.
    minimum : int
        Fewer are called learning and are not screened, >= 2.
    left_out : iterable of int
        Indices of lots that a person left out.

    Returns
    -------
    Baseline

    Raises
    ------
    ValueError
        If no lot is left, shapes differ, a level is not finite, a variance is negative or nan, or an index is outside.

    Notes
    -----
    Screening takes the robust score (x - median) / scale of [1]_ with Qn [2]_ as scale and the cutoff of [3]_, in one
    pass: both withstand nearly half the lots being wild. A lot's own sampling variance replaces the typical one in its
    scale, so that a lot of few bags is not left out for scatter it cannot help. Clean normal lots: 0.8 % are left out
    at 8 lots, 0.2 % at 25 (simulated).

    The variance between lots solves sum w (x - center)**2 = count - 1 with w = 1 / (sigma**2 + variance), the method
    of moments of [4]_; with equal variances it is the sample variance less the sampling variance, not below 0.

    References
    ----------
    .. [1] P. J. Rousseeuw and M. Hubert (2011), Robust statistics for outlier detection, WIREs Data Mining 1, 73-79.
    .. [2] P. J. Rousseeuw and C. Croux (1993), Alternatives to the median absolute deviation, JASA 88, 1273-1283.
    .. [3] B. Iglewicz and D. C. Hoaglin (1993), How to detect and handle outliers, ASQC Basic References 16.
    .. [4] R. C. Paule and J. Mandel (1982), Consensus values and weighting factors, J. Res. NBS 87, 377-385.

    Examples
    --------
    >>> base = establish([2.1, 2.0, 2.2, 2.1, 1.9, 2.0, 5.0, 2.1, 2.0], [0.0] * 9, lots=9)
    >>> [(lot.index, lot.reason.value) for lot in base.left_out], base.count, round(base.center, 3)
    ([(6, 'far_from_the_rest')], 8, 2.05)
    """
    points = as_points(levels, "levels")
    noise = _sampling(variances, points.size)
    whole(lots, "lots", 2)
    whole(minimum, "minimum", 2)
    dropped = _by_hand(left_out, points.size) | _tell_nothing(noise)
    free = np.array([i for i in range(points.size) if i not in dropped], dtype=np.intp)
    if not free.size:
        raise ValueError(f"levels: none of the {points.size} lots is left to set the limits; leave fewer lots out")
    chosen = free[:lots]
    far = _far(points[chosen], noise[chosen]) if chosen.size >= minimum else np.zeros(chosen.size)
    for i in np.flatnonzero(far):
        dropped[int(chosen[i])] = LeftOut(int(chosen[i]), LeftOutReason.FAR_FROM_THE_REST, float(far[i]))
    used = np.zeros(points.size, dtype=bool)
    used[chosen[far == 0]] = True
    named = tuple(dropped[i] for i in sorted(dropped))
    return _estimate(points, noise, used, named, minimum, frozen=bool(chosen.size == lots))


def limits(baseline: Baseline, variances: ArrayLike, width: float = 3.0) -> tuple[Floats, Floats]:
    """Lower and upper control limit of each lot level, wide where its bags or the baseline's lots are few.

    Parameters
    ----------
    baseline : Baseline
    variances : array_like, shape (n,)
        Sampling variance of each level, >= 0; inf gives limits without end.
    width : float
        Half-width in standard deviations of a chart whose parameters are known, > 0.

    Returns
    -------
    lower, upper : ndarray, shape (n,)
        In the charted scale; -inf and inf while one lot is all there is.

    Raises
    ------
    ValueError
        If `width` is not above 0, or a variance is negative or nan.

    Notes
    -----
    Prediction limits for one future lot [1]_: the normal quantile `width` is replaced by the t quantile of the same
    tail, and the standard error of the centre is added. A lot in control falls outside with the chance that `width` has
    on a chart of known parameters (0.27 % at 3), however few lots the limits rest on: 3.4 sigma at 25 lots, and 3 as
    lots grow many.

    References
    ----------
    .. [1] G. J. Hahn (1970), Statistical intervals for a normal population, Part I, Journal of Quality Technology 2,
       115-125.
    """
    positive(width, "width")
    noise = np.atleast_1d(np.asarray(variances, dtype=np.float64))
    _require_variances(noise)
    if np.isinf(baseline.sigma):
        return np.full(noise.shape, -np.inf), np.full(noise.shape, np.inf)
    quantile = -special.stdtrit(baseline.degrees_of_freedom, float(special.ndtr(-width)))
    half: Floats = quantile * np.sqrt(baseline.sigma**2 + noise + baseline.center_se**2)
    return baseline.center - half, baseline.center + half


def prediction_factor(n: int, confidence: float = 0.95) -> float:
    """Factor k: the next value lies within k standard deviations of the mean of `n` values with chance `confidence`.

    Parameters
    ----------
    n : int
        Number of values from which mean and standard deviation come, >= 2.
    confidence : float
        Chance that the next value falls within, two-sided, in (0, 1).

    Returns
    -------
    float
        t quantile with n - 1 degrees of freedom times sqrt(1 + 1 / n) [1]_.

    Raises
    ------
    ValueError
        If `n` is under 2 or `confidence` outside (0, 1).

    References
    ----------
    .. [1] G. J. Hahn (1970), Statistical intervals for a normal population, Part I, Journal of Quality Technology 2,
       115-125.

    Examples
    --------
    >>> round(prediction_factor(10), 2)
    2.37
    """
    whole(n, "n", 2)
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must be in (0, 1), got {confidence!r}")
    return float(-special.stdtrit(n - 1, (1 - confidence) / 2) * np.sqrt(1 + 1 / n))


def moving_range_sigma(x: ArrayLike) -> float:
    """Sigma of single values from the mean moving range of neighbours.

    For charts of individuals as handbooks print them: the mean moving range divided by d2(2) = 2 / sqrt(pi). It hardly
    feels a slow drift, and is too small where neighbours are alike.

    Parameters
    ----------
    x : array_like, shape (n,)
        Values in time order, n >= 2.

    Returns
    -------
    float
        In the unit of `x`.

    References
    ----------
    .. [1] ISO 7870-2:2013, Control charts - Part 2: Shewhart control charts (individuals; not read).

    Examples
    --------
    >>> round(moving_range_sigma([1.0, 2.0, 1.0]), 4)
    0.8862
    """
    return float(np.abs(np.diff(as_points(x, at_least=2))).mean() * np.sqrt(np.pi) / 2)


def qn(x: ArrayLike) -> float:
    """Robust standard deviation: the lower quartile of the distances between pairs, unbiased for normal samples.

    Parameters
    ----------
    x : array_like, shape (n,)
        n >= 2.

    Returns
    -------
    float
        In the unit of `x`; 0 where about half the values or more are equal.

    References
    ----------
    .. [1] P. J. Rousseeuw and C. Croux (1993), JASA 88, 1273-1283, Its
       factor is printed 2.2219; 1 / (sqrt(2) * ndtri(5 / 8)) is 2.2191, as computed here.
    .. [2] C. Croux and P. J. Rousseeuw (1992), Time-efficient algorithms for two highly robust estimators of scale,
       Computational Statistics 1, 411-428: factors for small samples; from memory.
    """
    points = as_points(x, at_least=2)
    n, half = points.size, points.size // 2 + 1
    distances = np.abs(points[:, None] - points)[np.triu_indices(n, 1)]
    rank = half * (half - 1) // 2 - 1
    return float(_QN_NORMAL * _qn_factor(n) * np.partition(distances, rank)[rank])


def widen(baseline: Baseline, rho: float) -> Baseline:
    """Correct a baseline whose neighbouring lots depend on each other: a wider sigma that is worth fewer lots.

    Parameters
    ----------
    baseline : Baseline
    rho : float
        Correlation of neighbouring lot levels, in (-1, 1). Lots that alternate (below 0) change nothing: narrower
        limits are not earned by them.

    Returns
    -------
    Baseline
        `sigma` by `spc.distribution.widen_for_dependence`, `center_se` times sqrt((1 + rho) / (1 - rho)),
        `degrees_of_freedom` times (1 - rho**2) / (1 + rho**2).

    Notes
    -----
    For a first-order autoregression these are the large-sample variances of a mean and of a variance [1]_ [2]_.

    References
    ----------
    .. [1] A. V. Vasilopoulos and A. P. Stamboulis (1978), Modification of control chart limits in the presence of data
       correlation, Journal of Quality Technology 10, 20-30.
    .. [2] G. V. Bayley and J. M. Hammersley (1946), The effective number of independent observations in an
       autocorrelated time series, Supplement to the JRSS 8, 184-197.
    """
    from spc.distribution import widen_for_dependence

    if not -1 < rho < 1:
        raise ValueError(f"rho must be in (-1, 1), got {rho!r}")
    if rho <= 0 or baseline.count < 2:
        return baseline
    worth = (1 - rho**2) / (1 + rho**2)
    return replace(
        baseline,
        sigma=widen_for_dependence(baseline.sigma, rho, baseline.count),
        center_se=baseline.center_se * float(np.sqrt((1 + rho) / (1 - rho))),
        sigma_squared_se=baseline.sigma_squared_se / float(np.sqrt(worth)),
        degrees_of_freedom=max(1.0, baseline.degrees_of_freedom * worth),
    )


def _sampling(variances: ArrayLike, size: int) -> Floats:
    noise = np.asarray(variances, dtype=np.float64)
    if noise.shape != (size,):
        raise ValueError(f"variances must hold one value a level, shape ({size},); got shape {noise.shape}")
    _require_variances(noise)
    return noise


def _require_variances(noise: Floats) -> None:
    bad = np.flatnonzero(~(noise >= 0))
    if bad.size:
        raise ValueError(f"variances must be 0 or more, got {noise[bad[0]]!r} at index {bad[0]}")


def _by_hand(left_out: Iterable[int], size: int) -> dict[int, LeftOut]:
    named = {int(index): LeftOut(int(index), LeftOutReason.BY_HAND, 0.0) for index in left_out}
    outside = [index for index in named if not 0 <= index < size]
    if outside:
        raise ValueError(f"left_out names index {outside[0]}, expected 0 to {size - 1}")
    return named


def _tell_nothing(noise: Floats) -> dict[int, LeftOut]:
    return {int(i): LeftOut(int(i), LeftOutReason.TELLS_NOTHING, 0.0) for i in np.flatnonzero(np.isinf(noise))}


def _far(levels: Floats, noise: Floats) -> Floats:
    """Robust score of the lots beyond the cutoff, 0 for the others."""
    scale = np.sqrt(max(qn(levels) ** 2 - float(np.median(noise)), 0.0) + noise)
    away = levels - np.median(levels)
    # Half the lots exactly equal and measured without error leave no yardstick: nothing is called far.
    score = np.divide(away, scale, out=np.zeros_like(away), where=scale > 0)
    return np.where(np.abs(score) > CUTOFF, score, 0.0)


def _qn_factor(n: int) -> float:
    if n <= 9:
        return _QN_SMALL[n - 2]
    return n / (n + 1.4) if n % 2 else n / (n + 3.8)


def _estimate(
    points: Floats,
    noise: Floats,
    used: NDArray[np.bool_],
    left_out: tuple[LeftOut, ...],
    minimum: int,
    frozen: bool,
) -> Baseline:
    count = int(used.sum())
    center, center_se, between, between_se = _moments(points[used], noise[used])
    return Baseline(
        center=finite_number(center, "center"),
        center_se=center_se,
        sigma=float(np.sqrt(between)),
        sigma_squared_se=between_se,
        used=used,
        left_out=left_out,
        count=count,
        degrees_of_freedom=float(count - 1),
        learning=count < minimum,
        frozen=frozen,
    )


def _moments(x: Floats, noise: Floats) -> tuple[float, float, float, float]:
    """Centre, its standard error, variance between lots and its standard error."""
    if x.size == 1:
        return float(x[0]), np.inf, np.inf, np.inf
    between = _between(x, noise)
    total = between + noise
    if not total.max() > 0:  # equal levels, measured without error
        return float(x[0]), 0.0, 0.0, 0.0
    # A lot with no variance at all among others that have some would take all the weight; a sliver keeps it finite.
    weight = 1.0 / np.maximum(total, 1e-12 * total.max())
    center = float((weight * x).sum() / weight.sum())
    curve = weight.sum() - (weight**2).sum() / weight.sum()
    return center, float(weight.sum() ** -0.5), between, float(np.sqrt(2.0 * (x.size - 1)) / curve)


def _between(x: Floats, noise: Floats) -> float:
    """Variance between lots by Paule and Mandel; Newton from below is monotone, as the excess is convex and falling."""
    if not np.ptp(x) > 0:
        return 0.0
    spread = float(x.var(ddof=1))
    between = max(0.0, spread - float(noise.max()))
    for _ in range(100):
        excess, slope = _excess(x, np.maximum(between + noise, 1e-12 * spread))
        if excess <= 0 or slope <= 0:  # equal levels have no slope
            break
        step = excess / slope
        if step <= 1e-14 * spread:
            break
        between += step
    return between


def _excess(x: Floats, total: Floats) -> tuple[float, float]:
    weight = 1.0 / total
    away = x - (weight * x).sum() / weight.sum()
    return float((weight * away**2).sum() - (x.size - 1)), float(((weight * away) ** 2).sum())
