"""Fits of bounded values against published examples, scipy, closed forms and a stated truth."""

import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import optimize

from spc.censored import estimable, line_fit, lot_level, mean_interval, normal_fit, one_sided_level

# A. K. Gupta (1952), Estimation of the mean and standard deviation of a normal population from a censored sample,
# Biometrika 39, 260-273: seven of ten lives of mice in days, log10. Printed 1.742 and 0.079 (from memory, recomputed).
MICE = np.log10([41, 44, 46, 54, 55, 58, 60, 60, 60, 60])
MICE_BOUND = [0, 0, 0, 0, 0, 0, 0, 1, 1, 1]

# J. Schmee, G. J. Hahn (1979), A simple method for regression analysis with censored data, Technometrics 21, 417-432;
# M. Aitkin (1981), Technometrics 23, 161-163: hours of motorettes at four temperatures, ten each, right-censored.
FAILED = {
    150: [],
    170: [1764, 2772, 3444, 3542, 3780, 4860, 5196],
    190: [408, 408, 1344, 1344, 1440],
    220: [408, 408, 504, 504, 504],
}
RUNNING = {150: [8064] * 10, 170: [5448] * 3, 190: [1680] * 5, 220: [528] * 5}


def test_the_lives_of_mice_are_reproduced():
    fit = normal_fit(MICE, MICE_BOUND)

    assert_allclose([fit.mean, fit.sd], [1.742, 0.079], rtol=0, atol=6e-4)
    # The recomputed figures carry seven and five digits.
    assert_allclose(fit.mean, 1.7423774, rtol=0, atol=5.1e-8)
    assert_allclose(fit.sd, 0.079432, rtol=0, atol=5.1e-7)


def test_the_motorettes_are_reproduced():
    rows = [(1000 / (t + 273.2), h, 0) for t, hours in FAILED.items() for h in hours]
    rows += [(1000 / (t + 273.2), h, 1) for t, hours in RUNNING.items() for h in hours]
    x, hours, bound = map(np.array, zip(*rows, strict=True))
    fit = line_fit(x, np.log10(hours), bound)

    # Printed to three decimals (from memory); the recomputed ones to seven and eight.
    assert_allclose([fit.intercept, fit.slope, fit.sd], [-6.019, 4.311, 0.259], rtol=0, atol=6e-4)
    assert_allclose([fit.intercept, fit.slope, fit.sd], [-6.0192496, 4.3112471, 0.2591827], rtol=0, atol=5.1e-8)
    assert_allclose(fit.log_likelihood, -12.9654551, rtol=0, atol=5.1e-8)


# A. C. Cohen (1959), Technometrics 1, 217-237 and (1961) 3, 535-541: lambda(h, gamma) with
# mean = xbar - lambda (xbar - x0) for a fraction h below x0 and gamma = s^2 / (xbar - x0)^2. The row of gamma 0 is
# printed (from memory, recomputed), that of 0.05 recomputed.
COHEN = {
    0.0: [
        0.0101, 0.0204, 0.030902, 0.052507, 0.063625, 0.074953, 0.08649, 0.09824, 0.1102, 0.17342, 0.24268, 0.31862,
        0.4021, 0.4941, 0.5961, 0.7096,
    ],
    0.05: [
        0.01055, 0.02129, 0.03223, 0.05467, 0.06619, 0.07791, 0.08983, 0.10197, 0.11431, 0.17935, 0.25033, 0.32793,
        0.41301, 0.50663, 0.61011, 0.72515,
    ],
}  # fmt: skip
BELOW = [1, 2, 3, 5, 6, 7, 8, 9, 10, 15, 20, 25, 30, 35, 40, 45]


@pytest.mark.parametrize("gamma", list(COHEN))
def test_cohens_table_for_left_censored_samples_is_reproduced(gamma):
    for percent, printed in zip(BELOW, COHEN[gamma], strict=True):
        # 200 values, as many of one above the mean as below: mean 1 above the bound at 0, variance gamma.
        each = 100 - percent
        values = np.concatenate([np.full(each, 1 - gamma**0.5), np.full(each, 1 + gamma**0.5), np.zeros(2 * percent)])
        fit = normal_fit(values, np.repeat([0, -1], [2 * each, 2 * percent]))

        assert_allclose(1 - fit.mean, printed, rtol=0, atol=5.1e-5)
        # sigma^2 = s^2 + lambda (xbar - x0)^2, the other half of the solution.
        assert_allclose(fit.sd**2, gamma + (1 - fit.mean), rtol=1e-9)


