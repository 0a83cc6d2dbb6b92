"""Control charts against the worked examples of handbooks and textbooks."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from spc import charts, constants


def numbers(text: str) -> np.ndarray:
    return np.array(text.split(), dtype=np.float64)


# Worked examples. The handbooks round their factors (d2 = 1.128, A2 = 0.577, ...): limits are compared after scaling
# their half-width by printed factor over exact one, so that each printed digit is tested all the same.

FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
VISCOSITY = [33.75, 33.05, 34.0, 33.81, 33.46, 34.02, 33.68, 33.27, 33.49, 33.2, 33.62, 33.0, 33.54, 33.12, 33.84]
CONCENTRATION = [102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1,
                 101.3, 98.7, 101.1, 98.4, 97.0, 96.7, 100.3, 101.4, 97.2, 101.0]  # fmt: skip

INDIVIDUALS = {
    # NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.2: 4 decimals.
    "flow": (FLOW, {"center": 50.81, "range": 1.8778, "upper": 55.8041, "lower": 45.8159}, 5.1e-5),
    # D. C. Montgomery, Introduction to Statistical Quality Control, 4th and 5th eds., primer paint: 2 decimals.
    "viscosity": (
        VISCOSITY,
        {"center": 33.52, "range": 0.48, "upper": 34.80, "lower": 32.24, "upper_range": 1.57},
        5e-3,
    ),
    # Montgomery and Runger, Applied Statistics and Probability for Engineers, 3rd ed., Example 16-2: the mean is
    # printed as 99.1 and the limits were computed from it, so one unit of the second decimal is left; limits from
    # memory.
    "concentration": (CONCENTRATION, {"range": 2.59, "upper": 105.99, "lower": 92.21, "upper_range": 8.46}, 1e-2),
}


@pytest.mark.parametrize("example", INDIVIDUALS)
def test_individuals_and_moving_ranges_match_the_worked_examples(example: str) -> None:
    x, printed, unit = INDIVIDUALS[example]
    chart, spans = charts.individuals(x), charts.moving_range(x)
    rounded = constants.d2(2) / 1.128
    computed = {
        "center": chart.center,
        "range": spans.center,
        "upper": chart.center + (chart.upper[0] - chart.center) * rounded,
        "lower": chart.center + (chart.lower[0] - chart.center) * rounded,
        "upper_range": spans.upper[0],
    }
    for name, value in printed.items():
        assert computed[name] == pytest.approx(value, abs=unit), name
    assert not np.any((chart.statistic > chart.upper) | (chart.statistic < chart.lower))


def test_the_mean_concentration_is_the_printed_one() -> None:
    # Montgomery and Runger, Example 16-2: 99.1, for 99.095.
    assert charts.individuals(CONCENTRATION).center == pytest.approx(99.1, abs=0.05)


# D. C. Montgomery, Introduction to Statistical Quality Control, 5th to 7th eds., Table 6.1, Example 6.1: flow width of
# a hard-bake process, microns, in units of 1e-4.
HARD_BAKE = (
    numbers("""
