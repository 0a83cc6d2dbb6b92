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

FIRST_LOT = 4
"""Lots below which no stream is judged."""
ALONE_FIRST_LOT = 5
"""Lots below which no move is judged of a stream whose scatter is known from its lots alone."""
SPREAD_FIRST_LOT = 8
"""Lots with a scatter below which no widening of scatter is judged."""

_SPREAD_LOTS = np.array([8, 9, 10, 11, 12, 14, 16, 19, 22, 26, 32, 40, 50, 64, 80, 100], dtype=np.float64)
_CHANCES = np.array([3e-2, 1e-2, 3e-3, 1e-3, 3e-4])
_LOTS = np.concatenate([[4.0, 5.0, 6.0, 7.0], _SPREAD_LOTS])
_SISTERS = 4.0  # Degrees of freedom of the prior scatter in the second table; none in the first
# Natural log of the evidence: rows as _CHANCES, columns as _LOTS.
# fmt: off
_DRIFT_ALONE = np.array(
    [
        [0.00, 1.31, 1.76, 2.08, 2.30, 2.47, 2.64, 2.73, 2.83, 2.98, 3.12, 3.26, 3.37, 3.49, 3.62, 3.74, 3.85, 3.94, 4.04, 4.06],
        [0.04, 1.55, 2.04, 2.36, 2.62, 2.79, 3.00, 3.12, 3.20, 3.35, 3.56, 3.74, 3.86, 3.99, 4.14, 4.29, 4.39, 4.53, 4.62, 4.64],
        [0.05, 1.75, 2.28, 2.66, 3.04, 3.17, 3.34, 3.50, 3.63, 3.76, 3.96, 4.26, 4.41, 4.63, 4.77, 4.97, 5.12, 5.22, 5.36, 5.45],
        [0.06, 1.87, 2.46, 2.93, 3.26, 3.57, 3.78, 3.90, 3.98, 4.22, 4.39, 4.67, 4.93, 5.15, 5.34, 5.56, 5.82, 5.97, 6.14, 6.20],
        [0.06, 1.92, 2.65, 3.16, 3.53, 3.99, 4.28, 4.23, 4.36, 4.43, 4.83, 5.14, 5.36, 5.70, 5.98, 6.25, 6.57, 6.72, 7.00, 6.96],
    ]
)
_DRIFT_AMONG_SISTERS = np.array(
    [
        [0.21, 1.43, 1.92, 2.26, 2.47, 2.65, 2.79, 2.90, 3.00, 3.15, 3.30, 3.44, 3.55, 3.66, 3.79, 3.89, 3.95, 4.07, 4.13, 4.18],
        [0.38, 1.81, 2.28, 2.63, 2.89, 3.05, 3.27, 3.35, 3.47, 3.64, 3.81, 4.01, 4.12, 4.24, 4.40, 4.52, 4.61, 4.72, 4.78, 4.78],
        [0.54, 2.24, 2.70, 3.10, 3.36, 3.56, 3.76, 3.91, 3.97, 4.15, 4.49, 4.68, 4.79, 4.98, 5.13, 5.30, 5.43, 5.52, 5.62, 5.67],
        [0.65, 2.58, 3.08, 3.50, 3.66, 3.98, 4.17, 4.34, 4.51, 4.67, 5.02, 5.25, 5.49, 5.77, 5.83, 6.02, 6.19, 6.31, 6.52, 6.47],
        [0.75, 2.88, 3.46, 3.96, 4.25, 4.40, 4.62, 4.85, 4.86, 5.32, 5.46, 5.90, 6.14, 6.46, 6.57, 6.89, 7.11, 7.28, 7.48, 7.31],
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
# fmt: on


def drift(lots: Floats, chance: Floats, scatter_lots: Floats) -> Floats:
    """Log evidence that is needed for a move; (rows,).

    `scatter_lots` says how much was known beforehand of the scatter of the lots: the more, the larger the evidence of a
    steady stream can become, and the more is needed.

    Examples
    --------
    >>> drift(np.array([3.0, 100.0]), np.array([0.01, 0.01]), np.zeros(2)).round(1)
    array([inf, 4.6])
    """
    known = np.clip(scatter_lots / _SISTERS, 0.0, 1.0)
    alone, sisters = (_needed(table, _LOTS, lots, chance) for table in (_DRIFT_ALONE, _DRIFT_AMONG_SISTERS))
    first = np.where(known < 0.5, ALONE_FIRST_LOT, FIRST_LOT)
    return np.where(lots < first, np.inf, (1.0 - known) * alone + known * sisters)


def spread(lots: Floats, chance: Floats) -> Floats:
    """Log evidence that is needed for a widening of scatter, by lots with a scatter; (rows,).

    Examples
    --------
    >>> spread(np.array([7.0, 50.0]), np.array([0.01, 0.01]))
    array([ inf, 3.76])
    """
    return np.where(lots < SPREAD_FIRST_LOT, np.inf, _needed(_SPREAD, _SPREAD_LOTS, lots, chance))


def _needed(table: Floats, columns: Floats, lots: Floats, chance: Floats) -> Floats:
    """Between the entries straight in the logs of lots and chance, and straight on beyond the rarest chance."""
    counted = np.log(np.maximum(lots, columns[0]))
    at_lots = np.array([np.interp(counted, np.log(columns), row) for row in table])
    rarity, known = -np.log(chance), -np.log(_CHANCES)
    upper = np.clip(np.searchsorted(known, rarity), 1, known.size - 1)
    share = (rarity - known[upper - 1]) / (known[upper] - known[upper - 1])
    rows = np.arange(rarity.size)
    low, high = at_lots[upper - 1, rows], at_lots[upper, rows]
    return np.asarray(low + share * (high - low))
