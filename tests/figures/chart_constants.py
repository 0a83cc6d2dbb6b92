"""Factors of control charts from the laws of the range and of the standard deviation of n normal values, by quadrature.

The mean range is the integral of 1 - F^n - (1 - F)^n, its mean square twice the integral of
1 - F(y)^n - (1 - F(x))^n + (F(y) - F(x))^n over x < y: H. A. David and H. N. Nagaraja, Order Statistics, 3rd ed., from memory.

    python tests/figures/chart_constants.py
"""

from __future__ import annotations

import math
import sys

import numpy as np
from scipy import special

NAMES = ("d2", "d3", "c4", "A2", "A3", "B3", "B4", "B5", "B6", "D3", "D4", "E2")
# Beyond 9 standard deviations of n to 25 values less than 1e-17 is left; on an interval this wide 160 nodes leave 1e-13.
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(160)
_REACH = 9.0


def mean_range(n: int) -> float:
    x = _REACH * _NODES
    covered = special.ndtr(x)
    return float(_REACH * _WEIGHTS @ (1.0 - covered**n - (1.0 - covered) ** n))


def sd_range(n: int) -> float:
    total = 0.0
    for x, weight in zip(_REACH * _NODES, _REACH * _WEIGHTS, strict=True):
        half = 0.5 * (_REACH - x)
        y = x + half * (_NODES + 1.0)
        below, above = special.ndtr(x), special.ndtr(y)
        inner = 1.0 - above**n - (1.0 - below) ** n + (above - below) ** n
        total += float(weight * half * _WEIGHTS @ inner)
    return math.sqrt(2.0 * total - mean_range(n) ** 2)


def mean_deviation(n: int) -> float:
    return math.sqrt(2.0 / (n - 1)) * math.exp(math.lgamma(n / 2) - math.lgamma((n - 1) / 2))


def factors(n: int) -> dict[str, float]:
    """All factors for subgroups of n, by the names that the tables use."""
    d2, d3, c4 = mean_range(n), sd_range(n), mean_deviation(n)
    rest = math.sqrt(1.0 - c4**2)
    return {
        "d2": d2,
        "d3": d3,
        "c4": c4,
        "A2": 3.0 / (d2 * math.sqrt(n)),
        "A3": 3.0 / (c4 * math.sqrt(n)),
        "B3": max(1.0 - 3.0 * rest / c4, 0.0),
        "B4": 1.0 + 3.0 * rest / c4,
        "B5": max(c4 - 3.0 * rest, 0.0),
        "B6": c4 + 3.0 * rest,
        "D3": max(1.0 - 3.0 * d3 / d2, 0.0),
        "D4": 1.0 + 3.0 * d3 / d2,
        "E2": 3.0 / d2,
    }


def main() -> None:
    table = [factors(n) for n in range(2, 26)]
    for name in NAMES:
        sys.stdout.write(f"{name}: {' '.join(f'{row[name]:.6f}' for row in table)}\n")


if __name__ == "__main__":
    main()
