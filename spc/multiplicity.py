"""Several differences that are asked together: p values and intervals that hold for all of them at once.

`all_pairs` is for candidates of which any two are compared, `against_one` for candidates that are each compared with the same
one. The unit is the lot; each difference keeps its own standard error and degrees of freedom.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spc.comparison import Difference
from spc.distributions.noncentral import SCORES, WEIGHTS, chi_ratio, roots
from spc.kernels.arrays import Floats

__all__ = ["Together", "against_one", "all_pairs", "largest_of", "range_of"]

# Steps of 0.25 between the scores: compared with all of them exact to 1e-9, to 1e-4 where one group has a hundred times the
# variance. Steps of 0.5 are exact to 3e-6 from 5 degrees of freedom on, with shares up to 0.8.
_FINE, _WIDE = 5, 10
_WIDE_DF, _WIDE_SHARE = 5.0, 0.8


@dataclass(frozen=True, slots=True, eq=False)
class Together:
    """Intervals of several differences that all hold at once, and their adjusted p values, each of shape (n,)."""

    low: Floats
    high: Floats
    p_value: Floats


def all_pairs(result: Sequence[Difference], groups: int, confidence: float = 0.95) -> Together:
    """All pairs of several groups, by the studentized range.

    Parameters
    ----------
    result : sequence of Difference
        The pairs, at least one.
    groups : int
        Number of groups that the pairs come from, >= 2.
    confidence : float
        That every interval contains its true difference, in (0, 1).

    Returns
    -------
    Together

    Raises
    ------
    ValueError
        If there is no pair, or a number is outside its range.

    Notes
    -----
    With a common variance this is the test of Tukey and Kramer [1]_, exact for groups of equal size and on the safe side else.
    With a variance of its own for each group, and so degrees of freedom of its own for each pair, it is that of Games and
    Howell [2]_.

    References
    ----------
    .. [1] C. Y. Kramer (1956), Extension of multiple range tests to group means with unequal numbers of replications,
       Biometrics 12, 307-310.
    .. [2] P. A. Games and J. F. Howell (1976), Pairwise multiple comparison procedures with unequal n's and/or variances, Journal
       of Educational Statistics 1, 113-125.

    Examples
    --------
    >>> from spc.comparison import difference
    >>> lots = [[2.70, 2.75, 2.65, 2.72], [2.60, 2.58, 2.66, 2.63], [2.71, 2.66, 2.69, 2.74]]
    >>> pairs = [difference(lots[a], lots[b]) for a, b in ((0, 1), (0, 2), (1, 2))]
    >>> all_pairs(pairs, groups=3).p_value.round(4)
    array([0.0443, 0.9812, 0.0336])
    """
    _check(result, confidence)
    if groups < 2:
        raise ValueError(f"groups must be at least 2, got {groups!r}")
    df = np.array([one.df for one in result])
    return _together(result, confidence, groups * (groups - 1) // 2, lambda t: range_of(groups, np.sqrt(2.0) * t, df))


def against_one(result: Sequence[Difference], confidence: float = 0.95) -> Together:
    """Several groups, each compared with the same one.

    Parameters
    ----------
    result : sequence of Difference
        Each from the common group (`a`) to another (`b`), at least one.
    confidence : float
        That every interval contains its true difference, in (0, 1).

    Returns
    -------
    Together

    Raises
    ------
    ValueError
        If there is no difference, or `confidence` is outside its range.

    Notes
    -----
    Dunnett's test [1]_ [2]_: the largest of correlated t values. Two differences correlate by the part of the variance that
    their common group has in each (`Difference.share_a`). Differences within loads count as independent, which is on the safe
    side. With a variance of its own for each group the degrees of freedom are those of each difference.

    References
    ----------
    .. [1] C. W. Dunnett (1955), A multiple comparison procedure for comparing several treatments with a control, Journal of the
       American Statistical Association 50, 1096-1121.
    .. [2] C. W. Dunnett (1964), New tables for multiple comparisons with a control, Biometrics 20, 482-491.
    .. [3] Z. Sidak (1967), Rectangular confidence regions for the means of multivariate normal distributions, Journal of the
       American Statistical Association 62, 626-633: independence is the safe side.

    Examples
    --------
    >>> from spc.comparison import difference
    >>> today = [2.70, 2.75, 2.65, 2.72]
    >>> others = [[2.60, 2.58, 2.66, 2.63], [2.71, 2.66, 2.69, 2.74]]
    >>> against_one([difference(today, lots) for lots in others]).p_value.round(4)
    array([0.0329, 0.9732])
    """
    _check(result, confidence)
    df, shares = np.array([one.df for one in result]), np.array([one.share_a for one in result])
    return _together(result, confidence, len(result), lambda t: largest_of(shares, t, df))


def range_of(groups: int, q: ArrayLike, df: ArrayLike) -> Floats:
    """Chance that the studentized range of `groups` independent means is at most q, elementwise.

    Examples
    --------
    The upper 5 % point of four means on 16 degrees of freedom is tabled as 4.05:

    >>> range_of(4, [4.05], [16.0]).round(3)
    array([0.95])
    """
    points, freedom = np.broadcast_arrays(np.asarray(q, dtype=np.float64), np.asarray(df, dtype=np.float64))
    z, weights = _scores(_FINE)
    below = special.ndtr(z)

    def chance(point: float, one_df: float) -> float:
        reach = point * chi_ratio(one_df)[::_FINE]
        inside = below - special.ndtr(z - reach[:, None])
        return float(weights @ (groups * inside ** (groups - 1)) @ weights)

    return _each(chance, points, freedom)


def largest_of(shares: ArrayLike, t: ArrayLike, df: ArrayLike) -> Floats:
    """Chance that the largest absolute value of several t values is at most t, elementwise.

    `shares` of shape (n,) are the parts of the variance that the common group has in each difference, in [0, 1]; the t values j and
    k correlate by sqrt(shares[j] shares[k]).

    Examples
    --------
    Four groups of equal size against a fifth on 20 degrees of freedom: tabled as 2.65.

    >>> largest_of(np.full(4, 0.5), [2.65], [20.0]).round(3)
    array([0.95])
    """
    points, freedom = np.broadcast_arrays(np.asarray(t, dtype=np.float64), np.asarray(df, dtype=np.float64))
    # Groups of the same share give the same factor, which is then computed once.
    distinct, times = np.unique(np.clip(np.asarray(shares, dtype=np.float64), 0.0, 1 - 1e-12), return_counts=True)
    own = np.sqrt(1 - distinct)[:, None]

    def chance(point: float, one_df: float) -> float:
        step = _WIDE if one_df >= _WIDE_DF and distinct[-1] <= _WIDE_SHARE else _FINE
        z, weights = _scores(step)
        lean, reach = np.sqrt(distinct)[:, None] * z, point * chi_ratio(one_df)[::step, None, None]
        inside = special.ndtr((lean + reach) / own) - special.ndtr((lean - reach) / own)
        return float(weights @ np.prod(inside ** times[:, None], axis=1) @ weights)

    return _each(chance, points, freedom)


def _scores(step: int) -> tuple[Floats, Floats]:
    """Every so many of the normal scores, with their weights."""
    return SCORES[::step], WEIGHTS[::step] / WEIGHTS[::step].sum()


def _each(chance: Callable[[float, float], float], points: Floats, freedom: Floats) -> Floats:
    pairs = zip(points.ravel().tolist(), freedom.ravel().tolist(), strict=True)
    return np.array([min(max(chance(*one), 0.0), 1.0) for one in pairs]).reshape(points.shape)


def _check(result: Sequence[Difference], confidence: float) -> None:
    if not result or not 0 < confidence < 1:
        raise ValueError(
            f"give at least one difference and a confidence in (0, 1), got {len(result)} and {confidence!r}"
        )


def _together(
    result: Sequence[Difference], confidence: float, questions: int, below: Callable[[Floats], Floats]
) -> Together:
    value, se, df = (np.array([getattr(one, name) for one in result]) for name in ("value", "se", "df"))
    p_value = 1 - below(np.abs(value) / se)
    # The factor lies between that of one question alone and Bonferroni's.
    alone, bonferroni = (
        -np.asarray(special.stdtrit(df, (1 - confidence) / 2 / many), dtype=np.float64)
        for many in (1, max(questions, len(result)))
    )
    t = roots(lambda x: below(x) - confidence, alone * (1 - 1e-9), bonferroni * (1 + 1e-9), 1e-7 * bonferroni)
    return Together(value - t * se, value + t * se, p_value)
