"""Sums and crossings for straight lines of several lots, and the likelihood of how their slopes vary."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.kernels.arrays import Floats, Indices
from spc.kernels.validation import as_points

__all__ = ["LotSums", "by_lot", "first_crossing", "lot_columns", "lot_sums", "scenario_likelihood"]


@dataclass(frozen=True, slots=True, eq=False)
class LotSums:
    """Count, mean age and level, and sums of squares and products about the means, by lot; shape (k,)."""

    n: Floats
    age: Floats
    level: Floats
    xx: Floats
    xy: Floats
    yy: Floats


def lot_columns(
    age: ArrayLike, level: ArrayLike, lot: Sequence[Hashable] | ArrayLike
) -> tuple[Floats, Floats, Indices, list[Hashable]]:
    """Age, level and number of the lot of each test, and the names of the lots in the order of their first test.

    Examples
    --------
    >>> lot_columns([1, 2], [3, 4], ["A", "B"])[2:]
    (array([0, 1]), ['A', 'B'])
    """
    x, y = as_points(age, "age", at_least=0), as_points(level, "level", at_least=0)
    labels: list[Hashable] = lot.tolist() if isinstance(lot, np.ndarray) else list(lot)  # type: ignore[arg-type]
    if not x.size == y.size == len(labels):
        raise ValueError(f"age, level and lot must be of one length, got {x.size}, {y.size} and {len(labels)}")
    places = {name: place for place, name in enumerate(dict.fromkeys(labels))}
    return x, y, np.array([places[name] for name in labels], dtype=np.intp), list(places)


def lot_sums(x: Floats, y: Floats, number: Indices, k: int) -> LotSums:
    """Sums by lot for `k` lots with `number` in 0 .. k - 1.

    Examples
    --------
    >>> sums = lot_sums(np.array([1.0, 3.0]), np.array([2.0, 6.0]), np.array([0, 0]), 1)
    >>> sums.xx, sums.xy
    (array([2.]), array([4.]))
    """
    n = np.bincount(number, minlength=k).astype(np.float64)
    mean_x, mean_y = (np.asarray(np.bincount(number, weights=part, minlength=k) / n) for part in (x, y))
    dx, dy = x - mean_x[number], y - mean_y[number]
    xx, xy, yy = (
        np.asarray(np.bincount(number, weights=part, minlength=k), dtype=np.float64)
        for part in (dx * dx, dx * dy, dy * dy)
    )
    return LotSums(n, mean_x, mean_y, xx, xy, yy)


def by_lot(values: Floats, number: Indices, k: int) -> Floats:
    """Sums by lot of each row, shape (rows, k).

    Examples
    --------
    >>> by_lot(np.array([[1.0, 2.0, 4.0]]), np.array([0, 1, 1]), 2)
    array([[1., 6.]])
    """
    return np.asarray(values @ (number[:, None] == np.arange(k)).astype(np.float64))


def first_crossing(
    start: float, slope: float, variance: tuple[float, float, float], limit: float, sign: float
) -> float:
    """Least age from 0 on at which a line meets a limit with the square root of a quadratic to spare.

    Parameters
    ----------
    start, slope : float
        The line.
    variance : tuple of float
        Constant, linear and square coefficient of the quadratic.
    limit, sign : float
        The limit; `sign` is +1 for an upper one, -1 for a lower one.

    Returns
    -------
    float
        0 if it is met at age 0 already, inf if it never is.

    Examples
    --------
    >>> round(first_crossing(9.0, 0.1, (0.04, 0.0, 0.0), 11.0, 1.0), 6)
    18.0
    """
    room, pace = sign * (limit - start), sign * slope  # The line is inside while room - pace * age > 0
    q0, q1, q2 = variance
    if room <= np.sqrt(max(q0, 0.0)):
        return 0.0
    square = pace**2 - q2
    rest = [-2 * room * pace - q1, room**2 - q0]
    equation = np.array([square, *rest] if square else rest)
    ages = sorted(float(x.real) for x in np.roots(equation) if abs(x.imag) < 1e-9 * (1 + abs(x)) and x.real > 0)
    return next((x for x in ages if room - pace * x >= -1e-9 * abs(room)), np.inf)


def scenario_likelihood(
    x: Floats, y: Floats, number: Indices, prior_variance: Floats, session: Floats, between: Floats
) -> tuple[Floats, Floats, Floats]:
    """Restricted log likelihood of lots' lines for standard deviations of a test and of the lots' slopes.

    Parameters
    ----------
    x, y, number : ndarray, shape (n,)
        Age, level and lot of each test; every lot has two ages.
    known : ndarray, shape (n,)
        Variance of a test beside that of the scenario.
    session, between : ndarray, shape (s,) and (b,)
        The standard deviations.

    Returns
    -------
    log_likelihood, mean, precision : ndarray, shape (s, b)
        The mean slope of each scenario, and one over its variance.

    Examples
    --------
    >>> x, number = np.array([0.0, 1.0, 0.0, 1.0]), np.array([0, 0, 1, 1])
    >>> parts = scenario_likelihood(x, np.array([0.0, 1.0, 0.0, 3.0]), number, np.zeros(4), np.array([1.0]), np.array([0.0]))
    >>> [part.round(2).tolist() for part in parts[1:]]
    [[[2.0]], [[1.0]]]
    """
    k = int(number.max()) + 1
    weight = 1.0 / (session[:, None] ** 2 + prior_variance)  # (session, tests)
    total, of_x, of_y = (by_lot(weight * part, number, k) for part in (np.ones(x.size), x, y))
    dx, dy = x - (of_x / total)[:, number], y - (of_y / total)[:, number]
    xx, xy, yy = (by_lot(weight * part, number, k) for part in (dx * dx, dx * dy, dy * dy))
    slope, error = xy / xx, 1.0 / xx
    of_session = 0.5 * (np.log(weight).sum(axis=1) - (np.log(total) + np.log(xx) + yy - slope * xy).sum(axis=1))
    variance = between[None, :, None] ** 2 + error[:, None, :]  # (session, between, lots)
    precision = (1.0 / variance).sum(axis=2)
    mean = (slope[:, None, :] / variance).sum(axis=2) / precision
    off = ((slope[:, None, :] - mean[:, :, None]) ** 2 / variance).sum(axis=2)
    return of_session[:, None] - 0.5 * (np.log(variance).sum(axis=2) + np.log(precision) + off), mean, precision
