"""Fractions of lots beyond a limit by counting, with lots that a limit leaves open."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spc.kernels.arrays import Floats

__all__ = ["count_interval"]


def count_interval(
    failed: ArrayLike, undecided: ArrayLike, of: ArrayLike, confidence: float = 0.95
) -> tuple[Floats, Floats]:
    """Interval of a fraction of failing lots by counting; its ends hold whatever becomes of undecided lots.

    Parameters
    ----------
    failed, undecided, of : array_like of int
        Failing lots, lots that the limit leaves open, and all lots; failed + undecided <= of.
    confidence : float
        Of the two-sided interval, in (0, 1).

    Returns
    -------
    tuple of ndarray
        Lower end if no open lot fails, upper end if all do; exact binomial [1]_. 0 to 1 where there is no lot.

    Raises
    ------
    ValueError
        If a count is out of range.

    References
    ----------
    .. [1] C. J. Clopper and E. S. Pearson (1934), Biometrika 26, 404-413.

    Examples
    --------
    >>> low, high = count_interval(3, 2, 20)
    >>> round(float(low), 3), round(float(high), 3)
    (0.032, 0.491)
    """
    bad, unsure, n = np.broadcast_arrays(*(np.asarray(one, dtype=np.float64) for one in (failed, undecided, of)))
    if not ((bad >= 0) & (unsure >= 0) & (bad + unsure <= n)).all():
        raise ValueError(
            f"counts must satisfy 0 <= failed, undecided and failed + undecided <= of, got {failed!r}, {undecided!r}, {of!r}"
        )
    tail = (1 - confidence) / 2
    worst = bad + unsure
    low = np.where(bad > 0, special.betaincinv(np.maximum(bad, 1), n - bad + 1, tail), 0.0)
    high = np.where(worst < n, special.betaincinv(worst + 1, np.maximum(n - worst, 1), 1 - tail), 1.0)
    return np.asarray(low), np.asarray(high)
