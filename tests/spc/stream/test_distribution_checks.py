"""Shape and dependence against published tables, scipy, statsmodels and simulation with a known truth."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import integrate, signal, stats
from statsmodels.stats.diagnostic import normal_ad
from statsmodels.tsa.stattools import acf

from spc.distributions.autocorrelation_law import chance_below, exact_interval, normal_interval
from spc.stream.baseline import establish, limits, widen
from spc.stream.distribution_checks import (
    Neighbours,
    Shape,
    _p_value,
    dependence,
    dependences,
    normalities,
    normality,
    widen_for_dependence,
)


def autoregression(seed: int, series: int, n: int, rho: float) -> np.ndarray:
    """Series of a normal first-order autoregression that has always been running."""
    news = np.random.default_rng(seed).normal(size=(series, n))
    news[:, 0] /= np.sqrt(1 - rho**2)
    return signal.lfilter([1.0], [1.0, -rho], news, axis=1)


@pytest.mark.parametrize(
    ("statistic", "level"),
    # R. B. D'Agostino and M. A. Stephens (1986), table 4.7, both parameters estimated: percentage points of the
    # adjusted statistic, from memory.
    [(0.631, 0.10), (0.752, 0.05), (0.873, 0.025), (1.035, 0.01)],
)
def test_the_p_value_meets_the_published_percentage_points(statistic, level):
    # The table and the formula of table 4.9 are two fits of the book and differ by 1.3 % of the level at 0.873 and
    # 1.0 % at 1.035; another library that has the formula gives the same, see below.
    assert_allclose(_p_value(statistic), level, rtol=0.015)


def test_the_fit_agrees_with_general_libraries():
    draw = np.random.default_rng(3)
    for n in (8, 12, 25, 80):
        for x in (draw.normal(size=n), draw.gamma(2.0, size=n), draw.uniform(size=n)):
            found = normality(x)
            plain, p_value = normal_ad(x)

            assert_allclose(found.statistic, plain * (1 + 0.75 / n + 2.25 / n**2), rtol=1e-9)
            assert_allclose(found.p_value, p_value, rtol=1e-7)
            assert_allclose(found.correlation, stats.probplot(x)[1][2], rtol=1e-12)


def test_normal_values_are_called_doubtful_as_seldom_as_stated():
    # 4,000 samples of 8 and of 25: standard error 0.34 %, 4 of them 1.4 %, and 0.2 % for the fitted formula.
    draw = np.random.default_rng(5)
    for n in (8, 25):
        p_values = normalities(draw.normal(size=(n, 4_000)))["p_value"]
        assert abs((p_values < 0.05).mean() - 0.05) < 0.016


@pytest.mark.parametrize(("n", "critical"), [(10, 0.9173), (25, 0.9575)])
def test_the_plot_correlation_falls_below_the_published_value_in_one_sample_of_twenty(n, critical):
    # J. J. Filliben (1975), table 1, 5 % point; from memory. 4 standard errors of 4,000 samples: 1.4 %, and 0.4 % for
    # the published points, which were simulated as well.
    draw = np.random.default_rng(7).normal(size=(n, 4_000))
    below = (normalities(draw)["correlation"] < critical).mean()

    assert abs(below - 0.05) < 0.018


def test_a_skewed_shape_is_refuted_and_its_logarithm_is_not():
    x = stats.norm.ppf((np.arange(30) + 0.5) / 30)

    assert normality(np.exp(1.5 * x)).shape is Shape.REFUTED
    assert normality(x).shape is Shape.PLAUSIBLE


def test_few_values_say_nothing_of_their_shape():
    found = normality([1.0, 1.0, 1.0, 1.0, 1.0, 9.0])

    assert (found.shape, found.p_value, found.count) == (Shape.TOO_FEW, 1.0, 6)


def test_the_sample_autocorrelation_agrees_with_a_general_library():
    for row in autoregression(9, 5, 40, 0.4):
        assert_allclose(dependence(row).sample, acf(row, nlags=1, fft=False)[1], rtol=1e-12)


def test_the_law_of_the_autocorrelation_agrees_with_adaptive_quadrature():
    # Imhof (1961), equation 3.2, by QUADPACK. Eigenvalues by another route: those of the form times the covariance.
    n, rho, sample = 12, 0.5, 0.2
    center = np.eye(n) - 1 / n
    shift = 0.5 * (np.eye(n, k=1) + np.eye(n, k=-1))
    covariance = rho ** np.abs(np.subtract.outer(np.arange(n), np.arange(n))) / (1 - rho**2)
    roots = np.linalg.eigvals(center @ (shift - sample * np.eye(n)) @ center @ covariance).real

    def integrand(u: float) -> float:
        return np.sin(0.5 * np.arctan(roots * u).sum()) / (u * np.prod((1 + (roots * u) ** 2) ** 0.25))

    reference = 0.5 - integrate.quad(integrand, 0, np.inf, epsabs=1e-10, limit=400)[0] / np.pi
    assert_allclose(chance_below(np.array([sample]), np.array([rho]), n)[0], reference, rtol=0, atol=1e-6)


def test_the_law_of_the_autocorrelation_agrees_with_simulation():
    # 40,000 series: 4 standard errors, 1 %.
    x = autoregression(11, 40_000, 10, 0.6)
    away = x - x.mean(axis=1, keepdims=True)
    samples = (away[:, 1:] * away[:, :-1]).sum(axis=1) / (away**2).sum(axis=1)

    for sample in (0.0, 0.3, 0.6):
        assert abs(chance_below(np.array([sample]), np.array([0.6]), 10)[0] - (samples <= sample).mean()) < 0.01


@pytest.mark.parametrize("rho", [0.0, 0.5, 0.8])
def test_the_interval_of_dependence_holds_the_truth_as_often_as_it_says(rho):
    # 1,000 series of 15: standard error 0.69 %, 4 of them 2.8 %.
    found = dependences(autoregression(13, 1_000, 15, rho).T)
    held = ((found["lower"] <= rho) & (rho <= found["upper"])).mean()

    assert abs(held - 0.95) < 0.028


def test_the_bias_of_few_values_is_taken_out():
    # Marriott and Pope (1954): what is left is of the order 1 / n**2; 3,000 series of 25, 4 standard errors and 0.015.
    for rho in (0.0, 0.4):
        x = autoregression(17, 3_000, 25, rho)
        away = x - x.mean(axis=1, keepdims=True)
        samples = (away[:, 1:] * away[:, :-1]).sum(axis=1) / (away**2).sum(axis=1)
        assert_allclose(dependence(x[0]).rho, (25 * samples[0] + 1) / 22, rtol=1e-12)
        corrected = (25 * samples + 1) / 22
        assert abs(corrected.mean() - rho) < 4 * corrected.std() / np.sqrt(3_000) + 0.015


def test_the_exact_and_the_large_sample_interval_meet():
    # At 100 values the normal law is within 0.03 of the exact one for correlations that are not extreme.
    for sample in (-0.3, 0.0, 0.4):
        given = np.array([sample])
        normal = normal_interval(given, np.array([100.0]), 0.025)
        assert_allclose(exact_interval(given, 100, 0.025), normal, rtol=0, atol=0.03)


@pytest.mark.parametrize(
    ("x", "word"),
    [
        (np.tile([1.0, 2.0], 10), Neighbours.ALTERNATING),
        (np.arange(20.0), Neighbours.ALIKE),
        (np.random.default_rng(1).normal(size=20), Neighbours.NOT_SHOWN),
        (np.arange(7.0), Neighbours.TOO_FEW),
    ],
)
def test_neighbours_are_told_in_a_word(x, word):
    assert dependence(x).neighbours is word


def test_a_correction_makes_the_variance_of_lots_that_are_alike_unbiased():
    # 20,000 series of 10 with rho 0.6: 4 standard errors of the mean sample variance.
    x = autoregression(19, 20_000, 10, 0.6)
    corrected = x.var(axis=1, ddof=1) * widen_for_dependence(1.0, 0.6, 10) ** 2

    assert abs(corrected.mean() - 1 / (1 - 0.36)) < 4 * corrected.std() / np.sqrt(corrected.size)


def test_the_correction_agrees_with_the_covariance_matrix_written_out():
    for n, rho in ((2, 0.3), (7, 0.5), (25, 0.9)):
        covariance = rho ** np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
        expected = np.trace((np.eye(n) - 1 / n) @ covariance) / (n - 1)
        assert_allclose(widen_for_dependence(2.0, rho, n), 2.0 / np.sqrt(expected), rtol=1e-12)


def test_lots_that_alternate_earn_no_narrower_limits():
    assert widen_for_dependence(2.0, -0.7, 25) == 2.0


def test_widened_limits_hold_lots_that_are_alike_as_often_as_they_should():
    # 2,000 baselines of 25 lots with rho 0.5, the next lot far later: 95 % limits are to hold 95 % once
    # widened, 95 %: standard error 0.49 %, 4 of them 2 %.
    x = autoregression(21, 2_000, 26, 0.5)
    later = np.random.default_rng(23).normal(size=2_000) / np.sqrt(0.75)
    held = 0
    for row, value in zip(x, later, strict=True):
        lower, upper = limits(widen(establish(row[:25], np.zeros(25)), 0.5), [0.0], width=1.959964)
        held += int(lower[0] <= value <= upper[0])
    assert abs(held / 2_000 - 0.95) < 0.02


@settings(deadline=None)  # the laws cost milliseconds, more on a busy machine
@given(st.integers(0, 9_999), st.floats(-100, 100), st.floats(0.01, 100))
def test_a_change_of_unit_changes_no_word(seed, shift, scale):
    x = np.random.default_rng(seed).normal(size=9)

    assert_allclose(normality(x * scale + shift).p_value, normality(x).p_value, rtol=1e-5)
    assert_allclose(dependence(x * scale + shift).sample, dependence(x).sample, rtol=1e-6, atol=1e-9)
    # Read backwards, neighbours stay neighbours.
    assert_allclose(dependence(x[::-1]).sample, dependence(x).sample, rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: normality([1.0, 2.0]), "x must hold at least 3 points, got 2"),
        (lambda: normality([1.0, 1.0, 1.0]), "x does not vary: all 3 values are"),
        (lambda: normality([1.0, 2.0, np.nan]), "x must be finite"),
        (lambda: dependence([1.0, 1.0, 1.0]), "x does not vary"),
        (lambda: dependence([1.0, 2.0, 4.0], confidence=2), r"confidence must be in \(0, 1\), got 2"),
        (lambda: widen_for_dependence(1.0, 1.0, 5), r"rho must be in \(-1, 1\), got 1.0"),
        (lambda: widen_for_dependence(-1.0, 0.5, 5), "sigma must be a number of at least 0, got -1.0"),
        (lambda: widen_for_dependence(1.0, 0.5, 1), "lots must be a whole number of at least 2, got 1"),
    ],
)
def test_impossible_input_is_refused_by_name(call, message):
    with pytest.raises(ValueError, match=message):
        call()
