"""Distribution of two correlated normal values, fast for arrays."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spc.kernels.arrays import Floats

__all__ = ["both_below"]

# A correlation this close to 1 makes both values one: the distribution is that of the smaller bound.
_ONE = 1 - 1e-12


def both_below(h: ArrayLike, k: ArrayLike, correlation: ArrayLike) -> Floats:
    """P(X <= h and Y <= k) of standard normal X and Y, by the T function of D. B. Owen (1956).

    D. B. Owen (1956), Tables for computing bivariate normal probabilities, Annals of Mathematical Statistics 27,
    1075-1090. The bounds may be infinite. Arrays are broadcast together; the correlation is in [0, 1].

    Examples
    --------
    Two independent values, and two equal ones:

    >>> both_below([0.0, 1.0], [0.0, 2.0], [0.0, 1.0]).round(6)
    array([0.25    , 0.841345])
    """
    x, y, rho = np.broadcast_arrays(
        *(np.asarray(value, dtype=np.float64) for value in (h, k, np.clip(correlation, 0.0, 1.0)))
    )
    # Beyond 38 standard deviations the normal distribution is 0 or 1 in floating point.
    x, y, one = np.clip(x, -38.0, 38.0), np.clip(y, -38.0, 38.0), rho >= _ONE
    inner = np.where(one, 0.0, rho)
    with np.errstate(divide="ignore", invalid="ignore"):
        rest = np.sqrt(1 - inner**2)
        slope_x, slope_y = (y - inner * x) / (x * rest), (x - inner * y) / (y * rest)
    # At a bound of 0 the slope is infinite, with the sign of the other bound; at two bounds of 0 there is a closed form.
    slope_x = np.where(x == 0, np.where(y < 0, -np.inf, np.inf), slope_x)
    slope_y = np.where(y == 0, np.where(x < 0, -np.inf, np.inf), slope_y)
    apart = np.where((x * y > 0) | ((x * y == 0) & (x + y >= 0)), 0.0, 0.5)
    below = (
        0.5 * (special.ndtr(x) + special.ndtr(y)) - special.owens_t(x, slope_x) - special.owens_t(y, slope_y) - apart
    )
    below = np.where((x == 0) & (y == 0), 0.25 + np.arcsin(inner) / (2 * np.pi), below)
    return np.clip(np.where(one, special.ndtr(np.minimum(x, y)), below), 0.0, 1.0)
