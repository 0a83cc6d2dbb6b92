"""The constants against factor tables, closed forms and quadrature by another route."""

from __future__ import annotations

import numpy as np
import pytest
from figures import chart_constants
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import integrate, special, stats

from spc import constants

# ASTM MNL 7, Manual on Presentation of Data and Control Chart Analysis, table of factors; the same in ISO 7870-2 and in
# D. C. Montgomery, Introduction to Statistical Quality Control, Appendix VI. n = 2 to 25 as printed; from memory, each
# figure confirmed by tests/figures/chart_constants.py.
PRINTED = {
    "d2": "1.128 1.693 2.059 2.326 2.534 2.704 2.847 2.970 3.078 3.173 3.258 3.336 "
    "3.407 3.472 3.532 3.588 3.640 3.689 3.735 3.778 3.819 3.858 3.895 3.931",
    "d3": "0.853 0.888 0.880 0.864 0.848 0.833 0.820 0.808 0.797 0.787 0.778 0.770 "
    "0.763 0.756 0.750 0.744 0.739 0.734 0.729 0.724 0.720 0.716 0.712 0.708",
    "c4": "0.7979 0.8862 0.9213 0.9400 0.9515 0.9594 0.9650 0.9693 0.9727 0.9754 0.9776 0.9794 "
    "0.9810 0.9823 0.9835 0.9845 0.9854 0.9862 0.9869 0.9876 0.9882 0.9887 0.9892 0.9896",
    "A2": "1.880 1.023 0.729 0.577 0.483 0.419 0.373 0.337 0.308 0.285 0.266 0.249 "
    "0.235 0.223 0.212 0.203 0.194 0.187 0.180 0.173 0.167 0.162 0.157 0.153",
    "B3": "0 0 0 0 0.030 0.118 0.185 0.239 0.284 0.321 0.354 0.382 "
    "0.406 0.428 0.448 0.466 0.482 0.497 0.510 0.523 0.534 0.545 0.555 0.565",
    "B5": "0 0 0 0 0.029 0.113 0.179 0.232 0.276 0.313 0.346 0.374 "
    "0.399 0.421 0.440 0.458 0.475 0.490 0.504 0.516 0.528 0.539 0.549 0.559",
    "B6": "2.606 2.276 2.088 1.964 1.874 1.806 1.751 1.707 1.669 1.637 1.610 1.585 "
    "1.563 1.544 1.526 1.511 1.496 1.483 1.470 1.459 1.448 1.438 1.429 1.420",
    "D3": "0 0 0 0 0 0.076 0.136 0.184 0.223 0.256 0.283 0.307 "
    "0.328 0.347 0.363 0.378 0.391 0.403 0.415 0.425 0.434 0.443 0.451 0.459",
    # These rows wholly from memory, n = 2 to 10.
    "A3": "2.659 1.954 1.628 1.427 1.287 1.182 1.099 1.032 0.975",
    "B4": "3.267 2.568 2.266 2.089 1.970 1.882 1.815 1.761 1.716",
    "D4": "3.267 2.574 2.282 2.114 2.004 1.924 1.864 1.816 1.777",
    "E2": "2.660 1.772 1.457 1.290 1.184 1.109 1.054 1.010 0.975",
}

# Printed with rounded factors: (name, n): six decimals of tests/figures/chart_constants.py, which the print does not round.
ODD_PRINT = {
    ("d3", 19): 0.733481,
    ("D3", 19): 0.403506,
    ("D3", 22): 0.434531,
    ("D3", 24): 0.451601,
    ("E2", 2): 2.658681,
    ("D4", 3): 2.574591,
}

NAMES = sorted(PRINTED)


def numbers(row: str) -> list[float]:
    return [float(value) for value in row.split()]


@pytest.mark.parametrize("name", NAMES)
def test_factors_round_to_the_printed_tables(name: str) -> None:
    for n, (printed, text) in enumerate(zip(numbers(PRINTED[name]), PRINTED[name].split(), strict=True), start=2):
        computed = getattr(constants, name)(n)
        if (name, n) in ODD_PRINT:
            assert computed == pytest.approx(ODD_PRINT[name, n], abs=5.01e-7)
            assert computed == pytest.approx(printed, abs=1.4e-3)
        else:
            decimals = len(text.partition(".")[2])
            assert computed == pytest.approx(printed, abs=0.5 * 10.0**-decimals), (name, n)


@pytest.mark.parametrize("n", range(2, 26))
def test_factors_match_quadrature_over_the_laws_of_range_and_deviation(n: int) -> None:
    # Both are good to 1e-12 or better; a factor is up to three times as far off as the constant that it is made of.
    expected = chart_constants.factors(n)
    assert set(expected) == set(NAMES)
    assert_allclose(
        [getattr(constants, name)(n) for name in NAMES], [expected[name] for name in NAMES], atol=1e-11, rtol=0
    )


# L. H. C. Tippett (1925), On the extreme individuals and the range of samples taken from a normal population,
# Biometrika 17, 364-387, table X: mean range of large samples. From memory.
TIPPETT = {2: 1.12838, 10: 3.07751, 20: 3.73495, 60: 4.63856, 100: 5.01519, 500: 6.07340, 1000: 6.48287}


