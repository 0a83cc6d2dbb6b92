"""What every estimator must do, where its own test file does not say it: scale and shift, order, little data, equal data."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats

from spc.acceptance import acceptance_probability, fraction_beyond, tolerance_factor
from spc.capability import capability
from spc.censored import line_fit
from spc.changepoint import ramp, split, step
from spc.estimated_limits import estimated_chart, guaranteed_width
from spc.percentile_capability import percentile_capability
from spc.stream.baseline import LeftOutReason, establish, limits, qn
from spc.stream.distribution_checks import dependence, normality
from spc.supplier import quarter, ranking

SEEDS = st.integers(0, 99_999)
SHIFTS, SCALES = st.floats(-100, 100), st.floats(0.01, 100)


def drawn(seed: int, n: int) -> np.ndarray:
    return np.random.default_rng(seed).normal(size=n)


# Baseline


@settings(deadline=None)
@given(SEEDS, SHIFTS, SCALES)
def test_the_scale_of_pairs_follows_scale_and_shift_and_no_order(seed, shift, scale):
    x = drawn(seed, 11)

    assert_allclose(qn(x * scale + shift), qn(x) * scale, rtol=1e-7, atol=1e-9)
    assert qn(x[::-1]) == qn(x)
    assert qn(-x) == qn(x)
    assert qn([3.0] * 8) == 0


def test_two_lots_have_a_level_a_scatter_and_wide_limits():
    base = establish([1.0, 3.0], [0.0, 0.0])
    lower, upper = limits(base, [0.0])

    assert (base.center, base.count, base.learning, base.degrees_of_freedom) == (2.0, 2, True, 1.0)
    assert_allclose(base.sigma, np.sqrt(2.0), rtol=1e-12)
    # t with one degree of freedom at the tail of three sigma, times sigma sqrt(1 + 1 / 2).
    assert_allclose(upper[0] - 2.0, stats.t.isf(stats.norm.sf(3), 1) * np.sqrt(3.0), rtol=1e-9)
    assert_allclose(upper[0] - 2.0, 2.0 - lower[0], rtol=1e-12)


@settings(deadline=None)
@given(SEEDS)
def test_limits_close_in_as_lots_and_bags_grow_many(seed):
    x = drawn(seed, 24)
    few, many = establish(np.tile(x, 1), np.zeros(24), lots=24), establish(np.tile(x, 10), np.zeros(240), lots=240)

    assert np.ptp(limits(many, [0.0])) < np.ptp(limits(few, [0.0]))
    assert np.ptp(limits(few, [0.1])) > np.ptp(limits(few, [0.01]))


def test_a_lot_left_out_by_hand_is_never_called_far():
    base = establish([1.0, 1.1, 0.9, 1.0, 1.2, 0.8, 1.05, 0.95, 99.0], np.zeros(9), left_out=[8])

    assert [lot.reason for lot in base.left_out] == [LeftOutReason.BY_HAND]


# Capability


@settings(max_examples=20, deadline=None)
@given(SEEDS)
def test_the_order_of_values_changes_no_index_and_a_nearer_limit_lowers_it(seed):
    x = drawn(seed, 12)
    plain, turned, nearer = capability(x, upper=4.0), capability(x[::-1], upper=4.0), capability(x, upper=3.5)

    assert_allclose([turned.ppk, turned.ppk_lower, turned.ppk_upper], [plain.ppk, plain.ppk_lower, plain.ppk_upper])
    assert nearer.ppk < plain.ppk
    assert nearer.ppk_lower < plain.ppk_lower
    assert plain.ppk_lower < plain.ppk < plain.ppk_upper
    assert plain.fraction_lower < plain.fraction < plain.fraction_upper


@settings(deadline=None)
@given(SEEDS, SHIFTS, SCALES)
def test_percentiles_follow_scale_and_shift_and_no_order(seed, shift, scale):
    x = np.random.default_rng(seed).gamma(3.0, size=40)
    plain = percentile_capability(x, -1.0, 14.0)
    moved = percentile_capability(x[::-1] * scale + shift, -1.0 * scale + shift, 14.0 * scale + shift)

    assert_allclose([moved.ppk, moved.ppk_lower, moved.pp], [plain.ppk, plain.ppk_lower, plain.pp], rtol=1e-6)
    ends = np.array([plain.low, plain.middle, plain.high])
    assert_allclose([moved.low, moved.middle, moved.high], ends * scale + shift, rtol=1e-6, atol=1e-6 * scale)


def test_equal_values_have_no_percentile_index():
    with pytest.raises(ValueError, match="x does not vary: all 30 values are"):
        percentile_capability([2.0] * 30, upper=3.0)


# Change points


@settings(deadline=None)
@given(SEEDS, SHIFTS, SCALES)
def test_the_origin_and_the_unit_of_time_move_no_start_of_a_ramp(seed, origin, unit):
    x = drawn(seed, 15) + np.maximum(np.arange(15.0) - 8, 0)
    times = np.cumsum(np.random.default_rng(seed + 1).uniform(0.5, 2.0, size=15))
    plain, moved = ramp(x, 0.0, 1.0, times), ramp(x, 0.0, 1.0, times * unit + origin)

    assert (moved.index, moved.interval) == (plain.index, plain.interval)
    assert_allclose(moved.slope * unit, plain.slope, rtol=1e-7)


def test_two_points_can_have_moved_at_either():
    assert step([0.0, 9.0], 0.0, 1.0).interval == (0, 0)
    assert step([9.0, 9.0], 0.0, 1.0).index == -1
    assert ramp([0.0, 9.0], 0.0, 1.0).index == 0


@settings(deadline=None)
@given(SEEDS, SHIFTS, SCALES)
def test_a_cut_follows_scale_and_shift(seed, shift, scale):
    x = drawn(seed, 12) + np.r_[np.zeros(5), np.full(7, 3.0)]
    plain, moved = split(x), split(x * scale + shift)

    assert moved.index == plain.index
    assert_allclose(
        [moved.before, moved.after], np.array([plain.before, plain.after]) * scale + shift, rtol=1e-7, atol=1e-7
    )
    assert_allclose(moved.f, plain.f, rtol=1e-5)


# Shape and dependence


@settings(max_examples=15, deadline=None)
@given(SEEDS)
def test_shape_has_no_order_and_dependence_is_a_matter_of_order_alone(seed):
    x = drawn(seed, 14)
    shuffled = np.random.default_rng(seed).permutation(x)

    assert_allclose(normality(shuffled).p_value, normality(x).p_value, rtol=1e-9)
    assert_allclose(normality(-x).p_value, normality(x).p_value, rtol=1e-9)
    assert_allclose(dependence(-x).sample, dependence(x).sample, rtol=1e-9, atol=1e-12)
    assert dependence(x).lower <= dependence(x).rho <= dependence(x).upper


# Quarters


@settings(deadline=None)
@given(SEEDS, SHIFTS, SCALES)
def test_level_and_change_follow_scale_and_shift_and_no_order(seed, shift, scale):
    now, before = drawn(seed, 7), drawn(seed + 1, 5)
    level, moved = quarter.level(now), quarter.level(now[::-1] * scale + shift)
    change, swapped = quarter.change(now, before), quarter.change(before, now)
    scaled = quarter.change(now * scale + shift, before * scale + shift)

    ends = np.array([level.low, level.value, level.high])
    assert_allclose([moved.low, moved.value, moved.high], ends * scale + shift, rtol=1e-7, atol=1e-7)
    assert_allclose([-swapped.high, -swapped.value, -swapped.low], [change.low, change.value, change.high], rtol=1e-12)
    ends = np.array([change.low, change.value, change.high])
    assert_allclose([scaled.low, scaled.value, scaled.high], ends * scale, rtol=1e-6, atol=1e-7)


@settings(deadline=None)
@given(SEEDS, SCALES)
def test_scatter_follows_scale_and_no_order_and_skips_what_is_not_known(seed, scale):
    draw = np.random.default_rng(seed)
    own, df = draw.chisquare(4, size=5), draw.integers(1, 12, size=5).astype(float)
    plain, moved = quarter.spread(own, df), quarter.spread(own[::-1] * scale**2, df[::-1])
    gaps = quarter.spread(np.r_[own, np.nan, 3.0], np.r_[df, 5.0, 0.0])

    ends = np.array([plain.low, plain.value, plain.high])
    assert_allclose([moved.low, moved.value, moved.high], ends * scale, rtol=1e-9)
    assert_allclose([gaps.low, gaps.value, gaps.high], ends, rtol=1e-12)
    assert_allclose(quarter.ratio(plain, moved).value, 1 / scale, rtol=1e-9)


def test_quarters_of_equal_or_two_lots():
    equal, two = quarter.level([2.0] * 6), quarter.level([1.0, 3.0])

    assert (equal.low, equal.value, equal.high) == (2.0, 2.0, 2.0)
    # Student's t with one degree of freedom, 12.706, times a standard error of 1.
    assert_allclose([two.low, two.value, two.high], [2 - 12.706205, 2.0, 2 + 12.706205], rtol=0, atol=5e-7)
    assert quarter.spread([0.0, 0.0], [3.0, 3.0]).value == 0
    with pytest.raises(ValueError, match="levels must be finite"):
        quarter.level([1.0, np.nan])


# Ranking


@settings(max_examples=5, deadline=None)
@given(st.permutations(range(4)))
def test_the_order_of_suppliers_changes_no_share(order):
    good, decided = np.array([4, 17, 11, 20]), np.array([4, 20, 14, 31])
    plain, turned = ranking.shares(good, decided), ranking.shares(good[order], decided[order])

    assert_allclose(turned.share, plain.share[order], rtol=1e-9)
    assert_allclose(turned.low, plain.low[order], rtol=1e-9)
    assert turned.first.tolist() == plain.first[order].tolist()


def test_one_supplier_and_one_without_lots_have_their_place():
    alone, with_none = ranking.shares([7], [8]), ranking.shares([7, 0], [8, 0])

    assert (alone.first[0], alone.last[0]) == (1, 1)
    assert alone.low[0] < 7 / 8 < alone.high[0]
    assert (with_none.first.tolist(), with_none.last.tolist()) == ([1, 1], [2, 2])
    assert with_none.high[1] - with_none.low[1] > with_none.high[0] - with_none.low[0]


# Acceptance and estimated limits


@settings(max_examples=25, deadline=None)
@given(st.integers(2, 60), st.floats(0.6, 0.999), st.floats(0.6, 0.99))
def test_more_bags_need_less_room_and_more_coverage_needs_more(n, coverage, confidence):
    k = tolerance_factor(n, coverage, confidence)

    assert tolerance_factor(n + 1, coverage, confidence) < k
    assert tolerance_factor(n, (1 + coverage) / 2, confidence) > k
    # The factor is where a fraction beyond of just 1 - coverage is accepted with chance 1 - confidence.
    assert_allclose(acceptance_probability(n, k, 1 - coverage), 1 - confidence, rtol=1e-6)
    assert fraction_beyond(0.5, 9) > fraction_beyond(1.0, 9)


@settings(max_examples=10, deadline=None)
@given(st.integers(5, 200))
def test_more_subgroups_bring_estimated_limits_nearer_to_known_ones(subgroups):
    few, many = (estimated_chart(m, 4.0 * m) for m in (subgroups, 2 * subgroups))

    assert few.signal > many.signal > 0.0026998
    assert few.mean_sd > many.mean_sd
    assert guaranteed_width(subgroups, 4.0 * subgroups) > guaranteed_width(2 * subgroups, 8.0 * subgroups) > 3.0
    assert_allclose(estimated_chart(subgroups, 80, shift=0.7).mean, estimated_chart(subgroups, 80, shift=-0.7).mean)


# Straight lines


def test_the_certified_line_of_norris_is_fitted():
    # NIST StRD, linear regression, Norris: certified coefficients, their standard errors and the residual standard
    # deviation. The fit is by maximum likelihood, whose divisor is 36 where the certified one is 34.
    # fmt: off
    x = [
        0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9, 338.0, 447.5, 11.6,
        556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5,
    ]
    y = [
        0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3, 448.9, 10.8,
        557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2,
    ]
    # fmt: on
    line, unbiased = line_fit(x, y, np.zeros(36)), np.sqrt(36 / 34)

    assert_allclose([line.intercept, line.slope], [-0.262323073774029, 1.00211681802045], rtol=1e-9)
    errors = [line.intercept_se * unbiased, line.slope_se * unbiased]
    assert_allclose(errors, [0.232818234301152, 0.000429796848199937], rtol=1e-7)
    assert_allclose(line.sd * unbiased, 0.884796396144373, rtol=1e-7)
    assert_allclose(1 - line.sd**2 / np.var(y), 0.999993745883712, rtol=1e-12)


def test_the_ageing_propellant_has_its_printed_line():
    # D. C. Montgomery, E. A. Peck and G. G. Vining, Introduction to Linear Regression Analysis, examples 2.1 to 2.7:
    # strength against age in weeks; line 2627.82 - 37.15 age, R squared 0.9018, slope between -43.22 and -31.08.
    # fmt: off
    age = [
        15.5, 23.75, 8.0, 17.0, 5.5, 19.0, 24.0, 2.5, 7.5, 11.0, 13.0, 3.75, 25.0, 9.75, 22.0, 18.0, 6.0, 12.5, 2.0, 21.5,
    ]
    strength = [
        2158.7, 1678.15, 2316.0, 2061.3, 2207.5, 1708.3, 1784.7, 2575.0, 2357.9, 2256.7, 2165.2, 2399.55, 1779.8, 2336.75,
        1765.3, 2053.5, 2414.4, 2200.5, 2654.2, 1753.7,
    ]
    # fmt: on
    line = line_fit(age, strength, np.zeros(20))
    half = stats.t.ppf(0.975, 18) * line.slope_se * np.sqrt(20 / 18)

    assert_allclose([line.intercept, line.slope], [2627.822359, -37.153591], rtol=0, atol=5e-7)
    assert_allclose(line.sd**2 * 20 / 18, 9236.381, rtol=0, atol=5e-3)
    assert_allclose(1 - line.sd**2 / np.var(strength), 0.9018, rtol=0, atol=5e-5)
    # The book goes on from a rounded residual variance, 9244.59: 0.01 in the ends of the interval.
    assert_allclose([line.slope - half, line.slope + half], [-43.22, -31.08], rtol=0, atol=0.01)
