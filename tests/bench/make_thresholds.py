"""Simulates the thresholds in spc/detection/thresholds.py and writes their tables as Python.

    python tests/bench/make_thresholds.py [STREAMS]

Streams of independent normal lots are followed lot by lot. At each lot the threshold is the value that the stated share
of the streams still quiet exceeds, and those that exceed it are taken out: a constant chance of a false alarm at every
lot, given none so far, as in Hawkins, Qiu and Kang (2003), Journal of Quality Technology 35, 355-366.
"""

from __future__ import annotations

import sys

import numpy as np

from spc.detection import dispersion
from spc.detection.bayes_factors import move_factors
from spc.detection.normal_scores import score
from spc.detection.windows import SPAN, Windows
from spc.kernels.validation import Floats

LOTS = np.array([8, 9, 10, 11, 12, 14, 16, 19, 22, 26, 32, 40, 50, 64, 80, 100])
HAZARDS = np.array([3e-2, 1e-2, 3e-3, 1e-3, 3e-4])


# What is expected of the dependence beforehand: the caution of a stream alone, and many sisters that say there is none.
EXPECTED = {"DRIFT_ALONE": (0.2, 10.0), "DRIFT_AMONG_SISTERS": (0.0, 40.0)}


def as_windows(levels: Floats, alike: float, alike_lots: float) -> Windows:
    """Windows that end with the last column of `levels` (rows, lots), equal information, one lot a week."""
    rows, lots = levels.shape
    known = np.zeros((rows, SPAN), dtype=bool)
    known[:, SPAN - lots :] = True
    padded = np.zeros((rows, SPAN))
    padded[:, SPAN - lots :] = levels
    nothing = np.full((rows, SPAN), np.nan)
    weeks = np.broadcast_to(np.maximum(np.arange(SPAN) - SPAN + 1.0, 1.0 - lots), (rows, SPAN))
    return Windows(known, weeks, padded, np.zeros((rows, SPAN)), nothing, np.zeros((rows, SPAN)), nothing,
                   np.zeros((rows, SPAN)), np.full(rows, float(lots)), np.ones(rows),
                   np.full(rows, alike), np.full(rows, alike_lots))  # fmt: skip


def drift(levels: Floats, alike: float, alike_lots: float) -> Floats:
    rows = range(0, levels.shape[0], 1500)
    windows = (as_windows(levels[first : first + 1500], alike, alike_lots) for first in rows)
    return np.concatenate([move_factors(seen, score(seen)).evidence for seen in windows])


def climb(statistics: dict[int, Floats], hazard: float) -> tuple[Floats, Floats]:
    """Thresholds at each lot for one hazard, and how many streams were still quiet there."""
    lots = sorted(statistics)
    quiet = np.ones(statistics[lots[0]].size, dtype=bool)
    heights, left = [], []
    for n in lots:
        heights.append(np.quantile(statistics[n][quiet], 1.0 - hazard))
        left.append(quiet.sum())
        quiet &= statistics[n] <= heights[-1]
    return np.array(heights), np.array(left)


def smoothed(heights: Floats, lots: Floats) -> Floats:
    """Averages neighbouring lots, over a share of the history that leaves the bend at the start."""
    return np.array([heights[np.abs(lots - n) <= max(0.0, 0.12 * (n - 8))].mean() for n in LOTS])


def table(statistics: dict[int, Floats]) -> Floats:
    lots = np.array(sorted(statistics), dtype=float)
    return np.array([smoothed(climb(statistics, hazard)[0], lots) for hazard in HAZARDS])


def simulate(streams: int, seed: int) -> dict[str, dict[int, Floats]]:
    rng = np.random.default_rng(seed)
    found: dict[str, dict[int, Floats]] = {name: {} for name in (*EXPECTED, "SPREAD")}
    levels = rng.standard_normal((streams, SPAN))
    squares = rng.chisquare(5, (streams, SPAN)) / 5
    for n in range(8, SPAN + 1):
        for name, expected in EXPECTED.items():
            found[name][n] = drift(levels[:, :n], *expected)
        found["SPREAD"][n] = dispersion.dispersion_test(squares[:, :n], np.full((streams, n), 5.0)).evidence
    return found


def main(streams: int) -> None:
    found = simulate(streams, seed=20_260_101)
    for name, statistics in found.items():
        print(f"_{name} = np.array(\n    [")
        for row in table(statistics):
            print("        [" + ", ".join(f"{h:.2f}" for h in row) + "],")
        print("    ]\n)")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20_000)
