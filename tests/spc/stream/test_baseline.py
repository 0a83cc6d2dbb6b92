from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from figures import estimated_limits
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats
from statsmodels.robust.scale import qn_scale
from statsmodels.stats.meta_analysis import combine_effects

from spc.charts import individuals, moving_range
from spc.stream.baseline import (
    LeftOut,
    LeftOutReason,
    baselines,
    establish,
    limits,
    prediction_factor,
    qn,
    widen,
)

# D. C. Montgomery, Introduction to Statistical Quality Control, 4th-5th eds., individuals chart of viscosity:
# printed mean 33.52, limits 34.80 and 32.24 (with d2 rounded to 1.128).
VISCOSITY = [33.75, 33.05, 34.0, 33.81, 33.46, 34.02, 33.68, 33.27, 33.49, 33.2, 33.62, 33.0, 33.54, 33.12, 33.84]
# Montgomery and Runger, Applied Statistics and Probability for Engineers, 3rd ed., table 16-3: mean 99.1, limits
# 105.99 and 92.21 (from the rounded 99.1 and 2.59).
CONCENTRATION = [
    102.0,
    94.8,
    98.3,
    98.4,
    102.0,
    98.5,
    99.0,
    97.7,
    100.0,
    98.1,
    101.3,
    98.7,
    101.1,
    98.4,
    97.0,
    96.7,
    100.3,
    101.4,
    97.2,
    101.0,
]


