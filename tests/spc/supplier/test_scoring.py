"""Weighted scores of pooled shares: against the ranking of one share, published counts by simulation, and luck."""

from __future__ import annotations

import re

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import special, stats

from spc.supplier import ranking, scoring

# Two published sets of counts, the first six of each: tumours in groups of rats (A. Gelman et al. 2013, Bayesian Data
# Analysis, 3rd edition, table 5.1, groups of unlike sizes) and hits in 45 attempts (B. Efron, C. Morris 1975, table 1).
# The pooling of each whole set is held to the print in test_ranking.py; here their combination goes a route of its own.
RATS = ([0, 1, 5, 3, 9, 16], [20, 10, 49, 27, 48, 52])
BATS = ([18, 17, 16, 15, 14, 7], [45] * 6)


def drawn(good: list[int], decided: list[int], size: int, rng: np.random.Generator) -> np.ndarray:
    """Posterior draws of the shares, (k, size): the population from a plain grid, then beta draws."""
    pitch = (np.arange(60) + 0.5) / 60
    mean, root = (grid.ravel() for grid in np.meshgrid(special.expit(np.arange(-6, 6, 0.1)), pitch))
    total = root**-2.0
    log = np.log(mean * (1 - mean))
    for hits, lots in zip(good, decided, strict=True):
        log = log + stats.betabinom.logpmf(hits, lots, mean * total, (1 - mean) * total)
    weight = np.exp(log - log.max())
    node = rng.choice(weight.size, size, p=weight / weight.sum())
    alpha, beta = (mean * total)[node], ((1 - mean) * total)[node]
    return np.array([rng.beta(alpha + h, beta + n - h) for h, n in zip(good, decided, strict=True)])


def test_the_score_of_published_counts_is_that_of_a_simulation() -> None:
    rng = np.random.default_rng(5)
    size = 40_000
    simulated = 0.7 * drawn(*RATS, size, rng) + 0.3 * drawn(*BATS, size, rng)

    found = scoring.combine([RATS, BATS], [0.7, 0.3])

    # Four standard errors of the simulation, and 2e-3 for the grids of both routes.
    error = 4 * simulated.std(axis=1).max() / np.sqrt(size) + 2e-3
    assert_allclose(found.score, simulated.mean(axis=1), rtol=0, atol=error)
    assert_allclose([found.low, found.high], np.quantile(simulated, [0.025, 0.975], axis=1), rtol=0, atol=3 * error)
    chance = (simulated[:, None] > simulated[None]).mean(axis=2)
    off = ~np.eye(6, dtype=bool)
    assert_allclose(found.better[off], chance[off], rtol=0, atol=4 * 0.5 / np.sqrt(size) + 2e-3)


def test_a_single_part_is_the_ranking_of_that_share() -> None:
    counts = ([4, 57, 59, 20], [4, 60, 60, 40])

    found, alone = scoring.combine([counts], [3.0]), ranking.shares(*counts)

    # Another integral over the same nodes: the series is cut and averaged over its last wave, 1/320 wide.
    assert_allclose(found.score, alone.share, rtol=0, atol=1e-12)
    assert_allclose([found.low, found.high], [alone.low, alone.high], rtol=0, atol=3e-3)
    assert_allclose(found.better, alone.better, rtol=0, atol=3e-3)
    assert found.first.tolist() == alone.first.tolist()
    assert found.last.tolist() == alone.last.tolist()


def test_four_lots_never_come_first_or_last_by_luck() -> None:
    rng = np.random.default_rng(20260702)
    lots, streams = np.array([4, 40, 40, 40, 40]), np.array([1, 6, 6, 6, 6])
    alone = 0
    for _ in range(12):
        parts = [
            (rng.binomial(lots, 0.9), lots), (rng.binomial(streams, 0.8), streams), (rng.binomial(lots, 0.7), lots),
        ]  # fmt: skip
        found = scoring.combine(parts, [0.5, 0.2, 0.3])
        alone += int(found.last[0] == 1 or found.first[0] == 5)

    # All five are truly alike: a place of its own for the one with four lots would be luck.
    assert alone == 0


def test_who_is_clearly_worse_in_what_weighs_stands_last_and_else_not() -> None:
    good_lots, poor_room = ([58, 59, 57, 58], [60] * 4), ([55, 56, 54, 12], [60] * 4)

    weighed = scoring.combine([good_lots, poor_room], [0.5, 0.5])
    unweighed = scoring.combine([good_lots, poor_room], [1.0, 0.0])

    assert (weighed.first[3], weighed.last[:3].max()) == (4, 3)
    assert (unweighed.first.tolist(), unweighed.last.tolist()) == ([1] * 4, [4] * 4)
    # Shown though it weighs nothing.
    assert unweighed.parts[1, 3] < 0.3


def test_equal_counts_stand_equally() -> None:
    found = scoring.combine([([9, 9, 5], [10, 10, 10]), ([2, 2, 3], [3, 3, 3])], [0.6, 0.4])

    assert (found.score[0], found.low[0]) == (found.score[1], found.low[1])
    assert found.better[0, 1] == 0.5


def test_a_part_without_a_count_neither_helps_nor_costs_the_supplier_nor_anybody_else() -> None:
    lots = ([18, 19, 20], [20, 20, 20])
    nobody, some = ([0, 0, 0], [0, 0, 0]), ([3, 0, 0], [4, 0, 0])

    alone = scoring.combine([lots], [1.0])
    left_out = scoring.combine([lots, nobody], [0.75, 0.25])
    one = scoring.combine([lots, some], [0.75, 0.25])

    assert left_out.weights.tolist() == [[1.0] * 3, [0.0] * 3]
    assert np.isnan(left_out.parts[1]).all()
    assert_allclose(left_out.score, alone.score, rtol=1e-12)
    # Only the first was asked something: its own score alone changes, and so does what is known of it against others.
    assert one.weights.tolist() == [[0.75, 1.0, 1.0], [0.25, 0.0, 0.0]]
    assert_allclose(one.score[1:], alone.score[1:], rtol=1e-12)
    assert_allclose(one.low[1:], alone.low[1:], rtol=1e-9)
    assert_allclose(one.better[1, 2], alone.better[1, 2], rtol=1e-9)
    assert one.score[0] == pytest.approx(0.75 * one.parts[0, 0] + 0.25 * one.parts[1, 0], rel=1e-12)
    assert np.isnan(one.parts[1, 1:]).all()


@pytest.mark.parametrize(
    ("counts", "weights", "confidence", "said"),
    [
        ([([1], [2])], [-1.0], 0.95, "weights must be finite and not negative, got [-1.0]"),
        ([([1], [2])], [0.0], 0.95, "weights must leave a part in which something is decided"),
        ([([0], [0])], [1.0], 0.95, "weights must leave a part in which something is decided"),
        ([([1], [2])], [1.0, 1.0], 0.95, "counts must hold one pair of equal shapes a weight, got 1 parts"),
        ([([1], [2]), ([1, 1], [2, 2])], [1.0, 1.0], 0.95, "counts must hold one pair of equal shapes"),
        ([([3], [2])], [1.0], 0.95, "3 of 2 at index 0"),
        ([([1], [2])], [1.0], 0.0, "confidence must be in (0, 1), got 0.0"),
    ],
)
def test_what_can_not_be_weighed_is_refused(
    counts: list[tuple[list[int], list[int]]], weights: list[float], confidence: float, said: str
) -> None:
    with pytest.raises(ValueError, match=re.escape(said)):
        scoring.combine(counts, weights, confidence)
