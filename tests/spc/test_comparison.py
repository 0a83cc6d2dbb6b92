"""Comparisons against published examples, tables of numbers of lots, and the coverage of nested data."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from spc.comparison import (
    alike,
    any_difference,
    difference,
    lots_needed,
    no_worse,
    paired,
)

# R. R. Sokal and F. J. Rohlf (1995), Biometry, 3rd ed., box 10.2, from memory: three treatments, two animals each, three
# pieces, two readings. Every printed figure recomputes.
LIVERS = np.array(
    [131, 130, 131, 125, 136, 142, 150, 148, 140, 143, 160, 150, 157, 145, 154, 142, 147, 153, 151, 155, 147, 147, 162, 152,
     134, 125, 138, 138, 135, 136, 138, 140, 139, 138, 134, 127]
).reshape(3, 2, 6)  # fmt: skip

# NIST/SEMATECH e-Handbook, section 7.3.1, from memory.
OLD = [32, 37, 35, 28, 41, 44, 35, 31, 34, 38, 42]
NEW = [36, 31, 30, 31, 34, 36, 29, 32, 31]


def test_the_animal_is_the_unit_and_not_its_readings():
    right = any_difference(list(LIVERS.mean(axis=2)))
    assert_allclose([right.f, right.p_value], [2.9289595, 0.19709896], rtol=1e-7)
    assert (right.df_between, right.df_within) == (2, 3)
    # Printed F 2.929, 5.372 (animals against pieces) and 2.339 (pieces against readings), mean squares of 3, 12 and 18 df. What is above
    # a level is taken out, so that the sum between its groups has fewer df than they suggest.
    animals = LIVERS.reshape(6, 3, 2) - np.repeat(LIVERS.mean(axis=(1, 2)), 2)[:, None, None]
    pieces = animals.reshape(18, 2) - np.repeat(animals.mean(axis=(1, 2)), 3)[:, None]
    of_animals, of_pieces = any_difference(list(animals.mean(axis=2))), any_difference(list(pieces))
    ratios = [right.f, of_animals.f * 5 / 3, of_pieces.f * 17 / 12]
    assert_allclose(ratios, [2.929, 5.372, 2.339], rtol=0, atol=1e-3)
    assert_allclose(ratios, [2.9289595, 5.3714927, 2.3385827], rtol=1e-7)
    assert_allclose(stats.f.sf(ratios, [2, 3, 12], [3, 12, 18]), [0.19709896, 0.01410908, 0.05029073], rtol=1e-6)
    # Everything within taken as independent: 14.5 and 3e-5.
    wrong = any_difference(list(LIVERS.reshape(3, 12)))
    assert_allclose([wrong.f, wrong.p_value], [14.497744, 3.03e-5], rtol=2e-3)


def test_unequal_variances_give_the_difference_of_welch():
    found = difference(NEW, OLD)
    assert_allclose([found.value / found.se, found.df], [2.2693731, 15.532514], rtol=1e-7)
    assert_allclose([found.sd_b, found.sd_a], [4.9082, 2.5386], rtol=0, atol=5e-5)
    assert_allclose(found.value, 36.0909 - 32.2222, rtol=0, atol=1e-4)
    reference = stats.ttest_ind(OLD, NEW, equal_var=False)
    assert_allclose(found.p_value, reference.pvalue, rtol=1e-12)
    assert_allclose([found.low, found.high], reference.confidence_interval(), rtol=1e-12)


def test_pairs_are_students_t_of_their_differences():
    a, b = [2.70, 2.95, 2.55, 2.81], [2.61, 2.84, 2.48, 2.77]
    found, reference = paired(a, b), stats.ttest_rel(b, a)
    assert_allclose([found.p_value, found.df], [reference.pvalue, 3.0], rtol=1e-12)
    assert_allclose([found.low, found.high], reference.confidence_interval(), rtol=1e-12)
    # Loads that differ much hide the difference of lots tested apart.
    assert difference(a, b).p_value > 0.5 > 0.05 > found.p_value


def test_two_one_sided_tests_give_the_published_example():
    # D. Lakens (2017), Soc. Psychol. Personal. Sci. 8, 355-362: means 5.25 and 5.22, sd .95 and .83, n 95 and 89, bounds
    # 0.43 pooled sd; t = -2.69, p = .004 (read in the public repository Lakens/TOSTER).
    rng = np.random.default_rng(1)
    groups = []
    for mean, sd, n in ((5.25, 0.95, 95), (5.22, 0.83, 89)):
        z = stats.zscore(rng.standard_normal(n), ddof=1)
        groups.append(mean + sd * z)
    found = difference(groups[1], groups[0])
    assert_allclose([found.se, found.df], [0.13130289, 181.13437], rtol=1e-7)
    bound = 0.43 * np.sqrt((0.95**2 + 0.83**2) / 2)
    shown, p_low, p_high = alike(found, -bound, bound)
    assert shown
    assert_allclose([p_high, p_low], [0.00387552, 0.00095601], rtol=1e-5)
    assert_allclose(
        [(found.value - bound) / found.se, (found.value + bound) / found.se], [-2.6927714, 3.1497301], rtol=1e-6
    )
    assert_allclose(found.bound(0.95), [-0.18708431, 0.24708431], rtol=1e-6)


def test_lots_for_equivalence_are_the_tabled_numbers():
    # S. A. Julious (2004), Statistics in Medicine 23, table VIII (read in cran/PowerTOST): CV 30 %, 0.80 to 1.25, 90 %.
    sd, edge = np.sqrt(np.log(1 + 0.3**2)), np.log(1.25)
    found = [2 * lots_needed(sd, np.log(ratio), -edge, edge, 0.9) for ratio in (0.9, 0.95, 1.0, 1.05, 1.1)]
    assert found == [216, 102, 78, 100, 184]
    # With lot sd .10 and six bags of six: 6, 7, 11 lots each for true differences 0, 5, 10 %, and 18 for "not 10 % worse".
    lot = np.sqrt(0.1**2 + 0.12**2 / 6 + 0.05**2 / 36)
    assert [lots_needed(lot, np.log(1 + step), -edge, edge, 0.8) for step in (0, 0.05, 0.1)] == [6, 7, 11]
    assert lots_needed(lot, 0.0, high=np.log(1.1), power=0.8) == 18


def test_pairs_need_no_more_than_the_crossover_that_loses_a_degree_of_freedom():
    # D. Hauschke, V. Steinijans, I. Pigeot (2007), table 5.1 (read in cran/PowerTOST): two periods, totals even, one degree
    # of freedom for the period. Pairs without it need the same number or one fewer.
    edge = np.log(1.25)
    for cv, printed in ((0.2, [20, 16]), (0.25, [28, 24]), (0.3, [40, 32])):
        sd = np.sqrt(2 * np.log(1 + cv**2))
        found = [lots_needed(sd, np.log(ratio), -edge, edge, 0.8, pairs=True) for ratio in (0.95, 1.0)]
        assert all(total - 1 <= lots <= total for lots, total in zip(found, printed, strict=True))


def test_lots_for_a_one_sided_question_are_in_every_table():
    # Chow, Shao and Wang (2008); exact: effect in sd, power, risk.
    cases = [(0.5, 0.8, 0.025), (0.5, 0.9, 0.025), (1.0, 0.8, 0.025), (0.5, 0.8, 0.05)]
    assert [lots_needed(1.0, 0.0, high=effect, power=power, risk=risk) for effect, power, risk in cases] == [
        64,
        86,
        17,
        51,
    ]
    assert lots_needed(1.0, 0.0, high=0.001) is None


def test_unequal_bags_weight_the_lots_and_equal_ones_do_not():
    rng = np.random.default_rng(2)
    a, b = rng.normal(2.7, 0.1, 9), rng.normal(2.6, 0.1, 12)
    assert difference(a, b, np.full(9, 0.003), np.full(12, 0.001)) == difference(a, b)
    # A lot of one bag far off counts less.
    off, spread = np.append(a, 3.2), np.append(np.full(9, 0.003), 0.09)
    assert abs(difference(off, b, spread, np.full(12, 0.001)).value) < abs(difference(off, b).value)


def test_a_lot_is_the_unit_in_simulated_suppliers_with_a_bench_part():
    """Two equal suppliers, 8 and 10 lots of 2 to 8 bags, lot sd .10, session sd .05, bag sd .12. 2,000 repeats.

    The 95 % interval contains no difference in 93.8 to 96.5 % of repeats (standard error 0.5 %); with bags as units in far
    fewer.
    """
    rng, repeats = np.random.default_rng(4), 2000
    hits, wrong = 0, 0
    sizes = [np.array([2, 3, 4, 5, 6, 7, 8, 6]), np.array([6, 6, 6, 3, 3, 8, 8, 2, 5, 6])]
    for _ in range(repeats):
        levels, bags = [], []
        for n in sizes:
            truth = rng.normal(2.7, np.hypot(0.10, 0.05), n.size)
            each = [rng.normal(level, 0.12, count) for level, count in zip(truth, n, strict=True)]
            levels.append(np.array([one.mean() for one in each]))
            bags.append(np.concatenate(each))
        found = difference(*levels, *(0.12**2 / n for n in sizes))
        naive = difference(*bags)
        hits += found.low < 0 < found.high
        wrong += naive.low < 0 < naive.high
    assert 0.938 < hits / repeats < 0.968
    assert wrong / repeats < 0.80


def test_no_worse_depends_on_the_side_that_is_better():
    found = difference([2.70, 2.75, 2.65, 2.72], [2.60, 2.58, 2.66, 2.63])
    assert no_worse(found, 0.05, better=-1)
    assert not no_worse(found, 0.05, better=1)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: difference([1.0], [1.0, 2.0]), "levels_a must hold at least 2 points"),
        (lambda: difference([1.0, 1.0], [2.0, 2.0]), "no scatter"),
        (lambda: difference([1.0, 2.0], [2.0, 2.1], [0.1, -0.1]), "numbers of at least 0"),
        (lambda: paired([1.0, 2.0], [1.0, 2.0, 3.0]), "must name the same loads"),
        (lambda: paired([1.0, 2.0], [2.0, 3.0]), "differences of all loads are equal"),
        (lambda: no_worse(paired([1.0, 2.0], [2.0, 3.5]), 0.0, -1), "margin must be above 0"),
        (lambda: alike(paired([1.0, 2.0], [2.0, 3.5]), 1.0, -1.0), "low must be below high"),
        (lambda: lots_needed(1.0, 2.0, -1.0, 1.0), "true must be between"),
        (lambda: lots_needed(1.0, 2.0), "nothing to show"),
        (lambda: any_difference([[1.0, 2.0]]), "at least two groups"),
        (lambda: any_difference([[1.0, 1.0], [2.0, 2.0]]), "all equal"),
    ],
)
def test_bad_comparisons_are_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()
