"""Statistics of one lot for a report: the bag is the unit, so that the interval of the mean comes from bag means."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spc.kernels.arrays import Floats
from spc.kernels.validation import as_points

__all__ = ["LotStatistics", "describe"]


@dataclass(frozen=True, slots=True)
class LotStatistics:
    """Statistics in the unit of the readings.

    The means are means of bag means. `sd_bags` is the standard deviation of the bag means and `sd_within` the pooled one of
    readings within bags; None where nothing was repeated. The intervals hold the mean of the lot with 95 % confidence, None
    for one bag. The geometric ones are None where a value is not above 0.
    """

    bags: int
    readings: int
    minimum: float
    maximum: float
    median: float
    mean: float
    mean_low: float | None
    mean_high: float | None
    geometric_mean: float | None
    geometric_low: float | None
    geometric_high: float | None
    sd_bags: float | None
    sd_within: float | None


def describe(values: ArrayLike, bag: ArrayLike) -> LotStatistics:
    """Describe the readings of a lot.

    Parameters
    ----------
    values : array_like, shape (n,)
        Readings in the unit, measured and not bounded.
    bag : array_like, shape (n,)
        Bag of each reading.

    Returns
    -------
    LotStatistics

    Raises
    ------
    ValueError
        If shapes differ or a value is not finite.

    Examples
    --------
    >>> result = describe([9.0, 11.0, 14.0, 14.0, 12.0, 12.0], [1, 1, 2, 2, 3, 3])
    >>> result.mean, round(result.sd_bags, 3), round(result.sd_within, 3)
    (12.0, 2.0, 0.816)
    """
    y = as_points(values, "values")
    labels, group = np.unique(np.asarray(bag), return_inverse=True)
    if group.size != y.size:
        raise ValueError(f"bag must name the bag of each of the {y.size} values, got {group.size}")
    sizes = np.bincount(group)
    means = np.bincount(group, weights=y) / sizes
    within_df = y.size - labels.size
    within = float(np.sum((y - means[group]) ** 2)) / within_df if within_df else None
    mean, low, high = _interval(means)
    geometric: tuple[float | None, float | None, float | None] = (None, None, None)
    if (y > 0).all():
        logs = _interval(np.bincount(group, weights=np.log(y)) / sizes)
        middle, *ends = (None if end is None else float(np.exp(end)) for end in logs)
        geometric = (middle, ends[0], ends[1])
    return LotStatistics(
        bags=int(labels.size),
        readings=int(y.size),
        minimum=float(y.min()),
        maximum=float(y.max()),
        median=float(np.median(y)),
        mean=mean,
        mean_low=low,
        mean_high=high,
        geometric_mean=geometric[0],
        geometric_low=geometric[1],
        geometric_high=geometric[2],
        sd_bags=float(means.std(ddof=1)) if labels.size > 1 else None,
        sd_within=None if within is None else float(np.sqrt(within)),
    )


def _interval(means: Floats) -> tuple[float, float | None, float | None]:
    """Mean of bag means and its 95 % interval; no interval for one bag."""
    mean = float(means.mean())
    if means.size < 2:
        return mean, None, None
    reach = -float(special.stdtrit(means.size - 1, 0.025)) * float(means.std(ddof=1)) / np.sqrt(means.size)
    return mean, mean - reach, mean + reach
