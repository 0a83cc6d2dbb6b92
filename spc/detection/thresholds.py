"""How much evidence is needed, by the number of lots known and the chance of a false signal a lot.

Simulated by tests/bench/make_thresholds.py with 20,000 streams of independent normal lots; the chance of a false signal
is the same at every lot, given none so far. Monte-Carlo standard errors: 0.01 to 0.02 at a chance of 1 in 30 to 1 in
100 a lot, 0.03 at 1 in 300, 0.06 at 1 in 1,000 and 0.15 at 1 in 3,000, before neighbouring lots are averaged; 0.05 more
evidence is 5 % fewer false signals.
"""

from __future__ import annotations

import numpy as np

from spc.kernels.validation import Floats

__all__ = ["FIRST_LOT", "drift", "spread"]

FIRST_LOT = 8
"""Lots below which no stream is judged."""

_LOTS = np.array([8, 9, 10, 11, 12, 14, 16, 19, 22, 26, 32, 40, 50, 64, 80, 100], dtype=np.float64)
_CHANCES = np.array([3e-2, 1e-2, 3e-3, 1e-3, 3e-4])
_ALIKE_LOTS = (10.0, 40.0)  # of the two tables for drift: a stream alone, and one of many sisters
# Natural log of the evidence: rows as _CHANCES, columns as _LOTS.
_DRIFT_ALONE = np.array(
    [
        [1.65, 1.97, 2.22, 2.43, 2.59, 2.86, 3.04, 3.24, 3.37, 3.49, 3.61, 3.69, 3.74, 3.79, 3.80, 3.79],
        [1.77, 2.16, 2.46, 2.71, 2.89, 3.26, 3.49, 3.79, 3.96, 4.13, 4.28, 4.42, 4.48, 4.59, 4.66, 4.68],
        [1.87, 2.31, 2.68, 2.98, 3.26, 3.68, 4.07, 4.42, 4.68, 4.91, 5.10, 5.28, 5.38, 5.43, 5.56, 5.61],
        [1.92, 2.44, 2.82, 3.17, 3.51, 4.01, 4.56, 5.02, 5.38, 5.66, 5.87, 6.01, 6.25, 6.32, 6.35, 6.45],
        [1.97, 2.52, 2.92, 3.31, 3.79, 4.39, 4.88, 5.74, 6.15, 6.64, 6.71, 6.95, 7.17, 7.36, 7.38, 7.32],
    ]
)
_DRIFT_AMONG_SISTERS = np.array(
    [
        [2.09, 2.39, 2.63, 2.80, 2.97, 3.21, 3.40, 3.59, 3.72, 3.84, 3.96, 4.05, 4.13, 4.19, 4.27, 4.28],
        [2.25, 2.60, 2.92, 3.16, 3.33, 3.67, 3.93, 4.20, 4.34, 4.47, 4.62, 4.73, 4.78, 4.86, 4.93, 4.90],
        [2.35, 2.79, 3.14, 3.46, 3.73, 4.13, 4.47, 4.89, 5.12, 5.33, 5.40, 5.58, 5.64, 5.72, 5.78, 5.81],
        [2.43, 2.88, 3.32, 3.66, 3.98, 4.49, 4.84, 5.59, 5.86, 6.10, 6.24, 6.42, 6.54, 6.53, 6.62, 6.67],
        [2.50, 2.94, 3.43, 3.82, 4.17, 4.85, 5.51, 6.22, 6.60, 6.91, 7.18, 7.29, 7.51, 7.66, 7.64, 7.50],
    ]
)
_SPREAD = np.array(
    [
        [2.94, 2.81, 2.74, 2.77, 2.76, 2.78, 2.84, 2.81, 2.80, 2.82, 2.84, 2.83, 2.85, 2.88, 2.90, 2.81],
        [3.57, 3.56, 3.57, 3.61, 3.63, 3.65, 3.77, 3.75, 3.72, 3.77, 3.77, 3.81, 3.76, 3.82, 3.85, 3.88],
        [4.28, 4.29, 4.37, 4.43, 4.42, 4.57, 4.67, 4.67, 4.81, 4.80, 4.81, 4.83, 4.85, 4.83, 4.90, 4.91],
        [4.91, 5.12, 5.20, 5.30, 5.12, 5.25, 5.39, 5.49, 5.68, 5.64, 5.66, 5.64, 5.71, 5.72, 5.77, 5.82],
        [5.35, 5.54, 5.88, 6.04, 5.76, 6.09, 5.96, 6.23, 6.62, 6.37, 6.57, 6.59, 6.65, 6.60, 6.65, 6.73],
    ]
)


def drift(lots: Floats, chance: Floats, alike_lots: Floats) -> Floats:
    """Log evidence that is needed for a move; (rows,).

    `alike_lots` says how much was known beforehand of the dependence of neighbouring lots: the more, the less it spoils
    the evidence of a steady stream, and the more is needed.
    """
    sure = np.clip((alike_lots - _ALIKE_LOTS[0]) / (_ALIKE_LOTS[1] - _ALIKE_LOTS[0]), 0.0, 1.0)
    between = (1.0 - sure) * _needed(_DRIFT_ALONE, lots, chance) + sure * _needed(_DRIFT_AMONG_SISTERS, lots, chance)
    return np.where(lots < FIRST_LOT, np.inf, between)


def spread(lots: Floats, chance: Floats) -> Floats:
    """Log evidence that is needed for a widening of scatter, by lots with a scatter; (rows,)."""
    return np.where(lots < FIRST_LOT, np.inf, _needed(_SPREAD, lots, chance))


def _needed(table: Floats, lots: Floats, chance: Floats) -> Floats:
    """Between the entries straight in the logs of lots and chance, and straight on beyond the rarest chance."""
    counted = np.log(np.maximum(lots, FIRST_LOT))
    at_lots = np.array([np.interp(counted, np.log(_LOTS), row) for row in table])
    rarity, known = -np.log(chance), -np.log(_CHANCES)
    upper = np.clip(np.searchsorted(known, rarity), 1, known.size - 1)
    share = (rarity - known[upper - 1]) / (known[upper] - known[upper - 1])
    rows = np.arange(rarity.size)
    low, high = at_lots[upper - 1, rows], at_lots[upper, rows]
    return np.asarray(low + share * (high - low))
