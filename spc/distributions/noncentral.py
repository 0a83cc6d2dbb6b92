"""Distribution of a ratio to an estimated standard deviation, summed over the distribution of the estimate."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
from scipy import special

from spc.kernels.arrays import Floats

__all__ = ["SCORES", "WEIGHTS", "chi_ratio", "noncentral_t", "noncentral_ts", "root", "roots"]

SCORES = np.linspace(-8.5, 8.5, 341)
"""Normal scores at which the distribution of an estimated sigma is summed. For a smooth integrand the trapezoid rule with
steps of 0.05 is exact to rounding."""
WEIGHTS = np.exp(-0.5 * SCORES**2) / np.exp(-0.5 * SCORES**2).sum()

_MOST_STEPS = 100  # Bisection alone would reach rounding by then


@lru_cache(maxsize=256)  # A root asks some fifty times for the same degrees of freedom
def chi_ratio(df: float) -> Floats:
    """Estimated standard deviation divided by the true one at each normal score: sqrt(chi-square / df). Read only.

    Examples
    --------
    The mean square is 1:

    >>> round(float(WEIGHTS @ chi_ratio(9.0) ** 2), 6)
    1.0
    """
    low = special.gammaincinv(df / 2, special.ndtr(np.minimum(SCORES, 0)))
    high = special.gammainccinv(df / 2, special.ndtr(-np.maximum(SCORES, 0)))
    ratio: Floats = np.sqrt(2 * np.where(SCORES < 0, low, high) / df)
    ratio.flags.writeable = False
    return ratio


def roots(rising: Callable[[Floats], Floats], low: Floats, high: Floats, tolerance: Floats | float) -> Floats:
    """Roots of many rising functions, within `tolerance`; an end of the range where a function has no root inside.

    The method of Chandrupatla: inverse quadratic interpolation where it is safe, else bisection. T. R. Chandrupatla
    (1997), A new hybrid quadratic/bisection algorithm for finding the zero of a nonlinear function, Advances in
    Engineering Software 28, 145-149.

    Examples
    --------
    >>> roots(lambda x: x**2 - np.array([4.0, 9.0]), np.zeros(2), np.full(2, 5.0), 1e-9).round(6)
    array([2., 3.])
    """
    a, b = low, high
    at_low, at_high = fa, fb = rising(a), rising(b)
    share = np.full_like(a, 0.5)
    with np.errstate(divide="ignore", invalid="ignore"):  # A closed bracket divides by 0 and is bisected
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
    """Next point to try, as a share of the way from `a` to `b`."""
    place, height = (a - b) / (c - b), (fa - fb) / (fc - fb)
    curved = fa / (fb - fa) * fc / (fb - fc) + (c - a) / (b - a) * fa / (fc - fa) * fb / (fc - fb)
    safe = (height**2 < place) & ((1 - height) ** 2 < 1 - place) & np.isfinite(curved)
    return np.clip(np.where(safe, curved, 0.5), least, 1 - least)


def noncentral_t(t: float, df: float, shift: float) -> float:
    """P(T <= t) of the noncentral t distribution: (Z + shift) / chi <= t, summed over chi.

    Examples
    --------
    >>> round(noncentral_t(2.0, 9, 0.5), 4)
    0.9054
    """
    return float(WEIGHTS @ special.ndtr(t * chi_ratio(df) - shift))


def noncentral_ts(t: Floats | float, df: float, shift: Floats | float) -> Floats:
    """P(T <= t) of many noncentral t distributions with the same degrees of freedom; `t` and `shift` are broadcast.

    Examples
    --------
    >>> noncentral_ts(2.0, 9, np.array([0.5, 1.0])).round(4)
    array([0.9054, 0.8041])
    """
    bounds, shifts = np.broadcast_arrays(np.asarray(t, dtype=np.float64), np.asarray(shift, dtype=np.float64))
    return np.asarray(
        WEIGHTS @ special.ndtr(np.multiply.outer(chi_ratio(df), bounds.ravel()) - shifts.ravel())
    ).reshape(bounds.shape)


def root(rising: Callable[[float], float], low: float, high: float, halvings: int = 200) -> float:
    """Root of a rising function by bisection; an end of the range where it has no root inside.

    Examples
    --------
    >>> round(root(lambda x: x**2 - 2, 0.0, 2.0), 6)
    1.414214
    """
    for _ in range(halvings):
        middle = 0.5 * (low + high)
        if not low < middle < high:
            break
        low, high = (low, middle) if rising(middle) >= 0 else (middle, high)
    return 0.5 * (low + high)
