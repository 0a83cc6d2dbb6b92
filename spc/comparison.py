"""Comparison of products or suppliers: difference of their levels, better, no worse by a margin, alike, lots needed.

The unit is the lot: readings and bags of one lot say nothing about the next lot. On the log scale a difference is a
factor in the unit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spc.distributions.noncentral import WEIGHTS, chi_ratio
from spc.kernels.validation import as_points, positive

__all__ = [
    "Difference",
    "Overall",
    "alike",
    "any_difference",
    "difference",
    "lots_needed",
    "no_worse",
    "paired",
]

MOST_LOTS = 2000
"""No search for a number of lots goes beyond."""
_MOST_STEPS = 100


@dataclass(frozen=True, slots=True)
class Difference:
    """Difference b - a of two mean levels, with its standard error and degrees of freedom.

    `p_value` is two-sided, for no difference. `low` and `high` are the ends of the 95 % interval. `sd_a` and `sd_b` are
    standard deviations between lots as measured; for pairs both are that of the differences. `share_a` is the part of the
    squared standard error that comes from a; 0 for pairs, in which nothing tells it apart.
    """

    value: float
    se: float
    df: float
    low: float
    high: float
    p_value: float
    lots_a: int
    lots_b: int
    sd_a: float
    sd_b: float
    share_a: float = 0.0

    def bound(self, confidence: float) -> tuple[float, float]:
        """Lower and upper one-sided bounds, each with this confidence."""
        reach = -float(special.stdtrit(self.df, 1 - confidence)) * self.se
        return self.value - reach, self.value + reach


@dataclass(frozen=True, slots=True)
class Overall:
    """Whether several groups differ at all: F statistic of the lots, with its degrees of freedom and p value."""

    f: float
    df_between: int
    df_within: int
    p_value: float


def difference(
    levels_a: ArrayLike, levels_b: ArrayLike, variance_a: ArrayLike | None = None, variance_b: ArrayLike | None = None
) -> Difference:
    """Difference of two groups of lots that were tested apart.

    Parameters
    ----------
    levels_a, levels_b : array_like
        Level of each lot in the charted scale, at least two a group.
    variance_a, variance_b : array_like, optional
        Sampling variance of each level (bags and readings), >= 0; by default equal within a group.

    Returns
    -------
    Difference

    Raises
    ------
    ValueError
        If a group has fewer than two lots, a value is not finite, or no lot differs from another.

    Notes
    -----
    Each group's mean weights its lots by 1 / (L + v), L the variance between lots by the moment estimate of Paule and
    Mandel [3]_. Its squared standard error is the weighted mean square about it divided by the sum of the weights [4]_;
    with equal bags that is s**2 / n, and the difference is Welch's [1]_ with df by Satterthwaite [2]_.

    References
    ----------
    .. [1] B. L. Welch (1947), The generalization of Student's problem when several different population variances are
       involved, Biometrika 34, 28-35.
    .. [2] F. E. Satterthwaite (1946), Biometrics Bulletin 2, 110-114.
    .. [3] R. C. Paule and J. Mandel (1982), Consensus values and weighting factors, J. Res. Natl. Bur. Stand. 87, 377.
    .. [4] J. Hartung and G. Knapp (2001), A refined method for the meta-analysis of controlled clinical trials,
       Statistics in Medicine 20, 3875-3889.

    Examples
    --------
    >>> result = difference([2.70, 2.75, 2.65, 2.72], [2.60, 2.58, 2.66, 2.63])
    >>> round(result.value, 4), round(result.se, 4), round(result.df, 1)
    (-0.0875, 0.0273, 5.8)
    """
    (mean_a, square_a, n_a, sd_a), (mean_b, square_b, n_b, sd_b) = (
        _group(levels_a, variance_a, "levels_a"),
        _group(levels_b, variance_b, "levels_b"),
    )
    square = square_a + square_b
    if not square > 0:
        raise ValueError("the lots of each group are all equal: no scatter, and so no interval, can be estimated")
    df = square**2 / (square_a**2 / (n_a - 1) + square_b**2 / (n_b - 1))
    return _result(mean_b - mean_a, float(np.sqrt(square)), df, n_a, n_b, sd_a, sd_b, square_a / square)


def paired(levels_a: ArrayLike, levels_b: ArrayLike) -> Difference:
    """Difference of two groups of lots that were tested in the same loads: the part of the bench cancels.

    Parameters
    ----------
    levels_a, levels_b : array_like, shape (loads,)
        Mean level of each group in each load, at least two loads.

    Returns
    -------
    Difference
        Student's t on the differences within loads.

    Raises
    ------
    ValueError
        If lengths differ, there are fewer than two loads, or all differences are equal.

    Examples
    --------
    >>> result = paired([2.70, 2.95, 2.55], [2.61, 2.84, 2.48])
    >>> round(result.value, 3), round(result.df), round(result.sd_a, 3)
    (-0.09, 2, 0.02)
    """
    a, b = as_points(levels_a, "levels_a", at_least=2), as_points(levels_b, "levels_b", at_least=2)
    if a.shape != b.shape:
        raise ValueError(f"levels_a and levels_b must name the same loads, got {a.size} and {b.size}")
    apart = b - a
    sd = float(apart.std(ddof=1))
    if not sd > 0:
        raise ValueError("the differences of all loads are equal: no interval can be estimated")
    return _result(float(apart.mean()), sd / np.sqrt(apart.size), apart.size - 1.0, apart.size, apart.size, sd, sd)


def _result(
    value: float, se: float, df: float, n_a: int, n_b: int, sd_a: float, sd_b: float, share_a: float = 0.0
) -> Difference:
    reach = -float(special.stdtrit(df, 0.025)) * se
    p_value = 2 * float(special.stdtr(df, -abs(value) / se))
    return Difference(value, se, df, value - reach, value + reach, p_value, n_a, n_b, sd_a, sd_b, share_a)


def _group(levels: ArrayLike, variance: ArrayLike | None, name: str) -> tuple[float, float, int, float]:
    """Mean of the lots, its squared standard error, number of lots and standard deviation between them."""
    y = as_points(levels, name, at_least=2)
    v = np.zeros(y.size) if variance is None else as_points(variance, f"variance of {name}")
    if v.shape != y.shape or not (v >= 0).all():
        raise ValueError(f"the variances of {name} must be {y.size} numbers of at least 0")
    sd = float(y.std(ddof=1))
    if not np.ptp(v) > 0:
        return float(y.mean()), sd**2 / y.size, y.size, sd

    # Paule and Mandel by Newton's steps from 0: the weighted squares fall and are convex, so the steps stop at the root.
    between = 0.0 if (v > 0).all() else 1e-9 * sd**2
    for _ in range(_MOST_STEPS):
        weights = 1 / (between + v)
        mean = float(weights @ y / weights.sum())
        squares = weights * (y - mean) ** 2
        step = (float(squares.sum()) - (y.size - 1)) / float(np.sum(weights * squares))
        if step <= 1e-9 * (between + sd**2):
            break
        between += step
    return mean, float(squares.sum()) / ((y.size - 1) * float(weights.sum())), y.size, sd


def no_worse(result: Difference, margin: float, better: int, confidence: float = 0.95) -> bool:
    """Whether b is shown to be no worse than a by a margin.

    Parameters
    ----------
    result : Difference
    margin : float
        Greatest difference in the bad direction that would not matter, in the charted scale, > 0; declared before.
    better : {-1, 1}
        -1 where a low level is better, 1 where a high one is.
    confidence : float
        Of the one-sided bound, in (0.5, 1).

    Returns
    -------
    bool

    Raises
    ------
    ValueError
        If a number is outside its range.

    Examples
    --------
    >>> no_worse(difference([2.70, 2.75, 2.65, 2.72], [2.60, 2.58, 2.66, 2.63]), margin=0.05, better=-1)
    True
    """
    positive(margin, "margin")
    low, high = result.bound(confidence)
    return bool(high < margin if better < 0 else low > -margin)


def alike(result: Difference, low: float, high: float, risk: float = 0.05) -> tuple[bool, float, float]:
    """Whether two groups are shown to be alike: two one-sided tests; "not different" is never "alike".

    Parameters
    ----------
    result : Difference
    low, high : float
        Differences within which the groups count as alike, low < high; declared before.
    risk : float
        Of each one-sided test.

    Returns
    -------
    tuple
        Whether it is shown, and the p values against `low` and `high`.

    Raises
    ------
    ValueError
        If `low` is not below `high`.

    References
    ----------
    .. [1] D. J. Schuirmann (1987), A comparison of the two one-sided tests procedure and the power approach, Journal of
       Pharmacokinetics and Biopharmaceutics 15, 657-680.

    Examples
    --------
    >>> alike(difference([2.70, 2.75, 2.65, 2.72], [2.70, 2.68, 2.71, 2.73]), -0.22, 0.22)[0]
    True
    """
    if not low < high:
        raise ValueError(f"low must be below high, got {low!r} and {high!r}")
    p_low = float(special.stdtr(result.df, (low - result.value) / result.se))
    p_high = float(special.stdtr(result.df, (result.value - high) / result.se))
    return max(p_low, p_high) < risk, p_low, p_high


def lots_needed(
    sd: float,
    true: float,
    low: float = -np.inf,
    high: float = np.inf,
    power: float = 0.8,
    risk: float = 0.05,
    *,
    pairs: bool = False,
) -> int | None:
    """Lots a group (or pairs) at which a true difference would be shown to lie inside (low, high); None beyond 2000.

    Parameters
    ----------
    sd : float
        Standard deviation between the levels of lots as measured, > 0; for pairs that of their differences.
    true : float
        True difference, inside (low, high).
    low, high : float
        Ends to be excluded; one of them infinite for "better" or "no worse".
    power : float
        Chance to show it, in (0, 1).
    risk : float
        Of each one-sided test.
    pairs : bool
        Whether the lots are compared in pairs.

    Returns
    -------
    int or None

    Raises
    ------
    ValueError
        If a number is outside its range.

    Notes
    -----
    Exact: the chance is summed over the distribution of the estimated standard deviation (Owen's Q).

    References
    ----------
    .. [1] D. B. Owen (1965), A special case of a bivariate non-central t-distribution, Biometrika 52, 437-446.
    .. [2] S. A. Julious (2004), Sample sizes for clinical trials with normal data, Statistics in Medicine 23, 1921-1986.

    Examples
    --------
    >>> lots_needed(0.1114, 0.0, -0.2231, 0.2231, power=0.9)
    7
    """
    positive(sd, "sd")
    if not low < true < high:
        raise ValueError(f"true must be between low and high, got {true!r} for {low!r} to {high!r}")
    if np.isinf(low) and np.isinf(high):
        raise ValueError("give low, high or both: without them there is nothing to show")

    def shows(n: int) -> bool:
        df = n - 1.0 if pairs else 2.0 * (n - 1)
        se = sd * np.sqrt((1 if pairs else 2) / n)
        reach = -float(special.stdtrit(df, risk)) * chi_ratio(df)
        inside = special.ndtr((high - true) / se - reach) - special.ndtr((low - true) / se + reach)
        return float(WEIGHTS @ np.clip(inside, 0.0, 1.0)) >= power

    n = 2
    while not shows(n):
        if n >= MOST_LOTS:
            return None
        n = min(2 * n, MOST_LOTS)
    first = max(2, n // 2)
    while first < n:
        middle = (first + n) // 2
        first, n = (first, middle) if shows(middle) else (middle + 1, n)
    return n


def any_difference(groups: Sequence[ArrayLike]) -> Overall:
    """Whether several groups of lots differ at all: one-way analysis of variance of their levels.

    Parameters
    ----------
    groups : sequence of array_like
        Levels of the lots of each group; at least two groups.

    Returns
    -------
    Overall

    Raises
    ------
    ValueError
        If there are fewer than two groups, no group has two lots, or all lots within groups are equal.

    References
    ----------
    .. [1] R. R. Sokal and F. J. Rohlf (1995), Biometry, 3rd ed., chapter 10: the unit of a nested design.

    Examples
    --------
    >>> result = any_difference([[1.0, 1.2, 1.1], [1.4, 1.5], [1.2, 1.3]])
    >>> round(result.f, 2), result.df_between, result.df_within
    (9.81, 2, 4)
    """
    lots = [as_points(group, f"group {number}") for number, group in enumerate(groups)]
    df_between, df_within = len(lots) - 1, sum(group.size - 1 for group in lots)
    if df_between < 1 or df_within < 1:
        raise ValueError(f"at least two groups and a group of two lots are needed, got sizes {[g.size for g in lots]}")
    grand = float(np.concatenate(lots).mean())
    between = sum(group.size * (float(group.mean()) - grand) ** 2 for group in lots) / df_between
    within = sum(float(np.sum((group - group.mean()) ** 2)) for group in lots) / df_within
    if not within > 0:
        raise ValueError("the lots within each group are all equal: no test is possible")
    f = between / within
    return Overall(f, df_between, df_within, float(special.fdtrc(df_between, df_within, f)))
