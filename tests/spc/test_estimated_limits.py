"""The cost of estimated limits against double integrals, simulation, and the chart of known limits."""

from __future__ import annotations

import math

import numpy as np
import pytest
from figures import estimated_limits
from numpy.testing import assert_allclose
from scipy import stats

from spc.charts import individuals
from spc.constants import c4
from spc.estimated_limits import estimated_chart, guaranteed_width
from spc.runlength import shewhart

# Setting of Chen (1997), Statistica Sinica 7, and Chakraborti (2000), subgroups of 5: their tables were not read, the double
# integrals of tests/figures/estimated_limits.py stand for them.
SUBGROUPS = estimated_limits.SUBGROUPS


def assert_costs(degrees_of_freedom: float, bias: float, subgroups: int) -> None:
    expected = estimated_limits.chart(subgroups, degrees_of_freedom, bias)
    found = estimated_chart(subgroups, degrees_of_freedom, bias=bias)
    for name in expected:
        # Our law of sigma ends 8.5 normal scores out. With 40 degrees of freedom the longest runs, which alone make the
        # standard deviations, lie beyond for 5e-6 of them.
        left = 5e-6 if subgroups == 10 and name in ("sd", "mean_sd") else 1e-8
        assert getattr(found, name) == pytest.approx(expected[name], rel=left), name


@pytest.mark.parametrize("subgroups", SUBGROUPS)
def test_limits_from_pooled_deviations_cost_what_double_integrals_say(subgroups):
    assert_costs(4.0 * subgroups, 1.0, subgroups)


@pytest.mark.parametrize("subgroups", SUBGROUPS)
def test_limits_from_unbiased_deviations_cost_what_double_integrals_say(subgroups):
    # The script's difference of log gammas leaves 1e-11 at 4000.
    assert c4(4 * subgroups + 1) == pytest.approx(estimated_limits.mean_of_chi(4 * subgroups), rel=1e-11)
    assert_costs(4.0 * subgroups, c4(4 * subgroups + 1), subgroups)


@pytest.mark.parametrize("subgroups", SUBGROUPS)
def test_an_estimated_centre_alone_costs_what_an_integral_says(subgroups):
    assert_costs(math.inf, 1.0, subgroups)


@pytest.mark.parametrize("subgroups", [20, 25, 30, 50, 100, 200])
@pytest.mark.parametrize("assurance", [0.9, 0.95])
def test_guaranteed_limits_are_as_wide_as_an_integral_says(subgroups, assurance):
    # Exceedance criterion of Gandy and Kvaloy (2013), Scandinavian Journal of Statistics 40, and Goedhart and others (2017).
    expected = estimated_limits.guaranteed_width(subgroups, 4.0 * subgroups, assurance)
    assert guaranteed_width(subgroups, 4 * subgroups, assurance=assurance) == pytest.approx(expected, rel=1e-8)


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
