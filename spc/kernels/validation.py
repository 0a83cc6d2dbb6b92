"""Input checks that the statistics share; messages say what was expected, what was given, and what to do."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from spc.kernels.arrays import Flags, Floats

__all__ = [
    "Floats",
    "as_points",
    "as_streams",
    "as_subgroups",
    "finite_number",
    "no_infinity",
    "per_stream",
    "positive",
    "whole",
]


def _first(bad: Flags) -> str:
    """Place of the first bad entry: an index, or the row and column of a batch."""
    place = np.argwhere(bad)[0].tolist()
    return f"the first at index {place[0] if len(place) == 1 else tuple(place)}"


def _require_finite(values: Floats, name: str) -> None:
    bad = ~np.isfinite(values)
    if bad.any():
        raise ValueError(
            f"{name} must be finite: {bad.sum()} of {values.size} points are nan or inf, {_first(bad)}; "
            "leave them out, or fit bounded values with spc.censored.normal_fit"
        )


def no_infinity(values: Floats, name: str) -> None:
    """Raise ValueError if a value is infinite; nan is a missing value.

    Examples
    --------
    >>> no_infinity(np.array([1.0, np.nan]), "x")
    """
    # Two passes without a temporary array: a batch may have millions of points. fmin and fmax ignore nan.
    if values.size and (np.fmax.reduce(values, axis=None) == np.inf or np.fmin.reduce(values, axis=None) == -np.inf):
        bad = np.isinf(values)
        raise ValueError(
            f"{name} must be finite, or nan where there is no value: {bad.sum()} of {values.size} values are inf, "
            f"{_first(bad)}; leave them out, or fit bounded values with spc.censored.normal_fit"
        )


def as_points(x: ArrayLike, name: str = "x", at_least: int = 1) -> Floats:
    """Convert to a finite float array of shape (n,), n >= `at_least`; ValueError otherwise.

    Examples
    --------
    >>> as_points([1, 2])
    array([1., 2.])
    """
    points = np.asarray(x, dtype=np.float64)
    if points.ndim != 1:
        raise ValueError(f"{name} must be one-dimensional, one value a point in time order; got shape {points.shape}")
    if points.size < at_least:
        raise ValueError(f"{name} must hold at least {at_least} points, got {points.size}")
    _require_finite(points, name)
    return points


def as_streams(x: ArrayLike, name: str = "x", at_least: int = 1) -> tuple[Floats, bool]:
    """Convert points to a batch (lots, streams); also whether `x` was one stream, of shape (lots,).

    One stream must be finite. In a batch nan is padding or a missing lot; an infinite value raises ValueError.

    Examples
    --------
    >>> points, single = as_streams([1.0, 2.0])
    >>> points.shape, single
    ((2, 1), True)
    """
    points = np.asarray(x, dtype=np.float64)
    if points.ndim != 2:
        return as_points(points, name, at_least)[:, None], True
    if points.shape[0] < at_least:
        raise ValueError(f"{name} must hold at least {at_least} lots (rows), got shape {points.shape}")
    no_infinity(points, name)
    return points, False


def as_subgroups(x: ArrayLike, name: str = "x", at_least: int = 2) -> tuple[Floats, bool]:
    """Convert subgroups to a batch (lots, streams, size); also whether `x` was one stream, of shape (lots, size).

    Nan pads a short subgroup; an infinite value raises ValueError. In one stream each row needs `at_least` values; in a
    batch a subgroup may be missing.

    Examples
    --------
    >>> groups, single = as_subgroups([[1.0, 2.0], [3.0, np.nan]], at_least=1)
    >>> groups.shape, single
    ((2, 1, 2), True)
    """
    groups = np.asarray(x, dtype=np.float64)
    if groups.ndim not in (2, 3):
        raise ValueError(f"{name} must be two-dimensional, a row a subgroup; got shape {groups.shape}")
    if groups.shape[0] < 1 or groups.shape[-1] < 2:
        raise ValueError(f"{name} must hold at least one subgroup of at least two values, got shape {groups.shape}")
    no_infinity(groups, name)
    if groups.ndim == 3:
        return groups, False
    sizes = np.count_nonzero(~np.isnan(groups), axis=1)
    short = np.flatnonzero(sizes < at_least)
    if short.size:
        raise ValueError(
            f"{name} must hold at least {at_least} values a subgroup: {short.size} of {sizes.size} rows hold fewer, "
            f"the first at index {short[0]} with {sizes[short[0]]}; leave them out"
        )
    return groups[:, None, :], True


def per_stream(value: ArrayLike, streams: int, name: str) -> Floats:
    """Convert one finite number, or one a stream, to an array of shape (streams,); ValueError otherwise.

    Examples
    --------
    >>> per_stream(0.5, 2, "sigma")
    array([0.5, 0.5])
    """
    values = np.asarray(value, dtype=np.float64)
    if values.shape not in ((), (streams,)):
        raise ValueError(f"{name} must be one number, or one a stream ({streams}); got shape {values.shape}")
    bad = ~np.isfinite(values)
    if bad.any():
        where = f", {_first(bad)}" if values.ndim else ""
        raise ValueError(f"{name} must be a finite number, got {values[bad].flat[0]}{where}")
    return np.broadcast_to(values, (streams,))


def finite_number(value: float, name: str) -> float:
    """Convert to a float; ValueError if it is nan or infinite.

    Examples
    --------
    >>> finite_number(2, "shift")
    2.0
    """
    number = float(value)
    if not np.isfinite(number):
        raise ValueError(f"{name} must be a finite number, got {value!r}")
    return number


def positive(value: float, name: str) -> float:
    """Convert to a float above 0; ValueError otherwise.

    Examples
    --------
    >>> positive(2, "width")
    2.0
    """
    number = finite_number(value, name)
    if number <= 0:
        raise ValueError(f"{name} must be above 0, got {value!r}")
    return number


def whole(value: int, name: str, at_least: int) -> int:
    """Convert to an int of at least `at_least`; ValueError otherwise, also for a fraction.

    Examples
    --------
    >>> whole(3.0, "n", at_least=2)
    3
    """
    number = int(value) if np.isfinite(value) else at_least - 1
    if number != value or number < at_least:
        raise ValueError(f"{name} must be a whole number of at least {at_least}, got {value!r}")
    return number
