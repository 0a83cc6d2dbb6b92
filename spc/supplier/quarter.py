"""What a quarter's lots say of a stream: its level, its scatter and its room to the limit, against the quarter before.

Every figure comes with the interval that its few lots allow. A lot counts once, whatever its number of bags: what
varies from lot to lot is what purchasing buys.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spc.kernels.validation import Floats, as_points
from spc.vocabulary.enums import Direction

__all__ = ["CONFIDENCE", "Estimate", "Side", "change", "direction", "level", "ratio", "room", "spread"]

CONFIDENCE = 0.95


class Side(StrEnum):
    """Which limit a stream has to mind."""

    UPPER = "upper"
    """The upper limit is the only one, or the nearer."""
    LOWER = "lower"
    """The lower limit is the only one, or the nearer."""
    NONE = "none"
    """No limit applies, or no level is known."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its equal-tailed interval, nan where unknown, from so many lots (or degrees of freedom)."""

    value: float
    low: float
    high: float
    worth: float


def level(levels: ArrayLike, confidence: float = CONFIDENCE) -> Estimate:
    """Mean of a quarter's lot levels with Student's interval.

    Parameters
    ----------
    levels : array_like, shape (n,)
        Lot levels in the charted scale; on the log scale the mean is the log of the geometric mean. n may be 0.
    confidence : float
        Of the interval, in (0, 1).

    Returns
    -------
    Estimate
        In the charted scale; nan without lots, an interval from two lots on; `worth` is the number of lots.

    Raises
    ------
    ValueError
        If a level is not finite.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.5.2.

    Examples
    --------
    >>> found = level([2.0, 3.0, 4.0])
    >>> found.value, round(found.low, 3), round(found.high, 3)
    (3.0, 0.516, 5.484)
    """
    x = as_points(levels, "levels", at_least=0)
    if not x.size:
        return Estimate(np.nan, np.nan, np.nan, 0)
    mean = float(x.mean())
    half = _student(x.size - 1, confidence) * float(np.sqrt(_variance(x) / x.size))
    return Estimate(mean, mean - half, mean + half, x.size)


def _variance(x: Floats) -> float:
    """Sample variance; nan under two values."""
    return float(x.var(ddof=1)) if x.size > 1 else np.nan


def _student(df: float, confidence: float) -> float:
    """Two-sided point of Student's t; nan without degrees of freedom."""
    return float(special.stdtrit(df, (1 + confidence) / 2)) if df > 0 else np.nan


def change(now: ArrayLike, before: ArrayLike, confidence: float = CONFIDENCE) -> Estimate:
    """Difference of two quarters' mean levels, now minus before, with Welch's interval.

    The scatter of the two quarters need not be equal. On the log scale exp(value) is the ratio of the geometric means.

    Parameters
    ----------
    now, before : array_like, shape (n,) and (m,)
        Lot levels in the charted scale.
    confidence : float
        Of the interval, in (0, 1).

    Returns
    -------
    Estimate
        nan where a quarter has no lot; the interval is nan where one has fewer than two. `worth` are the degrees of
        freedom by Satterthwaite's formula.

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
        Sample variance of each lot and its degrees of freedom; lots of which no variance is known (nan, or 0 degrees
        of freedom) are left out.
    confidence : float
        Of the interval, in (0, 1).

    Returns
    -------
    Estimate
        In the charted scale (on the log scale 0.1 is about 10 %); nan where nothing is known. `worth` are the degrees
        of freedom.

    Raises
    ------
    ValueError
        If the shapes differ.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.5.8.

    Examples
    --------
    >>> found = spread([4.0, 9.0], [5, 5])
    >>> round(found.value, 3), round(found.low, 3), round(found.high, 3)
    (2.55, 1.781, 4.474)
    """
    own, weight = np.asarray(variances, dtype=np.float64), np.asarray(df, dtype=np.float64)
    if own.shape != weight.shape:
        raise ValueError(f"variances and df must be of one shape, got {own.shape} and {weight.shape}")
    known = np.isfinite(own) & (weight > 0)
    total = float(weight[known].sum())
    if total == 0:
        return Estimate(np.nan, np.nan, np.nan, 0)
    pooled = float(own[known] @ weight[known]) / total
    outside = (1 - confidence) / 2
    low, high = (float(np.sqrt(total * pooled / special.chdtri(total, tail))) for tail in (outside, 1 - outside))
    return Estimate(float(np.sqrt(pooled)), low, high, total)


def ratio(now: Estimate, before: Estimate, confidence: float = CONFIDENCE) -> Estimate:
    """Ratio of two standard deviations of `spread`, now over before, with the interval of the F distribution.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.5.9.

    Examples
    --------
    >>> round(ratio(Estimate(3.0, 2.1, 5.3, 10), Estimate(2.0, 1.4, 3.5, 10)).low, 3)
    0.778
    """
    if not (now.worth > 0 and before.worth > 0 and before.value > 0):
        return Estimate(np.nan, np.nan, np.nan, 0)
    value = now.value / before.value
    sure = (1 + confidence) / 2
    low = value / float(np.sqrt(special.fdtri(now.worth, before.worth, sure)))
    high = value * float(np.sqrt(special.fdtri(before.worth, now.worth, sure)))
    return Estimate(value, low, high, min(now.worth, before.worth))


def room(found: Estimate, lower: float | None, upper: float | None) -> tuple[Side, Estimate]:
    """Distance from a level to the limit it has to mind, in the charted scale; below 0 the limit is passed.

    Parameters
    ----------
    found : Estimate
        The level of a quarter.
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
    >>> side, found = room(Estimate(3.0, 2.5, 3.5, 8), lower=None, upper=5.0)
    >>> str(side), found.value, found.low, found.high
    ('upper', 2.0, 1.5, 2.5)
    """
    above = np.inf if upper is None else upper - found.value
    below = np.inf if lower is None else found.value - lower
    if not np.isfinite(min(above, below)):
        return Side.NONE, Estimate(np.nan, np.nan, np.nan, 0)
    if upper is not None and above <= below:
        return Side.UPPER, Estimate(above, upper - found.high, upper - found.low, found.worth)
    assert lower is not None  # the smaller distance is finite, and it is not that to the upper limit
    return Side.LOWER, Estimate(below, found.low - lower, found.high - lower, found.worth)


def direction(moved: Estimate, side: Side) -> Direction:
    """Whether a change of level leads towards the limit on that side, in a word.

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
