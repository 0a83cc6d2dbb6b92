"""Out of logarithms without leaving the numbers: what lies beyond the largest of them is told as the largest.

A reading may be any finite number, and the interval of a few wild readings reaches further than numbers do.
"""

from __future__ import annotations

import math
import sys

import numpy as np
from numpy.typing import ArrayLike

from spc.kernels.validation import Floats

__all__ = ["LARGEST", "MOST_COUNTED", "SMALLEST", "exp", "exp_all", "percent_change"]

# IEEE 754 double precision: the largest number and the smallest above 0; a logarithm whose exponential is a number.
LARGEST, SMALLEST = sys.float_info.max, math.ulp(0.0)
# What a reading counts for at most in the averages of a linear scale: its square, and the square of that, are numbers still,
# and nothing that a bench measures comes near it.
MOST_COUNTED = 1e75
_MOST = math.log(LARGEST) - 1e-12


def exp(value: float) -> float:
    """Exponential of a finite number.

    Examples
    --------
    >>> exp(0.0), exp(1e4) == LARGEST, exp(-1e4)
    (1.0, True, 0.0)
    """
    return math.exp(value) if value <= _MOST else LARGEST


def exp_all(values: ArrayLike) -> Floats:
    """Exponentials of an array; infinities, the open ends of intervals, stay infinite.

    Examples
    --------
    >>> exp_all([-np.inf, 0.0, np.inf])
    array([ 0.,  1., inf])
    """
    x = np.asarray(values, dtype=np.float64)
    beyond = np.isfinite(x) & (x > _MOST)
    return np.asarray(np.where(beyond, LARGEST, np.exp(np.where(beyond, 0.0, x))))


def percent_change(log_ratio: float) -> float:
    """Change in percent of a ratio given by its natural logarithm.

    Examples
    --------
    >>> round(percent_change(0.1), 3), percent_change(1e4) == LARGEST
    (10.517, True)
    """
    return min(100.0 * math.expm1(min(log_ratio, _MOST)), LARGEST)
