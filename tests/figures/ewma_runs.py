"""Average run lengths of moving averages, and of three-sigma limits, from integral equations; in a drift by following the law.

The average z = (1 - weight) z + weight x that signals outside +- h has the run length
L(u) = 1 + integral of L(y) f(y | u) over y from -h to h, with f normal about (1 - weight) u + weight * shift: S. V. Crowder
(1987), Technometrics 29, 401-407. In a drift point t has the mean drift * t, and the share of averages still inside is
followed from point to point. Gauss and Legendre's rule with 200 nodes leaves 1e-10 of the value.

    python tests/figures/ewma_runs.py
"""

from __future__ import annotations

import math
import sys

import numpy as np
from scipy import special

SHIFTS = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0)
DRIFTS = (0.001, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0)
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(200)


def ewma(shift: float, weight: float, width: float) -> float:
    """Average run length from an average at the centre; limits asymptotic."""
    y, chances, first = _steps(weight, width)
    lengths = np.linalg.solve(np.eye(y.size) - chances(shift), np.ones(y.size))
    return float(1.0 + first(shift) @ lengths)


def ewma_in_drift(drift: float, weight: float, width: float) -> float:
    """Average run length where the mean begins to move by `drift` a point."""
    _, chances, first = _steps(weight, width)
    inside = first(drift)
    total, points = 1.0 + inside.sum(), 1
    while inside.sum() > 1e-15 * total:
        points += 1
        inside = inside @ chances(drift * points)
        total += inside.sum()
    return float(total)


def _steps(weight: float, width: float):
    """The nodes, and the chances of going from each to each, and from the centre to each, at a mean of the points."""
    h = width * math.sqrt(weight / (2.0 - weight))
    y, spacing = h * _NODES, h * _WEIGHTS

    def chance(start: np.ndarray, mean: float) -> np.ndarray:
        x = (y[None, :] - (1.0 - weight) * start[:, None]) / weight - mean
        return spacing * np.exp(-0.5 * x**2) / (math.sqrt(2.0 * math.pi) * weight)

    return y, lambda mean: chance(y, mean), lambda mean: chance(np.zeros(1), mean)[0]


def three_sigma_in_drift(drift: float) -> float:
    """Average run length of limits of three sigma: the sum over t of the chances that points 1 to t lie inside."""
    inside, total, point = 1.0, 0.0, 0
    while inside > 1e-17:
        total += inside
        point += 1
        inside *= float(special.ndtr(3.0 - drift * point) - special.ndtr(-3.0 - drift * point))
    return total


def main() -> None:
    for weight, width in ((0.4, 3.054), (0.25, 2.998), (0.2, 2.962), (0.1, 2.814), (0.05, 2.615)):
        lengths = " ".join(f"{ewma(shift, weight, width):.6g}" for shift in SHIFTS)
        sys.stdout.write(f"weight {weight:g}, width {width:g}: {lengths}\n")
    # At weight 1 the average is the point itself.
    lengths = " ".join(f"{ewma(0.0, weight, 3.0):.6g}" for weight in (1.0, 0.75, 0.5, 0.25, 0.1, 0.05))
    sys.stdout.write(f"width 3, weights 1 to 0.05: {lengths}\n")
    sys.stdout.write(f"drift, three sigma: {' '.join(f'{three_sigma_in_drift(drift):.7g}' for drift in DRIFTS)}\n")
    lengths = " ".join(f"{ewma_in_drift(drift, 0.2, 2.962):.7g}" for drift in DRIFTS)
    sys.stdout.write(f"drift, weight 0.2, width 2.962: {lengths}\n")


if __name__ == "__main__":
    main()
