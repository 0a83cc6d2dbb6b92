"""Average run lengths of cumulative sums from their integral equation, and of sums with limits for single points.

The one-sided sum S = max(0, S + x - allowance) that signals above `decision` has the run length
L(u) = 1 + L(0) Phi(k - u - shift) + integral of L(y) phi(y + k - u - shift) over y from 0 to `decision`: E. S. Page
(1954), Biometrika 41, 100-115. Gauss and Legendre's rule turns it into linear equations (Nystrom); 80 nodes leave 1e-10
of the value. Two sums that never stand at once where one of them signals combine as in J. M. Lucas and R. B. Crosier
(1982), Technometrics 24, 199-205.

    python tests/figures/cusum_runs.py
"""

from __future__ import annotations

import sys
from collections.abc import Sequence

import numpy as np
from scipy import optimize, special

SHIFTS = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0)
NODES = 80


def one_sided(shift: float, allowance: float, decision: float, starts: Sequence[float] = (0.0,)) -> list[float]:
    """Average run length of the upper sum from each of `starts`."""
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    # The point mass at 0 is an unknown of its own beside the nodes.
    y = np.concatenate([[0.0], 0.5 * decision * (nodes + 1.0)])
    weights = 0.5 * decision * weights

    def chances(start: np.ndarray) -> np.ndarray:
        away = y[None, 1:] + allowance - start[:, None] - shift
        to_zero = special.ndtr(allowance - start - shift)
        return np.column_stack([to_zero, weights * np.exp(-0.5 * away**2) / np.sqrt(2.0 * np.pi)])

    lengths = np.linalg.solve(np.eye(y.size) - chances(y), np.ones(y.size))
    return [float(value) for value in 1.0 + chances(np.array(starts, dtype=float)) @ lengths]


def two_sided(shift: float, allowance: float, decision: float, headstart: float = 0.0) -> float:
    """Average run length of an upper and a lower sum that both begin at `headstart`."""
    upper, upper_ahead = one_sided(shift, allowance, decision, (0.0, headstart))
    lower, lower_ahead = one_sided(-shift, allowance, decision, (0.0, headstart))
    return (upper_ahead * lower + lower_ahead * upper - upper * lower) / (upper + lower)


def decision_for(run_length: float, allowance: float) -> float:
    """Decision value at which two sums without headstart have this average run length in control."""
    return float(
        optimize.brentq(lambda decision: two_sided(0.0, allowance, decision) - run_length, 0.5, 12.0, xtol=1e-10)
    )


# With limits for single points both sums can stand above 0 where one of them signals, so that the two do not combine: a
# chain of both together, on a lattice.


def with_point_limit(shift: float, allowance: float, decision: float, point_limit: float) -> float:
    """Average run length of both sums with a signal also at a point beyond `point_limit`, extrapolated to a fine lattice."""
    coarse, fine = (_on_lattice(shift, allowance, decision, point_limit, steps) for steps in (10, 20))
    # The error of a lattice of step w is as w^2: Richardson.
    return fine + (fine - coarse) / 3.0


def _on_lattice(shift: float, allowance: float, decision: float, point_limit: float, steps_per_sigma: int) -> float:
    w = 1.0 / steps_per_sigma
    k, top, furthest = (round(value * steps_per_sigma) for value in (allowance, decision, point_limit))
    x = np.arange(-furthest, furthest + 1)
    chance = special.ndtr(np.minimum((x + 0.5) * w, point_limit) - shift) - special.ndtr(
        np.maximum((x - 0.5) * w, -point_limit) - shift
    )
    # Unknowns: run lengths with the lower sum at 0 (upper sum 0 to top), then with the upper at 0 (lower sum 1 to top).
    size = 2 * top + 1
    # A sum on the lattice point at the decision value lies beyond it in half of its cell.
    stays = np.ones(top + 1)
    stays[top] = 0.5
    # Where both stand above 0 their total falls by 2 k a point: by falling total each is a row of chances of the
    # unknowns, and the points until then.
    rows: dict[tuple[int, int], np.ndarray] = {}

    def row(upper: int, lower: int) -> np.ndarray:
        found = np.zeros(size + 1)
        found[size] = 1.0
        ups, downs = upper + x - k, lower - x - k
        both = (ups > 0) & (downs > 0)
        for at in np.flatnonzero(both):
            found += chance[at] * rows[int(ups[at]), int(downs[at])]
        up = (downs <= 0) & (ups <= top)
        np.add.at(found, np.maximum(ups[up], 0), chance[up] * stays[np.maximum(ups[up], 0)])
        down = (ups <= 0) & (downs > 0) & (downs <= top)
        np.add.at(found, top + downs[down], chance[down] * stays[downs[down]])
        return found

    for together in range(2, top - 2 * k + 1):
        for upper in range(1, together):
            rows[upper, together - upper] = row(upper, together - upper)
    table = np.array([row(upper, 0) for upper in range(top + 1)] + [row(0, lower) for lower in range(1, top + 1)])
    return float(np.linalg.solve(np.eye(size) - table[:, :size], table[:, size])[0])


def main() -> None:
    for headstart, decision in ((0.0, 4.0), (2.5, 5.0), (0.0, 5.0), (2.0, 4.0)):
        lengths = " ".join(f"{two_sided(shift, 0.5, decision, headstart):.6g}" for shift in SHIFTS)
        sys.stdout.write(f"decision {decision:g}, headstart {headstart:g}: {lengths}\n")
    lengths = " ".join(f"{one_sided(0.0, 0.5, decision)[0]:.6g}" for decision in (2.0, 3.0, 4.0, 5.0))
    sys.stdout.write(f"one side, in control, decision 2 to 5: {lengths}\n")
    decisions = " ".join(f"{decision_for(370.0, allowance):.6g}" for allowance in (0.25, 0.5, 0.75, 1.0, 1.25, 1.5))
    sys.stdout.write(f"decision for 370, allowance 0.25 to 1.5: {decisions}\n")
    lengths = " ".join(f"{with_point_limit(shift, 0.5, 5.0, 3.5):.6g}" for shift in SHIFTS)
    sys.stdout.write(f"decision 5 with limits of 3.5 for single points: {lengths}\n")


if __name__ == "__main__":
    main()
