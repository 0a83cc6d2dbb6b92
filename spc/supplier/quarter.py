"""Statistics of a stream in a quarter: level, variation and margin to the specification limit, with intervals.

Each is compared with the quarter before. A lot counts once, for any number of bags, because purchasing buys lots.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spc.kernels.arrays import Floats
from spc.kernels.validation import as_points
from spc.vocabulary.enums import Direction, Side

__all__ = ["CONFIDENCE", "Estimate", "change", "direction", "level", "margin", "ratio", "spread"]

CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its equal-tailed interval, nan where unknown, and the degrees of freedom of the interval."""

    value: float
    low: float
    high: float
    df: float


def level(levels: ArrayLike, confidence: float = CONFIDENCE) -> Estimate:
    """Mean of the lot levels of a quarter, with Student's interval.

    Parameters
    ----------
    levels : array_like, shape (n,)
        Lot levels in the charted scale; on the log scale the mean is the log of the geometric mean. n may be 0.
    confidence : float
        Probability that the interval contains the true value, in (0, 1).

    Returns
    -------
    Estimate
        In the charted scale; nan without lots, with an interval from two lots on.

    Raises
    ------
    ValueError
        If a level is not finite.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.5.2.

    Examples
    --------
    >>> mean = level([2.0, 3.0, 4.0])
    >>> mean.value, round(mean.low, 3), round(mean.high, 3)
    (3.0, 0.516, 5.484)
    """
    x = as_points(levels, "levels", at_least=0)
    if not x.size:
        return Estimate(np.nan, np.nan, np.nan, 0)
    mean = float(x.mean())
    half = _student(x.size - 1, confidence) * float(np.sqrt(_variance(x) / x.size))
    return Estimate(mean, mean - half, mean + half, x.size - 1)


def _variance(x: Floats) -> float:
    """Sample variance; nan for fewer than two values."""
    return float(x.var(ddof=1)) if x.size > 1 else np.nan


def _student(df: float, confidence: float) -> float:
    """Two-sided point of Student's t; nan without degrees of freedom."""
    return float(special.stdtrit(df, (1 + confidence) / 2)) if df > 0 else np.nan


def change(now: ArrayLike, before: ArrayLike, confidence: float = CONFIDENCE) -> Estimate:
    """Difference of the mean levels of two quarters, now minus before, with Welch's interval.

    The variances of the two quarters may differ. On the log scale exp(value) is the ratio of the geometric means.

    Parameters
    ----------
    now, before : array_like, shape (n,) and (m,)
        Lot levels in the charted scale.
    confidence : float
        Probability that the interval contains the true value, in (0, 1).

    Returns
    -------
    Estimate
        nan where a quarter has no lot; the interval is nan where one has fewer than two. `df` is by Satterthwaite's
        formula.

    Raises
    ------
    ValueError
        If a level is not finite.

    References
    ----------
    .. [1] B. L. Welch (1947), The generalization of Student's problem when several different population variances are
       involved, Biometrika 34, 28-35.
    .. [2] NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.5.3.

    Examples
    --------
    >>> round(change([2.0, 3.0, 4.0], [1.0, 2.0, 3.0]).high, 3)
    3.267
    """
    x, y = as_points(now, "now", at_least=0), as_points(before, "before", at_least=0)
    if not (x.size and y.size):
        return Estimate(np.nan, np.nan, np.nan, 0)
    difference = float(x.mean() - y.mean())
    parts = np.array([_variance(x) / x.size, _variance(y) / y.size])
    total = float(parts.sum())
    if not total > 0:
        return Estimate(difference, np.nan, np.nan, 0)
    df = total**2 / float(np.sum(parts**2 / [x.size - 1, y.size - 1]))
    half = _student(df, confidence) * float(np.sqrt(total))
    return Estimate(difference, difference - half, difference + half, df)