# Independent routes


def censored_sample(seed, size=40, floor=-1.0, ceiling=0.8):
    rng = np.random.default_rng(seed)
    true = rng.normal(size=size)
    return np.clip(true, floor, ceiling), np.where(true > ceiling, 1, np.where(true < floor, -1, 0))


def log_likelihood(mean, sd, values, bound):
    norm = scipy.stats.norm(mean, sd)
    return sum(
        {0: norm.logpdf, 1: norm.logsf, -1: norm.logcdf}[b](v) for v, b in zip(values, bound.tolist(), strict=True)
    )


@pytest.mark.parametrize("seed", range(5))
def test_the_fit_and_its_errors_are_those_of_a_direct_search(seed):
    values, bound = censored_sample(seed)
    fit = normal_fit(values, bound)

    def cost(theta):
        return -log_likelihood(theta[0], np.exp(theta[1]), values, bound)

    found = optimize.minimize(cost, [0.0, 0.0], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-13})
    # A flat top: the square root of the rounding of the likelihood.
    assert_allclose([fit.mean, np.log(fit.sd)], found.x, rtol=0, atol=1e-6)
    assert_allclose(fit.log_likelihood, -found.fun, rtol=1e-12)
    # Curvature in mean and sd by central differences; steps of 1e-4 leave some seven digits.
    step = 1e-4
    curve = np.empty((2, 2))
    for i, one in enumerate(np.eye(2) * step):
        for j, other in enumerate(np.eye(2) * step):
            corners = [
                sign * log_likelihood(*(np.array([fit.mean, fit.sd]) + a * one + b * other), values, bound)
                for a, b, sign in ((1, 1, 1), (1, -1, -1), (-1, 1, -1), (-1, -1, 1))
            ]
            curve[i, j] = -sum(corners) / (4 * step**2)
    assert_allclose([fit.mean_se, fit.sd_se], np.sqrt(np.diag(np.linalg.inv(curve))), rtol=1e-5)


def test_scipys_own_censored_fit_agrees():
    values, bound = censored_sample(9)
    sample = scipy.stats.CensoredData(uncensored=values[bound == 0], left=values[bound < 0], right=values[bound > 0])
    # Its simplex stops near 1e-4.
    assert_allclose(
        scipy.stats.norm.fit(sample), [normal_fit(values, bound).mean, normal_fit(values, bound).sd], atol=3e-4
    )


def test_without_bounds_the_fit_is_the_closed_form():
    values, _ = censored_sample(1)
    fit = normal_fit(values, np.zeros(values.size))
    spread = values.std()

    wanted = [values.mean(), spread, spread / np.sqrt(40), spread / np.sqrt(80)]
    assert_allclose([fit.mean, fit.sd, fit.mean_se, fit.sd_se], wanted, rtol=1e-12)


def test_without_bounds_the_line_is_least_squares():
    rng = np.random.default_rng(2)
    x = rng.uniform(100, 130, 25)
    y = 3.0 + 0.1 * x + rng.normal(0, 0.2, 25)
    fit, least = line_fit(x, y, np.zeros(25)), scipy.stats.linregress(x, y)

    # Its errors have the divisor n - 2, those of maximum likelihood n.
    wanted = [least.intercept, least.slope, least.intercept_stderr * (23 / 25) ** 0.5, least.stderr * (23 / 25) ** 0.5]
    assert_allclose([fit.intercept, fit.slope, fit.intercept_se, fit.slope_se], wanted, rtol=1e-9)


# The level of a lot


def lot(seed, bags=6, each=6, between=0.3, within=0.1):
    rng = np.random.default_rng(seed)
    values = rng.normal(0.0, between, (bags, 1)) + rng.normal(0.0, within, (bags, each))
    return values, np.repeat(np.arange(bags), each)


