"""Calibration figures against the GUM, published binomial limits, and hand calculation."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from spc.bench.traceability import (
    affected,
    correction_line,
    drift,
    exponential_interval,
    in_tolerance,
    normalised_error,
)

# JCGM 100:2008 (GUM), H.3, table H.6: thermometer readings and corrections, both in degrees Celsius.
READINGS = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
CORRECTIONS = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


def test_the_correction_line_is_that_of_the_guide():
    line = correction_line(READINGS, CORRECTIONS, at=20.0)

    # Printed: -0.1712 (0.0029), 0.00218 (0.00067), correlation -0.930, s = 0.0035. Half a unit of the last digit.
    assert_allclose((line.intercept, line.intercept_u), (-0.1712, 0.0029), rtol=0, atol=5e-5)
    assert_allclose((line.slope, line.slope_u), (0.00218, 0.00067), rtol=0, atol=5e-6)
    assert_allclose((line.correlation, line.sd), (-0.930, 0.0035), rtol=0, atol=(5e-4))
    # Recomputed beside this project to eight digits.
    assert_allclose((line.intercept, line.slope, line.sd), (-0.17120379, 0.0021826977, 0.003497564), rtol=1e-7)
    assert_allclose(
        (line.intercept_u, line.slope_u, line.correlation), (0.0028775978, 0.00066793877, -0.9304296), rtol=1e-7
    )


def test_the_uncertainty_of_a_correction_uses_the_correlation():
    line = correction_line(READINGS, CORRECTIONS, at=20.0)
    # The guide, H.3.4: the correction at 30 degrees is -0.1494 with a standard uncertainty of 0.0041; without the correlation 0.0073.
    value, u = line.value(30.0)
    assert_allclose((value, u), (-0.1494, 0.0041), rtol=0, atol=5e-5)
    # The point at which the intercept is stated changes nothing.
    assert_allclose(correction_line(READINGS, CORRECTIONS, at=25.0).value(30.0), (value, u), rtol=1e-9)


@pytest.mark.parametrize(
    ("within", "of", "limits"),
    # C. J. Clopper and E. S. Pearson (1934), Biometrika 26, 404-413; 10 of 10 and 8 of 10 stand in published tables, the others are beta quantiles.
    [
        (10, 10, (0.6915, 1.0)),
        (8, 10, (0.4439, 0.9748)),
        (17, 20, (0.62107317, 0.96792906)),
        (45, 50, (0.78186463, 0.96672491)),
        (0, 7, (0.0, 0.40962)),
    ],
)
def test_limits_of_the_share_in_tolerance_are_exact(within, of, limits):
    assert_allclose(in_tolerance(within, of), limits, rtol=0, atol=5e-5)
    exact = stats.binomtest(within, of).proportion_ci(0.95, "exact")
    assert_allclose(in_tolerance(within, of), (exact.low, exact.high), rtol=1e-9, atol=1e-12)


def test_the_exponential_model_gives_the_computed_factors():
    # H. T. Castrup et al. (1994), NASA Reference Publication 1342, chapter 6 (the model; its table was not read): ln(target) / ln(observed).
    pairs = [(0.85, 0.95), (0.9, 0.95), (0.7, 0.85), (0.95, 0.85)]
    assert_allclose(
        [exponential_interval(*pair) for pair in pairs], [0.31561428, 0.48683602, 0.45564998, 3.1684245], rtol=1e-7
    )


def test_normalised_errors_are_those_of_the_definition():
    # ISO 13528 and ISO/IEC 17043 (formula from memory): the difference over the root of the sum of the squared expanded uncertainties.
    assert_allclose(normalised_error(10.32, 10.05, 0.20, 0.15), 1.08, rtol=1e-9)
    assert_allclose(
        [normalised_error(x, 9.2, 0.5, 0.46) for x in (9.9, 10.8)], [1.03030341647, 2.35497923764], rtol=1e-9
    )


def test_five_lots_under_an_instrument_found_low_are_those_of_the_hand_calculation():
    # Found 8 % low on day 90, sound check on day 60, calibrated on day 0; limit under 20 nJ. Invented, calculated by hand.
    days, levels = zip((10, 18.9), (50, 19.2), (70, 18.0), (85, 18.9), (88, 17.0), strict=True)

    result = affected(levels, days, 0.92, found=90, good=60, calibrated=0, upper=20.0)

    assert_allclose(result.after_check, [18.9, 19.2, 19.565, 20.543, 18.478], rtol=0, atol=5e-4)
    assert_allclose(result.straight, [19.076, 20.11, 19.206, 20.449, 18.444], rtol=0, atol=5e-4)
    assert_allclose(result.at_calibration, [20.543, 20.87, 19.565, 20.543, 18.478], rtol=0, atol=5e-4)
    assert result.changes.tolist() == [1, 2, 0, 3, 0]
    assert_allclose(result.uncertain_share, [0, 0, 1 / 3, 25 / 30, 28 / 30])


def test_lots_outside_the_time_between_calibration_and_finding_stand():
    result = affected([19.9, 19.9, 1e11], [-1, 91, 40], 0.5, found=90, good=0, calibrated=0, upper=20.0)
    assert result.changes.tolist() == [0, 0, 0]
    assert_allclose(result.at_calibration[:2], 19.9)
    # A lower limit is inclusive, an upper one strict.
    edge = affected([20.0, 10.0], [5, 5], 1.0 + 1e-12, found=90, good=0, calibrated=0, lower=10.0, upper=20.0)
    assert edge.changes.tolist() == [3, 3]
    with pytest.raises(ValueError, match="days must be in order"):
        affected([19.9], [1], 0.9, found=10, good=20, calibrated=0)


def test_the_longest_interval_keeps_its_promise_in_simulated_calibrations():
    rng = np.random.default_rng(20261130)
    rate, sd, tolerance = 3e-5, 4e-4, 0.03
    days = np.full(6, 365.0)
    kept = []
    for _ in range(4000):
        found = drift(rng.normal(rate * days, sd * np.sqrt(days)), days, tolerance)
        if found.longest >= 1:
            change = rng.normal(rate * found.longest, sd * np.sqrt(found.longest))
            kept.append(abs(change) <= tolerance)
    # The far side of the tolerance is hardly ever reached, so at least 95 % (one-sided 97.5 %); four standard errors of 4,000.
    assert np.mean(kept) > 0.975 - 4 * np.sqrt(0.025 * 0.975 / len(kept))
    assert np.mean(kept) < 0.999


def test_one_calibration_gives_a_rate_and_no_interval():
    one = drift([0.01], [100.0], 0.02)
    assert one.rate == pytest.approx(1e-4)
    assert np.isnan(one.longest)
    # An instrument that moves by more than its tolerance within a day has no interval.
    assert drift([0.5, -0.5, 0.6], [1.0, 1.0, 1.0], 0.01).longest == 0.0
    # No change at all: as long as one likes, and finite.
    assert 1e5 < drift([0.0, 0.0], [365.0, 365.0], 0.01).longest < np.inf
