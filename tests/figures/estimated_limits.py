"""Run lengths of charts whose limits were estimated: double integrals over the law of the centre and of sigma.

Given a centre z / sqrt(m) off and a sigma s times the true one, a point signals with the chance p(z, s); z is normal, s^2 times
its degrees of freedom is chi-square. Averages of p, 1 / p and (2 - p) / p^2 over both laws are the figures. Setting of G. Chen
(1997), Statistica Sinica 7, 789-798; S. Chakraborti (2000), Communications in Statistics 29, 61-81. Guaranteed widths: A. Gandy
and J. T. Kvaloy (2013), Scandinavian Journal of Statistics 40, 647-668.

    python tests/figures/estimated_limits.py
"""

from __future__ import annotations

import math
import sys

import numpy as np
from scipy import optimize, special, stats

SUBGROUPS = (10, 20, 25, 30, 50, 75, 100, 200, 500, 1000)
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(200)


def chart(subgroups: int, degrees_of_freedom: float, bias: float = 1.0) -> dict[str, float]:
    """Chance of a signal; mean and standard deviation of the run length; standard deviation of a chart's own mean."""
    z = 12.0 * _NODES
    centre_weight = 12.0 * _WEIGHTS * stats.norm.pdf(z)
    s, sigma_weight = _sigmas(degrees_of_freedom)
    offset, half = z[:, None] / math.sqrt(subgroups), 3.0 / bias * s[None, :]
    signal = special.ndtr(offset - half) + special.ndtr(-offset - half)
    weight = centre_weight[:, None] * sigma_weight[None, :]
    mean, square = float((weight / signal).sum()), float((weight / signal**2).sum())
    return {
        "signal": float((weight * signal).sum()),
        "mean": mean,
        "sd": math.sqrt(2.0 * square - mean - mean**2),
        "mean_sd": math.sqrt(square - mean**2),
    }


def _sigmas(degrees_of_freedom: float) -> tuple[np.ndarray, np.ndarray]:
    """Estimated over true sigma at the nodes, and the share of charts that each stands for; one node where it is known."""
    if math.isinf(degrees_of_freedom):
        return np.ones(1), np.ones(1)
    # The longest runs come from the widest limits: 1 / p^2 grows like exp(9 s^2), so 40 standard errors above are looked at.
    error = 1.0 / math.sqrt(2.0 * degrees_of_freedom)
    low, high = max(1.0 - 12.0 * error, 1e-9), 1.0 + min(40.0 * error, 4.0)
    s = low + 0.5 * (high - low) * (_NODES + 1.0)
    law = stats.chi(degrees_of_freedom, scale=1.0 / math.sqrt(degrees_of_freedom))
    return s, 0.5 * (high - low) * _WEIGHTS * law.pdf(s)


def mean_of_chi(degrees_of_freedom: float) -> float:
    """What divides a pooled standard deviation so that it is unbiased."""
    half = 0.5 * degrees_of_freedom
    return math.sqrt(1.0 / half) * math.exp(math.lgamma(half + 0.5) - math.lgamma(half))


def guaranteed_width(subgroups: int, degrees_of_freedom: float, assurance: float, run_length: float = 370.398) -> float:
    """Width at which this share of charts has the run length or more."""
    z = 9.0 * _NODES
    weight = 9.0 * _WEIGHTS * stats.norm.pdf(z)

    def needed(offset: float) -> float:
        return float(
            optimize.brentq(
                lambda half: special.ndtr(offset - half) + special.ndtr(-offset - half) - 1.0 / run_length, 0.0, 60.0
            )
        )

    halves = np.array([needed(abs(value) / math.sqrt(subgroups)) for value in z])

    def share(width: float) -> float:
        return float(weight @ stats.chi2.sf(degrees_of_freedom * (halves / width) ** 2, degrees_of_freedom)) - assurance

    return float(optimize.brentq(share, 1.0, 20.0, xtol=1e-12))


def main() -> None:
    settings = {
        "pooled deviation, subgroups of 5": [chart(m, 4.0 * m) for m in SUBGROUPS],
        "unbiased": [chart(m, 4.0 * m, mean_of_chi(4.0 * m)) for m in SUBGROUPS],
        "centre alone": [chart(m, math.inf) for m in SUBGROUPS],
    }
    for name, charts in settings.items():
        for figure in ("signal", "mean", "sd", "mean_sd"):
            sys.stdout.write(f"{name}, {figure}: {' '.join(f'{one[figure]:.6g}' for one in charts)}\n")
    for m in (20, 25, 30, 50, 100, 200):
        widths = [guaranteed_width(m, 4.0 * m, assurance) for assurance in (0.9, 0.95)]
        sys.stdout.write(f"guaranteed width, {m} subgroups of 5, 90 and 95 %: {widths[0]:.4f} {widths[1]:.4f}\n")


if __name__ == "__main__":
    main()