13235 14128 16744 14573 16914  14314 13592 16075 14666 16109  14284 14871 14932 14324 15674
15028 16352 13841 12831 15507  15604 12735 15265 14363 16441  15955 15451 13574 13281 14198
16274 15064 18366 14177 15144  14190 14303 16637 16067 15519  13884 17277 15355 15176 13688
14039 16697 15089 14627 15220  14158 17667 14278 15928 14181  15821 13355 15777 13908 17559
12856 14106 14447 16398 11928  14951 14036 15893 16458 14969  13589 12863 15996 12497 15471
15747 15301 15171 11839 18662  13680 17269 13957 15014 14449  14163 13864 13057 16210 15573
15796 14185 16541 15116 17247  17106 14412 12361 13820 17601  14371 15051 13485 15670 14880
14738 15936 16583 14973 14720  15917 14333 15551 15295 16866  16399 15243 15705 15563 15530
15797 13663 16240 13732 16887
""").reshape(25, 5)
    / 1e4
)


def test_means_and_ranges_match_the_hard_bake_example() -> None:
    chart, spans = charts.means(HARD_BAKE), charts.ranges(HARD_BAKE)
    assert chart.statistic.sum() == pytest.approx(37.6400, abs=5e-4)  # printed 37.6400 for 37.6403
    assert spans.statistic.sum() == pytest.approx(8.1302, abs=5e-5)
    assert chart.center == pytest.approx(1.5056, abs=5e-5)
    assert spans.center == pytest.approx(0.32521, abs=5e-6)
    assert chart.sigma == pytest.approx(0.1398, abs=5e-5)
    assert (2.00 - 1.00) / (6 * chart.sigma) == pytest.approx(1.192, abs=5e-4)
    half = (chart.upper[0] - chart.center) * 0.577 / constants.A2(5)
    # The print starts from the mean rounded to 1.5056: half a unit of that digit is left.
    assert_allclose([chart.center + half, chart.center - half], [1.69325, 1.31795], rtol=0, atol=5e-5)
    # D4 printed as 2.114 for 2.11450: relative 2.4e-4.
    assert_allclose(spans.upper * 2.114 / constants.D4(5), 0.68749, rtol=0, atol=1.1e-5)
    assert_array_equal(spans.lower, 0)
    assert not np.any((chart.statistic > chart.upper) | (chart.statistic < chart.lower))
    assert not np.any(spans.statistic > spans.upper)


# Montgomery, the same book, Table 6.3, Example 6.3: inside diameter of piston rings, excess over 74 mm in microns. From
# memory; all the sums recompute to their last printed digit.
RINGS = (
    numbers("""
