"""How much evidence is needed, by the number of lots known and the chance of a false signal a lot.

Simulated by tests/bench/make_thresholds.py with 20,000 streams of independent normal lots; the chance of a false signal
is the same at every lot, given none so far. Monte-Carlo standard errors: 0.01 to 0.02 at a chance of 1 in 30 to 1 in
100 a lot, 0.03 at 1 in 300, 0.06 at 1 in 1,000 and 0.15 at 1 in 3,000, before neighbouring lots are averaged; 0.05 more
evidence is 5 % fewer false signals.
"""

from __future__ import annotations

import numpy as np

from spc._checks import Floats

__all__ = ["FIRST_LOT", "drift", "spread"]

FIRST_LOT = 8
"""Lots below which no stream is judged."""

_LOTS = np.array([8, 9, 10, 11, 12, 14, 16, 19, 22, 26, 32, 40, 50, 64, 80, 100], dtype=np.float64)
_CHANCES = np.array([3e-2, 1e-2, 3e-3, 1e-3, 3e-4])
# Natural log of the evidence: rows as _CHANCES, columns as _LOTS.
_ALIKE_LOTS = (10.0, 40.0)  # of the two tables for drift
_DRIFT_ALONE = np.array(
    [
        [1.67, 2.00, 2.25, 2.46, 2.62, 2.89, 3.08, 3.29, 3.42, 3.54, 3.66, 3.76, 3.82, 3.89, 3.94, 3.95],
        [1.79, 2.18, 2.48, 2.73, 2.93, 3.28, 3.54, 3.83, 3.99, 4.18, 4.31, 4.46, 4.53, 4.63, 4.71, 4.72],
        [1.88, 2.33, 2.70, 3.00, 3.28, 3.72, 4.08, 4.44, 4.71, 4.93, 5.14, 5.31, 5.41, 5.46, 5.59, 5.64],
        [1.93, 2.45, 2.84, 3.20, 3.54, 4.02, 4.56, 5.02, 5.38, 5.69, 5.87, 6.04, 6.26, 6.34, 6.37, 6.47],
        [1.97, 2.52, 2.94, 3.31, 3.79, 4.40, 4.95, 5.77, 6.17, 6.64, 6.72, 6.97, 7.18, 7.39, 7.39, 7.35],
    ]
)
_DRIFT_AMONG_SISTERS = np.array(
    [
        [2.12, 2.40, 2.64, 2.82, 2.98, 3.23, 3.41, 3.60, 3.74, 3.85, 3.97, 4.07, 4.14, 4.21, 4.29, 4.31],
        [2.28, 2.62, 2.93, 3.18, 3.35, 3.67, 3.94, 4.21, 4.35, 4.48, 4.63, 4.74, 4.79, 4.88, 4.94, 4.92],
        [2.39, 2.81, 3.16, 3.47, 3.75, 4.15, 4.48, 4.90, 5.13, 5.35, 5.41, 5.59, 5.66, 5.73, 5.79, 5.82],
        [2.46, 2.91, 3.34, 3.70, 3.99, 4.51, 4.85, 5.60, 5.86, 6.11, 6.25, 6.43, 6.55, 6.55, 6.63, 6.67],
        [2.55, 3.00, 3.44, 3.84, 4.19, 4.92, 5.61, 6.28, 6.66, 6.92, 7.18, 7.29, 7.51, 7.66, 7.65, 7.50],
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
