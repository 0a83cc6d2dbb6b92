"""Fractions of lots beyond a limit: by counting, with lots that a limit leaves open, and how many of coming lots to expect."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spc.kernels.arrays import Floats
from spc.kernels.validation import as_points

__all__ = ["Coming", "coming", "count_interval", "next_beyond"]


@dataclass(frozen=True, slots=True)
class Coming:
    """Failing lots among coming ones: mean, chance of none, and central interval of the number."""

    mean: float
    none: float
    low: int
    high: int


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


def coming(failed: int, of: int, lots: int, confidence: float = 0.95) -> Coming:
    """Failing lots among coming ones of a stream that holds still.

    Parameters
    ----------
    failed, of : int
        Failing lots among those so far, 0 <= failed <= of.
    lots : int
        Coming lots, >= 0.
    confidence : float
        Of the central interval.

    Returns
    -------
    Coming
        Beta-binomial with the prior of Jeffreys [1]_.

    Raises
    ------
    ValueError
        If a count is out of range.

    References
    ----------
    .. [1] H. Jeffreys (1961), Theory of Probability, 3rd ed., section 3.10.

    Examples
    --------
    >>> result = coming(3, 20, 13)
    >>> round(result.mean, 2), result.low, result.high
    (2.17, 0, 6)
    """
    if not 0 <= failed <= of or lots < 0:
        raise ValueError(f"counts must satisfy 0 <= failed <= of and lots >= 0, got {failed!r}, {of!r} and {lots!r}")
    a, b = failed + 0.5, of - failed + 0.5
    number = np.arange(lots + 1)
    log = (
        special.gammaln(lots + 1) - special.gammaln(number + 1) - special.gammaln(lots - number + 1)
        + special.betaln(number + a, lots - number + b) - special.betaln(a, b)
    )  # fmt: skip
    chance = np.exp(log)
    below = np.cumsum(chance)
    tail = (1 - confidence) / 2
    low = int(np.searchsorted(below, tail))
    high = min(int(np.searchsorted(below, 1 - tail)), lots)
    return Coming(lots * a / (a + b), float(chance[0]), low, high)


def next_beyond(levels: ArrayLike, limit: float, side: int = 1) -> float:
    """Chance that the next lot of a stream that holds still is beyond a limit.

    Parameters
    ----------
    levels : array_like, shape (n,)
        Levels of its lots in the charted scale, n >= 2, not all equal.
    limit : float
        Specification limit in the charted scale.
    side : {1, -1}
        1 for an upper limit, -1 for a lower one.

    Returns
    -------
    float
        Predictive Student's t of a normal lot.

    Raises
    ------
    ValueError
        If there are fewer than two levels or all are equal.

    Examples
    --------
    >>> round(next_beyond([2.1, 2.3, 2.2, 2.4], 2.7), 3)
    0.026
    """
    y = as_points(levels, "levels", at_least=2)
    sd = float(y.std(ddof=1))
    if not sd > 0:
        raise ValueError("the levels are all equal: no chance can be estimated")
    distance = side * (limit - float(y.mean())) / (sd * np.sqrt(1 + 1 / y.size))
    return float(special.stdtr(y.size - 1, -distance))
