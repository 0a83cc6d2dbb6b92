"""Effect of humidity within its tolerance on the level, estimated within streams."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import special

from spc.kernels.validation import as_points

__all__ = ["Sensitivity", "Sums", "humidity_sensitivity", "pooled", "sums_within"]


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """Change of the level per 1 % RH, with its interval, standard error, degrees of freedom and number of lots.

    `residual` is the standard deviation of a lot about the line, in the charted scale.
    """

    slope: float
    lower: float
    upper: float
    se: float
    degrees_of_freedom: int
    lots: int
    residual: float


class Sums(NamedTuple):
    """Sums over the lots of one or more streams, from which `pooled` estimates the slope.

    The number of lots and of groups; the sums of squares and products of humidity (x) and level (y) about the means of
    the groups; and the sum of squares of humidity.
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
    """Estimate the change of the level with humidity within its tolerance, pooled over streams.

    Parameters
    ----------
    levels : array_like, shape (n,)
        Lot levels in the charted scale (natural log of a resistance).
    humidity : array_like, shape (n,)
        Mean humidity while the lot was conditioned, in % RH.
    groups : array_like, shape (n,)
        Stream of each lot: levels differ between streams, and all streams share the slope.
    confidence : float
        Probability that the interval contains the slope, in (0, 1).

    Returns
    -------
    Sensitivity or None
        None where humidity did not vary within streams, or fewer than three degrees of freedom are left.

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
    >>> effect = humidity_sensitivity([1.0, 0.9, 0.8, 5.0, 4.9, 4.7], [11, 12, 13, 11, 12, 13], [1, 1, 1, 2, 2, 2])
    >>> round(effect.slope, 3), effect.degrees_of_freedom
    (-0.125, 3)
    """
    return pooled([sums_within(levels, humidity, groups)], confidence)


def sums_within(levels: ArrayLike, humidity: ArrayLike, groups: ArrayLike) -> Sums:
    """Sums over the lots of one or more streams; parameters and errors as for `humidity_sensitivity`.

    Examples
    --------
    >>> sums = sums_within([1.0, 0.9, 0.8], [11, 12, 13], ["A", "A", "A"])
    >>> sums.lots, sums.groups, sums.xx, round(sums.xy, 3)
    (3, 1, 2.0, -0.2)
    """
    y, x = as_points(levels, "levels", at_least=0), as_points(humidity, "humidity", at_least=0)
    group, distinct = pd.factorize(np.asarray(groups))
    if not y.shape == x.shape == group.shape:
        raise ValueError(f"levels, humidity and groups must have one shape, got {y.shape}, {x.shape} and {group.shape}")
    counts = np.maximum(np.bincount(group), 1)
    dy, dx = (values - (np.bincount(group, weights=values) / counts)[group] for values in (y, x))
    return Sums(y.size, len(distinct), float(dx @ dx), float(dx @ dy), float(dy @ dy), float(x @ x))


def pooled(sums: Sequence[Sums], confidence: float = 0.95) -> Sensitivity | None:
    """Estimate the slope from the sums of several streams, as `humidity_sensitivity` does from their lots.

    Parameters
    ----------
    sums : sequence of Sums
        Of streams that share no group. Their order changes no digit.
    confidence : float
        Probability that the interval contains the slope, in (0, 1).

    Returns
    -------
    Sensitivity or None
        As for `humidity_sensitivity`.

    Raises
    ------
    ValueError
        If `confidence` is out of range.

    Examples
    --------
    >>> first = sums_within([1.0, 0.9, 0.8], [11, 12, 13], [1, 1, 1])
    >>> second = sums_within([5.0, 4.9, 4.7], [11, 12, 13], [2, 2, 2])
    >>> round(pooled([first, second]).slope, 3)
    -0.125
    """
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must be in (0, 1), got {confidence!r}")
    lots, groups = sum(one.lots for one in sums), sum(one.groups for one in sums)
    # Exact sums: the order of the streams changes no digit.
    names = ("xx", "xy", "yy", "humidity_squared")
    xx, xy, yy, squared = (math.fsum(getattr(one, name) for one in sums) for name in names)
    df = lots - groups - 1
    if df < 3 or xx <= 1e-12 * max(squared, 1e-300):
        return None
    slope = xy / xx
    se = math.sqrt(max(yy - slope * xy, 0.0) / df / xx)
    half = float(special.stdtrit(df, 0.5 + 0.5 * confidence)) * se
    return Sensitivity(slope, slope - half, slope + half, se, df, lots, se * math.sqrt(xx))
