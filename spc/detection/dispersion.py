"""How strongly the newest lots say that bags, or readings on a bag, scatter more than they used to.

Three bad bags in a good lot hardly move its mean; they show here, in one lot if they are wild, in a few if they are not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spc.kernels.validation import Floats

__all__ = ["DispersionTest", "dispersion_test"]

RECENT = 24
"""Lots over which a widening can build up."""

_SHIFTS = (0.75, 1.5)  # Sizes of a widening that are weighed, in standard scores of one lot
_LEAST_DF = 10.0  # Degrees of freedom that the history must have before a lot is compared with it
_SHAPE_LOTS = 5.0  # Weight, in lots, of the normal law in the estimate of tails
_WILD = 25.0  # a squared score speaks for heavy tails up to here
# Beyond this a score speaks with less weight: with heavy tails one wild bag in a lot is little news.
_LOUD, _BEYOND = 2.5, 0.4
# Scores that scatter more than the normal law says also have a longer upper tail than their scatter tells; they are divided
# by this power of it. Chosen by simulation: with 1, bags of t(4) raised 3.8 times their share of the budget, now 2.9.
_TAIL_POWER = 1.5


@dataclass(frozen=True, slots=True, eq=False)
class DispersionTest:
    """Evidence for more scatter.

    `evidence` (rows,) is the natural log of the sum of likelihood ratios over starts and sizes, -inf where the newest
    lot shows no scatter or the history is too short. `by_start` (rows, RECENT) are its parts, newest start last.
    `lots` (rows,) counts the lots with a score.
    """

    evidence: Floats
    by_start: Floats
    lots: Floats


def dispersion_test(mean_square: Floats, df: Floats) -> DispersionTest:
    """Weighs the newest lots' scatter against that of the lots before them.

    Parameters
    ----------
    mean_square, df : ndarray, shape (rows, lots)
        Mean squares in order of test with their degrees of freedom (nan and 0 where a lot has none).

    Returns
    -------
    DispersionTest

    Notes
    -----
    Each lot's mean square over the pooled one of the lots before it follows an F distribution, and these ratios are
    independent; the cube root carries them to standard scores [1]_. Bags with heavier tails than the normal law make
    all scores wider and skew: their scale is estimated with shrinkage, never below 1, and more than divided out, and large
    scores are softened. The scores' likelihood ratios are summed over starts [2]_.

    References
    ----------
    .. [1] E. Paulson (1942), An approximate normalization of the analysis of variance distribution, Annals of
       Mathematical Statistics 13, 233-235.
    .. [2] S. W. Roberts (1966), A comparison of some control chart procedures, Technometrics 8, 411-430.

    Examples
    --------
    Six bags a lot, whose variance is near 1; the bags of the last lot of the second stream scatter four times as widely:

    >>> rng = np.random.default_rng(5)
    >>> squares = rng.chisquare(5, (2, 12)) / 5
    >>> squares[1, -1] = 16.0
    >>> dispersion_test(squares, np.full((2, 12), 5.0)).evidence.round(1).tolist()
    [1.1, 4.8]
    """
    scored, z = _scores(mean_square, df)
    z = z / _tails(z, scored)[:, None]
    z = z - (1.0 - _BEYOND) * np.maximum(z - _LOUD, 0.0)
    recent, counted = z[:, -RECENT:], scored[:, -RECENT:].astype(np.float64)
    parts = np.logaddexp(*(_ratio(recent, counted, shift) for shift in _SHIFTS)) - np.log(len(_SHIFTS))
    parts = np.where(counted > 0, parts, -np.inf)
    largest = np.maximum(parts.max(axis=1), -700.0)
    total = np.exp(parts - largest[:, None]).sum(axis=1)
    evidence = np.where(scored[:, -1], largest + np.log(np.maximum(total, 1e-300)), -np.inf)
    return DispersionTest(evidence, parts, scored.sum(axis=1).astype(np.float64))


def _ratio(recent: Floats, counted: Floats, shift: float) -> Floats:
    each = shift * recent - 0.5 * shift**2 * counted
    return np.cumsum(each[:, ::-1], axis=1)[:, ::-1]


def _scores(mean_square: Floats, df: Floats) -> tuple[np.ndarray, Floats]:
    """Which lots have a score, and their scores (0 elsewhere)."""
    squares = np.where(df > 0, mean_square, 0.0) * df
    earlier_df = np.cumsum(df, axis=1) - df
    earlier = (np.cumsum(squares, axis=1) - squares) / np.maximum(earlier_df, 1.0)
    scored = (df > 0) & (earlier_df >= _LEAST_DF) & (earlier > 0)
    ratio = np.where(scored, np.nan_to_num(mean_square) / np.where(scored, earlier, 1.0), 1.0)
    one, two = 2.0 / (9.0 * np.maximum(df, 1.0)), 2.0 / (9.0 * np.maximum(earlier_df, 1.0))
    root = np.cbrt(ratio)
    z = ((1.0 - two) * root - (1.0 - one)) / np.sqrt(two * root**2 + one)
    return scored, np.where(scored, z, 0.0)


def _tails(z: Floats, scored: np.ndarray) -> Floats:
    """What the scores of all lots but the newest three say that scores have to be divided by, (rows,), at least 1."""
    past = np.where(scored[:, :-3], np.minimum(z[:, :-3] ** 2, _WILD), 0.0).sum(axis=1)
    lots = scored[:, :-3].sum(axis=1)
    return np.asarray(np.maximum((_SHAPE_LOTS + past) / (_SHAPE_LOTS + lots), 1.0) ** (_TAIL_POWER / 2.0))
