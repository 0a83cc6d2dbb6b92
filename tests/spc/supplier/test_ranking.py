"""Partial pooling of shares, against published worked examples and a slow route of its own."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import integrate, special, stats

from spc.supplier import ranking

# Tumours in groups of rats: A. Gelman et al. (2013), Bayesian Data Analysis, 3rd edition, table 5.1; the data, the mode
# and the grid were read in the open example "Hierarchical Binomial Model: Rat Tumor" of the PyMC project.
RATS_WITH = [
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 1, 1, 1, 2, 2, 2, 2, 2, 2, 2, 2, 2, 1, 5, 2, 5, 3, 2, 7, 7, 3, 3,
    2, 9, 10, 4, 4, 4, 4, 4, 4, 4, 10, 4, 4, 4, 5, 11, 12, 5, 5, 6, 5, 6, 6, 6, 6, 16, 15, 15, 9, 4,
]  # fmt: skip
RATS = [
    20, 20, 20, 20, 20, 20, 20, 19, 19, 19, 19, 18, 18, 17, 20, 20, 20, 20, 19, 19, 18, 18, 25, 24, 23, 20, 20, 20, 20, 20,
    20, 10, 49, 19, 46, 27, 17, 49, 47, 20, 20, 13, 48, 50, 20, 20, 20, 20, 20, 20, 20, 48, 19, 19, 19, 22, 46, 49, 20, 20,
    23, 19, 22, 20, 20, 20, 52, 46, 47, 24, 14,
]  # fmt: skip

# Batting averages after 45 attempts and over the rest of the season: B. Efron, C. Morris (1975), Data analysis using
# Stein's estimator and its generalizations, Journal of the American Statistical Association 70, 311-319, table 1.
BATTED_45 = [0.400, 0.378, 0.356, 0.333, 0.311, 0.311, 0.289, 0.267, 0.244, 0.244, *[0.222] * 5, 0.200, 0.178, 0.156]
BATTED_LATER = [
    0.346, 0.298, 0.276, 0.222, 0.273, 0.270, 0.263, 0.210, 0.269, 0.230, 0.264, 0.256, 0.303, 0.264, 0.226, 0.285, 0.316,
    0.200,
]  # fmt: skip


def test_the_population_of_the_rats_is_that_of_the_book() -> None:
    logit, log_size = np.meshgrid(np.arange(-2.3, -1.3, 0.01), np.arange(1, 5, 0.01))
    mean, size = special.expit(logit), np.exp(log_size)

    # The book looks at it in the logit of the mean and the log of the size.
    log = ranking.log_posterior(mean, size, RATS_WITH, RATS) + np.log(mean * (1 - mean) * size)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    mode = np.unravel_index(np.argmax(weight), weight.shape)

    # Read to two decimals, which is the pitch of the grid.
    assert_allclose([logit[mode], log_size[mode]], [-1.79, 2.74], rtol=0, atol=0.005)
    # Section 5.3: E(alpha) = 2.4 and E(beta) = 14.3, to half a unit of the last digit.
    assert_allclose([(mean * size * weight).sum(), ((1 - mean) * size * weight).sum()], [2.4, 14.3], rtol=0, atol=0.05)


def test_pooled_batting_averages_foretell_the_season_as_the_paper_says() -> None:
    hits = np.rint(45 * np.array(BATTED_45))
    later = np.array(BATTED_LATER)

    pooled = ranking.shares(hits, np.full(18, 45)).share

    # The paper finds its estimates' total squared error 3.5 times smaller than that of the raw averages (from memory).
    # Ours is another estimator of the same kind, so it is only held to threefold; and it must keep the order.
    assert np.sum((pooled - later) ** 2) < np.sum((hits / 45 - later) ** 2) / 3
    assert np.all(np.diff(pooled) <= 1e-12)


def slowly(good: list[int], decided: list[int]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Shares, lower interval ends and chances of being better by a plain grid and scipy.stats."""
    w = (np.arange(80) + 0.5) / 80
    logit = np.arange(-6, 6, 0.1)
    nodes = [(special.expit(t), u**-2.0) for t in logit for u in w]
    mean, size = (np.array(part) for part in zip(*nodes, strict=True))
    log = np.log(mean * (1 - mean))
    for hits, lots in zip(good, decided, strict=True):
        log = log + stats.betabinom.logpmf(hits, lots, mean * size, (1 - mean) * size)
    weight = np.exp(log - log.max())
    heavy = weight > 1e-4
    mean, size, weight = mean[heavy], size[heavy], weight[heavy] / weight[heavy].sum()
    axis = np.linspace(0.0005, 0.9995, 400)
    share, low, cdfs, pdfs = [], [], [], []
    for hits, lots in zip(good, decided, strict=True):
        law = stats.beta(mean * size + hits, (1 - mean) * size + lots - hits)
        share.append(weight @ law.mean())
        cdf = np.array([law.cdf(x) for x in axis])
        low.append(np.interp(0.025, cdf @ weight, axis))
        cdfs.append(cdf)
        pdfs.append(np.array([law.pdf(x) for x in axis]))
    better = [[integrate.trapezoid((pdf * cdf) @ weight, axis) for cdf in cdfs] for pdf in pdfs]
    return np.array(share), np.array(low), np.array(better)


