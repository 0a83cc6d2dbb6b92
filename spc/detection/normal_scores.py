"""Lot levels turned into independent standard scores, with nothing assumed of the shape of their distribution.

Ranks make the scores immune to tails and skew, the normal law fills in where lots are few, and the dependence of
neighbouring lots is estimated so that a real move does not pass for dependence, and taken out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special

from spc.detection import autocorrelation
from spc.detection.windows import Ints, Windows, limited_levels
from spc.kernels.validation import Floats

__all__ = ["Scores", "autocorrelation_estimate", "prior_share", "score", "whitened"]

_BASE_LOTS = 100.0  # The normal law speaks with the weight of so many lots beside the ranks
_DIGITS = 9  # Of a standardised level that mean something
_DIFFERENCES_WORTH = (
    1.7  # Variance from differences over two and three lots, in that of the usual estimate; by simulation
)
_LEAST_VARIANCE = 1e-200  # Of equal levels; its inverse still adds up


@dataclass(frozen=True, slots=True, eq=False)
class Scores:
    """Scores of a window; (rows, SPAN), or (rows, 1) for `sigma`, `dependence`, `center` and `prior`.

    `marginal` are the scores as they are, `innovation` what is new in each: standard normal and independent in control. A lot whose mean lies one `sigma` higher moves the
    scores by `weight` before the dependence is taken out. `lag` is the correlation used towards the lot before
    (0 where that one says nothing). `prior` is the prior variance of a score, 0 where nothing is known.
    """

    marginal: Floats
    innovation: Floats
    weight: Floats
    lag: Floats
    sigma: Floats
    dependence: Floats
    center: Floats
    prior: Floats

    def rows(self, which: Ints) -> Scores:
        """The scores of some windows."""
        return Scores(*(getattr(self, name)[which] for name in self.__slots__))


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

    Examples
    --------
    Scores are near standard normal whatever the unit of the levels, and equal levels share a score:

    >>> from spc.detection.windows import LotSeries, windows
    >>> weeks, zero, nothing = np.arange(9.0), np.zeros(9), np.full(9, np.nan)
    >>> levels = np.array([2.0, 2.2, 1.9, 2.1, 2.0, 1.8, 2.1, 2.2, 1.9])
    >>> stream = LotSeries(weeks, levels, zero, nothing, zero, nothing, zero, zero, zero, zero, zero)
    >>> _, seen = next(windows([stream], np.array([0]), np.array([8])))
    >>> scores = score(seen)
    >>> scores.marginal[0, -9:].round(1).tolist(), scores.sigma.round(2).tolist()
    ([-0.2, 1.4, -0.9, 0.6, -0.2, -1.7, 0.6, 1.4, -0.9], [[0.13]])
    """
    levels = limited_levels(seen)
    lot_variance = _lot_variance(levels, seen)
    total = np.maximum(lot_variance + seen.variances, _LEAST_VARIANCE)
    precision = np.where(seen.known, 1.0 / total, 0.0)
    center = (precision * levels).sum(1, keepdims=True) / np.maximum(precision.sum(1, keepdims=True), 1e-300)
    # Rounded, so that levels which differ by the last bit of their arithmetic share a rank.
    standard = np.where(seen.known, np.round((levels - center) * np.sqrt(precision), _DIGITS), np.inf)
    marginal = np.where(seen.known, _normal_scores(standard, seen), 0.0)
    sigma = np.sqrt(_typical(total, seen))
    nothing = np.zeros_like(marginal)
    prior = seen.scatter[:, None] / np.maximum(sigma**2, _LEAST_VARIANCE)
    raw = Scores(marginal, marginal, sigma * np.sqrt(precision), nothing, sigma, nothing[:, :1], center, prior)
    return whitened(raw, seen, _dependence(marginal, seen))


