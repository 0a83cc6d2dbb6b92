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
_DRIFT = np.array(
    [
        [1.67, 2.00, 2.26, 2.46, 2.62, 2.89, 3.09, 3.31, 3.47, 3.62, 3.78, 3.91, 4.02, 4.12, 4.20, 4.24],
        [1.78, 2.15, 2.44, 2.67, 2.85, 3.18, 3.43, 3.72, 3.92, 4.13, 4.31, 4.50, 4.59, 4.72, 4.83, 4.86],
        [1.87, 2.29, 2.63, 2.89, 3.15, 3.51, 3.86, 4.20, 4.46, 4.73, 4.98, 5.21, 5.34, 5.46, 5.60, 5.69],
        [1.92, 2.41, 2.77, 3.07, 3.38, 3.77, 4.21, 4.64, 5.03, 5.33, 5.61, 5.81, 6.08, 6.21, 6.29, 6.41],
        [1.98, 2.47, 2.88, 3.23, 3.63, 4.17, 4.53, 5.24, 5.60, 6.10, 6.20, 6.56, 6.84, 7.12, 7.18, 7.13],
    ]
)
_SPREAD = np.array(
    [
        [2.97, 2.85, 2.79, 2.83, 2.82, 2.82, 2.87, 2.86, 2.84, 2.86, 2.87, 2.87, 2.89, 2.91, 2.92, 2.83],
        [3.63, 3.61, 3.62, 3.67, 3.67, 3.72, 3.83, 3.81, 3.77, 3.83, 3.82, 3.86, 3.82, 3.87, 3.89, 3.93],
        [4.31, 4.40, 4.42, 4.50, 4.52, 4.68, 4.74, 4.72, 4.91, 4.88, 4.86, 4.91, 4.91, 4.90, 4.98, 4.97],
        [4.92, 5.21, 5.20, 5.38, 5.29, 5.32, 5.50, 5.60, 5.75, 5.73, 5.74, 5.76, 5.80, 5.78, 5.83, 5.89],
        [5.51, 5.57, 5.94, 6.05, 5.94, 6.09, 5.94, 6.31, 6.75, 6.47, 6.63, 6.63, 6.75, 6.72, 6.72, 6.76],
    ]
)


def drift(lots: Floats, chance: Floats) -> Floats:
    """Log evidence that is needed for a move; (rows,)."""
    return _needed(_DRIFT, lots, chance)


def spread(lots: Floats, chance: Floats) -> Floats:
    """Log evidence that is needed for a widening of scatter, by lots with a scatter; (rows,)."""
    return _needed(_SPREAD, lots, chance)


def _needed(table: Floats, lots: Floats, chance: Floats) -> Floats:
    """Between the entries straight in the logs of lots and chance, and straight on beyond the rarest chance."""
    counted = np.log(np.maximum(lots, FIRST_LOT))
    at_lots = np.array([np.interp(counted, np.log(_LOTS), row) for row in table])
    rarity, known = -np.log(chance), -np.log(_CHANCES)
    upper = np.clip(np.searchsorted(known, rarity), 1, known.size - 1)
    share = (rarity - known[upper - 1]) / (known[upper] - known[upper - 1])
    rows = np.arange(rarity.size)
    low, high = at_lots[upper - 1, rows], at_lots[upper, rows]
    return np.where(lots < FIRST_LOT, np.inf, low + share * (high - low))
