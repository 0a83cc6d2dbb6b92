"""Summary of each session: its level, the variance between bags and between readings, and its extremes.

One pass over sorted keys summarises many sessions. Later statistics need only these columns, so no chart and no
variance component reads the readings again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc import censored
from spc.kernels.arrays import Flags, Floats, Integers
from spc.kernels.nesting import Nest, bag_means, nest, sums, total
from spc.vocabulary.finite import MOST_COUNTED

__all__ = ["summarise"]

_COLUMNS = (
    "bags", "readings", "below", "above", "level", "level_low", "level_high", "bag_variance", "reading_variance",
    "reading_df", "readings_per_bag", "weighted_mean", "sum_squares_bags", "sum_squares_readings", "sum_squared_sizes",
    "smallest", "largest", "smallest_high", "largest_low", "smallest_bound", "largest_bound",
)  # fmt: skip
_TYPES = (
    dict.fromkeys(_COLUMNS, np.dtype(np.float64))
    | dict.fromkeys(("bags", "readings", "below", "above", "reading_df"), np.dtype(np.int64))
    | dict.fromkeys(("smallest_bound", "largest_bound"), np.dtype(np.int8))
)


@dataclass(frozen=True, slots=True, eq=False)
class _Readings:
    """Readings sorted by session and bag: `y` in the charted scale, `value` in the unit."""

    at: Nest
    y: Floats
    value: Floats
    bound: NDArray[np.int8]


def summarise(readings: pd.DataFrame, scale: str) -> pd.DataFrame:
    """Level, variances and extremes of each session.

    The level of a lot is the mean of its bag means: a bag with more readings is still one bag.

    Parameters
    ----------
    readings : DataFrame
        One row a reading, in any order: `session` (int), `specimen` (int, the bag), `value` (float > 0, in the unit),
        `bound` (-1: the true value is below `value`; 0: measured; +1: above).
    scale : {"log", "linear"}
        Charted scale; "log" is the natural logarithm.

    Returns
    -------
    DataFrame
        Index `session`, in rising order. Columns in the charted scale unless stated otherwise:

        - `bags`, `readings`: counts; `below`, `above`: counts of bounded readings.
        - `level`: mean of the bag means; where readings are bounded the maximum-likelihood level
          (`spc.censored.lot_level`), nan where every reading is bounded or the likelihood has no maximum.
        - `level_low`, `level_high`: interval that contains the mean of the true values, for any distribution; both equal
          `level` where no reading is bounded. The open side of a bounded reading counts as infinite (as 0 below on a
          linear scale, where no value is negative).
        - `bag_variance`: sample variance of the bag means, nan for fewer than 2 bags.
        - `reading_variance`, `reading_df`: pooled variance within bags and its degrees of freedom; nan and 0 where no
          bag has 2 readings.
        - `readings_per_bag`: harmonic mean of the readings of a bag.
        - `weighted_mean`: mean of all readings; `sum_squares_bags`, `sum_squares_readings`, `sum_squared_sizes`: sum of
          n (bag mean - weighted mean)^2, of squares within bags, and of n^2, for n readings of a bag.
        - `smallest`, `largest` (in the unit) with `smallest_bound`, `largest_bound`: a largest reading of 5 with bound
          +1 is 5 or more; with bound -1 it is 5 or less.
        - `largest_low` (in the unit): lower bound of the largest reading, 0 where there is none; `smallest_high`: upper
          bound of the smallest, infinite where there is none. The largest of 5 and "< 10" is between 5 and 10.

    Raises
    ------
    ValueError
        If a column is missing, a value is not finite and above 0, a bound is not -1, 0 or +1, or `scale` is unknown.

    Notes
    -----
    Sums are taken about the first reading of the session and squares about the means (two passes [1]_), so values with
    many equal leading digits lose no accuracy.

    In a session with bounded readings the variances are estimates. `reading_variance` is that of the bags wholly in
    range. `bag_variance` is the maximum-likelihood variance of one reading less the part of the readings,
    bags / (bags - 1) * (sd^2 - reading_variance * (1 - 1 / readings_per_bag)), at least 0. This is the sample variance
    of the bag means where all bags have one size and no reading is bounded. Both are nan where fewer than two bags have
    a reading in range or there is no reading variance; `weighted_mean` is then nan too, and otherwise the level.

    References
    ----------
    .. [1] T. F. Chan, G. H. Golub and R. J. LeVeque (1983), Algorithms for computing the sample variance, The American
       Statistician 37, 242-247.

    Examples
    --------
    >>> bags = pd.DataFrame({"session": 7, "specimen": [1, 1, 2, 2], "value": [9.0, 11.0, 14.0, 14.0], "bound": 0})
    >>> summarise(bags, "linear").loc[7, ["level", "bag_variance", "reading_variance"]].tolist()
    [12.0, 8.0, 1.0]
    """
    r = _prepare(readings, scale)
    columns = _measured(r) | _extremes(r)
    floor = -np.inf if scale == "log" else 0.0
    columns["level_low"] = _extreme_level(r, columns["level"], -1, floor)
    columns["level_high"] = _extreme_level(r, columns["level"], +1, np.inf)
    _estimate_bounded(r, columns)
    labels = readings["session"].to_numpy(np.int64)[r.at.order][r.at.first]
    return pd.DataFrame(columns, index=pd.Index(labels, name="session"))[list(_COLUMNS)].astype(_TYPES)


def _prepare(readings: pd.DataFrame, scale: str) -> _Readings:
    if scale not in ("log", "linear"):
        raise ValueError(f'scale must be "log" or "linear", got {scale!r}')
    missing = {"session", "specimen", "value", "bound"} - set(readings.columns)
    if missing:
        raise ValueError(f"readings lack the columns {sorted(missing)}; give session, specimen, value and bound")
    value, bound = readings["value"].to_numpy(np.float64), readings["bound"].to_numpy()
    _require_valid(value, bound)
    at = nest(readings["session"].to_numpy(np.int64), readings["specimen"].to_numpy(np.int64))
    value = value[at.order]
    return _Readings(
        at, np.log(value) if scale == "log" else np.minimum(value, MOST_COUNTED), value, bound[at.order].astype(np.int8)
    )


def _require_valid(value: Floats, bound: NDArray[np.generic]) -> None:
    bad = np.flatnonzero(~(np.isfinite(value) & (value > 0)))
    if bad.size:
        raise ValueError(
            f"value must be finite and above 0: {bad.size} of {value.size} readings are not, the first "
            f"{float(value[bad[0]])!r} in row {bad[0]}; refuse them when they are read"
        )
    bad = np.flatnonzero(~np.isin(bound, (-1, 0, 1)))
    if bad.size:
        raise ValueError(f"bound must be -1 (below), 0 or +1 (above), got {int(bound[bad[0]])} in row {bad[0]}")


def _measured(r: _Readings) -> dict[str, Floats]:
    """Columns of measured readings; a bounded reading counts as its bound until `_estimate_bounded`."""
    lots = r.at.first.size
    return sums(r.at, r.y, bag_means(r.at, r.y)) | {
        "below": total(r.at.lot, (r.bound < 0).astype(np.float64), lots),
        "above": total(r.at.lot, (r.bound > 0).astype(np.float64), lots),
    }


def _extreme_level(r: _Readings, level: Floats, side: int, end: float) -> Floats:
    """Lowest (`side` -1) or highest (+1) level that the bounds allow, where an open reading may be at `end`."""
    bags = r.at.of_bag.size
    is_open = r.bound == side
    if np.isinf(end):
        open_bags = np.bincount(r.at.bag[is_open], minlength=bags) > 0
        return np.where(np.bincount(r.at.of_bag[open_bags], minlength=level.size) > 0, end, level)
    excess = total(r.at.bag, np.where(is_open, r.y - end, 0.0), bags) / np.bincount(r.at.bag, minlength=bags)
    return np.asarray(level - total(r.at.of_bag, excess, level.size) / np.bincount(r.at.of_bag, minlength=level.size))


def _extremes(r: _Readings) -> dict[str, Floats]:
    largest, largest_low, largest_bound = _extreme(r, +1)
    smallest, smallest_high, smallest_bound = _extreme(r, -1)
    return {
        "smallest": smallest,
        "largest": largest,
        "smallest_high": smallest_high,
        "largest_low": np.maximum(largest_low, 0.0),
        "smallest_bound": smallest_bound,
        "largest_bound": largest_bound,
    }


def _extreme(r: _Readings, side: int) -> tuple[Floats, Floats, Floats]:
    """Largest (`side` +1) or smallest (-1) value, the farthest value that is certain, and its bound.

    Where a reading is open towards that side, the extreme is open too, from the farthest certain value on. Otherwise a
    bound beyond every measured value limits the extreme from outside.
    """
    starts = r.at.first
    if not starts.size:
        return r.value, r.value, r.value

    def farthest(among: Flags) -> Floats:
        return np.maximum.reduceat(np.where(among, side * r.value, -np.inf), starts)

    is_open = np.logical_or.reduceat(r.bound == side, starts)
    certain, all_but_open, measured = farthest(r.bound != -side), farthest(r.bound != side), farthest(r.bound == 0)
    value = np.where(is_open, certain, all_but_open)
    bound = np.where(is_open, side, np.where(all_but_open > measured, -side, 0))
    return side * value, side * certain, bound.astype(np.float64)


def _estimate_bounded(r: _Readings, columns: dict[str, Floats]) -> None:
    """Replace the figures of sessions with bounded readings by estimates."""
    starts = np.append(r.at.first, r.y.size)
    for at in np.flatnonzero(columns["below"] + columns["above"] > 0):
        rows = slice(starts[at], starts[at + 1])
        estimates = _bounded_session(
            r.y[rows], r.at.bag[rows] - r.at.bag[rows.start], r.bound[rows], float(columns["readings_per_bag"][at])
        )
        for name, value in estimates.items():
            columns[name][at] = value


def _bounded_session(y: Floats, bag: Integers, bound: NDArray[np.int8], readings_per_bag: float) -> dict[str, float]:
    bags = int(bag[-1]) + 1
    reading_variance, reading_df = _wholly_in_range(y, bag, bound)
    estimates = {
        "level": np.nan,
        "bag_variance": np.nan,
        "reading_variance": reading_variance,
        "reading_df": float(reading_df),
        "weighted_mean": np.nan,
        "sum_squares_bags": np.nan,
        "sum_squares_readings": np.nan,
    }
    if not censored.estimable(y, bound):
        return estimates
    fit = censored.lot_level(y, bag, bound)
    estimates["level"] = fit.mean
    share = 0.0 if readings_per_bag == 1.0 else reading_variance * (1.0 - 1.0 / readings_per_bag)
    if np.unique(bag[bound == 0]).size >= 2 and np.isfinite(share):
        bag_variance = bags / (bags - 1.0) * max(fit.sd**2 - share, 0.0)
        estimates["bag_variance"] = bag_variance
        estimates["weighted_mean"] = fit.mean
        estimates["sum_squares_bags"] = (bags - 1.0) * readings_per_bag * bag_variance
        estimates["sum_squares_readings"] = reading_variance * reading_df if reading_df else 0.0
    return estimates


def _wholly_in_range(y: Floats, bag: Integers, bound: NDArray[np.int8]) -> tuple[float, int]:
    """Pooled variance within the bags without a bounded reading, and its degrees of freedom."""
    within = np.bincount(bag, weights=bound != 0)[bag] == 0
    sizes = np.bincount(bag[within])
    df = int(np.sum(sizes[sizes > 0] - 1))
    if df == 0:
        return np.nan, 0
    centred = y[within] - y[within][0]
    means = np.bincount(bag[within], weights=centred)[bag[within]] / sizes[bag[within]]
    return float(np.sum((centred - means) ** 2)) / df, df
