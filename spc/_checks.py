"""Checks of input that the statistics share: what was expected, what came, what to do."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Floats", "as_points", "as_subgroups", "finite_number", "positive", "whole"]

Floats = NDArray[np.float64]


def _require_finite(values: Floats, name: str) -> None:
    bad = np.flatnonzero(~np.isfinite(values.ravel()))
    if bad.size:
        raise ValueError(
            f"{name} must be finite: {bad.size} of {values.size} points are nan or inf, the first at index {bad[0]}; "
            "leave them out, or fit bounded values with spc.censored.normal_fit"
        )


def as_points(x: ArrayLike, name: str = "x", at_least: int = 1) -> Floats:
    """One finite float array of shape (n,), n >= `at_least`; ValueError names `name` otherwise."""
    points = np.asarray(x, dtype=np.float64)
    if points.ndim != 1:
        raise ValueError(f"{name} must be one-dimensional, one value a point in time order; got shape {points.shape}")
    if points.size < at_least:
        raise ValueError(f"{name} must hold at least {at_least} points, got {points.size}")
    _require_finite(points, name)
    return points


def as_subgroups(x: ArrayLike, name: str = "x") -> Floats:
    """Float array of shape (subgroups, size >= 2), finite; ValueError names `name` otherwise."""
    groups = np.asarray(x, dtype=np.float64)
    if groups.ndim != 2:
        raise ValueError(f"{name} must be two-dimensional, a row a subgroup; got shape {groups.shape}")
    if groups.shape[0] < 1 or groups.shape[1] < 2:
        raise ValueError(f"{name} must hold at least one subgroup of at least two values, got shape {groups.shape}")
    _require_finite(groups, name)
    return groups


def finite_number(value: float, name: str) -> float:
    """`value` as a float, or ValueError where it is nan or infinite."""
    number = float(value)
    if not np.isfinite(number):
        raise ValueError(f"{name} must be a finite number, got {value!r}")
    return number


def positive(value: float, name: str) -> float:
    """`value` as a float above 0, or ValueError."""
    number = finite_number(value, name)
    if number <= 0:
        raise ValueError(f"{name} must be above 0, got {value!r}")
    return number


def whole(value: int, name: str, at_least: int) -> int:
    """`value` as an int of at least `at_least`, or ValueError (also for a fraction)."""
    number = int(value)
    if number != value or number < at_least:
        raise ValueError(f"{name} must be a whole number of at least {at_least}, got {value!r}")
    return number
