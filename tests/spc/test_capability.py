"""Capability against handbook examples, the noncentral t distribution of scipy, and simulation with a known truth."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats

from spc.capability import capability, equivalent_df, from_components, satterthwaite
from spc.distributions.lognormal3 import l_moments, l_moments_without_each
from spc.percentile_capability import percentile_capability
from spc.stream.baseline import establish
from spc.stream.stream_capability import Withheld, for_stream

# D. C. Montgomery, Introduction to Statistical Quality Control, table 8.1: bursting strength of glass containers.
# fmt: off
BOTTLES = np.array([
    265, 197, 346, 280, 265, 200, 221, 265, 261, 278, 205, 286, 317, 242, 254, 235, 176, 262, 248, 250,
    263, 274, 242, 260, 281, 246, 248, 271, 260, 265, 307, 243, 258, 321, 294, 328, 263, 245, 274, 270,
    220, 231, 276, 228, 223, 296, 231, 301, 337, 298, 268, 267, 300, 250, 260, 276, 334, 280, 250, 257,
    260, 281, 208, 299, 308, 264, 280, 274, 278, 210, 234, 265, 187, 258, 235, 269, 265, 253, 254, 280,
    299, 214, 264, 267, 283, 235, 272, 287, 274, 269, 215, 318, 271, 293, 277, 290, 283, 258, 275, 251,
], dtype=float)
# fmt: on


def sample_like(mean: float, sd: float, n: int) -> np.ndarray:
    """A sample of exactly this mean and standard deviation."""
    shape = stats.norm.ppf((np.arange(n) + 0.5) / n)
    return mean + sd * (shape - shape.mean()) / shape.std(ddof=1)


def test_the_handbook_process_has_its_printed_indices():
    # NIST/SEMATECH e-Handbook, section 6.1.6: limits 8 and 20, mean 16, sd 2: Cp 1.0, Cpu 0.6667, Cpl 1.3333.
    x = sample_like(16.0, 2.0, 50)

    assert_allclose([capability(x, 8, 20).pp, capability(x, 8, 20).ppk], [1.0, 0.6667], rtol=0, atol=5e-5)
    # The distance of the mean from the middle of the limits, over half their distance: 0.3333.
    assert_allclose(1 - capability(x, 8, 20).ppk / capability(x, 8, 20).pp, 0.3333, rtol=0, atol=5e-5)
    assert_allclose(capability(x, upper=20).ppk, 0.6667, rtol=0, atol=5e-5)
    assert_allclose(capability(x, lower=8).ppk, 1.3333, rtol=0, atol=5e-5)


def test_the_interval_of_the_spread_index_is_that_of_the_textbook():
    # Montgomery, section 8.3: n = 20, s = 1.75, limits 38 and 62: Cp 2.29, interval 1.57 to 3.01 (from 2.29).
    found = capability(sample_like(50.0, 1.75, 20), 38, 62)

    assert_allclose([found.pp, found.pp_lower, found.pp_upper], [2.29, 1.57, 3.01], rtol=0, atol=0.006)
    assert_allclose([found.pp, found.pp_lower, found.pp_upper], [2.285714, 1.564945, 3.005579], rtol=0, atol=5e-7)


def test_the_bottles_have_the_printed_one_sided_index():
    # Montgomery, example 8.2: mean 264.06, s 32.02, Cpl 0.67; with 264 and 32 rounded, 2.275 % below 200.
    found = capability(BOTTLES, lower=200)

    assert (BOTTLES.size, found.pp) == (100, None)
    assert_allclose([BOTTLES.mean(), BOTTLES.std(ddof=1), found.ppk], [264.06, 32.02, 0.67], rtol=0, atol=0.005)
    rounded = from_components(264, 3.2, 32.0**2, 99, lower=200)
    assert_allclose([rounded.fraction, rounded.ppm / 1e6], [0.02275, 0.02275], rtol=0, atol=5e-6)


@pytest.mark.parametrize(
    ("index", "n", "lower"),
    # Exact one-sided 95 % bounds, computed from the noncentral t (setting of Chou, Owen and Borrego 1990).
    [(1.33, 20, 0.948685), (0.67, 100, 0.573439)],
)
def test_the_lower_end_is_the_exact_bound(index, n, lower):
    # An equal-tailed interval of 90 % has a one-sided 95 % bound at either end.
    found = capability(sample_like(0.0, 1.0, n), upper=3 * index, confidence=0.9)

    assert_allclose(found.ppk_lower, lower, rtol=0, atol=1e-6)


def test_both_ends_solve_the_noncentral_t_of_scipy():
    for n, index in [(3, 0.4), (10, 1.33), (50, -0.2), (200, 2.0)]:
        found = capability(sample_like(0.0, 1.0, n), lower=-3 * index, confidence=0.8)
        t = 3 * index * np.sqrt(n)
        tails = [
            stats.nct.sf(t, n - 1, 3 * found.ppk_lower * np.sqrt(n)),
            stats.nct.cdf(t, n - 1, 3 * found.ppk_upper * np.sqrt(n)),
        ]
        assert_allclose(tails, 0.1, rtol=1e-8)
        ends = [found.fraction_lower, found.fraction_upper]
        assert_allclose(ends, stats.norm.sf(np.array([3 * found.ppk_upper, 3 * found.ppk_lower])), rtol=1e-12)


def test_the_exact_interval_is_near_the_textbook_approximation_where_values_are_many():
    # A. F. Bissell (1990), in Montgomery, section 8.3: Cpk (1 +- z sqrt(1 / (9 n Cpk**2) + 1 / (2 (n - 1)))). Printed
    # interval of the example (0.99 to 1.67, from memory) does not follow from the formula; the formula gives 0.8826 to
    # 1.7774 at n = 20. It is symmetric and the exact law is not: at n = 2000 they agree to 1 % of the half-width.
    def half(n: int) -> float:
        return 1.33 * 1.959964 * np.sqrt(1 / (9 * n * 1.33**2) + 1 / (2 * (n - 1)))

    assert_allclose([1.33 - half(20), 1.33 + half(20)], [0.8826, 1.7774], rtol=0, atol=5e-5)
    many = capability(sample_like(0.0, 1.0, 2000), upper=3.99)
    assert_allclose([many.ppk_lower, many.ppk_upper], [1.33 - half(2000), 1.33 + half(2000)], atol=0.01 * half(2000))


def test_a_limit_out_of_reach_leaves_the_one_sided_interval():
    x = sample_like(0.0, 1.0, 15)
    one, two = capability(x, upper=3.0), capability(x, -30.0, 3.0)

    names = ("ppk", "ppk_lower", "ppk_upper", "fraction", "fraction_lower", "fraction_upper")
    assert_allclose([getattr(two, name) for name in names], [getattr(one, name) for name in names], rtol=1e-9)


def test_the_lower_end_of_two_limits_is_that_of_the_nearer_one():
    x = sample_like(0.2, 1.0, 15)

    assert_allclose(capability(x, -3.0, 3.0).ppk_lower, capability(x, upper=3.0).ppk_lower, rtol=1e-9)


@pytest.mark.parametrize("mean", [0.0, 0.3])
def test_the_upper_end_of_two_limits_is_where_an_estimate_this_low_is_rare(mean):
    # Draws from the law at that end, the mean as far from the middle as it seems to be (less its own variance): a lower
    # estimate in 10 %; 200,000 draws, 4 standard errors 0.27 %.
    n, draw = 15, np.random.default_rng(47)
    found = capability(sample_like(mean, 1.0, n), -2.0, 2.0, confidence=0.8)
    offset = np.sqrt(max(mean**2 - 1 / n, 0.0))
    half = 3 * found.ppk_upper + offset
    means = offset + draw.normal(size=200_000) / np.sqrt(n)
    sds = np.sqrt(draw.chisquare(n - 1, size=200_000) / (n - 1))

    assert abs(((half - np.abs(means)) / (3 * sds) <= found.ppk).mean() - 0.1) < 0.0027


def test_a_sum_of_mean_squares_is_worth_what_satterthwaite_says():
    # Equal terms of 4 and 4 degrees of freedom pool to 8; a single term keeps its own.
    assert_allclose(satterthwaite([2.0, 2.0], [4, 4]), 8.0, rtol=1e-12)
    assert_allclose(satterthwaite([2.0, 0.0], [4, 9]), 4.0, rtol=1e-12)


def test_a_stream_has_the_capability_of_all_its_variance():
    rng = np.random.default_rng(31)
    base = establish(rng.normal(size=25), np.full(25, 0.0))
    found = for_stream(base, 0.5, (40.0, 30.0), upper=6.0, stable=True)

    assert_allclose(found.ppk, (6.0 - base.center) / (3 * np.sqrt(base.sigma**2 + 0.5)), rtol=1e-12)
    assert found.degrees_of_freedom == 30.0


@pytest.mark.parametrize(
    ("lots", "within", "upper", "stable", "normal", "reason"),
    [
        (6, 1.0, None, True, True, Withheld.NO_LIMIT),
        (6, 1.0, 9.0, True, True, Withheld.TOO_FEW_LOTS),
        (25, 1.0, 9.0, False, True, Withheld.NOT_STABLE),
        (25, 1.0, 9.0, True, False, Withheld.NOT_NORMAL),
    ],
)
def test_a_stream_that_allows_no_index_says_why(lots, within, upper, stable, normal, reason):
    base = establish(sample_like(0.0, 1.0, lots), np.zeros(lots))

    assert for_stream(base, within, (50.0, 50.0), upper=upper, stable=stable, normal=normal) is reason


def test_a_stream_without_scatter_has_no_index():
    assert for_stream(establish([1.0] * 12, [0.0] * 12), 0.0, (1.0, 1.0), upper=9.0, stable=True) is Withheld.NO_SPREAD


def test_percentiles_of_a_normal_shape_give_the_ordinary_index():
    x = sample_like(10.0, 2.0, 2001)
    found = percentile_capability(x, lower=1.0, upper=16.0)

    # 2001 evenly spread quantiles have nearly the L-scale of the law: 0.1 %.
    assert_allclose([found.ppk, found.pp], [1.0, 1.25], rtol=2e-3)
    assert_allclose([found.low, found.middle, found.high], [4.0, 10.0, 16.0], rtol=2e-3)


def test_percentiles_of_a_skewed_shape_are_those_of_its_law():
    # Quantiles of the lognormal law of shape 0.5 less 2: percentiles exp(0.5 z) - 2 at z = -3, 0, 3. Hosking's rational
    # form is good to 2e-6 in shape; 5001 quantiles leave out the outermost 0.01 % of each tail.
    x = np.exp(0.5 * stats.norm.ppf((np.arange(5001) + 0.5) / 5001)) - 2
    found = percentile_capability(x, upper=4.0)

    assert_allclose([found.low, found.middle, found.high], np.exp([-1.5, 0.0, 1.5]) - 2, rtol=0, atol=0.01)
    assert_allclose(found.ppk, 5 / (np.exp(1.5) - 1), rtol=5e-3)


def test_l_moments_are_those_of_a_worked_set():
    # By the definition of J. R. M. Hosking (1990, JRSS B 52): half the mean distance of pairs, a third of the mean of
    # high - 2 middle + low over triples.
    first, second, skew = l_moments(np.array([[8.0], [1.0], [4.0], [2.0]]))[:, 0]
    triples = [(1, 2, 4), (1, 2, 8), (1, 4, 8), (2, 4, 8)]
    third = np.mean([high - 2 * middle + low for low, middle, high in triples]) / 3
    pairs = [1, 3, 7, 2, 6, 4]

    assert_allclose([first, second, skew], [15 / 4, np.mean(pairs) / 2, third / (np.mean(pairs) / 2)], rtol=1e-12)


def test_leaving_each_value_out_agrees_with_doing_it():
    x = np.random.default_rng(43).gamma(2.0, size=40)
    literal = [l_moments(np.delete(np.sort(x), i)[:, None])[:, 0] for i in range(x.size)]

    # Differences of sums of 40 terms of size 40**2: 1e-16 * 1600 * 40 over the L-moment.
    assert_allclose(l_moments_without_each(x[:, None])[:, :, 0].T, literal, rtol=1e-10)


@settings(deadline=None)  # the laws cost milliseconds, more on a busy machine
@given(st.integers(0, 9_999), st.floats(-100, 100), st.floats(0.01, 100))
def test_a_change_of_unit_changes_no_index(seed, shift, scale):
    x = np.random.default_rng(seed).normal(size=12)
    plain = capability(x, -3.0, 4.0)
    moved = capability(x * scale + shift, -3.0 * scale + shift, 4.0 * scale + shift)
    mirrored = capability(-x, -4.0, 3.0)

    names = ("pp", "ppk", "ppk_lower", "ppk_upper", "fraction_upper")
    values = [getattr(plain, name) for name in names]
    assert_allclose([getattr(moved, name) for name in names], values, rtol=1e-6)
    assert_allclose([getattr(mirrored, name) for name in names], values, rtol=1e-9)


def test_two_values_have_an_index_with_a_very_wide_interval():
    found = capability([0.0, 1.0], upper=3.0)

    assert found.ppk_upper - found.ppk_lower > 2
    assert np.isfinite([found.ppk_lower, found.ppk_upper, found.fraction_upper]).all()


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: capability([1.0], upper=2.0), "x must hold at least 2 points, got 1"),
        (lambda: capability([1.0, np.nan], upper=2.0), "x must be finite"),
        (lambda: capability([0.1] * 9, upper=2.0), "x does not vary: all 9 values are"),
        (lambda: capability([1.0, 2.0]), "no limit is given; give lower, upper or both"),
        (lambda: capability([1.0, 2.0], 3.0, 3.0), "lower must be below upper, got 3.0 and 3.0"),
        (lambda: capability([1.0, 2.0], upper=np.inf), "upper must be a finite number"),
        (lambda: capability([1.0, 2.0], upper=3.0, confidence=95), r"confidence must be in \(0, 1\), got 95"),
        (lambda: from_components(0.0, -1.0, 1.0, 5, upper=3.0), "center_se must be a number of at least 0, got -1.0"),
        (lambda: from_components(0.0, 1.0, 0.0, 5, upper=3.0), "variance_total must be above 0"),
        (lambda: from_components(0.0, 1.0, 1.0, 0, upper=3.0), "degrees_of_freedom must be above 0"),
        (lambda: percentile_capability(np.arange(29.0), upper=50), "x must hold at least 30 points, got 29"),
        (lambda: satterthwaite([1.0], [1.0, 2.0]), "degrees_of_freedom must hold a number above 0 for each of 1 terms"),
        (lambda: equivalent_df(1.0, 1.2, 2.0), "variance must lie inside its interval, got 1.0 in 1.2 to 2.0"),
        (lambda: satterthwaite([0.0], [3.0]), "terms must not all be 0"),
        (
            lambda: for_stream(establish([1.0, 2.0], [0, 0]), -1.0, (5.0, 5.0), upper=3, stable=True),
            "within_variance must be",
        ),
    ],
)
def test_impossible_input_is_refused_by_name(call, message):
    with pytest.raises(ValueError, match=message):
        call()