def lots(seed: int, n: int, sigma: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """Levels of `n` lots around 0 of scatter `sigma`, each of 3, 6 or 12 bags of variance 1."""
    draw = np.random.default_rng(seed)
    noise = 1.0 / draw.choice([3, 6, 12], size=n)
    return draw.normal(size=n) * np.sqrt(sigma**2 + noise), noise


@pytest.mark.parametrize(
    ("x", "mean", "limits_printed", "limits_unrounded", "carried"),
    [
        (VISCOSITY, 33.52, [32.24, 34.80], [32.244838, 34.801829], 0.010),
        (CONCENTRATION, 99.1, [92.21, 105.99], [92.208102, 105.981898], 0.014),
    ],
)
def test_the_moving_range_gives_the_printed_limits_of_individuals(x, mean, limits_printed, limits_unrounded, carried):
    center = establish(x, np.zeros(len(x)), lots=len(x)).center
    sides = np.array([-3.0, 3.0]) * individuals(x).sigma

    assert_allclose(center, mean, rtol=0, atol=0.05 if mean == 99.1 else 0.005)
    # The books go on with the rounded mean and mean range and with d2 = 1.128: what these carry into the limits, and
    # half a digit. With d2 = 1.128 alone, six decimals recomputed beside the print.
    assert_allclose(center + sides, limits_printed, rtol=0, atol=carried)
    assert_allclose(center + sides * (2 / np.sqrt(np.pi)) / 1.128, limits_unrounded, rtol=0, atol=1e-6)


@pytest.mark.parametrize(
    ("x", "center", "center_unrounded", "upper", "carried"),
    # The same two examples: mean moving range and upper limit, printed and recomputed.
    [(VISCOSITY, 0.48, 0.480714, 1.57, 0.0051), (CONCENTRATION, 2.59, 2.589474, 8.46, 0.0051)],
)
def test_the_chart_of_moving_ranges_has_its_printed_centre_and_limit(x, center, center_unrounded, upper, carried):
    chart = moving_range(x)

    assert_allclose(chart.center, center, rtol=0, atol=0.005)
    assert_allclose(chart.center, center_unrounded, rtol=0, atol=5e-7)
    # The books multiply the rounded range by 3.267; the exact factor is 3.26653.
    assert_allclose(chart.upper, upper, rtol=0, atol=carried)


@pytest.mark.parametrize(
    ("n", "printed"),
    # G. J. Hahn, Journal of Quality Technology 1-2 (1969-1970), two-sided 95 % factors; from memory, all recompute.
    [(4, 3.56), (5, 3.04), (6, 2.78), (7, 2.62), (8, 2.51), (9, 2.43), (10, 2.37), (15, 2.22), (20, 2.14), (30, 2.08)],
)
def test_prediction_factors_are_those_of_the_published_table(n, printed):
    # n = 20 is 2.1447 and printed 2.14: half a unit of the last digit throughout.
    assert_allclose(prediction_factor(n), printed, rtol=0, atol=0.005)


def test_prediction_factor_agrees_with_the_t_distribution_of_scipy():
    for n in (2, 3, 8, 25, 400):
        assert_allclose(prediction_factor(n, 0.9), stats.t.ppf(0.95, n - 1) * np.sqrt(1 + 1 / n), rtol=1e-12)


def test_the_scale_of_pairs_agrees_with_a_general_library():
    # statsmodels gives Qn without the factor for small samples; a handful of roundings.
    draw = np.random.default_rng(3)
    for n in range(10, 40):
        x = draw.normal(size=n)
        small = n / (n + 1.4) if n % 2 else n / (n + 3.8)
        assert_allclose(qn(x), qn_scale(x) * small, rtol=1e-13)


def test_the_scale_of_pairs_is_unbiased_for_small_normal_samples():
    # Croux and Rousseeuw (1992) made the factors so. 4 standard errors of the mean of 4,000; chance of a false failure
    # for the 8 sizes 0.05 %; and 1 % for their own three digits and simulation.
    draw = np.random.default_rng(5)
    for n in range(2, 10):
        scales = np.array([qn(row) for row in draw.normal(size=(4_000, n))])
        assert abs(scales.mean() - 1) < 4 * scales.std() / np.sqrt(scales.size) + 0.01


def test_the_variance_between_lots_agrees_with_the_iterated_method_of_a_general_library():
    x, noise = lots(seed=7, n=25)
    base = establish(x, noise, lots=25)
    reference = combine_effects(x, noise, method_re="iterated", atol=1e-12)

    assert_allclose(base.sigma**2, reference.tau2, rtol=1e-8)
    assert_allclose(base.center, reference.mean_effect_re, rtol=1e-8)
    assert_allclose(base.center_se, reference.sd_eff_w_re, rtol=1e-8)


def test_lots_measured_without_error_give_mean_and_sample_deviation():
    base = establish(VISCOSITY, np.zeros(15), lots=15)

    assert_allclose([base.center, base.sigma], [np.mean(VISCOSITY), np.std(VISCOSITY, ddof=1)], rtol=1e-12)
    assert_allclose(base.center_se, base.sigma / np.sqrt(15), rtol=1e-12)
    # The standard error of a variance of a normal sample: variance * sqrt(2 / (n - 1)).
    assert_allclose(base.sigma_squared_se, base.sigma**2 * np.sqrt(2 / 14), rtol=1e-12)


def test_equal_sampling_variances_are_taken_from_the_sample_variance():
    base = establish(VISCOSITY, np.full(15, 0.02), lots=15)

    assert_allclose(base.sigma**2, np.var(VISCOSITY, ddof=1) - 0.02, rtol=1e-10)
    assert_allclose(base.total_sigma(0.02), np.std(VISCOSITY, ddof=1), rtol=1e-10)


def test_scatter_that_the_bags_explain_leaves_no_variance_between_lots():
    base = establish(VISCOSITY, np.full(15, 5.0), lots=15)

    assert base.sigma == 0
    assert_allclose(base.total_sigma(5.0), np.sqrt(5.0))


def test_a_wild_lot_is_left_out_and_named():
    x, noise = lots(seed=1, n=25)
    x[11] += 12.0
    base = establish(x, noise)

    assert [(lot.index, lot.reason) for lot in base.left_out] == [(11, LeftOutReason.FAR_FROM_THE_REST)]
    assert base.left_out[0].distance > 3.5
    assert base.count == 24
    assert not base.used[11]
    assert base.frozen
    keep = np.arange(25) != 11
    assert_allclose(base.sigma, establish(x[keep], noise[keep]).sigma, rtol=1e-12)


def test_a_lot_of_few_bags_is_not_left_out_for_scatter_it_cannot_help():
    x = np.r_[np.linspace(-1, 1, 12), 6.0]
    few = np.r_[np.full(12, 0.01), 9.0]

    assert establish(x, few, lots=13).used.all()
    assert not establish(x, np.full(13, 0.01), lots=13).used[12]


@pytest.mark.parametrize(("count", "share"), [(8, 0.0077), (25, 0.0015)])
def test_clean_lots_are_seldom_left_out(count, share):
    # The docstring's 0.77 % at 8 lots and 0.15 % at 25, half a unit of its last digit, and 4 standard errors of the mean over
    # 60,000 baselines (0.03 and 0.013 %); lots of one baseline go together.
    x = np.random.default_rng(11).normal(size=(count, 60_000))
    out = (~baselines(x, np.zeros(x.shape), lots=count).used).mean(axis=0)

    assert abs(out.mean() - share) < 0.00005 + 4 * out.std() / np.sqrt(out.size)


def test_later_lots_change_nothing():
    x, noise = lots(seed=2, n=40)
    long, short = establish(x, noise), establish(x[:25], noise[:25])

    assert (long.center, long.sigma, long.count, long.frozen) == (short.center, short.sigma, short.count, True)
    assert not long.used[25:].any()


def test_lots_left_out_by_hand_are_replaced_by_the_next_ones():
    x, noise = lots(seed=2, n=30)
    base = establish(x, noise, left_out=[3, 4])

    assert base.left_out == (
        LeftOut(3, LeftOutReason.BY_HAND, 0.0),
        LeftOut(4, LeftOutReason.BY_HAND, 0.0),
    )
    assert base.used.sum() == 25
    assert base.used[26]
    assert not base.used[27]


def test_a_lot_whose_readings_settle_nothing_takes_no_part():
    base = establish([1.0, 2.0, 3.0, 50.0], [0.0, 0.0, 0.0, np.inf])

    assert base.left_out == (LeftOut(3, LeftOutReason.NO_LEVEL, 0.0),)
    assert_allclose([base.center, base.sigma], [2.0, 1.0])


def test_few_lots_are_called_learning_and_are_not_screened():
    base = establish([1.0, 1.1, 0.9, 1.05, 9.0], np.zeros(5))

    assert base.learning
    assert not base.frozen
    assert base.used.all()


def test_one_lot_has_a_level_and_limits_without_end():
    base = establish([2.5], [0.1])
    lower, upper = limits(base, [0.1, 0.2])

    assert (base.center, base.sigma, base.count, base.learning) == (2.5, np.inf, 1, True)
    assert np.isneginf(lower).all()
    assert np.isposinf(upper).all()


def test_equal_lots_have_no_scatter_and_limits_that_meet():
    base = establish([2.0] * 10, [0.0] * 10)

    assert (base.center, base.sigma, base.sigma_squared_se) == (2.0, 0.0, 0.0)
    assert_allclose(np.concatenate(limits(base, [0.0])), 2.0)


def test_limits_are_wider_for_a_lot_of_fewer_bags():
    x, noise = lots(seed=4, n=25)
    lower, upper = limits(establish(x, noise), [1 / 12, 1 / 3])

    assert upper[1] > upper[0]
    assert lower[1] < lower[0]


def test_limits_are_the_prediction_limits_of_equal_lots():
    base = establish(VISCOSITY, np.zeros(15), lots=15)
    lower, upper = limits(base, [0.0], width=1.959963984540054)

    assert_allclose(upper - base.center, prediction_factor(15) * base.sigma, rtol=1e-9)
    assert_allclose(base.center - lower, upper - base.center, rtol=1e-12)


@pytest.mark.parametrize(
    ("subgroups", "degrees_of_freedom"), [(10, 40), (25, 100), (100, 400), (10, math.inf), (50, math.inf)]
)
def test_limits_of_three_sigma_have_the_false_alarms_of_few_subgroups(subgroups, degrees_of_freedom):
    # Chance that a chart with limits of 3 estimated sigma gives a false alarm, over all charts: double integrals of
    # tests/figures/estimated_limits.py (setting of Chen 1997, Statistica Sinica 7, and Chakraborti 2000). Subgroups of 5 with
    # the pooled deviation; then sigma known and the centre estimated.
    false_alarms = estimated_limits.chart(subgroups, degrees_of_freedom)["signal"]
    # Limits whose width stands for that chance on a chart of known parameters are the 3 estimated sigma.
    known = establish([-1.0, 1.0], [0.0, 0.0])
    chart = replace(
        known, sigma=1.0, center_se=subgroups**-0.5, degrees_of_freedom=min(float(degrees_of_freedom), 1e12)
    )
    upper = limits(chart, [0.0], width=stats.norm.isf(false_alarms / 2))[1][0]

    assert_allclose(upper, 3.0, rtol=1e-6)


def test_limits_hold_what_their_width_says_however_few_the_lots():
    # A width of 1.96 is to hold 95 % of new lots. 100,000 baselines of 5 lots: 4 standard errors are 0.28 %.
    x = np.random.default_rng(17).normal(size=(6, 100_000))
    lower, upper = limits(baselines(x[:5], np.zeros((5, 100_000))), np.zeros((1, 100_000)), width=1.959964)

    assert abs(np.mean((lower[0] <= x[5]) & (x[5] <= upper[0])) - 0.95) < 0.0028


def test_lots_that_are_alike_get_wider_limits():
    base = establish(*lots(seed=4, n=25))
    wide = widen(base, 0.5)

    assert_allclose(wide.center_se, base.center_se * np.sqrt(3), rtol=1e-12)
    assert_allclose(wide.degrees_of_freedom, base.degrees_of_freedom * 0.6, rtol=1e-12)
    assert wide.sigma > base.sigma
    assert widen(base, -0.5) is base


@given(
    st.integers(0, 10_000),
    st.floats(-50, 50),
    st.floats(0.01, 100),
)
def test_a_change_of_unit_changes_level_and_scatter_alone(seed, shift, scale):
    x, noise = lots(seed=seed, n=12)
    plain, moved = establish(x, noise), establish(x * scale + shift, noise * scale**2)

    assert_allclose(moved.center, plain.center * scale + shift, rtol=1e-7, atol=1e-9 * (1 + abs(shift)))
    assert_allclose(moved.sigma, plain.sigma * scale, rtol=1e-6, atol=1e-6 * scale)
    assert (moved.used == plain.used).all()


def test_the_order_of_the_baseline_lots_does_not_matter():
    x, noise = lots(seed=9, n=20)
    turned = establish(x[::-1], noise[::-1])

    assert_allclose([turned.center, turned.sigma], [establish(x, noise).center, establish(x, noise).sigma], rtol=1e-9)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (([], []), "levels must hold at least 1 points, got 0"),
        (([1.0, np.nan], [0.0, 0.0]), "levels must be finite"),
        (([1.0, 2.0], [0.0]), r"variances must hold one value a level, shape \(2,\); got shape \(1,\)"),
        (([1.0, 2.0], [0.0, -1.0]), "variances must be 0 or more, got .*-1.0.* at index 1"),
        (([1.0], [0.0], 25, 8, [3]), "left_out names index 3, expected 0 to 0"),
        (([1.0], [0.0], 25, 8, [0]), "none of the 1 lots is left"),
        (([1.0, 2.0], [0.0, 0.0], 1), "lots must be a whole number of at least 2, got 1"),
    ],
)
def test_impossible_lots_are_refused_by_name(arguments, message):
    with pytest.raises(ValueError, match=message):
        establish(*arguments)


def test_impossible_widths_and_factors_are_refused_by_name():
    base = establish([1.0, 2.0], [0.0, 0.0])
    with pytest.raises(ValueError, match="width must be above 0"):
        limits(base, [0.0], width=0)
    with pytest.raises(ValueError, match="variances must be 0 or more"):
        limits(base, [np.nan])
    with pytest.raises(ValueError, match=r"rho must be in \(-1, 1\), got 1.0"):
        widen(base, 1.0)
    with pytest.raises(ValueError, match=r"confidence must be in \(0, 1\), got 95"):
        prediction_factor(5, 95)
