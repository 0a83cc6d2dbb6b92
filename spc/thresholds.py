"""What evidence must exceed for a stated chance of a false alarm at a lot, given none before.

The tables come from tests/bench/make_thresholds.py: 3,000 independent normal streams. At a chance of 0.003 a lot their
standard error is about 5 percent of the chance after smoothing, at 0.0003 about 20 percent.
"""

from __future__ import annotations

import numpy as np

from spc._checks import Floats

__all__ = ["drift", "spread"]

_LOTS = np.array([8, 9, 10, 11, 12, 14, 16, 19, 22, 26, 32, 40, 50, 64, 80, 100], dtype=np.float64)
_LOG_HAZARD = np.log([3e-4, 1e-3, 3e-3, 1e-2, 3e-2])
_DRIFT = np.array(
    [
        [2.26, 2.72, 3.15, 3.55, 3.90, 4.54, 5.01, 5.47, 5.63, 6.18, 6.56, 6.60, 6.70, 6.85, 6.95, 7.00],
        [2.17, 2.62, 3.07, 3.51, 3.73, 4.06, 4.59, 4.87, 5.14, 5.48, 5.69, 5.95, 6.01, 6.11, 6.19, 6.36],
        [2.10, 2.54, 2.89, 3.16, 3.32, 3.70, 4.07, 4.40, 4.62, 4.75, 5.12, 5.35, 5.31, 5.44, 5.51, 5.61],
        [1.99, 2.38, 2.68, 2.87, 3.03, 3.38, 3.73, 3.85, 4.05, 4.22, 4.38, 4.53, 4.61, 4.73, 4.86, 4.79],
        [1.89, 2.20, 2.48, 2.65, 2.80, 3.06, 3.25, 3.43, 3.61, 3.75, 3.91, 3.99, 4.08, 4.17, 4.20, 4.28],
    ]
)
_SPREAD = np.array(
    [
        [5.42, 5.40, 5.36, 5.67, 5.78, 6.04, 5.93, 6.22, 6.78, 6.61, 6.74, 6.61, 6.86, 7.01, 6.74, 7.09],
        [4.72, 4.97, 4.93, 5.16, 5.31, 4.99, 5.53, 5.78, 6.02, 5.84, 6.25, 5.82, 5.78, 5.92, 6.00, 6.00],
        [4.36, 4.39, 4.56, 4.37, 4.51, 4.74, 4.82, 4.85, 5.10, 4.89, 5.19, 4.94, 5.02, 4.97, 4.93, 5.02],
        [3.71, 3.52, 3.69, 3.73, 3.60, 3.78, 3.80, 3.91, 3.85, 3.95, 3.91, 3.86, 3.94, 3.93, 3.83, 4.05],
        [3.08, 2.83, 2.78, 2.80, 2.84, 2.78, 2.79, 2.93, 2.88, 2.83, 2.84, 2.79, 2.92, 2.98, 2.91, 2.91],
    ]
)


def drift(lots: Floats, hazard: Floats) -> Floats:
    """Threshold of the evidence for a move after `lots` known lots at chance `hazard` a lot; both (rows,)."""
    return _looked_up(_DRIFT, lots, hazard)


def spread(lots: Floats, hazard: Floats) -> Floats:
    """Threshold of the evidence for more scatter; both (rows,)."""
    return _looked_up(_SPREAD, lots, hazard)


def _looked_up(table: Floats, lots: Floats, hazard: Floats) -> Floats:
    at = np.array([np.interp(lots, _LOTS, row) for row in table])
    rare = np.log(hazard)
    place = np.clip(np.searchsorted(_LOG_HAZARD, rare) - 1, 0, _LOG_HAZARD.size - 2)
    rows = np.arange(lots.size)
    # Beyond the rarest chance the line goes on: the evidence has an exponential tail.
    share = (rare - _LOG_HAZARD[place]) / (_LOG_HAZARD[place + 1] - _LOG_HAZARD[place])
    return np.asarray(at[place, rows] + share * (at[place + 1, rows] - at[place, rows]))
