"""The cost of estimated limits against double integrals computed elsewhere, simulation, and the chart of known limits."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from spc.charts import individuals
from spc.constants import c4
from spc.estimated import estimated_chart, guaranteed_width
from spc.runlength import shewhart

SUBGROUPS = [10, 20, 25, 30, 50, 75, 100, 200, 500, 1000]


def charts(degrees_of_freedom: list[float], bias: list[float]) -> list:
    return [
        estimated_chart(m, df, bias=divisor) for m, df, divisor in zip(SUBGROUPS, degrees_of_freedom, bias, strict=True)
    ]


def test_limits_from_pooled_deviations_cost_what_was_computed_elsewhere():
    # Subgroups of 5, grand mean and pooled deviation: setting of Chen (1997), Statistica Sinica 7, and Chakraborti
    # (2000); tables not read, double integrals computed elsewhere. All digits given.
    found = charts([4.0 * m for m in SUBGROUPS], [1.0] * 10)
    signal = [0.00669, 0.00445, 0.00406, 0.00381, 0.00334, 0.00312, 0.00301, 0.00285, 0.00276, 0.00273]
    mean = [532.896, 422.362, 407.528, 398.814, 384.223, 378.425, 375.937, 372.777, 371.247, 370.804]
    mean_sd = [1406.46, 460.305, 367.851, 313.332, 214.053, 165.122, 139.19, 94.667, 58.54, 41.089]

    assert_allclose([chart.signal for chart in found], signal, rtol=0, atol=5e-6)
    assert_allclose([chart.mean for chart in found], mean, rtol=0, atol=6e-4)
    assert_allclose([chart.mean_sd for chart in found], mean_sd, rtol=0, atol=6e-3)


def test_limits_from_unbiased_deviations_cost_what_was_computed_elsewhere():
    found = charts([4.0 * m for m in SUBGROUPS], [c4(4 * m + 1) for m in SUBGROUPS])
    mean = [575.43, 436.913, 418.476, 407.597, 389.146, 381.611, 378.295, 373.935, 371.705, 371.033]
    sd = [2303.09, 807.819, 681.138, 610.727, 495.546, 448.208, 426.689, 396.877, 380.351, 375.068]

    assert_allclose([chart.mean for chart in found], mean, rtol=0, atol=6e-3)
    assert_allclose([chart.sd for chart in found], sd, rtol=0, atol=1.2e-2)


def test_an_estimated_centre_alone_costs_what_was_computed_elsewhere():
    found = charts([math.inf] * 10, [1.0] * 10)
    signal = [0.00423, 0.00341, 0.00326, 0.00317, 0.00297, 0.00288, 0.00283, 0.00277, 0.00273, 0.00271]
    mean = [277.862, 310.951, 319.699, 326.133, 340.875, 349.471, 354.168, 361.826, 366.843, 368.598]

    assert_allclose([chart.signal for chart in found], signal, rtol=0, atol=5e-6)
    assert_allclose([chart.mean for chart in found], mean, rtol=0, atol=6e-4)


def test_guaranteed_limits_are_as_wide_as_was_computed_elsewhere():
    # Exceedance criterion of Gandy and Kvaloy (2013), Scandinavian Journal of Statistics 40, and Goedhart and others
    # (2017); exact values computed elsewhere for subgroups of 5 and a run length of 370.398.
    widths = [
        [guaranteed_width(m, 4 * m, assurance=share) for share in (0.9, 0.95)] for m in (20, 25, 30, 50, 100, 200)
    ]
    given = [
        [3.4365, 3.5531],
        [3.3779, 3.4786],
        [3.3364, 3.4259],
        [3.2446, 3.3098],
        [3.1615, 3.2049],
        [3.1086, 3.1380],
    ]

    assert_allclose(widths, given, rtol=0, atol=6e-5)


def test_a_guaranteed_width_holds_its_assurance_in_simulation():
    # 40,000 charts of 20 subgroups of 5: 4 standard errors of a share of 0.9, 0.6 %.
    draw = np.random.default_rng(3)
    center = draw.normal(size=40_000) / np.sqrt(20)
    half = guaranteed_width(20, 80) * np.sqrt(draw.chisquare(80, size=40_000) / 80)
    run_length = 1 / (stats.norm.sf(half - center) + stats.norm.sf(half + center))

    assert abs((run_length >= 370.398).mean() - 0.9) < 0.006


def test_false_alarms_are_those_of_simulated_subgroups():
    # 40,000 charts, each from 10 raw subgroups of 5, after a shift of half a sigma: 4 standard errors.
    draw = np.random.default_rng(5).normal(size=(40_000, 10, 5))
    center = draw.mean(axis=(1, 2)) * np.sqrt(5)
    half = 3 * np.sqrt(draw.var(axis=2, ddof=1).mean(axis=1))
    outside = stats.norm.sf(center + half - 0.5) + stats.norm.cdf(center - half - 0.5)
    chart = estimated_chart(10, 40, shift=0.5)

    assert abs(outside.mean() - chart.signal) < 4 * outside.std() / 200


def test_moving_ranges_are_worth_about_six_tenths_of_a_lot_each():
    # The relative variance of their sigma is 1 / (2 df): 20,000 charts of 100 lots, standard error 1 % of it; the
    # printed 0.826 is for many lots, 2 % for 100.
    sigma = individuals(np.random.default_rng(7).normal(size=(100, 20_000))).sigma

    assert_allclose(1 / (2 * sigma.var()) / 100, 0.6, rtol=0.05)


def test_many_subgroups_are_as_good_as_known_limits():
    # C. P. Quesenberry (1993), Journal of Quality Technology 25: about 400 / (n - 1) subgroups, 100 for n = 5, from
    # memory; a guidance: by then the average run length is within 2 % of that of known limits.
    known = shewhart(0.0, ["beyond_three_sigma"])

    assert_allclose(estimated_chart(100, 400).mean, known, rtol=0.02)
    assert_allclose(estimated_chart(10**9, math.inf).mean, known, rtol=1e-6)
    assert_allclose(estimated_chart(10**9, math.inf, shift=1.0).mean, shewhart(1.0, ["beyond_three_sigma"]), rtol=1e-6)


def test_few_degrees_of_freedom_leave_no_mean():
    chart = estimated_chart(5, 9)

    assert (chart.mean, chart.sd) == (math.inf, math.inf)
    assert estimated_chart(5, 15).sd == math.inf
    assert math.isfinite(estimated_chart(5, 15).mean)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: estimated_chart(0, 10), "subgroups must be a whole number of at least 1, got 0"),
        (lambda: estimated_chart(5, 0), "degrees_of_freedom must be above 0, or inf where sigma is known; got 0"),
        (lambda: estimated_chart(5, 10, width=0), "width must be above 0"),
        (lambda: estimated_chart(5, 10, shift=math.nan), "shift must be a finite number"),
        (lambda: estimated_chart(5, 10, bias=0), "bias must be above 0"),
        (lambda: guaranteed_width(5, math.inf), "degrees_of_freedom must be finite"),
        (lambda: guaranteed_width(5, 10, run_length=1), "run_length must be above 1, got 1"),
        (lambda: guaranteed_width(5, 10, assurance=1), r"assurance must be in \(0, 1\), got 1"),
    ],
)
def test_impossible_charts_are_refused_by_name(call, message):
    with pytest.raises(ValueError, match=message):
        call()
