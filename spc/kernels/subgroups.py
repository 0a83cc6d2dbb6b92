"""Spread within subgroups of any sizes, and the standard deviation estimated from it; shape (lots, streams, size)."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from spc.kernels.arrays import Floats, Integers

__all__ = ["Factor", "by_size", "deviations_of", "pooled_sigma", "quotient", "ranges_of", "sizes_of"]

Factor = Callable[[int], float]


def quotient(total: Floats, count: Floats | Integers) -> Floats:
    """Divide `total` by `count`; nan where `count` is 0.

    Examples
    --------
    >>> quotient(np.array([6.0, 0.0]), np.array([3, 0]))
    array([ 2., nan])
    """
    divided: Floats = np.divide(total, count, out=np.full(total.shape, np.nan), where=count > 0)
    return divided


def sizes_of(groups: Floats) -> Integers:
    """Count the values of each subgroup, shape (lots, streams).

    Examples
    --------
    >>> sizes_of(np.array([[1.0, 3.0, np.nan]])).tolist()
    [2]
    """
    sizes: Integers = np.count_nonzero(~np.isnan(groups), axis=-1)
    return sizes


def ranges_of(groups: Floats) -> Floats:
    """Range of each subgroup; 0 for a single value, which callers give no weight.

    Examples
    --------
    >>> ranges_of(np.array([[1.0, 3.0, np.nan]])).tolist()
    [2.0]
    """
    spread: Floats = np.fmax.reduce(groups, axis=-1) - np.fmin.reduce(groups, axis=-1)
    return spread


def deviations_of(groups: Floats) -> Floats:
    """Estimate the standard deviation of each subgroup, divisor n - 1; nan for fewer than two values.

    Examples
    --------
    >>> deviations_of(np.array([[1.0, 3.0, np.nan]])).round(4).tolist()
    [1.4142]
    """
    sizes, there = sizes_of(groups), ~np.isnan(groups)
    mean = quotient(np.where(there, groups, 0.0).sum(axis=-1), sizes)
    squares = np.where(there, groups - mean[..., None], 0.0) ** 2
    return np.sqrt(quotient(squares.sum(axis=-1), sizes - 1))


def by_size(factor: Factor, sizes: Integers) -> Floats:
    """`factor` of each size, nan below 2; shape of `sizes`.

    Examples
    --------
    >>> by_size(lambda n: n / 2, np.array([1, 2, 4]))
    array([nan,  1.,  2.])
    """
    distinct, place = np.unique(sizes, return_inverse=True)
    values = np.array([factor(int(n)) if n >= 2 else np.nan for n in distinct])
    return values[place.reshape(sizes.shape)]


def pooled_sigma(spread: Floats, sizes: Integers, mean: Factor, sd: Factor) -> Floats:
    """Weighted mean of spread / mean(n) over the lots, with the least variance; nan for a stream without a spread.

    Parameters
    ----------
    spread, sizes : ndarray, shape (lots, streams)
        Range or standard deviation of each subgroup, and its number of values.
    mean, sd : callable
        Mean and standard deviation of the spread of n standard normal values.

    Returns
    -------
    ndarray, shape (streams,)

    Examples
    --------
    >>> from spc.constants import d2, d3
    >>> pooled_sigma(np.array([[2.0], [3.0]]), np.array([[5], [5]]), d2, d3).round(3)
    array([1.075])
    """
    expected = by_size(mean, sizes)
    weights = np.where(sizes >= 2, (expected / by_size(sd, sizes)) ** 2, 0.0)
    sums = np.where(sizes >= 2, weights * spread / expected, 0.0).sum(axis=0)
    return quotient(sums, weights.sum(axis=0))
