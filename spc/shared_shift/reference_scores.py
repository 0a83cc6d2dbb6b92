"""Each lot against its own stream's past, in units of the scatter known before it.

Streams with different scatter become comparable, and no later lot changes the score of an earlier one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import ArrayLike

from spc.kernels.ragged import medians
from spc.kernels.validation import Floats, as_points, positive

__all__ = ["FEWEST_LOTS", "FURTHEST", "ReferenceScores", "reference_scores"]

FEWEST_LOTS = 8
"""Lots before the first score: a scatter from fewer is too uncertain."""
_SET_AGAIN = (12, 25, 50, 100, 200, 400, 800, 1600)  # Lots at which the scatter is estimated again
_LOTS = 50  # The latest of them count
FURTHEST = 3.0
"""Standard deviations; a lot further out counts as so far: one wild lot must not hide a shift."""
_NEAR = 12  # Lots whose median is the present level
_NORMAL_MAD = 1.482602218505602


@dataclass(frozen=True, slots=True, eq=False)
class ReferenceScores:
    """Shape (n,) both, nan where unknown: `score` in units of `sigma`, the standard deviation of a lot as known before it."""

    score: Floats
    sigma: Floats


def reference_scores(levels: ArrayLike, largest: float = 40.0) -> ReferenceScores:
    """Score a stream's lots in order.

    For comparing streams with each other: a step of the level is a step of the score by as many standard deviations, and
    stays one however long it lasts, because the scores are added up from step to step.

    Parameters
    ----------
    levels : array_like, shape (n,)
        Finite levels in the charted scale, in test order.
    largest : float
        How many standard deviations a level may lie from the median of the twelve before it, > 0; a lot further out is held
        there.

    Returns
    -------
    ReferenceScores
        nan for the first `FEWEST_LOTS` lots, and where the lots before did not scatter at all.

    Raises
    ------
    ValueError
        If a level is not finite or `largest` is not above 0.

    Notes
    -----
    The scatter is the standard deviation about the median of at most 50 lots before, those beyond three robust standard
    deviations [1]_ counted as three, its square divided by three less than the lots: what is divided by it then has variance
    1 (that of Student's t with n - 1 degrees of freedom is (n - 1) / (n - 3)). A stream that drifts, or whose neighbouring lots are alike, scatters more by that
    measure, so its shifts look smaller than they are: the cautious side for evidence against the bench. It is held until the lots have
    about doubled: a shift there and back is one and the same number of standard deviations.

    References
    ----------
    .. [1] P. J. Huber (1981), Robust Statistics, section 5.2 (median absolute deviation); from memory.

    Examples
    --------
    >>> scores = reference_scores([1.0, 2.0] * 6 + [4.0])
    >>> scores.score[8:].round(2)
    array([-0.79,  0.79, -0.79,  0.79,  4.25])
    """
    level = as_points(levels, "levels", at_least=0)
    positive(largest, "largest")
    sigma = _scatter_before(level)
    score = np.full(level.size, np.nan)
    known = np.isfinite(sigma)
    if not known.any():
        return ReferenceScores(score, sigma)
    first = int(np.argmax(known))
    limited = _limited(level, largest * sigma)
    steps = np.diff(limited[first:]) / sigma[first + 1 :]
    begin = (limited[first] - level[:first].mean()) / sigma[first]
    # Where a stream's lots have all been alike it has no scale: such a step is left out.
    score[first:] = begin + np.concatenate([[0.0], np.nancumsum(steps)])
    return ReferenceScores(np.where(known, score, np.nan), sigma)


def _scatter_before(level: Floats) -> Floats:
    """The scatter as known before each lot."""
    sigma = np.full(level.size, np.nan)
    for start in (FEWEST_LOTS, *_SET_AGAIN):
        if start < level.size:
            sigma[start:] = _scatter(level[max(start - _LOTS, 0) : start])
    return sigma


def _scatter(level: Floats) -> float:
    """Robust standard deviation of a lot; nan where lots do not scatter."""
    away = level - np.median(level)
    reach = FURTHEST * _NORMAL_MAD * float(np.median(np.abs(away)))
    limited = np.clip(away, -reach, reach) if reach > 0 else away
    sigma = float(np.sqrt(np.sum(limited**2) / (level.size - 3)))
    # Levels that differ by rounding alone do not scatter.
    return sigma if sigma > 1e-12 * float(np.abs(level).max()) else np.nan


def _limited(level: Floats, furthest: Floats) -> Floats:
    """Levels limited to the neighbourhood of the median of those before: one misread lot is no shift.

    They are limited before they are scored: where the scale is set again after a misread lot, its step back is as large as its
    step away.
    """
    before = sliding_window_view(np.concatenate([np.full(_NEAR, np.nan), level]), _NEAR)[1 : level.size]
    median = np.concatenate([level[:1], medians(before.T)])
    # The first lots have no scale and no score.
    reach = np.where(np.isfinite(furthest), furthest, np.inf)
    return np.asarray(np.clip(level, median - reach, median + reach))
