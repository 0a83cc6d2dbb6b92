"""Lot levels turned into independent standard scores, with nothing assumed of the shape of their distribution.

Ranks make the scores immune to tails and skew, the normal law fills in where lots are few, and the dependence of
neighbouring lots is estimated so that a real move does not pass for dependence, and taken out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special

from spc.detection.windows import Windows
from spc.kernels.validation import Floats

__all__ = ["Scores", "score"]

_BASE_LOTS = 20.0  # the normal law speaks with the weight of so many lots beside the ranks
_DIGITS = 9  # of a standardised level that mean something
_LEAST_VARIANCE = 1e-200  # of equal levels; its inverse still adds up
_SLOWEST = 0.8  # stronger dependence cannot be told from a drift


@dataclass(frozen=True, slots=True, eq=False)
class Scores:
    """Scores of a window; (rows, SPAN), or (rows, 1) for `sigma`, `dependence` and `center`.

    `innovation` is standard normal and independent in control. A lot whose mean lies one `sigma` higher moves the
    scores by `weight` before the dependence is taken out. `lag` is the correlation used towards the lot before
    (0 where that one says nothing).
    """

    innovation: Floats
    weight: Floats
    lag: Floats
    sigma: Floats
    dependence: Floats
    center: Floats


def score(seen: Windows) -> Scores:
    """Scores of every lot in every window.

    Parameters
    ----------
    seen : Windows
        Histories.

    Returns
    -------
    Scores

    Notes
    -----
    The distribution of the standardised levels is estimated by (n F_n + k Phi) / (n + k), the mean of a Dirichlet
    process with a normal base measure of weight k, and carried to the normal scale. With many lots this is the rank
    score of van der Waerden, with few the plain standardised level.
    Scale and dependence come from differences over one to three lots, which a step or a slow ramp hardly touches.

    References
    ----------
    .. [1] T. S. Ferguson (1973), A Bayesian analysis of some nonparametric problems, Annals of Statistics 1, 209-230.
    .. [2] B. L. van der Waerden (1952), Order tests for the two-sample problem, Indagationes Mathematicae 14, 453-458.
    .. [3] J. von Neumann (1941), Distribution of the ratio of the mean square successive difference to the variance,
       Annals of Mathematical Statistics 12, 367-395.
    """
    lot_variance = _lot_variance(seen)
    total = np.maximum(lot_variance + seen.variances, _LEAST_VARIANCE)
    precision = np.where(seen.known, 1.0 / total, 0.0)
    center = (precision * seen.levels).sum(1, keepdims=True) / np.maximum(precision.sum(1, keepdims=True), 1e-300)
    # Rounded, so that levels which differ by the last bit of their arithmetic share a rank.
    standard = np.where(seen.known, np.round((seen.levels - center) * np.sqrt(precision), _DIGITS), np.inf)
    marginal = np.where(seen.known, _normal_scores(standard, seen), 0.0)
    correlation = _dependence(marginal, seen)
    sigma = np.sqrt(_typical(total, seen))
    lag = np.where(seen.known & _before(seen.known), correlation, 0.0)
    innovation = (marginal - lag * _before(marginal)) / np.sqrt(1.0 - lag**2)
    return Scores(innovation, sigma * np.sqrt(precision), lag, sigma, correlation, center)


def _before(values: NDArray[Any]) -> NDArray[Any]:
    """Each lot's value replaced by that of the lot before, 0 for the first."""
    shifted = np.zeros_like(values)
    shifted[:, 1:] = values[:, :-1]
    return shifted


def _typical(total: Floats, seen: Windows) -> Floats:
    """Mean variance of a known lot, (rows, 1)."""
    return np.asarray(np.where(seen.known, total, 0.0).sum(1, keepdims=True) / np.maximum(seen.lots[:, None], 1.0))


def _mean_square_difference(values: Floats, seen: Windows, apart: int) -> Floats:
    """Half the mean squared difference of lots `apart` places, (rows, 1); 0 where there is no pair."""
    pair = seen.known[:, apart:] & seen.known[:, :-apart]
    squares = np.where(pair, (values[:, apart:] - values[:, :-apart]) ** 2, 0.0)
    return np.asarray(0.5 * squares.sum(1, keepdims=True) / np.maximum(pair.sum(1, keepdims=True), 1))


def _lot_variance(seen: Windows) -> Floats:
    """Variance between lots beyond what bags and readings explain, (rows, 1)."""
    apart = 0.5 * sum(_mean_square_difference(seen.levels, seen, lag) for lag in (2, 3))
    return np.maximum(apart - _typical(seen.variances, seen), 0.02 * apart)


def _normal_scores(standard: Floats, seen: Windows) -> Floats:
    lots = seen.lots[:, None]
    share = (_ranks(standard) + 0.5 + _BASE_LOTS * special.ndtr(standard)) / (lots + _BASE_LOTS)
    return special.ndtri(np.minimum(share, 1.0 - 1e-9))


def _ranks(values: Floats) -> Floats:
    """Ranks from 0 along each row, equal values sharing their mean rank.

    Equal values must share: by position, a stream of rounded equal levels would rise lot by lot.
    """
    order = np.argsort(values, axis=1)
    ordered = np.take_along_axis(values, order, axis=1)
    place = np.arange(values.shape[1])
    new = np.ones(values.shape, dtype=bool)
    new[:, 1:] = ordered[:, 1:] != ordered[:, :-1]
    first = np.maximum.accumulate(np.where(new, place, 0), axis=1)
    last_of = np.ones_like(new)
    last_of[:, :-1] = new[:, 1:]
    last = np.minimum.accumulate(np.where(last_of, place, values.shape[1])[:, ::-1], axis=1)[:, ::-1]
    ranks = np.empty(values.shape)
    np.put_along_axis(ranks, order, 0.5 * (first + last), axis=1)
    return ranks


def _dependence(marginal: Floats, seen: Windows) -> Floats:
    """Correlation r of neighbouring lots, (rows, 1), from the growth of squared differences with distance.

    For a first-order dependence the half mean squares over 1, 2, 3 lots are as 1 - r, 1 - r^2, 1 - r^3, so the mean of
    the last two over the first is 1 + r + r^2 / 2. What was expected of the stream beforehand joins it.
    """
    near, *far = (_mean_square_difference(marginal, seen, apart) for apart in (1, 2, 3))
    growth = np.divide(0.5 * (far[0] + far[1]), near, out=np.ones_like(near), where=near > 0) - 1.0
    own = np.sqrt(1.0 + 2.0 * np.clip(growth, -0.45, 1.2)) - 1.0
    worth = seen.lots[:, None] / 1.5  # its variance is 1.5 times that of the usual estimate
    alike, lots = seen.alike[:, None], seen.alike_lots[:, None]
    return np.clip((lots * alike + worth * own) / (lots + worth), 0.0, _SLOWEST)