@pytest.mark.parametrize("n", TIPPETT)
def test_mean_range_of_large_samples_matches_tippett(n: int) -> None:
    assert constants.d2(n) == pytest.approx(TIPPETT[n], abs=5e-6)


def test_small_sizes_match_closed_forms() -> None:
    # H. A. David and H. N. Nagaraja, Order Statistics (3rd ed.), section 5.4; 1e-9 is what the functions promise.
    root_pi, tilt = np.sqrt(np.pi), np.arcsin(1 / 3)
    means = [2 / root_pi, 3 / root_pi, (3 + 6 * tilt / np.pi) / root_pi, (2.5 + 15 * tilt / np.pi) / root_pi]
    assert_allclose([constants.d2(n) for n in (2, 3, 4, 5)], means, rtol=0, atol=1e-9)
    spreads = [np.sqrt(2 - 4 / np.pi), np.sqrt(2 + 3 * np.sqrt(3) / np.pi - 9 / np.pi)]
    assert_allclose([constants.d3(n) for n in (2, 3)], spreads, rtol=0, atol=1e-9)


@pytest.mark.parametrize("n", [7, 30, 250, 1000, 1_000_000])
def test_mean_range_matches_the_mean_of_the_extremes(n: int) -> None:
    # E range = int 1 - Phi(x)**n - (1 - Phi(x))**n dx, by adaptive quadrature on one half of the line.
    def uncovered(x: float) -> float:
        return -np.expm1(n * special.log_ndtr(x)) - np.exp(n * special.log_ndtr(-x))

    half, _ = integrate.quad(uncovered, 0, 15, epsabs=1e-12, epsrel=0, limit=500, points=[1, 3, 5])
    assert constants.d2(n) == pytest.approx(2 * half, abs=1e-9)


@pytest.mark.parametrize("n", [4, 12, 100])
def test_spread_of_the_range_matches_the_joint_law_of_the_extremes(n: int) -> None:
    # E range**2 = 2 E max**2 - 2 E min max; the second by the trapezoid rule over the joint density of the extremes.
    x = np.linspace(-9, 9, 2401)
    step, density, below = x[1] - x[0], stats.norm.pdf(x), stats.norm.cdf(x)
    square = n * step * np.sum(x**2 * density * below ** (n - 1))
    between = np.clip(below[None, :] - below[:, None], 0, None)
    joint = n * (n - 1) * between ** (n - 2) * np.outer(density, density)
    product = step**2 * (x @ joint @ x)
    assert constants.d3(n) == pytest.approx(np.sqrt(2 * square - 2 * product - constants.d2(n) ** 2), abs=1e-9)


@pytest.mark.parametrize("n", [2, 5, 9])
def test_range_moments_match_the_studentized_range_of_scipy(n: int) -> None:
    # With infinite degrees of freedom that is the range itself; its stated accuracy is about 1e-8 here.
    nodes, weights = np.polynomial.legendre.leggauss(40)
    r = 5 * (nodes + 1)
    greater = stats.studentized_range.sf(r, n, np.inf)
    mean, square = 5 * weights @ greater, 10 * weights @ (r * greater)
    assert constants.d2(n) == pytest.approx(mean, abs=1e-7)
    assert constants.d3(n) == pytest.approx(np.sqrt(square - mean**2), abs=1e-7)


@pytest.mark.parametrize("n", [2, 3, 10, 170, 1000])
def test_c4_is_the_mean_of_the_chi_law(n: int) -> None:
    # scipy's mean of chi; its difference of log gammas leaves about 1e-12 at n = 1000.
    assert constants.c4(n) == pytest.approx(stats.chi(n - 1).mean() / np.sqrt(n - 1), abs=1e-11)


@pytest.mark.parametrize("n", [1000, 100_000, 10_000_000])
def test_c4_of_large_samples_follows_its_series(n: int) -> None:
    # N. L. Johnson and S. Kotz, Continuous Univariate Distributions; the next term is below 1e-12 at n = 1000.
    series = 1 - 1 / (4 * n) - 7 / (32 * n**2) - 19 / (128 * n**3)
    assert constants.c4(n) == pytest.approx(series, abs=1e-12)


@given(st.integers(2, 3000))
def test_constants_rise_and_fall_with_the_size(n: int) -> None:
    assert constants.d2(n) < constants.d2(n + 1)
    assert constants.c4(n) < constants.c4(n + 1) < 1
    assert constants.B3(n) <= constants.B3(n + 1) < 1 < constants.B4(n + 1) < constants.B4(n)
    assert constants.D3(n) <= constants.D3(n + 1) < 1 < constants.D4(n + 1) < constants.D4(n)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("n", [1, 0, -3, 2.5, float("nan"), float("inf")])
def test_a_size_that_is_none_is_refused(name: str, n: float) -> None:
    with pytest.raises(ValueError, match="n must be a whole number of at least 2, got"):
        getattr(constants, name)(n)
