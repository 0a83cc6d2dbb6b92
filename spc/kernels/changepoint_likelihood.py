"""Gain in log-likelihood of every start of a change, for many streams at once; arrays (lots, streams).

Row t means a change whose first point is that of row t. A row without a point is no start.
Library only: no command or page uses this module yet.
"""

from __future__ import annotations

import numpy as np

from spc.kernels.arrays import Flags, Floats, Indices
from spc.kernels.ragged import at_rows, medians, rows_before
from spc.kernels.subgroups import quotient

__all__ = ["cut_gains", "likely_starts", "ramp_gains", "step_gains"]


def step_gains(points: Floats, weight: Floats) -> tuple[Floats, Floats, Floats]:
    """Gain, size and information of a step at every row; `points` are about the centre, nan where there is none.

    Examples
    --------
    >>> points = np.array([[0.0], [0.0], [2.0], [2.0]])
    >>> gain, size, information = step_gains(points, np.ones((4, 1)))
    >>> gain.ravel().tolist(), size[2].tolist(), information[2].tolist()
    ([2.0, 2.6666666666666665, 4.0, 2.0], [2.0], [2.0])
    """
    there = ~np.isnan(points)
    after = _sums_after(np.where(there, weight, 0.0))
    size = quotient(_sums_after(np.where(there, weight * points, 0.0)), after)
    return np.where(there, 0.5 * after * size**2, -np.inf), size, after


def ramp_gains(points: Floats, weight: Floats, times: Floats) -> tuple[Floats, Floats, Floats]:
    """Gain, slope and information of a ramp that starts at the point before every row.

    The first ramp starts one median gap before the first point. Sums of age, age squared and age times value are
    updated backwards from start to start; all added terms have one sign, so no digits are lost.

    Examples
    --------
    >>> points = np.array([[0.0], [0.0], [1.0], [2.0]])
    >>> gain, slope, information = ramp_gains(points, np.ones((4, 1)), np.arange(4.0)[:, None])
    >>> gain.ravel().round(2).tolist(), slope[2].tolist()
    ([2.02, 2.29, 2.5, 2.0], [1.0])
    """
    there = ~np.isnan(points)
    weighed = np.where(there, weight, 0.0)
    values = np.where(there, weight * points, 0.0)
    gaps = _gaps(times, there)
    information, moment = np.zeros_like(weighed), np.zeros_like(weighed)
    mass, age, score = (np.zeros(points.shape[1]) for _ in range(3))
    squares, cross = np.zeros(points.shape[1]), np.zeros(points.shape[1])
    for t in range(points.shape[0] - 1, -1, -1):
        gap = gaps[t]
        mass, score = mass + weighed[t], score + values[t]
        squares = squares + 2 * gap * age + gap**2 * mass
        age = age + gap * mass
        cross = cross + gap * score
        information[t], moment[t] = squares, cross
    # With ties at the end there is no point after the start: no information and no gain.
    slope = np.divide(moment, information, out=np.zeros_like(moment), where=information > 0)
    return np.where(there, 0.5 * information * slope**2, -np.inf), slope, information


def cut_gains(points: Floats, shortest: int) -> tuple[Floats, Indices]:
    """Reduction of the sum of squares by a cut after every row, and the number of points up to that row.

    The reduction is -1 where a part is too short.

    Examples
    --------
    >>> gain, counted = cut_gains(np.array([[1.0], [1.0], [3.0], [3.0]]), shortest=1)
    >>> gain.ravel().round(2).tolist(), counted.ravel().tolist()
    ([1.33, 4.0, 1.33, -1.0], [1, 2, 3, 4])
    """
    there = ~np.isnan(points)
    first = np.cumsum(there, axis=0)
    n = first[-1]
    rest = n - first
    deviation = np.cumsum(np.where(there, points - _mean(points, there), 0.0), axis=0)
    allowed = there & (first >= shortest) & (rest >= shortest)
    spread = np.maximum(first * rest, 1)
    return np.where(allowed, deviation**2 * n / spread, -1.0), first


def likely_starts(gain: Floats, margin: Floats) -> tuple[Indices, Flags]:
    """Row of the largest gain in each stream, and which rows are within `margin` (streams,) of it.

    Examples
    --------
    >>> best, likely = likely_starts(np.array([[0.5], [4.0], [3.5]]), np.array([1.0]))
    >>> best.tolist(), likely.ravel().tolist()
    ([1], [False, True, True])
    """
    best = np.argmax(gain, axis=0)
    return best, np.isfinite(gain) & (gain >= at_rows(gain, best) - margin)


def _mean(points: Floats, there: Flags) -> Floats:
    return quotient(np.where(there, points, 0.0).sum(axis=0), np.count_nonzero(there, axis=0))


def _sums_after(values: Floats) -> Floats:
    """Sum from each row to the end."""
    return np.cumsum(values[::-1], axis=0)[::-1]


def _gaps(times: Floats, there: Flags) -> Floats:
    """Time since the previous point, 0 in rows without a point; for the first point the median gap of its stream, or 1."""
    before = rows_before(there)
    since = np.where(there, times - np.take_along_axis(times, np.maximum(before, 0), axis=0), 0.0)
    typical = medians(np.where((before >= 0) & (since > 0), since, np.nan))
    return np.where(there & (before < 0), np.where(np.isnan(typical), 1.0, typical), since)
