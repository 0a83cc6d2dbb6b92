"""Analysis of variance of readings in bags in lots, for many streams at once: mean squares and variance components."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from spc.kernels.arrays import Flags, Floats, Indices
from spc.kernels.nesting import divide, total

__all__ = ["Estimate", "Lots", "Table", "anova", "intervals", "table_of"]

# Mean squares below this share of the largest are rounding errors of equal readings.
_ROUNDING = 1e-20


@dataclass(frozen=True, slots=True, eq=False)
class Lots:
    """Sums of each lot (lots,). Means are about `center` (streams,), so that common leading digits cost no accuracy."""

    stream: Indices
    center: Floats
    bags: Floats
    readings: Floats
    reading_df: Floats
    weighted_mean: Floats
    sum_squares_bags: Floats
    sum_squares_readings: Floats
    sum_squared_sizes: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """Mean squares of each stream and their degrees of freedom, (streams, 3), in the order lot, bag, reading.

    `sizes` (streams, 3) are the coefficients of the bag component in the bag sum of squares, and of the bag and the lot
    component in the lot sum of squares.
    """

    mean_square: Floats
    df: Floats
    sizes: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Estimate:
    """Components (streams, 3), whether lot and bag were negative (streams, 2), and the covariance (streams, 3, 3).

    A component that is not resolved is 0, with covariance 0.
    """

    components: Floats
    negative: Flags
    covariance: Floats


def table_of(lots: Lots) -> Table:
    """Mean squares and the coefficients in their expectation.

    S. R. Searle, G. Casella and C. E. McCulloch (1992), Variance Components, chapter 5, from memory.

    Examples
    --------
    >>> lots = Lots(
    ...     stream=np.zeros(2, dtype=np.intp),
    ...     center=np.zeros(1),
    ...     bags=np.full(2, 2.0),
    ...     readings=np.full(2, 4.0),
    ...     reading_df=np.full(2, 2.0),
    ...     weighted_mean=np.array([1.3, 2.2]),
    ...     sum_squares_bags=np.array([0.16, 0.04]),
    ...     sum_squares_readings=np.array([0.04, 0.10]),
    ...     sum_squared_sizes=np.full(2, 8.0),
    ... )
    >>> table = table_of(lots)
    >>> table.mean_square.round(3).tolist(), table.df.tolist(), table.sizes.tolist()
    ([[1.62, 0.1, 0.035]], [[1.0, 2.0, 4.0]], [[4.0, 2.0, 4.0]])
    """
    streams = lots.center.size

    def add(values: Floats) -> Floats:
        return total(lots.stream, values, streams)

    count, bags, readings = add(np.ones(lots.stream.size)), add(lots.bags), add(lots.readings)
    grand = divide(add(lots.readings * lots.weighted_mean), readings)
    between = add(lots.readings * (lots.weighted_mean - grand[lots.stream]) ** 2)
    squares = np.stack([between, add(lots.sum_squares_bags), add(lots.sum_squares_readings)], axis=1)
    df = np.stack([count - 1, bags - count, add(lots.reading_df)], axis=1)
    of_bag = add(lots.sum_squared_sizes / lots.readings)
    sizes = [
        readings - of_bag,
        of_bag - divide(add(lots.sum_squared_sizes), readings),
        readings - divide(add(lots.readings**2), readings),
    ]
    mean_square = np.nan_to_num(divide(squares, df))
    mean_square[mean_square < _ROUNDING * mean_square.max(axis=1, keepdims=True)] = 0.0
    return Table(mean_square, df, np.stack(sizes, axis=1))


def anova(table: Table) -> Estimate:
    """Estimate the components by equating mean squares to their expectation; an unresolved component is 0.

    Examples
    --------
    >>> table = Table(np.array([[1.62, 0.1, 0.035]]), np.array([[1.0, 2.0, 4.0]]), np.array([[4.0, 2.0, 4.0]]))
    >>> anova(table).components.round(4).tolist()
    [[0.38, 0.0325, 0.035]]
    """
    weights = _weights(table)
    raw = np.einsum("sab,sb->sa", weights, table.mean_square)
    spread = np.where(table.df > 0, 2.0 * table.mean_square**2 / np.maximum(table.df, 1.0), 0.0)
    covariance = np.einsum("sab,sb,scb->sac", weights, spread, weights)
    return Estimate(np.maximum(raw, 0.0), (raw < 0)[:, :2], covariance)


def _weights(table: Table) -> Floats:
    """Matrix (streams, 3, 3) from mean squares to components."""
    df, (bag_in_bag, bag_in_lot, lot_in_lot) = table.df, table.sizes.T
    weights = np.zeros((df.shape[0], 3, 3))
    weights[:, 2, 2] = df[:, 2] > 0
    bag = np.nan_to_num(divide(df[:, 1], np.where(df[:, 1] > 0, bag_in_bag, 0.0)))
    weights[:, 1, 1], weights[:, 1, 2] = bag, -bag * weights[:, 2, 2]
    scale = np.nan_to_num(divide(np.ones_like(bag), np.where(df[:, 0] > 0, lot_in_lot, 0.0)))
    weights[:, 0] = -(scale * bag_in_lot)[:, None] * weights[:, 1]
    weights[:, 0, 2] -= scale * df[:, 0] * weights[:, 2, 2]
    weights[:, 0, 0] += scale * df[:, 0]
    return weights


def intervals(table: Table) -> tuple[Floats, Floats]:
    """Intervals (95 %) of the components and of their total, each (streams, 4): lot, bag, reading, total.

    Each is a sum or difference of mean squares: Graybill and Wang (1980) for terms of one sign, with the cross terms of
    N. Ting, R. K. Burdick, F. A. Graybill, S. Jeyaratnam and T.-F. C. Lu (1990), Confidence intervals on linear
    combinations of variance components that are unrestricted in sign, Journal of Statistical Computation and Simulation
    35, 135-143, where a term is subtracted.

    Examples
    --------
    >>> table = Table(np.array([[1.62, 0.1, 0.035]]), np.array([[9.0, 10.0, 20.0]]), np.array([[20.0, 18.0, 36.0]]))
    >>> low, high = intervals(table)
    >>> low.round(3).tolist(), high.round(3).tolist()
    ([[0.164, 0.001, 0.02, 0.234]], [[1.324, 0.136, 0.073, 1.394]])
    """
    weights = _weights(table)
    weights = np.concatenate([weights, weights.sum(axis=1, keepdims=True)], axis=1)
    parts = weights * table.mean_square[:, None, :]
    df = np.maximum(table.df, 1.0)
    short, far = 1.0 - df / special.chdtri(df, 0.025), df / special.chdtri(df, 0.975) - 1.0
    down = np.where(parts > 0, short[:, None], far[:, None]) * parts
    up = np.where(parts > 0, far[:, None], short[:, None]) * parts
    below = (down**2).sum(axis=2) + _crossed(parts, df, short, far, 0.975)
    above = (up**2).sum(axis=2) + _crossed(parts, df, far, short, 0.025)
    middle = parts.sum(axis=2)
    low = np.maximum(middle - np.sqrt(np.maximum(below, 0.0)), 0.0)
    return low, np.maximum(middle + np.sqrt(np.maximum(above, 0.0)), 0.0)


def _crossed(parts: Floats, df: Floats, added: Floats, taken: Floats, point: float) -> Floats:
    """Cross terms of each added term with each subtracted term; (streams, 4)."""
    one, other = np.divmod(np.arange(9), 3)
    ratio = special.fdtri(df[:, one], df[:, other], point)
    factor = ((ratio - 1) ** 2 - (added[:, one] * ratio) ** 2 - taken[:, other] ** 2) / ratio
    pairs = np.maximum(parts[:, :, one], 0.0) * np.maximum(-parts[:, :, other], 0.0)
    crossed: Floats = (factor[:, None, :] * pairs).sum(axis=2)
    return crossed