def spread(variances: ArrayLike, df: ArrayLike, confidence: float = CONFIDENCE) -> Estimate:
    """Pooled standard deviation of several lots, with its chi-square interval.

    Parameters
    ----------
    variances, df : array_like, shape (n,)
        Sample variance of each lot and its degrees of freedom; lots without a variance (nan, or 0 degrees of freedom)
        are left out.
    confidence : float
        Probability that the interval contains the true value, in (0, 1).

    Returns
    -------
    Estimate
        In the charted scale (on the log scale 0.1 is about 10 %); nan without a variance. `df` is the sum of the
        degrees of freedom.

    Raises
    ------
    ValueError
        If the shapes differ.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.5.8.

    Examples
    --------
    >>> pooled = spread([4.0, 9.0], [5, 5])
    >>> round(pooled.value, 3), round(pooled.low, 3), round(pooled.high, 3)
    (2.55, 1.781, 4.474)
    """
    variance, weight = np.asarray(variances, dtype=np.float64), np.asarray(df, dtype=np.float64)
    if variance.shape != weight.shape:
        raise ValueError(f"variances and df must be of one shape, got {variance.shape} and {weight.shape}")
    usable = np.isfinite(variance) & (weight > 0)
    total = float(weight[usable].sum())
    if total == 0:
        return Estimate(np.nan, np.nan, np.nan, 0)
    pooled = float(variance[usable] @ weight[usable]) / total
    outside = (1 - confidence) / 2
    low, high = (float(np.sqrt(total * pooled / special.chdtri(total, tail))) for tail in (outside, 1 - outside))
    return Estimate(float(np.sqrt(pooled)), low, high, total)


def ratio(now: Estimate, before: Estimate, confidence: float = CONFIDENCE) -> Estimate:
    """Ratio of two standard deviations of `spread`, now over before, with the interval of the F distribution.

    Parameters
    ----------
    now, before : Estimate
        Results of `spread`.
    confidence : float
        Probability that the interval contains the true ratio, in (0, 1).

    Returns
    -------
    Estimate
        nan where one of them is unknown or `before` is 0. `df` is the smaller of the two.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.5.9.

    Examples
    --------
    >>> round(ratio(Estimate(3.0, 2.1, 5.3, 10), Estimate(2.0, 1.4, 3.5, 10)).low, 3)
    0.778
    """
    if not (now.df > 0 and before.df > 0 and before.value > 0):
        return Estimate(np.nan, np.nan, np.nan, 0)
    value = now.value / before.value
    sure = (1 + confidence) / 2
    low = value / float(np.sqrt(special.fdtri(now.df, before.df, sure)))
    high = value * float(np.sqrt(special.fdtri(before.df, now.df, sure)))
    return Estimate(value, low, high, min(now.df, before.df))


def margin(mean: Estimate, lower: float | None, upper: float | None) -> tuple[Side, Estimate]:
    """Distance from a level to the nearer specification limit, in the charted scale; negative beyond the limit.

    Parameters
    ----------
    mean : Estimate
        Level of a quarter, from `level`.
    lower, upper : float or None
        Specification limits in the charted scale.

    Returns
    -------
    Side
        The nearer limit.
    Estimate
        On the log scale exp(value) is the factor by which the level may still move.

    Examples
    --------
    >>> side, distance = margin(Estimate(3.0, 2.5, 3.5, 8), lower=None, upper=5.0)
    >>> str(side), distance.value, distance.low, distance.high
    ('upper', 2.0, 1.5, 2.5)
    """
    above = np.inf if upper is None else upper - mean.value
    below = np.inf if lower is None else mean.value - lower
    if not np.isfinite(min(above, below)):
        return Side.NONE, Estimate(np.nan, np.nan, np.nan, 0)
    if upper is not None and above <= below:
        return Side.UPPER, Estimate(above, upper - mean.high, upper - mean.low, mean.df)
    assert lower is not None  # The smaller distance is finite and not to the upper limit
    return Side.LOWER, Estimate(below, mean.low - lower, mean.high - lower, mean.df)


def direction(moved: Estimate, side: Side) -> Direction:
    """Direction of a change of level, relative to the limit on a side.

    Parameters
    ----------
    moved : Estimate
        From `change`.
    side : Side
        From `margin`.

    Returns
    -------
    Direction

    Examples
    --------
    >>> str(direction(Estimate(0.2, 0.1, 0.3, 9), Side.UPPER)), str(direction(Estimate(0.2, -0.1, 0.5, 9), Side.UPPER))
    ('nearer', 'unclear')
    """
    if not np.isfinite(moved.low):
        return Direction.NOT_COMPARED
    if moved.low <= 0 <= moved.high:
        return Direction.UNCLEAR
    if side == Side.NONE:
        return Direction.MOVED
    return Direction.NEARER if (moved.value > 0) == (side == Side.UPPER) else Direction.AWAY
