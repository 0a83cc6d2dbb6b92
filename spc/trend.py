"""Whether the level of lots moves over a stretch of time: a straight line through the lots, against their own scatter.

The unit is the lot. Lots that follow each other may be alike without a trend; the autocorrelation of the stream allows for that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spc.kernels.validation import as_points

__all__ = ["FEWEST_LOTS", "RISK", "RISK_AFTER_ALERT", "Trend", "moves", "trend"]

FEWEST_LOTS = 3
"""Fewest lots for a trend: two lots show no scatter about a line."""

RISK = 0.01
"""Chance to call a level moving that stands (two-sided), where nothing else points to a move."""

RISK_AFTER_ALERT = 0.05
"""The same on the side of an alert that is open since before the stretch: that a level which moved moves on is likely."""


@dataclass(frozen=True, slots=True)
class Trend:
    """Change of the level a week, in the charted scale, with its standard error and degrees of freedom.

    `p_value` is two-sided, for a level that stands.
    """

    slope: float
    se: float
    df: float
    p_value: float


def trend(weeks: ArrayLike, levels: ArrayLike, autocorrelation: float = 0.0) -> Trend | None:
    """Fit a straight line to the levels of lots.

    Parameters
    ----------
    weeks : array_like, shape (n,)
        Time of each test in weeks from any origin, not falling.
    levels : array_like, shape (n,)
        Level of each lot in the charted scale.
    autocorrelation : float
        Lag-1 autocorrelation of lots of a level that stands, in (-1, 1).

    Returns
    -------
    Trend or None
        None with fewer than `FEWEST_LOTS` lots, where all were tested at one time, or where the lots have no scatter.

    Raises
    ------
    ValueError
        If shapes differ, weeks fall, a value is not finite, or the autocorrelation is out of range.

    Notes
    -----
    Generalised least squares for a first-order autoregression: each lot less the autocorrelation times the one before it, the
    first one scaled to the same variance [1]_. With independent lots that is the textbook line with Student's t of n - 2
    degrees of freedom.

    References
    ----------
    .. [1] S. J. Prais and C. B. Winsten (1954), Trend estimators and serial correlation, Cowles Commission discussion paper
       383 (from memory).

    Examples
    --------
    >>> result = trend([0, 1, 2, 3, 4, 5], [2.30, 2.34, 2.33, 2.37, 2.38, 2.43])
    >>> round(result.slope, 4), result.df, result.p_value < 0.01
    (0.0231, 4.0, True)
    >>> trend([0, 1], [2.3, 2.4]) is None
    True
    """
    times, points = as_points(weeks, "weeks", at_least=0), as_points(levels, "levels", at_least=0)
    if times.shape != points.shape:
        raise ValueError(f"weeks and levels must have one shape, got {times.shape} and {points.shape}")
    if (np.diff(times) < 0).any():
        raise ValueError("weeks must not fall: put the lots in order of test first")
    if not -1 < autocorrelation < 1:
        raise ValueError(f"autocorrelation must be between -1 and 1, got {autocorrelation!r}")
    if points.size < FEWEST_LOTS or not np.ptp(times) > 0:
        return None
    columns = np.column_stack([np.ones(points.size), times - times.mean(), points - points.mean()])
    white = columns.copy()
    white[0] *= np.sqrt(1 - autocorrelation**2)
    white[1:] -= autocorrelation * columns[:-1]
    design, y = white[:, :2], white[:, 2]
    coefficients = np.linalg.lstsq(design, y, rcond=None)[0]
    df = points.size - 2.0
    squares = float(np.sum((y - design @ coefficients) ** 2))
    # What is left of equal levels, or of levels on a line, is rounding.
    if squares <= 1e-24 * max(float(points @ points), 1e-300):
        return None
    se = float(np.sqrt(squares / df * np.linalg.inv(design.T @ design)[1, 1]))
    slope = float(coefficients[1])
    return Trend(slope, se, df, 2 * float(special.stdtr(df, -abs(slope) / se)))


def moves(result: Trend | None, alert: int = 0) -> bool:
    """Whether the lots of a stretch show that their level moves.

    Parameters
    ----------
    result : Trend or None
        The trend of the stretch.
    alert : {-1, 0, 1}
        Direction of a move of the level that began before the stretch and is not over; 0 for none.

    Returns
    -------
    bool
        A level that moved before the stretch and stands since does not move.

    Examples
    --------
    >>> rising = trend([0, 1, 2, 3, 4, 5], [2.30, 2.34, 2.33, 2.35, 2.34, 2.37])
    >>> moves(rising), moves(rising, alert=1), moves(rising, alert=-1)
    (False, True, False)
    """
    if result is None:
        return False
    on_the_side = result.slope * alert > 0 and result.p_value / 2 < RISK_AFTER_ALERT
    return bool(on_the_side or result.p_value < RISK)