def test_without_bounds_a_level_is_the_mean_of_bag_means_with_their_standard_error():
    values, bag = lot(1)
    fit = lot_level(values.ravel(), bag, np.zeros(36))
    means = values.mean(axis=1)

    assert_allclose([fit.mean, fit.mean_se], [means.mean(), scipy.stats.sem(means)], rtol=1e-12)
    assert mean_interval(fit) == pytest.approx(
        scipy.stats.t.interval(0.95, 5, means.mean(), scipy.stats.sem(means)), rel=1e-12
    )


def test_a_bag_with_more_readings_is_still_one_bag():
    values, bag, bound = [1.0, 2.0, 2.2, 2.4, 3.0], [1, 2, 2, 2, 3], [0, 0, 0, 0, 0]

    assert_allclose(lot_level(values, bag, bound).mean, np.mean([1.0, 2.2, 3.0]), rtol=1e-12)


def test_one_reading_a_bag_is_the_plain_fit():
    values, bound = censored_sample(3)
    plain, by_bag = normal_fit(values, bound), lot_level(values, np.arange(40), bound)

    assert_allclose([by_bag.mean, by_bag.sd], [plain.mean, plain.sd], rtol=1e-12)


def test_one_bag_says_nothing_of_the_error_of_its_level():
    fit = lot_level([1.0, 2.0, 2.0], [1, 1, 1], [0, 0, 1])

    assert fit.mean_se == np.inf
    with pytest.raises(ValueError, match="measure at least two"):
        mean_interval(fit)


def test_two_bags_give_the_mean_an_error_and_the_sd_none():
    fit = lot_level([1.0, 3.0], [1, 2], [0, 0])

    assert_allclose(fit.mean_se, 1.0, rtol=1e-12)  # sqrt(2) / sqrt(2)
    assert fit.sd_se == np.inf


def test_a_bag_whose_bounds_are_far_away_does_not_make_the_error_small():
    # The second bag is below a bound 25 standard deviations up: it tells nothing.
    fit = lot_level([29.997, 29.996, 30.1], [1, 1, 2], [0, 0, -1])

    assert (fit.mean_se, fit.df) == (np.inf, 0)


def test_a_lot_wholly_over_range_has_a_one_sided_level():
    level = one_sided_level([12.0, 12.0, 13.0], [1, 1, 2], [1, 1, 1])

    assert (level.level, level.bound) == (12.5, 1)
    assert one_sided_level([1.0, 2.0], [1, 2], [0, 0]).bound == 0
    with pytest.raises(ValueError, match="bounded on both sides"):
        one_sided_level([1.0, 2.0], [1, 2], [-1, 1])


# Properties


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.floats(1e-4, 1e4), st.floats(-100, 100), st.sampled_from([1, -1]))
def test_scale_shift_mirror_and_order_do_what_they_must(seed, factor, shift, mirror):
    values, bound = censored_sample(seed, size=12)
    fit = normal_fit(values, bound)
    order = np.random.default_rng(seed).permutation(12)
    other = normal_fit(mirror * factor * values[order] + shift, mirror * bound[order])

    # The shift costs the digits that it puts before the values.
    room = 1e-9 * factor + 1e-13 * abs(shift)
    assert_allclose(other.mean, mirror * factor * fit.mean + shift, rtol=1e-9, atol=room)
    for name in ("sd", "mean_se", "sd_se"):
        assert_allclose(getattr(other, name), factor * getattr(fit, name), rtol=1e-7, atol=room)


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(st.integers(-3, 3), st.sampled_from([-1, 0, 1])), min_size=1, max_size=7))
def test_a_fit_is_given_where_it_exists_and_refused_where_not(rows):
    values, bound = (np.array(column) for column in zip(*rows, strict=True))
    if not estimable(values, bound):
        with pytest.raises(ValueError, match="no maximum-likelihood value"):
            normal_fit(values, bound)
        return
    fit = normal_fit(values, bound)
    assert fit.sd > 0
    assert fit.mean_se > 0
    for mean, sd in ((0.01, 1.0), (-0.01, 1.0), (0.0, 1.01), (0.0, 0.99)):
        moved = log_likelihood(fit.mean + mean * fit.sd, fit.sd * sd, values, bound)
        assert moved < fit.log_likelihood + 1e-12


