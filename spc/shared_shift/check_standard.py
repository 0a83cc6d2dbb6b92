"""What a check standard that drifts adds to the films measured beside it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from spc.kernels.validation import Floats, as_points

__all__ = ["standard_shift"]

_BEFORE = 25  # Checks whose mean is the level before
_NEAR = 5  # Checks whose mean is the level of the day


def standard_shift(times: ArrayLike, levels: ArrayLike, since: float, at: ArrayLike) -> Floats:
    """Shift of a check standard from its level before it began to move.

    Parameters
    ----------
    times, levels : array_like, shape (n,)
        Its checks in order of time, any unit of time; levels in the charted scale.
    since : float
        When it began to move.
    at : array_like, shape (m,)
        Times of the shift wanted, from `since` on.

    Returns
    -------
    ndarray, shape (m,)
        Mean of at most five checks from `since` up to each time, less the mean of at most 25 before `since`; 0 where
        either has none. No check after a time counts for it.

    Raises
    ------
    ValueError
        If `times` and `levels` differ in shape or are not finite.

    Examples
    --------
    >>> standard_shift([1, 2, 3, 4, 5], [0.0, 0.0, 0.3, 0.5, 0.7], since=2.5, at=[3.0, 4.5]).round(2)
    array([0.3, 0.4])
    """
    time, level = as_points(times, "times", at_least=0), as_points(levels, "levels", at_least=0)
    if time.shape != level.shape:
        raise ValueError(f"times and levels must have one shape, got {time.shape} and {level.shape}")
    wanted = as_points(at, "at", at_least=0)
    first = int(np.searchsorted(time, since))
    if first == 0 or not wanted.size:
        return np.zeros(wanted.size)
    center = level[max(first - _BEFORE, 0) : first].mean()
    total = np.concatenate([[0.0], np.cumsum(level - center)])
    end = np.searchsorted(time, wanted, side="right")
    start = np.maximum(end - _NEAR, first)
    some = np.maximum(end - start, 1)
    return np.asarray(np.where(end > start, (total[end] - total[start]) / some, 0.0), dtype=np.float64)
