"""How much the level moves with humidity inside its tolerance, estimated within streams."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import special

from spc.kernels.arrays import Floats, Indices
from spc.kernels.validation import as_points

__all__ = ["Sensitivity", "Sums", "humidity_sensitivity", "pooled", "sums_within"]


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """Change of the level per % RH with its interval and standard error, and what it rests on."""

    slope: float
    lower: float
    upper: float
    se: float
    degrees_of_freedom: int
    lots: int


class Sums(NamedTuple):
    """What lots say of the slope, to be added to what others say.

    The number of lots and of their groups; sums of squares and products of humidity (x) and level (y) about the means of
    the groups, and of the squares of humidity as it is.
    """

    lots: int
    groups: int
    xx: float
    xy: float
    yy: float
    humidity_squared: float


def humidity_sensitivity(
    levels: ArrayLike, humidity: ArrayLike, groups: ArrayLike, confidence: float = 0.95
) -> Sensitivity | None:
    """Estimate how much the level moves with humidity inside its tolerance, pooled within streams.

    Parameters
    ----------
    levels : array_like, shape (n,)
        Lot levels in the charted scale (natural log of a resistance).
    humidity : array_like, shape (n,)
        Mean humidity while the lot was conditioned, in % RH.
    groups : array_like, shape (n,)
        Stream of each lot: each has a level of its own, all share the slope.
    confidence : float
        Chance that the interval holds the slope, in (0, 1).

    Returns
    -------
    Sensitivity or None
        None where humidity did not vary within streams or fewer than three lots are left over.

    Raises
    ------
    ValueError
        If shapes differ, a value is not finite or `confidence` is out of range.

    Notes
    -----
    Least squares with a constant for each group, by deviations from group means [1]_.

    References
    ----------
    .. [1] Y. Mundlak (1978), On the pooling of time series and cross section data, Econometrica 46, 69-85.

    Examples
    --------
    >>> found = humidity_sensitivity([1.0, 0.9, 0.8, 5.0, 4.9, 4.7], [11, 12, 13, 11, 12, 13], [1, 1, 1, 2, 2, 2])
    >>> round(found.slope, 3), found.degrees_of_freedom
    (-0.125, 3)
    """
    return pooled([sums_within(levels, humidity, groups)], confidence)


def sums_within(levels: ArrayLike, humidity: ArrayLike, groups: ArrayLike) -> Sums:
    """Sum up the lots of one stream or of many; the parameters and errors of `humidity_sensitivity`."""
    y, x = as_points(levels, "levels", at_least=0), as_points(humidity, "humidity", at_least=0)
    group, found = pd.factorize(np.asarray(groups))
    if not y.shape == x.shape == group.shape:
        raise ValueError(f"levels, humidity and groups must have one shape, got {y.shape}, {x.shape} and {group.shape}")
    dy, dx = _within(y, group), _within(x, group)
    return Sums(y.size, len(found), float(dx @ dx), float(dx @ dy), float(dy @ dy), float(x @ x))


def pooled(sums: Sequence[Sums], confidence: float = 0.95) -> Sensitivity | None:
    """What the lots of several streams say together; as `humidity_sensitivity` of all of them.

    Parameters
    ----------
    sums : sequence of Sums
        Of streams that share no group, in any order: it changes no digit.
    confidence : float
        As in `humidity_sensitivity`.
    """
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must be in (0, 1), got {confidence!r}")
    lots, groups = sum(one.lots for one in sums), sum(one.groups for one in sums)
    # Exact sums, so that the order of the streams does not matter.
    names = ("xx", "xy", "yy", "humidity_squared")
    xx, xy, yy, squared = (math.fsum(getattr(one, name) for one in sums) for name in names)
    df = lots - groups - 1
    if df < 3 or xx <= 1e-12 * max(squared, 1e-300):
        return None
    slope = xy / xx
    se = math.sqrt(max(yy - slope * xy, 0.0) / df / xx)
    half = float(special.stdtrit(df, 0.5 + 0.5 * confidence)) * se
    return Sensitivity(slope, slope - half, slope + half, se, df, lots)


def _within(values: Floats, group: Indices) -> Floats:
    """Deviations from group means."""
    means = np.bincount(group, weights=values) / np.maximum(np.bincount(group), 1)
    return np.asarray(values - means[group], dtype=np.float64)
