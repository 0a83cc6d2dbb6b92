"""Centre and standard deviation of lots, for many streams at once: arrays (lots, streams), nan where there is no lot."""

from __future__ import annotations

import numpy as np
from scipy import special

from spc.kernels.arrays import Floats, Indices
from spc.kernels.ragged import at_rows, medians, total
from spc.kernels.subgroups import quotient

__all__ = ["far", "moments", "qn"]

_QN_NORMAL = 1.0 / float(np.sqrt(2.0) * special.ndtri(5 / 8))
# Croux and Rousseeuw (1992), the factors that make Qn unbiased for normal samples of 2 to 9; from memory.
_QN_SMALL = np.array([1.0, 1.0, 0.399, 0.994, 0.512, 0.844, 0.611, 0.857, 0.669, 0.872])
_PAIRS_AT_ONCE = 500_000  # Pairs that fit the processor's cache
_MOST_STEPS = 100


def qn(x: Floats) -> Floats:
    """Robust standard deviation Qn of each stream; nan with fewer than two lots.

    Examples
    --------
    >>> qn(np.array([[2.1], [2.0], [2.2], [2.1], [1.9], [9.0]])).round(3)
    array([0.136])
    """
    streams = max(1, 2 * _PAIRS_AT_ONCE // max(1, x.shape[0] ** 2))
    parts = [_qn(x[:, start : start + streams]) for start in range(0, x.shape[1], streams)]
    return np.concatenate(parts) if parts else np.empty(0)


def _qn(x: Floats) -> Floats:
    n = np.count_nonzero(~np.isnan(x), axis=0)
    first, second = np.triu_indices(x.shape[0], 1)
    distances = np.abs(x[first] - x[second])
    half = n // 2 + 1
    rank = np.maximum(half * (half - 1) // 2 - 1, 0)
    enough = n >= 2
    if not enough.any():
        return np.full(n.shape, np.nan)
    # Distances to a missing lot are nan and sort last.
    sorted_up_to = np.partition(distances, np.unique(rank[enough]), axis=0)
    return np.where(enough, _QN_NORMAL * _qn_factor(n) * at_rows(sorted_up_to, np.where(enough, rank, 0)), np.nan)


def _qn_factor(n: Indices) -> Floats:
    return np.where(n <= 9, _QN_SMALL[np.minimum(n, 9)], n / (n + np.where(n % 2, 1.4, 3.8)))


def far(levels: Floats, noise: Floats, cutoff: float) -> Floats:
    """Robust score of the lots beyond the cutoff; 0 for the others.

    Examples
    --------
    >>> far(np.array([[2.1], [2.0], [2.2], [2.1], [1.9], [2.0], [9.0]]), np.zeros((7, 1)), 3.5).round(1).ravel().tolist()
    [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 36.3]
    """
    there = ~np.isnan(levels)
    typical = medians(np.where(there, noise, np.nan))
    scale = np.sqrt(np.maximum(qn(levels) ** 2 - typical, 0.0) + noise)
    distance = np.where(there, levels - medians(levels), 0.0)
    # If half the lots are equal and have no sampling error, the scale is 0 and no lot counts as far.
    score = np.divide(distance, scale, out=np.zeros_like(distance), where=there & (scale > 0))
    return np.where(np.abs(score) > cutoff, score, 0.0)


def moments(x: Floats, noise: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Centre, its standard error, variance between lots and its standard error; each (streams,).

    With one lot, all but the centre is inf; without a lot, all is nan or inf.

    Examples
    --------
    >>> center, center_se, between, between_se = moments(np.array([[1.0], [2.0], [3.0]]), np.full((3, 1), 0.25))
    >>> center, center_se.round(3), between
    (array([2.]), array([0.577]), array([0.75]))
    """
    there = ~np.isnan(x)
    n = there.sum(axis=0)
    between = _between(x, noise)
    spread = between + np.where(there, noise, 0.0)
    largest = np.max(np.where(there, spread, 0.0), axis=0, initial=0.0)
    # A lot without variance among others that have one would get all the weight; a minimum keeps the weights finite.
    # Where no lot has a variance, the weights are equal.
    weight = np.where(there, 1.0 / np.where(largest > 0, np.maximum(spread, 1e-12 * largest), 1.0), 0.0)
    mass = weight.sum(axis=0)
    # Averaged about the first lot, so that equal levels keep all digits.
    origin = at_rows(x, np.argmax(there, axis=0))
    center = origin + quotient(total(weight * (x - origin), there), mass)
    curve = mass - quotient((weight**2).sum(axis=0), mass)
    enough = n >= 2
    exact = enough & ~(largest > 0)
    center_se = np.divide(1.0, np.sqrt(mass), out=np.full(n.shape, np.inf), where=enough)
    between_se = np.divide(np.sqrt(2.0 * (n - 1.0).clip(0)), curve, out=np.full(n.shape, np.inf), where=enough)
    center_se, between_se = np.where(exact, 0.0, center_se), np.where(exact, 0.0, between_se)
    return center, center_se, np.where(enough, between, np.inf), between_se


def _between(x: Floats, noise: Floats) -> Floats:
    """Variance between lots by Paule and Mandel; Newton from below is monotone, as the excess is convex and falling."""
    there = ~np.isnan(x)
    n = there.sum(axis=0)
    varies = np.fmax.reduce(x, axis=0) > np.fmin.reduce(x, axis=0)
    spread = quotient(total((x - quotient(total(x, there), n)) ** 2, there), (n - 1).clip(0))
    spread = np.where(varies, spread, 0.0)
    between: Floats = np.maximum(spread - np.max(np.where(there, noise, 0.0), axis=0, initial=0.0), 0.0)
    for _ in range(_MOST_STEPS):
        excess, slope = _excess(x, np.maximum(between + noise, 1e-12 * np.where(varies, spread, 1.0)))
        rising = varies & (excess > 0) & (slope > 0)  # Equal levels have no slope
        step = np.divide(excess, slope, out=np.zeros_like(excess), where=rising)
        step = np.where(step > 1e-14 * spread, step, 0.0)
        if not step.any():
            break
        between += step
    return between


def _excess(x: Floats, variance: Floats) -> tuple[Floats, Floats]:
    there = ~np.isnan(x)
    weight = np.where(there, 1.0 / variance, 0.0)
    away = np.where(there, x - quotient(total(weight * x, there), weight.sum(axis=0)), 0.0)
    squares = (weight * away**2).sum(axis=0)
    return squares - (there.sum(axis=0) - 1), ((weight * away) ** 2).sum(axis=0)
