"""Several differences at once against published tables, two general-purpose libraries, and simulated lots of many suppliers."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats
from statsmodels.stats.multicomp import pairwise_tukeyhsd

from spc.comparison import Difference, alike, difference, no_worse, paired
from spc.multiplicity import against_one, all_pairs, largest_of, range_of


def pooled(groups: list[np.ndarray], pairs: list[tuple[int, int]]) -> list[Difference]:
    """Differences b - a of means with one variance for all groups, as the tables of Tukey and Dunnett have it."""
    df = float(sum(len(own) - 1 for own in groups))
    variance = sum(float(np.sum((own - own.mean()) ** 2)) for own in groups) / df
    found = []
    for a, b in pairs:
        parts = variance / len(groups[a]), variance / len(groups[b])
        value, se = float(groups[b].mean() - groups[a].mean()), float(np.sqrt(sum(parts)))
        reach = float(stats.t.ppf(0.975, df)) * se
        p_value = 2 * float(stats.t.sf(abs(value) / se, df))
        sizes = len(groups[a]), len(groups[b])
        found.append(
            Difference(value, se, df, value - reach, value + reach, p_value, *sizes, 1.0, 1.0, parts[0] / sum(parts))
        )
    return found


# All pairs


def test_all_pairs_of_the_plasma_etch_example_have_tukeys_interval():
    # D. C. Montgomery, Design and Analysis of Experiments, plasma etch example, from memory: means of 5, mean square 333.70 on 16
    # df; least significant difference 24.49, Tukey's 33.09 from q printed as 4.05 (33.054 from the unrounded q).
    means, se = [551.2, 587.4, 625.4, 707.0], np.sqrt(2 * 333.7 / 5)
    alone = -float(stats.t.ppf(0.025, 16)) * se
    assert_allclose(alone, 24.492017, rtol=1e-7)
    pairs = [Difference(b - a, se, 16.0, 0, 0, 0.5, 5, 5, 1.0, 1.0, 0.5) for a, b in combinations(means, 2)]
    found = all_pairs(pairs, groups=4)
    assert_allclose(0.5 * (found.high - found.low), 33.054376, rtol=1e-7)
    assert_allclose(np.sqrt(2) * 33.054376 / se, 4.0460931, rtol=1e-7)
    # All four differ from each other by that test.
    assert np.all(found.p_value < 0.05)


def test_the_range_is_that_of_a_general_library():
    for groups, q, df in (
        (3, 3.5, 4.0),
        (4, 4.05, 16.0),
        (10, 5.0, 8.3),
        (30, 6.0, 20.0),
        (3, 8.0, 1.7),
        (2, 2.0, 7.0),
    ):
        # The library integrates to about 1e-10.
        assert_allclose(range_of(groups, q, df), stats.studentized_range.cdf(q, groups, df), rtol=0, atol=1e-9)


def test_unequal_groups_with_one_variance_are_tukey_and_kramer():
    rng = np.random.default_rng(4)
    groups = [rng.normal(mean, 1.0, size) for mean, size in ((0.0, 4), (1.0, 7), (2.5, 9))]
    places = list(combinations(range(3), 2))
    found, reference = all_pairs(pooled(groups, places), groups=3), stats.tukey_hsd(*groups)
    ends = reference.confidence_interval()
    assert_allclose(found.p_value, [reference.pvalue[pair] for pair in places], rtol=0, atol=1e-9)
    # The library solves its interval to about 1e-6.
    assert_allclose(found.low, [-ends.high[pair] for pair in places], rtol=0, atol=1e-5)
    assert_allclose(found.high, [-ends.low[pair] for pair in places], rtol=0, atol=1e-5)


def test_groups_with_variances_of_their_own_are_games_and_howell():
    rng = np.random.default_rng(7)
    groups = [
        rng.normal(mean, sd, size) for mean, sd, size in ((0.0, 1.0, 6), (1.0, 2.0, 9), (3.0, 0.5, 5), (1.0, 1.0, 7))
    ]
    places = list(combinations(range(4), 2))
    found = all_pairs([difference(groups[a], groups[b]) for a, b in places], groups=4)
    names = np.repeat(np.arange(4), [len(own) for own in groups])
    reference = pairwise_tukeyhsd(np.concatenate(groups), names, use_var="unequal")
    assert_allclose(found.p_value, reference.pvalues, rtol=0, atol=1e-6)
    assert_allclose(np.column_stack([found.low, found.high]), reference.confint, rtol=0, atol=2e-4)


# Each with the one in use

# C. W. Dunnett (1964), New tables for multiple comparisons with a control, Biometrics 20, 482-491: two-sided 5 % points for equal
# groups, from memory; every entry recomputes to its two decimals.
TABLE = {
    5.0: (2.57, 3.03, 3.29, 3.48, 3.62),
    10.0: (2.23, 2.57, 2.76, 2.89, 2.99),
    20.0: (2.09, 2.38, 2.54, 2.65, 2.73),
    1e9: (1.96, 2.21, 2.35, 2.44, 2.51),
}
# C. W. Dunnett (1955), JASA 50, 1096-1121, blood counts of animals, as the documentation of scipy.stats.dunnett has them.
CONTROL = np.array([7.40, 8.50, 7.20, 8.24, 9.84, 8.32])
DRUGS = [np.array([9.76, 8.80, 7.68, 9.36]), np.array([12.80, 9.68, 12.16, 9.20, 10.55])]


@pytest.mark.parametrize("df", TABLE)
def test_many_against_one_have_the_points_of_dunnetts_table(df: float):
    for others, printed in enumerate(TABLE[df], start=1):
        shares = np.full(others, 0.5)
        below, above = largest_of(shares, [printed - 0.005, printed + 0.005], df)
        # Half a unit of the last digit, and 1e-5 for an entry that was rounded at its edge.
        assert below - 1e-5 < 0.95 < above + 1e-5


def test_the_blood_counts_of_dunnett_have_their_published_result():
    groups = [CONTROL, *DRUGS]
    found = against_one(pooled(groups, [(0, 1), (0, 2)]))
    reference = stats.dunnett(*DRUGS, control=CONTROL, random_state=np.random.default_rng(1))
    # Printed by the documentation: 0.62004941, 0.0058035. The library draws at random, to about 1e-4.
    assert_allclose(found.p_value, [0.62004941, 0.0058035], rtol=0, atol=2e-4)
    assert_allclose(found.p_value, reference.pvalue, rtol=0, atol=5e-4)
    ends = reference.confidence_interval()
    assert_allclose(np.column_stack([found.low, found.high]), np.column_stack([ends.low, ends.high]), rtol=0, atol=5e-3)


def test_one_question_alone_is_students_t_and_pairs_count_as_independent():
    one = difference([2.70, 2.75, 2.65, 2.72], [2.60, 2.58, 2.66, 2.63])
    for found in (against_one([one]), all_pairs([one], groups=2)):
        assert_allclose([found.low[0], found.high[0], found.p_value[0]], [one.low, one.high, one.p_value], rtol=1e-6)
    loads = [paired([2.7, 2.9, 2.5, 2.8], [2.6, 2.8, 2.4 + step, 2.75]) for step in (0.01, 0.1)]
    # Without a shared part: Sidak's product, summed over the estimated scatter.
    assert np.all(against_one(loads).p_value > [one.p_value for one in loads])
    assert np.all(against_one(loads).p_value < [2 * one.p_value for one in loads])


def test_the_ends_of_90_percent_are_the_two_one_sided_tests_of_two_candidates():
    one = difference([2.70, 2.75, 2.65, 2.72], [2.60, 2.58, 2.66, 2.63])
    found = all_pairs([one], 2, confidence=0.9)
    assert_allclose([found.low[0], found.high[0]], one.bound(0.95), rtol=1e-7)
    for margin in (0.02, 0.05, 0.12, 0.2):
        inside = (found.low[0] > -margin) and (found.high[0] < margin)
        assert inside == alike(one, -margin, margin)[0]
        assert (found.high[0] < margin) == no_worse(one, margin, better=-1)


# The chance of any wrong claim


@pytest.mark.parametrize(
    ("lots", "sds"), [((8, 8, 8, 8), (1, 1, 1, 1)), ((12, 8, 6, 5), (1, 1, 2, 2)), ((3, 3, 3), (1, 1, 1))]
)
def test_one_wrong_claim_among_all_pairs_is_as_rare_as_promised(lots: tuple[int, ...], sds: tuple[float, ...]):
    # 1,000 sets of lots without a difference; standard error 0.7 %. The approximation is known to give up to about 6.5 % for
    # unequal scatter in few lots, and less than 5 % for very few.
    rng = np.random.default_rng(11)
    claims = 0
    for _ in range(1_000):
        groups = [rng.normal(0.0, sd, size) for size, sd in zip(lots, sds, strict=True)]
        pairs = [difference(a, b) for a, b in combinations(groups, 2)]
        df = np.array([one.df for one in pairs])
        largest = np.array([abs(one.value) / one.se for one in pairs])
        claims += bool(np.any(range_of(len(lots), np.sqrt(2) * largest, df) > 0.95))
    assert 0.02 < claims / 1_000 < 0.065 + 4 * 0.0078


def test_one_wrong_claim_against_the_one_in_use_is_as_rare_as_promised():
    # Six suppliers without a difference whose sessions share a bench part of the size of half the scatter of lots: it is part of
    # what lots differ by. 600 sets; standard error 0.9 %.
    rng = np.random.default_rng(12)
    claims = 0
    for _ in range(600):
        groups = [rng.normal(0.0, 0.1, 8) + rng.normal(0.0, 0.05, 8) for _ in range(6)]
        pairs = [difference(groups[0], other) for other in groups[1:]]
        found = largest_of(
            [one.share_a for one in pairs], [abs(one.value) / one.se for one in pairs], [one.df for one in pairs]
        )
        claims += bool(np.any(found > 0.95))
    assert abs(claims / 600 - 0.05) < 4 * 0.0089


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: all_pairs([], 3), "give at least one difference"),
        (lambda: against_one([]), "at least one difference and a confidence"),
        (lambda: all_pairs([difference([1.0, 2.0], [1.5, 2.0])], 1), "groups must be at least 2, got 1"),
        (lambda: against_one([difference([1.0, 2.0], [1.5, 2.0])], 1.0), r"a confidence in \(0, 1\), got 1 and 1.0"),
    ],
)
def test_bad_questions_are_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()
