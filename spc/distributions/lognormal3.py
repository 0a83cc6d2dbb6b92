"""Three-parameter lognormal distribution fitted by L-moments; without skewness it is the normal distribution.

Library only: no command or page uses this module yet.
"""

from __future__ import annotations

import numpy as np
from scipy import special

from spc.kernels.arrays import Floats, Indices

__all__ = ["l_moments", "l_moments_without_each", "percentiles"]

# Shape parameter of the distribution from its L-skewness, highest power first: Hosking and Wallis (1997), A.8, from memory.
_SHAPE_ABOVE = (-0.20360244, 1.8396733, -3.6544371, 2.0466534)
_SHAPE_BELOW = (-0.21741801, 1.2420401, -2.0182173, 1.0)


def l_moments(x: Floats) -> Floats:
    """First two L-moments and L-skewness of each stream (lots, streams), unbiased forms; shape (3, streams).

    Nan is a missing value. Fewer than three values give nan.

    Examples
    --------
    >>> l_moments(np.array([[1.0], [2.0], [3.0], [np.nan]])).ravel().round(3).tolist()
    [2.0, 0.667, 0.0]
    """
    ordered, rank, n = _in_order(x)
    sums = ordered.sum(axis=0), (rank * ordered).sum(axis=0), (rank * (rank - 1) * ordered).sum(axis=0)
    return _ratios(*sums, n)


def l_moments_without_each(x: Floats) -> Floats:
    """L-moments with each value left out in turn, in rising order; shape (3, lots, streams), nan beyond the last value.

    Leaving a value out removes its term and lowers the rank of every larger value by one.

    Examples
    --------
    >>> l_moments_without_each(np.array([[1.0], [2.0], [3.0], [5.0]]))[0].ravel().round(3).tolist()
    [3.333, 3.0, 2.667, 2.0]
    """
    ordered, rank, n = _in_order(x)
    above = _sum_above(ordered)
    zero = ordered.sum(axis=0) - ordered
    one = (rank * ordered).sum(axis=0) - rank * ordered - above
    square = rank * (rank - 1) * ordered
    two = square.sum(axis=0) - square - 2 * _sum_above((rank - 1) * ordered)
    return np.where(rank < n, _ratios(zero, one, two, np.broadcast_to(n - 1, rank.shape[:1] + n.shape)), np.nan)


def _in_order(x: Floats) -> tuple[Floats, Indices, Indices]:
    """Values of each stream in rising order (0 where missing), their ranks from 0 (lots, 1), and their number."""
    ordered = np.sort(x, axis=0)  # Nan goes last
    n = np.count_nonzero(~np.isnan(x), axis=0)
    return np.nan_to_num(ordered), np.arange(x.shape[0])[:, None], n


def percentiles(moments: Floats) -> tuple[Floats, Floats, Floats]:
    """Percentiles 0.135, 50 and 99.865 (normal scores -3, 0, 3) of the distribution with these L-moments.

    Examples
    --------
    Without skewness, 3 standard deviations on either side of the mean:

    >>> [value.round(3).tolist() for value in percentiles(np.array([[10.0], [1 / np.sqrt(np.pi)], [0.0]]))]
    [[7.0], [10.0], [13.0]]
    """
    first, second, skew = moments
    square = skew**2
    shape = -skew * np.polyval(_SHAPE_ABOVE, square) / np.polyval(_SHAPE_BELOW, square)
    symmetric = np.abs(shape) < 1e-6
    k = np.where(symmetric, 1.0, shape)
    scale = second * k * np.exp(-0.5 * k**2) / special.erf(0.5 * k)
    place = first + scale * np.expm1(0.5 * k**2) / k

    def at(score: float) -> Floats:
        normal = first + np.sqrt(np.pi) * second * score
        value: Floats = np.where(symmetric, normal, place - scale * np.expm1(-k * score) / k)
        return value

    return at(-3.0), at(0.0), at(3.0)


def _sum_above(values: Floats) -> Floats:
    return np.cumsum(values[::-1], axis=0)[::-1] - values


def _ratios(zero: Floats, one: Floats, two: Floats, n: Indices) -> Floats:
    count = np.where(n > 2, n, np.nan)
    b0, b1, b2 = zero / count, one / (count * (count - 1)), two / (count * (count - 1) * (count - 2))
    second = 2 * b1 - b0
    scale_or_nan = np.where(second > 0, second, np.nan)  # Equal values have no scale, and no skewness
    return np.array([b0, second, (6 * b2 - 6 * b1 + b0) / scale_or_nan])
