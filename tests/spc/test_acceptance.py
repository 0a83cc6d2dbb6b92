"""Tolerance factors and plans by variables against handbook tables and the noncentral t distribution of scipy."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from spc.acceptance import acceptance_probability, fraction_beyond, tolerance_factor

# MIL-STD-414 (1957), tables B-1 and B-3, from memory, columns supported by recomputation: acceptability constants k of
# the standard-deviation method and the largest estimated percent M that is accepted, for 10 and for 7 bags.
K_10 = [2.24, 2.11, 1.98, 1.84, 1.72, 1.58, 1.41, 1.23]
M_10 = [0.349, 0.716, 1.3, 2.17, 3.26, 4.77, 7.29, 10.54]
K_7 = [2.0, 1.88, 1.75, 1.62, 1.5, 1.33]
M_7 = [0.422, 1.06, 2.14, 3.55, 5.35, 8.4]


@pytest.mark.parametrize(
    ("n", "coverage", "confidence", "printed"),
    # M. G. Natrella, NBS Handbook 91, table A-7; the last from the NIST/SEMATECH e-Handbook, section 7.2.6.3.
    [
        (5, 0.95, 0.95, 4.203),
        (10, 0.9, 0.95, 2.355),
        (10, 0.95, 0.95, 2.911),
        (10, 0.99, 0.95, 3.981),
        (20, 0.95, 0.95, 2.396),
        (30, 0.95, 0.95, 2.220),
        (50, 0.95, 0.95, 2.065),
        (43, 0.9, 0.99, 1.874),
    ],
)
def test_tolerance_factors_are_those_of_the_handbook(n, coverage, confidence, printed):
    # Half a unit of the third decimal.
    assert_allclose(tolerance_factor(n, coverage, confidence), printed, rtol=0, atol=5e-4)


def test_tolerance_factors_agree_with_the_noncentral_t_of_scipy():
    for n, coverage, confidence in [(2, 0.99, 0.99), (6, 0.9, 0.95), (300, 0.999, 0.5), (4, 0.3, 0.05)]:
        reference = stats.nct.ppf(confidence, n - 1, stats.norm.ppf(coverage) * np.sqrt(n)) / np.sqrt(n)
        assert_allclose(tolerance_factor(n, coverage, confidence), reference, rtol=1e-9)


@pytest.mark.parametrize(
    ("n", "k", "fraction", "accepted"),
    # Exact chance at the acceptable fraction, computed beside the plans of MIL-STD-414; its own curves are graphs.
    [
        (3, 1.12, 0.01, 0.95170),
        (5, 1.53, 0.01, 0.89832),
        (7, 1.5, 0.015, 0.89859),
        (10, 1.72, 0.01, 0.89781),
        (10, 1.41, 0.025, 0.90011),
        (15, 1.79, 0.01, 0.90815),
        (25, 1.85, 0.01, 0.92994),
        (50, 1.93, 0.01, 0.95284),
    ],
)
def test_plans_accept_as_often_as_computed_elsewhere(n, k, fraction, accepted):
    assert_allclose(acceptance_probability(n, k, fraction), accepted, rtol=0, atol=1e-5)
    exact = stats.nct.sf(k * np.sqrt(n), n - 1, stats.norm.isf(fraction) * np.sqrt(n))
    assert_allclose(acceptance_probability(n, k, fraction), exact, rtol=1e-9)


@pytest.mark.parametrize(("n", "ks", "percents"), [(10, K_10, M_10), (7, K_7, M_7)])
def test_the_two_forms_of_a_plan_agree(n, ks, percents):
    # k is printed to two decimals: M belongs to some k that rounds to it.
    for k, percent in zip(ks, percents, strict=True):
        assert 100 * fraction_beyond(k + 0.005, n) <= percent <= 100 * fraction_beyond(k - 0.005, n)


def test_the_worked_lot_of_the_standard_is_accepted():
    # MIL-STD-414 (1957), examples B-1 and B-2: 197 188 184 205 201, upper limit 209; s is printed 8.81, the root of
    # 77.5 is 8.803; Q 1.59, estimated 2.19 percent beyond, accepted against k = 1.53 and M = 3.32.
    x = np.array([197.0, 188.0, 184.0, 205.0, 201.0])
    distance = (209 - x.mean()) / x.std(ddof=1)

    assert_allclose(distance, 1.590293, rtol=0, atol=5e-7)
    assert_allclose(100 * fraction_beyond(1.59, 5), 2.19, rtol=0, atol=0.005)
    assert_allclose(100 * fraction_beyond(1.59, 5), 2.18709, rtol=0, atol=5e-6)
    assert_allclose(100 * fraction_beyond(distance, 5), 2.182312, rtol=0, atol=5e-7)


def test_the_estimated_fraction_is_unbiased():
    # Its mean over samples is the true fraction: 20,000 samples of 6, 4 standard errors (0.006 % false failures).
    draw = np.random.default_rng(23).normal(size=(20_000, 6))
    distances = (1.5 - draw.mean(axis=1)) / draw.std(axis=1, ddof=1)
    found = np.array([fraction_beyond(distance, 6) for distance in distances])

    assert abs(found.mean() - stats.norm.sf(1.5)) < 4 * found.std() / np.sqrt(found.size)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: tolerance_factor(1, 0.9), "n must be a whole number of at least 2, got 1"),
        (lambda: tolerance_factor(5, 90), r"coverage must be in \(0, 1\), got 90"),
        (lambda: tolerance_factor(5, 0.9, 1.0), r"confidence must be in \(0, 1\), got 1.0"),
        (lambda: acceptance_probability(5, 1.5, 0.0), r"fraction must be in \(0, 1\), got 0.0"),
        (lambda: acceptance_probability(5, np.inf, 0.1), "k must be a finite number"),
        (lambda: fraction_beyond(1.0, 2), "n must be a whole number of at least 3, got 2"),
    ],
)
def test_impossible_plans_are_refused_by_name(call, message):
    with pytest.raises(ValueError, match=message):
        call()