@pytest.mark.parametrize(
    ("values", "bound", "exists"),
    [
        ([1.0, 2.0], [0, 0], True),
        ([1.0, 1.0], [0, 0], False),  # constant: the sd would be 0
        ([1.0], [0], False),
        ([1.0, 2.0], [0, 1], True),  # one value, and a bound that excludes it
        ([1.0, 0.5], [0, 1], False),  # one value, and a bound that allows it
        ([1.0, 0.5], [0, -1], True),
        ([1.0, 1.0], [0, 1], False),
        ([1.0, 2.0], [1, 1], False),
        ([1.0, 2.0], [-1, 1], False),
    ],
)
def test_which_samples_have_a_fit(values, bound, exists):
    assert estimable(values, bound) is exists


def test_values_that_nearly_agree_are_fitted_too():
    fit = normal_fit([1.0, 1.0 + 1e-9, 0.5, -3.0], [0, 0, 1, 1])

    # The bounds are far below: what is left are the two values. Nine digits of their difference are gone.
    assert_allclose([fit.mean - 1.0, fit.sd], [5e-10, 5e-10], rtol=1e-6)


def test_a_bound_far_from_values_that_nearly_agree_widens_the_fit():
    fit = normal_fit([1.0, 1.0 + 1e-9, 5.0], [0, 0, 1])
    # To nine digits the two values are one: the same as two of a kind, of which Cohen's form holds (mirrored).
    twin = normal_fit([1.0, 1.0, 5.0], [0, 0, 1])

    assert_allclose([fit.mean, fit.sd], [twin.mean, twin.sd], rtol=1e-8)
    assert_allclose(fit.sd**2, 4.0 * (fit.mean - 1.0), rtol=1e-8)


# Coverage


@pytest.mark.parametrize("share", [0.0, 0.25])
def test_an_interval_of_95_percent_covers_the_mean(share):
    rng = np.random.default_rng(7)
    runs, size = 4000, 60
    ceiling = scipy.stats.norm.ppf(1 - share) if share else np.inf
    true = rng.normal(size=(runs, size))
    covered = 0
    for row in true:
        low, high = mean_interval(normal_fit(np.minimum(row, ceiling), (row > ceiling).astype(int)))
        covered += low <= 0 <= high
    # Monte-Carlo error 0.34 percent: three of them fit into the 1 percent.
    assert 0.94 <= covered / runs <= 0.96


def test_the_interval_of_a_lot_level_covers_with_twelve_bags():
    rng = np.random.default_rng(8)
    covered, runs = 0, 4000
    for _ in range(runs):
        values, bag = lot(int(rng.integers(1 << 60)), bags=12, each=3)
        over = values.ravel() > 0.3
        low, high = mean_interval(lot_level(np.minimum(values.ravel(), 0.3), bag, over.astype(int)))
        covered += low <= 0 <= high
    # A sixth of the readings is over range. Monte-Carlo error 0.34 percent: three of them fit into the 1 percent.
    assert 0.94 <= covered / runs <= 0.96


# Refusals


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: normal_fit([1.0, 2.0], [1, 1]), "0 of 2 values are measured"),
        (lambda: normal_fit([1.0, np.inf], [0, 0]), "values must be finite"),
        (lambda: normal_fit([1.0, 2.0], [0]), "bound must have one entry a value"),
        (lambda: normal_fit([1.0, 2.0], [0, 3]), "bound must be -1"),
        (lambda: lot_level([1.0, 2.0], [1], [0, 0]), "bag must name the bag of each of the 2 values"),
        (lambda: line_fit([1.0], [1.0, 2.0], [0, 0]), "x and values must be of one length"),
        (lambda: line_fit([1.0, 1.0, 1.0], [1.0, 2.0, 2.5], [0, 0, 0]), "two different places"),
        (lambda: line_fit([1.0, 1.0, 2.0], [1.0, 2.0, 0.0], [0, 0, 1]), "the likelihood has no single maximum"),
        (lambda: line_fit([1.0, 2.0], [1.0, 2.0], [0, 0]), "do not fix all that is estimated"),
        (lambda: mean_interval(normal_fit([1.0, 2.0], [0, 0]), 0.0), "confidence must be between 0 and 1"),
    ],
)
def test_impossible_input_is_refused_by_name(call, words):
    with pytest.raises(ValueError, match=words):
        call()
