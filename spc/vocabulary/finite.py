"""The range of floating-point numbers, and exponentials that stay inside it.

A reading may be any finite number, and the interval of a session with extreme readings may reach beyond the largest
number. Results beyond the range are given as the largest number, so that every screen and file can show them.
"""

from __future__ import annotations

import math
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import ArrayLike, NDArray

__all__ = ["LARGEST", "MOST_COUNTED", "SMALLEST", "exp", "exp_all", "percent_change"]

# IEEE 754 double precision: the largest number, and the smallest above 0.
LARGEST, SMALLEST = sys.float_info.max, math.ulp(0.0)
# Averages on a linear scale cap a reading here: its square, and the square of that, stay finite, and no bench measures
# values of this size.
MOST_COUNTED = 1e75
_LARGEST_EXPONENT = math.log(LARGEST) - 1e-12


def exp(value: float) -> float:
    """Exponential of a finite number, at most `LARGEST`.

    Parameters
    ----------
    value : float
        A natural logarithm, such as a level in the charted scale.

    Returns
    -------
    float
        In [0, `LARGEST`].

    Examples
    --------
    >>> exp(0.0), exp(1e4) == LARGEST, exp(-1e4)
    (1.0, True, 0.0)
    """
    return math.exp(value) if value <= _LARGEST_EXPONENT else LARGEST


def exp_all(values: ArrayLike) -> NDArray[np.float64]:
    """Exponentials of an array, at most `LARGEST`; infinite ends of intervals stay infinite.

    Parameters
    ----------
    values : array_like
        Natural logarithms, any shape; nan stays nan.

    Returns
    -------
    ndarray of float
        The shape of `values`.

    Examples
    --------
    >>> exp_all([-math.inf, 0.0, math.inf])
    array([ 0.,  1., inf])
    """
    import numpy as np  # Here, because constants and `exp` are needed where numpy is too slow to load

    x = np.asarray(values, dtype=np.float64)
    too_large = np.isfinite(x) & (x > _LARGEST_EXPONENT)
    return np.asarray(np.where(too_large, LARGEST, np.exp(np.where(too_large, 0.0, x))))


def percent_change(log_ratio: float) -> float:
    """Change in percent that belongs to the natural logarithm of a ratio, at most `LARGEST`.

    Parameters
    ----------
    log_ratio : float
        Natural logarithm of new over old.

    Returns
    -------
    float
        In percent: -50 where the value halved, 100 where it doubled.

    Examples
    --------
    >>> round(percent_change(0.1), 3), percent_change(1e4) == LARGEST
    (10.517, True)
    """
    return min(100.0 * math.expm1(min(log_ratio, _LARGEST_EXPONENT)), LARGEST)
