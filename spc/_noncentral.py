"""The law of a ratio to an estimated standard deviation, summed over what the estimate may be."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import special

from spc._checks import Floats

__all__ = ["SCORES", "WEIGHTS", "chi_ratio", "noncentral_t", "root"]

SCORES = np.linspace(-8.5, 8.5, 341)
"""Normal scores at which the law of an estimated sigma is summed: the trapezoid of a normal integral at steps of 0.05
is exact to rounding where the integrand is smooth."""
WEIGHTS = np.exp(-0.5 * SCORES**2) / np.exp(-0.5 * SCORES**2).sum()


def chi_ratio(df: float) -> Floats:
    """Estimated over true standard deviation at each normal score: sqrt(chi-square / df)."""
    low = special.gammaincinv(df / 2, special.ndtr(np.minimum(SCORES, 0)))
    high = special.gammainccinv(df / 2, special.ndtr(-np.maximum(SCORES, 0)))
    return np.sqrt(2 * np.where(SCORES < 0, low, high) / df)


def noncentral_t(t: float, df: float, shift: float) -> float:
    """P(T <= t) of the noncentral t distribution: (Z + shift) / chi <= t, summed over chi."""
    return float(WEIGHTS @ special.ndtr(t * chi_ratio(df) - shift))


def root(rising: Callable[[float], float], low: float, high: float, halvings: int = 200) -> float:
    """Where a rising function passes 0, by halving; to rounding unless fewer halvings are asked for.

    An end of the range where it does not pass 0 inside.
    """
    for _ in range(halvings):
        middle = 0.5 * (low + high)
        if not low < middle < high:
            break
        low, high = (low, middle) if rising(middle) >= 0 else (middle, high)
    return 0.5 * (low + high)
