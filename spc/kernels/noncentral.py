"""The law of a ratio to an estimated standard deviation, summed over what the estimate may be."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import special

from spc.kernels.arrays import Floats

__all__ = ["SCORES", "WEIGHTS", "chi_ratio", "noncentral_t", "root", "roots"]

SCORES = np.linspace(-8.5, 8.5, 341)
"""Normal scores at which the law of an estimated sigma is summed: the trapezoid of a normal integral at steps of 0.05
is exact to rounding where the integrand is smooth."""
WEIGHTS = np.exp(-0.5 * SCORES**2) / np.exp(-0.5 * SCORES**2).sum()

_MOST_STEPS = 100  # halving alone would close any bracket to rounding by then


def chi_ratio(df: float) -> Floats:
    """Estimated over true standard deviation at each normal score: sqrt(chi-square / df)."""
    low = special.gammaincinv(df / 2, special.ndtr(np.minimum(SCORES, 0)))
    high = special.gammainccinv(df / 2, special.ndtr(-np.maximum(SCORES, 0)))
    return np.sqrt(2 * np.where(SCORES < 0, low, high) / df)


def roots(rising: Callable[[Floats], Floats], low: Floats, high: Floats, tolerance: Floats | float) -> Floats:
    """Where each of many rising functions passes 0, within `tolerance`; an end of its range where it does not inside.

    The bracketing of Chandrupatla: inverse quadratic interpolation where it is safe, else halving. T. R. Chandrupatla
    (1997), A new hybrid quadratic/bisection algorithm for finding the zero of a nonlinear function, Advances in
    Engineering Software 28, 145-149.
    """
    a, b = low, high
    at_low, at_high = fa, fb = rising(a), rising(b)
    share = np.full_like(a, 0.5)
    with np.errstate(divide="ignore", invalid="ignore"):  # a bracket that has closed divides by 0, and is halved
        for _ in range(_MOST_STEPS):
            new = a + share * (b - a)
            value = rising(new)
            same = (value > 0) == (fa > 0)
            c, fc = np.where(same, a, b), np.where(same, fa, fb)
            b, fb = np.where(same, b, a), np.where(same, fb, fa)
            a, fa = new, value
            width = np.abs(b - a)
            if not (width > tolerance).any():
                break
            share = _next_share(a, b, c, fa, fb, fc, 0.5 * tolerance / np.maximum(width, tolerance))
    return np.where(at_low >= 0, low, np.where(at_high <= 0, high, np.where(np.abs(fa) < np.abs(fb), a, b)))


def _next_share(a: Floats, b: Floats, c: Floats, fa: Floats, fb: Floats, fc: Floats, least: Floats) -> Floats:
    """How far from `a` to `b` to look next."""
    place, height = (a - b) / (c - b), (fa - fb) / (fc - fb)
    curved = fa / (fb - fa) * fc / (fb - fc) + (c - a) / (b - a) * fa / (fc - fa) * fb / (fc - fb)
    safe = (height**2 < place) & ((1 - height) ** 2 < 1 - place) & np.isfinite(curved)
    return np.clip(np.where(safe, curved, 0.5), least, 1 - least)


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
