"""Simulates the thresholds in spc/detection/thresholds.py and writes their tables as Python.

    python tests/bench/make_thresholds.py [STREAMS]

Streams of independent normal lots are followed lot by lot; among sisters the scatter of each is drawn from its prior. At each lot the threshold is the value that the stated share
of the streams still quiet exceeds, and those that exceed it are taken out: a constant chance of a false alarm at every
lot, given none so far, as in Hawkins, Qiu and Kang (2003), Journal of Quality Technology 35, 355-366.
"""

from __future__ import annotations

import sys

import numpy as np

from spc.detection import dispersion
from spc.detection.bayes_factors import averaged_evidence, move_factors
from spc.detection.normal_scores import score
from spc.detection.windows import SPAN, Windows
from spc.kernels.validation import Floats

LOTS = np.array([4, 5, 6, 7, 8, 9, 10, 11, 12, 14, 16, 19, 22, 26, 32, 40, 50, 64, 80, 100])
SPREAD_FROM = 8
HAZARDS = np.array([3e-2, 1e-2, 3e-3, 1e-3, 3e-4])
ROWS = 1500
CLOSE = 4 * HAZARDS[0]  # only so many of the streams can come near a threshold


# Prior of a stream alone, and of one among many whose scatter differs: the fields of `PooledPrior`.
PRIORS = {"DRIFT_ALONE": (1.0 / 3.0, 0.3, 0.0, 0.0), "DRIFT_AMONG_SISTERS": (0.7, 0.4, 1.0, 4.0)}


def as_windows(levels: Floats, prior: tuple[float, ...]) -> Windows:
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
                   *(np.full(rows, value) for value in prior))  # fmt: skip


def drift(levels: Floats, prior: tuple[float, ...]) -> Floats:
    """What the detector compares with its threshold; the average only where it can matter."""
    found = []
    for first in range(0, levels.shape[0], ROWS):
        seen = as_windows(levels[first : first + ROWS], prior)
        scores = score(seen)
        evidence = move_factors(seen, scores).evidence
        close = np.flatnonzero(evidence >= np.quantile(evidence, 1.0 - CLOSE))
        average = averaged_evidence(seen.rows(close), scores.rows(close))
        evidence[close] = np.minimum(evidence[close], average)
        found.append(evidence)
    return np.concatenate(found)


def scatters(rng: np.random.Generator, prior: tuple[float, ...], streams: int) -> Floats:
    """Standard deviation of each stream, from the scaled inverse chi-squared law of its prior."""
    _, _, scatter, lots = prior
    return np.sqrt(scatter * lots / rng.chisquare(lots, streams)) if lots else np.ones(streams)


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
    return np.array([heights[np.abs(lots - n) <= max(0.0, 0.12 * (n - 8))].mean() for n in LOTS if n >= lots[0]])


def table(statistics: dict[int, Floats]) -> Floats:
    lots = np.array(sorted(statistics), dtype=float)
    return np.array([smoothed(climb(statistics, hazard)[0], lots) for hazard in HAZARDS])


def simulate(streams: int, seed: int) -> dict[str, dict[int, Floats]]:
    rng = np.random.default_rng(seed)
    found: dict[str, dict[int, Floats]] = {name: {} for name in (*PRIORS, "SPREAD")}
    levels = rng.standard_normal((streams, SPAN))
    squares = rng.chisquare(5, (streams, SPAN)) / 5
    sigmas = {name: scatters(rng, prior, streams)[:, None] for name, prior in PRIORS.items()}
    for n in range(int(LOTS[0]), SPAN + 1):
        for name, prior in PRIORS.items():
            found[name][n] = drift(sigmas[name] * levels[:, :n], prior)
        if n >= SPREAD_FROM:
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
