"""Streams of unequal length side by side: arrays (lots, streams) in which nan is padding or a missing lot."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from spc.kernels.arrays import Flags, Floats, Indices
from spc.kernels.validation import no_infinity, per_stream

__all__ = ["as_batch", "at_rows", "medians", "packed", "per_lot", "rows_before", "total"]


def as_batch(x: ArrayLike, name: str = "x") -> Floats:
    """Convert to a float array (lots, streams) without infinities; nan is padding or a missing lot.

    Examples
    --------
    >>> as_batch([[1, 2], [3, float("nan")]]).shape
    (2, 2)
    """
    points = np.asarray(x, dtype=np.float64)
    if points.ndim != 2 or not points.shape[0]:
        raise ValueError(f"{name} must have shape (lots, streams) with at least one lot; got shape {points.shape}")
    no_infinity(points, name)
    return points


def per_lot(value: ArrayLike, shape: tuple[int, ...], name: str) -> Floats:
    """Convert one number, one a stream (streams,), or one a lot (lots, streams) to the shape (lots, streams).

    Examples
    --------
    >>> per_lot([1.0, 2.0], (2, 2), "sigma").tolist()
    [[1.0, 2.0], [1.0, 2.0]]
    """
    values = np.asarray(value, dtype=np.float64)
    if values.ndim < 2:
        return np.broadcast_to(per_stream(values, shape[1], name), shape)
    if values.shape != shape:
        raise ValueError(f"{name} must hold one value a lot and stream, shape {shape}; got shape {values.shape}")
    return values


def packed(points: Floats, there: Flags) -> tuple[Floats, Indices]:
    """Move the values that are `there` to the front of each stream, in order, followed by nan; also their rows.

    Examples
    --------
    >>> points = np.array([[np.nan], [5.0], [7.0]])
    >>> values, rows = packed(points, ~np.isnan(points))
    >>> values.ravel().tolist(), rows.ravel().tolist()
    ([5.0, 7.0, nan], [1, 2, 0])
    """
    order = np.argsort(~there, axis=0, kind="stable")
    return np.take_along_axis(np.where(there, points, np.nan), order, axis=0), order


def rows_before(there: Flags) -> Indices:
    """For each row, the last earlier row with a point, -1 where there is none; shape (lots, streams).

    Examples
    --------
    >>> rows_before(np.array([[True], [False], [True]])).ravel().tolist()
    [-1, 0, 0]
    """
    rows = np.where(there, np.arange(there.shape[0])[:, None], -1)
    before = np.full_like(rows, -1)
    np.maximum.accumulate(rows[:-1], axis=0, out=before[1:])
    return before


def medians(values: Floats) -> Floats:
    """Median of each stream without nan; nan for a stream without values.

    Examples
    --------
    >>> medians(np.array([[1.0, np.nan], [3.0, np.nan], [8.0, 4.0]]))
    array([3., 4.])
    """
    ordered = np.sort(values, axis=0)  # Nan goes last
    count = np.count_nonzero(~np.isnan(values), axis=0)
    middle: Floats = 0.5 * (
        at_rows(ordered, np.maximum(count - 1, 0) // 2) + at_rows(ordered, count // 2 * (count > 0))
    )
    return middle


def total(values: Floats, there: Flags) -> Floats:
    """Sum of each stream over the values that are `there`.

    Examples
    --------
    >>> total(np.array([[1.0], [np.nan], [2.0]]), np.array([[True], [False], [True]]))
    array([3.])
    """
    summed: Floats = np.where(there, values, 0.0).sum(axis=0)
    return summed


def at_rows(values: Floats, rows: Indices) -> Floats:
    """Take one value of each stream, at the row given for it; shape (streams,).

    Examples
    --------
    >>> at_rows(np.array([[1.0, 2.0], [3.0, 4.0]]), np.array([1, 0]))
    array([3., 2.])
    """
    taken: Floats = np.take_along_axis(values, rows[None, :], axis=0)[0]
    return taken
