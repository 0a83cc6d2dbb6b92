"""Each lot against its own stream's past, in units of the scatter known before it.

The levels of streams that scatter differently become comparable, and no later lot changes what was said of an earlier one.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import ArrayLike

from spc._checks import Floats, as_points

__all__ = ["FEWEST_LOTS", "OwnScores", "own_scores"]

FEWEST_LOTS = 8
"""Lots before the first score: a scatter from fewer says little."""
_LOTS = 25
_FURTHEST = 3.0  # scatter counts a lot further out as so far: one wild lot must not hide a shift
_LARGEST = 4.0  # a score lies at most so far from the median of the scores before it
_NORMAL_MAD = 1.482602218505602


@dataclass(frozen=True, slots=True, eq=False)
class OwnScores:
    """Shape (n,) both, nan where unknown: `score` in units of `sigma`, the standard deviation of a lot as known before it."""

    score: Floats
    sigma: Floats


def own_scores(levels: ArrayLike) -> OwnScores:
    """Score a stream's lots in order.

    To hold streams against each other: a step of the level is a step of the score by as many standard deviations, and
    stays one however long it lasts, because the scores are added up from step to step.

    Parameters
    ----------
    levels : array_like, shape (n,)
        Finite levels in the charted scale, in test order.

    Returns
    -------
    OwnScores
        nan for the first `FEWEST_LOTS` lots, and where the lots before did not scatter at all.

    Raises
    ------
    ValueError
        If a level is not finite.

    Notes
    -----
    The scatter is the standard deviation of at most 25 lots before, those beyond three robust standard deviations [1]_
    counted as three. Lots that are alike make it larger, not smaller, so that shifts look smaller than they are.

    References
    ----------
    .. [1] P. J. Huber (1981), Robust Statistics, section 5.2 (median absolute deviation); from memory.

    Examples
    --------
    >>> found = own_scores([1.0, 2.0] * 6 + [4.0])
    >>> found.score[8:].round(2)
    array([-0.94,  0.94, -0.95,  0.95,  3.78])
    """
    level = as_points(levels, "levels", at_least=0)
    center, sigma = _known_before(level)
    score = np.full(level.size, np.nan)
    known = np.flatnonzero(np.isfinite(sigma))
    if not known.size:
        return OwnScores(score, sigma)
    first = known[0]
    steps = np.diff(level[first:]) / sigma[first + 1 :]
    # A stream whose lots are all alike for a while has no scale: such a step is left out.
    score[first:] = (level[first] - center[first]) / sigma[first] + np.concatenate([[0.0], np.nancumsum(steps)])
    score[~np.isfinite(sigma)] = np.nan
    return OwnScores(_held(score), sigma)


def _trailing(values: Floats, lots: int) -> Floats:
    """The `lots` values before each, nan where there are fewer; shape (n, lots)."""
    return sliding_window_view(np.concatenate([np.full(lots, np.nan), values]), lots)[: values.size]


def _known_before(level: Floats) -> tuple[Floats, Floats]:
    """Median and robust standard deviation of the lots before each."""
    before = _trailing(level, _LOTS)
    lots = np.isfinite(before).sum(axis=1)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # the first row has no lot before it
        center = np.nanmedian(before, axis=1)
        away = before - center[:, None]
        reach = _FURTHEST * _NORMAL_MAD * np.nanmedian(np.abs(away), axis=1)
    reach = np.where(reach > 0, reach, np.inf)[:, None]
    squares = np.nansum(np.clip(away, -reach, reach) ** 2, axis=1)
    sigma = np.sqrt(squares / np.maximum(lots - 1, 1))
    # Levels that differ by rounding alone do not scatter.
    told = (lots >= FEWEST_LOTS) & (sigma > 1e-12 * np.abs(np.nan_to_num(center)))
    return center, np.where(told, sigma, np.nan)


def _held(score: Floats) -> Floats:
    """Scores near the median of those before: one misread lot is no shift."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # the first score has none before it
        usual = np.nan_to_num(np.nanmedian(_trailing(score, _LOTS // 2), axis=1))
    return np.asarray(np.clip(score, usual - _LARGEST, usual + _LARGEST))