def whitened(scores: Scores, seen: Windows, dependence: Floats) -> Scores:
    """The same scores with this correlation of neighbouring lots, (rows, 1), taken out.

    Examples
    --------
    An autocorrelation of 0.5 is taken out: each score keeps what the lot before does not foretell.

    >>> from spc.detection.windows import LotSeries, windows
    >>> weeks, zero, nothing = np.arange(4.0), np.zeros(4), np.full(4, np.nan)
    >>> stream = LotSeries(weeks, np.array([0.0, 1.0, 1.0, 0.0]), zero, nothing, zero, nothing, zero, zero, zero, zero, zero)
    >>> _, seen = next(windows([stream], np.array([0]), np.array([3])))
    >>> scores = whitened(score(seen), seen, np.array([[0.5]]))
    >>> scores.marginal[0, -4:].round(2).tolist()
    [-0.99, 0.99, 0.99, -0.99]
    >>> scores.innovation[0, -4:].round(2).tolist()
    [-0.99, 1.71, 0.57, -1.71]
    """
    lag = np.where(seen.known & _before(seen.known), dependence, 0.0)
    innovation = (scores.marginal - lag * _before(scores.marginal)) / np.sqrt(1.0 - lag**2)
    return replace(scores, innovation=innovation, lag=lag, dependence=dependence)


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


def _lot_variance(levels: Floats, seen: Windows) -> Floats:
    """Variance between lots beyond what bags and readings explain, (rows, 1); the prior scatter joins the lots' own."""
    own = 0.5 * sum(_mean_square_difference(levels, seen, lag) for lag in (2, 3))
    share = prior_share(seen)
    apart = share * seen.scatter[:, None] + (1.0 - share) * own
    return np.maximum(apart - _typical(seen.variances, seen), 0.02 * apart)


def prior_share(seen: Windows) -> Floats:
    """Share of the prior in the scatter of a stream, (rows, 1).

    Examples
    --------
    A prior worth 10 lots is all that is known of the scatter at the second lot, and half of it at the twentieth:

    >>> from spc.detection.windows import LotSeries, windows
    >>> weeks, zero, nothing = np.arange(20.0), np.zeros(20), np.full(20, np.nan)
    >>> stream = LotSeries(weeks, zero, zero, nothing, zero, nothing, zero, zero, zero, zero + 0.2, zero + 10.0)
    >>> _, seen = next(windows([stream], np.array([0, 0]), np.array([1, 19])))
    >>> prior_share(seen).round(2).tolist()
    [[1.0], [0.49]]
    """
    worth = np.maximum(seen.lots[:, None] - 2.0, 0.0) / _DIFFERENCES_WORTH
    prior = seen.scatter_lots[:, None]
    return np.asarray(prior / np.maximum(prior + worth, 1e-9))


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
    """Posterior mean of the correlation of neighbouring lots, (rows, 1)."""
    own, lots = autocorrelation_estimate(marginal, seen), seen.lots[:, None]
    return autocorrelation.posterior_mean(own, lots, seen.independent[:, None], seen.autocorrelation[:, None])


def autocorrelation_estimate(marginal: Floats, seen: Windows) -> Floats:
    """Correlation r of neighbouring lots as the window alone shows it, (rows, 1).

    For a first-order dependence the half mean squares over 1, 2, 3 lots are as 1 - r, 1 - r^2, 1 - r^3, so the mean of
    the last two over the first is 1 + r + r^2 / 2.

    Examples
    --------
    A step in the middle of independent lots does not pass for autocorrelation; the usual estimate puts it at 0.6:

    >>> from spc.detection.windows import LotSeries, windows
    >>> weeks, zero, nothing = np.arange(80.0), np.zeros(80), np.full(80, np.nan)
    >>> levels = np.random.default_rng(4).standard_normal(80) + 3.0 * (weeks >= 40)
    >>> stream = LotSeries(weeks, levels, zero, nothing, zero, nothing, zero, zero, zero, zero, zero)
    >>> _, seen = next(windows([stream], np.array([0]), np.array([79])))
    >>> autocorrelation_estimate(score(seen).marginal, seen).round(2).tolist()
    [[-0.12]]
    >>> round(float(np.corrcoef(levels[1:], levels[:-1])[0, 1]), 2)
    0.6
    """
    near, *far = (_mean_square_difference(marginal, seen, apart) for apart in (1, 2, 3))
    growth = np.divide(0.5 * (far[0] + far[1]), near, out=np.ones_like(near), where=near > 0) - 1.0
    return np.asarray(np.sqrt(1.0 + 2.0 * np.clip(growth, -0.45, 1.2)) - 1.0)