def test_the_quadrature_agrees_with_a_plain_grid() -> None:
    good, decided = [14, 22, 30], [20, 40, 35]

    found = ranking.shares(good, decided)
    share, low, better = slowly(good, decided)

    # 1e-3 of the population's mass is left out on purpose; the plain grid's own pitch is of the same order.
    assert_allclose(found.share, share, rtol=0, atol=1e-3)
    assert_allclose(found.low, low, rtol=0, atol=2e-3)
    off = ~np.eye(3, dtype=bool)
    assert_allclose(found.better[off], better[off], rtol=0, atol=2e-3)


def test_few_lots_are_pulled_towards_the_others_and_many_stay() -> None:
    found = ranking.shares([4, 48, 50, 47], [4, 60, 60, 60])

    assert found.share[0] < 0.9
    assert abs(found.share[1] - 48 / 60) < 0.03
    assert (found.first[0], found.last[0]) == (1, 4)


def test_a_quarter_in_which_every_lot_conforms_is_one_tie() -> None:
    found = ranking.shares([4, 12, 60], [4, 12, 60])

    assert found.first.tolist() == [1, 1, 1]
    assert found.last.tolist() == [3, 3, 3]
    assert found.low[0] < found.low[1] < found.low[2] < 1


def test_a_supplier_that_is_clearly_worse_stands_last() -> None:
    found = ranking.shares([58, 59, 57, 20], [60, 60, 60, 40])

    assert found.first.tolist() == [1, 1, 1, 4]
    assert found.last.tolist() == [3, 3, 3, 4]


def test_four_lots_never_come_first_or_last_by_luck() -> None:
    rng = np.random.default_rng(20260701)
    decided = np.array([4, 40, 40, 40, 40, 40])
    alone = 0
    for _ in range(60):
        found = ranking.shares(rng.binomial(decided, 0.9), decided)
        alone += int(found.last[0] == 1 or found.first[0] == 6)

    # All six are truly alike: a place of its own for the one with four lots would be luck.
    assert alone == 0


def test_equal_counts_stand_equally() -> None:
    found = ranking.shares([9, 9, 5], [10, 10, 10])

    assert found.share[0] == found.share[1]
    assert found.better[0, 1] == 0.5


@pytest.mark.parametrize(
    ("good", "decided", "confidence", "said"),
    [
        ([3], [2], 0.95, "3 of 2 at index 0"),
        ([1, 1.5], [2, 2], 0.95, "1.5 of 2 at index 1"),
        ([1, 2], [2], 0.95, "one count a supplier"),
        ([], [], 0.95, "at least one supplier"),
        ([1], [2], 1.0, "confidence must be in"),
    ],
)
def test_what_is_no_count_is_refused(good: list[float], decided: list[float], confidence: float, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        ranking.shares(good, decided, confidence)