30 2 19 -8 8  -5 -8 1 11 4  -12 24 21 5 2  2 -4 -7 15 9  -8 7 15 -11 14
9 -6 -3 -15 -7  -5 6 -6 0 5  -15 3 -7 15 -12  8 -5 9 5 4  -2 0 -10 7 -5
-6 -2 -6 -5 -10  4 0 7 0 -4  -17 2 -2 -3 12  6 -33 -6 0 -16  12 14 -2 -1 7
0 -16 5 -2 -4  -6 12 -14 5 7  6 10 18 3 0  -16 2 3 5 -3  0 10 13 20 3
-18 1 15 5 -4  4 -1 -10 6 9  10 -11 -10 9 14  15 8 -7 0 10  -18 -16 -5 17 13
""").reshape(25, 5)
    / 1e3
    + 74
)


def test_means_and_deviations_match_the_piston_rings() -> None:
    chart, spread = charts.means(RINGS, spread="sd"), charts.deviations(RINGS)
    assert chart.statistic.round(3).sum() == pytest.approx(1850.028, abs=1e-9)  # the book sums what it prints
    assert chart.center == pytest.approx(74.001, abs=5e-4)
    assert spread.center == pytest.approx(0.0094, abs=5e-5)
    # The book adds and takes away 1.427 * 0.0094 from 74.001, all rounded; unrounded the upper limit is 74.0146.
    rounded = constants.A3(5) * 0.0094
    assert_allclose([74.001 + rounded, 74.001 - rounded], [74.014, 73.988], rtol=0, atol=5e-4)
    half = constants.A3(5) * spread.statistic.mean()
    assert_allclose([chart.upper - chart.center, chart.center - chart.lower], half, rtol=1e-12)
    assert spread.upper[0] == pytest.approx(0.0196, abs=5e-5)
    assert spread.lower[0] == 0


# NIST/SEMATECH e-Handbook, section 6.3.2.4, from memory: all 20 averages recompute to their last printed digit.
HANDBOOK = numbers("""
52 47 53 49.3 50.1 47 51 50.1 51.2 50.5 49.6 47.6 49.9 51.3 47.8 51.2 52.6 52.4 53.6 52.1
""")
AVERAGES = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
            50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]  # fmt: skip


def test_ewma_reproduces_the_handbook_example() -> None:
    chart = charts.ewma(HANDBOOK, center=50.0, sigma=2.0539, weight=0.3, width=3.0)
    assert_allclose(chart.statistic, AVERAGES, rtol=0, atol=0.005)
    # Printed to 4 decimals, the lower one cut off. The handbook's asymptote is within 1e-6 of the exact limit here.
    assert_allclose([chart.upper[-1], chart.lower[-1]], [52.5884, 47.4115], rtol=0, atol=1e-4)


# D. C. Montgomery, Introduction to Statistical Quality Control, Table 9.1: 20 values of mean 10, then 10 of mean 11.
SHIFTED = numbers("""
9.45 7.99 9.29 11.66 12.16 10.18 8.04 11.46 9.2 10.34 9.03 11.47 10.51 9.4 10.08
9.37 10.62 10.31 8.52 10.84 10.9 9.33 12.29 11.5 10.6 11.08 10.38 11.62 11.31 10.52
""")


# The same book, Table 9.10, Example 9.2; from memory, all averages recompute to their last printed digit.
TEXTBOOK_AVERAGES = """
9.945 9.7495 9.70355 9.8992 10.1253 10.1307 9.92167 10.0755 9.98796 10.0232 9.92384 10.0785 10.1216 10.0495 10.0525
9.98426 10.0478 10.074 9.91864 10.0108 10.0997 10.0227 10.2495 10.3745 10.3971 10.4654 10.4568 10.5731 10.6468 10.6341
"""


def test_ewma_reproduces_the_textbook_example() -> None:
    chart = charts.ewma(SHIFTED, center=10.0, sigma=1.0, weight=0.1, width=2.7)
    for value, text in zip(chart.statistic, TEXTBOOK_AVERAGES.split(), strict=True):
        assert value == pytest.approx(float(text), abs=0.5 * 10.0 ** -len(text.partition(".")[2]))
    assert_allclose(chart.upper[[0, 1, -1]], [10.27, 10.36, 10.62], rtol=0, atol=0.005)
    assert_allclose(chart.lower[[0, 1, -1]], [9.73, 9.64, 9.38], rtol=0, atol=0.005)
    # The book: signals at point 28, so that the process is out of control there.
    assert np.flatnonzero(chart.statistic > chart.upper).tolist() == [28, 29]


# NIST/SEMATECH e-Handbook, section 6.3.2.3: target 325, allowance and decision value in the unit of the data.
NIST_CUSUM = [324.925, 324.675, 324.725, 324.35, 325.35, 325.225, 324.125, 324.525, 325.225, 324.6,
              324.625, 325.15, 328.325, 327.25, 327.825, 328.5, 326.675, 327.775, 326.875, 328.35]  # fmt: skip


def test_cusum_reproduces_the_handbook_example() -> None:
    sums = charts.cusum(NIST_CUSUM, center=325.0, sigma=1.0, allowance=0.3175, decision=4.1959)
    high = [0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04]
    low = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0, 0, 0, 0, 0, 0, 0, 0, 0]
    # Printed to 2 decimals; several sums end in a 5 that float64 holds a little off.
    assert_allclose(sums.high, high, rtol=0, atol=0.005 + 1e-10)
    assert_allclose(sums.low, low, rtol=0, atol=0.005 + 1e-10)
    assert (np.flatnonzero(sums.high > sums.decision) + 1).tolist() == [14, 15, 16, 17, 18, 19, 20]
    assert not np.any(sums.low > sums.decision)


def successive_above_zero(sums: np.ndarray) -> list[int]:
    counts: list[int] = []
    for value in sums:
        counts.append((counts[-1] if counts else 0) + 1 if value > 1e-9 else 0)
    return counts


def test_cusum_reproduces_the_textbook_example() -> None:
    # Montgomery, the same book, Tables 9.1 and 9.2, Example 9.1.
    sums = charts.cusum(SHIFTED, center=10.0, sigma=1.0, allowance=0.5, decision=5.0)
    high = [0, 0, 0, 1.16, 2.82, 2.50, 0.04, 1.00, 0, 0, 0, 0.97, 0.98, 0, 0, 0, 0.12, 0, 0, 0.34, 0.74, 0, 1.79, 2.79,
            2.89, 3.47, 3.35, 4.47, 5.28, 5.30]  # fmt: skip
    low = [0.05, 1.56, 1.77, 0, 0, 0, 1.46, 0, 0.30, 0, 0.47, 0, 0, 0.10, 0, 0.13, 0, 0, 0.98, 0, 0, 0.17] + 8 * [0]
    # The data have 2 decimals, so the sums have no more: they match but for float64.
    assert_allclose(sums.high, high, rtol=0, atol=1e-12)
    assert_allclose(sums.low, low, rtol=0, atol=1e-12)
    count_high = [0, 0, 0, 1, 2, 3, 4, 5, 0, 0, 0, 1, 2, 0, 0, 0, 1, 0, 0, 1, 2, 0, 1, 2, 3, 4, 5, 6, 7, 8]
    count_low = [1, 2, 3, 0, 0, 0, 1, 0, 1, 0, 1, 0, 0, 1, 0, 1, 0, 0, 1, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0, 0]
    assert successive_above_zero(sums.high) == count_high
    assert successive_above_zero(sums.low) == count_low
    first = int(np.flatnonzero(sums.high > sums.decision)[0])
    assert first + 1 == 29
    assert first + 1 - count_high[first] == 22  # the last point in control
    assert 10.0 + 0.5 + sums.high[first] / count_high[first] == pytest.approx(11.25, abs=0.005)  # the new mean


# The same book, Tables 9.4 and 9.5: headstart 6, allowance 3, decision 12 in the unit of the data; from memory, all
# sums recompute exactly. In the second series the mean is 105 from the start.
HEADSTART = {
    "in control": (
        [102, 97, 104, 93, 100, 105, 96, 98, 105, 99],
        [5, 0, 1, 0, 0, 2, 0, 0, 2, 0],
        [1, 1, 0, 4, 1, 0, 1, 0, 0, 0],
    ),
    "shifted": ([107, 102, 109, 98, 105, 110, 101, 103, 110, 104], [10, 9, 15, 10, 12, 19, 17, 17, 24, 25], 10 * [0]),
}


@pytest.mark.parametrize("example", HEADSTART)
def test_cusum_with_a_headstart_matches_the_textbook(example: str) -> None:
    x, high, low = HEADSTART[example]
    sums = charts.cusum(x, center=100.0, sigma=1.0, allowance=3.0, decision=12.0, headstart=6.0)
    assert_array_equal(sums.high, high)
    assert_array_equal(sums.low, low)


def test_a_cusum_in_sigma_units_is_that_of_standardised_values() -> None:
    x = np.random.default_rng(3).normal(50.0, 4.0, 60)
    sums = charts.cusum(x, center=50.0, sigma=4.0, allowance=0.5, decision=4.0, headstart=2.0)
    direct = charts.cusum((x - 50.0) / 4.0, center=0.0, sigma=1.0, allowance=0.5, decision=4.0, headstart=2.0)
    assert_array_equal(sums.high, direct.high)
    assert sums.sigma == 4.0
    # One chart for both sums: above 0 the high one, below 0 the low one.
    greater = np.maximum(sums.high, sums.low)
    assert_array_equal(np.abs(sums.statistic), greater)
    assert_array_equal(sums.statistic > sums.upper, (sums.high > 4.0) & (sums.high >= sums.low))
    assert_array_equal(sums.statistic < sums.lower, (sums.low > 4.0) & (sums.low > sums.high))
    assert sums.center == 0.0
    even = charts.cusum([0.0], center=0.0, sigma=1.0, allowance=0.5, decision=4.0, headstart=2.0)
    assert_array_equal(even.statistic, [1.5])  # where they are equal, the high one is drawn
