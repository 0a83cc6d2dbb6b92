"""Readings nested in bags and lots: sorted keys, and sums that keep all digits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spc.kernels.arrays import Flags, Floats, Integers

__all__ = ["BagMeans", "Nest", "bag_means", "divide", "nest", "sums", "total"]


@dataclass(frozen=True, slots=True, eq=False)
class Nest:
    """Lot and bag of each reading, in sorted order.

    `order` sorts the readings. Of the sorted readings (n,), `bag` and `lot` are running numbers; `of_bag` (bags,) is
    the lot of each bag, `first` (lots,) the position of each lot's first reading.
    """

    order: Integers | slice
    bag: Integers
    lot: Integers
    of_bag: Integers
    first: Integers


@dataclass(frozen=True, slots=True, eq=False)
class BagMeans:
    """Readings and means of each bag (bags,). Means are about `offset` (lots,), the first reading of the lot."""

    sizes: Floats
    mean: Floats
    offset: Floats


def nest(lot: Integers, bag: Integers) -> Nest:
    """Sort keys of readings; `bag` need only be unique within its lot.

    Examples
    --------
    >>> at = nest(np.array([1, 1, 2]), np.array([5, 6, 5]))
    >>> at.bag.tolist(), at.lot.tolist(), at.of_bag.tolist(), at.first.tolist()
    ([0, 1, 2], [0, 0, 1], [0, 0, 1], [0, 2])
    """
    order = _order(lot, bag)
    lot, bag = lot[order], bag[order]
    new_lot = _changes(lot)
    new_bag = new_lot | _changes(bag)
    number = np.cumsum(new_lot) - 1
    return Nest(order, np.cumsum(new_bag) - 1, number, number[new_bag], np.flatnonzero(new_lot))


def _order(lot: Integers, bag: Integers) -> Integers | slice:
    # The store returns readings in order, and checking is ten times faster than sorting.
    rises = (lot[1:] > lot[:-1]) | ((lot[1:] == lot[:-1]) & (bag[1:] >= bag[:-1]))
    return slice(None) if rises.all() else np.lexsort((bag, lot))


def _changes(keys: Integers) -> Flags:
    return np.concatenate([np.ones(min(keys.size, 1), dtype=np.bool_), keys[1:] != keys[:-1]])


def total(groups: Integers, values: Floats, count: int) -> Floats:
    """Sum of `values` by group number, (count,).

    Examples
    --------
    >>> total(np.array([0, 0, 1]), np.array([1.0, 2.0, 5.0]), 2)
    array([3., 5.])
    """
    return np.bincount(groups, weights=values, minlength=count).astype(np.float64)


def divide(numerator: Floats, denominator: Floats) -> Floats:
    """Divide; nan where the denominator is not above 0.

    Examples
    --------
    >>> divide(np.array([1.0, 1.0]), np.array([2.0, 0.0]))
    array([0.5, nan])
    """
    quotient = np.full(numerator.shape, np.nan)
    np.divide(numerator, denominator, out=quotient, where=denominator > 0)
    return quotient


def bag_means(at: Nest, y: Floats) -> BagMeans:
    """Means of sorted readings by bag.

    Offsets from the first reading are exact for nearly equal values, so common leading digits cost no accuracy.

    Examples
    --------
    >>> means = bag_means(nest(np.array([1, 1, 1]), np.array([5, 5, 6])), np.array([2.0, 4.0, 6.0]))
    >>> means.offset, means.mean
    (array([2.]), array([1., 4.]))
    """
    offset = y[at.first]
    sizes = total(at.bag, np.ones(y.size), at.of_bag.size)
    return BagMeans(sizes, total(at.bag, y - offset[at.lot], sizes.size) / sizes, offset)


def sums(at: Nest, y: Floats, bags: BagMeans) -> dict[str, Floats]:
    """Sum up sorted readings to the columns of `spc.stream.session_summary.summarise`; squares are about the means.

    Examples
    --------
    >>> at, y = nest(np.array([1, 1, 1, 1]), np.array([5, 5, 6, 6])), np.array([1.0, 3.0, 4.0, 6.0])
    >>> columns = sums(at, y, bag_means(at, y))
    >>> [columns[name].tolist() for name in ("level", "bag_variance", "reading_variance", "reading_df")]
    [[3.5], [4.5], [2.0], [2.0]]
    """
    lots = at.first.size
    count, readings = (total(rows, np.ones(rows.size), lots) for rows in (at.of_bag, at.lot))
    level = total(at.of_bag, bags.mean, lots) / count
    weighted = total(at.of_bag, bags.sizes * bags.mean, lots) / readings
    within = total(at.lot, (y - bags.offset[at.lot] - bags.mean[at.bag]) ** 2, lots)
    return {
        "bags": count,
        "readings": readings,
        "level": bags.offset + level,
        "bag_variance": divide(total(at.of_bag, (bags.mean - level[at.of_bag]) ** 2, lots), count - 1),
        "reading_variance": divide(within, readings - count),
        "reading_df": readings - count,
        "readings_per_bag": count / total(at.of_bag, 1.0 / bags.sizes, lots),
        "weighted_mean": bags.offset + weighted,
        "sum_squares_bags": total(at.of_bag, bags.sizes * (bags.mean - weighted[at.of_bag]) ** 2, lots),
        "sum_squares_readings": within,
        "sum_squared_sizes": total(at.of_bag, bags.sizes**2, lots),
    }
