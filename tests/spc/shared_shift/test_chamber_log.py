"""The log of a chamber beside a shift: what the films show of humidity, and how often the log departs like this anyway."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from spc.shared_shift.chamber_log import (
    coincidence,
    compare_log,
    departure_factor,
    fitted_departure,
    span_changes,
    spans_like,
)


def test_the_factor_is_that_of_two_normal_likelihoods_with_an_uncertain_slope_and_departure() -> None:
    # Reference figures computed apart in closed form: predicted shift -0.135, standard deviation 0.0532447180479.
    assert_allclose(departure_factor([-0.13], [0.04], [-0.09], [0.03], [0], 1.5, 0.3), 1.19414602972, atol=1e-6)
    sd = np.hypot(0.0532447180479, 0.04)
    by_scipy = stats.norm(-0.135, sd).logpdf(-0.13) - stats.norm(0, np.hypot(0.15, 0.04)).logpdf(-0.13)
    assert_allclose(by_scipy, 1.19414602972, atol=1e-6)
    # A shift of the wrong sign favours the tester.
    assert departure_factor([0.13], [0.04], [-0.09], [0.03], [0], 1.5, 0.3) < -5


def test_the_factor_of_several_streams_is_that_of_a_multivariate_normal_law() -> None:
    shifts, errors, slopes, sds = np.array(
        [[-0.2, -0.1, 0.01], [0.04, 0.05, 0.02], [-0.09, -0.06, 0.0], [0.02, 0.01, 0.01]]
    )
    common = 0.4**2 * np.outer(slopes, slopes) + np.diag(errors**2)
    # The first two streams are of one product and share the error of its slope.
    slopes_covariance = np.diag(sds**2)
    slopes_covariance[0, 1] = slopes_covariance[1, 0] = sds[0] * sds[1]
    common += slopes_covariance * (2.0**2 + 0.4**2)
    tester = np.diag(errors**2) + 0.15**2
    expected = stats.multivariate_normal(2.0 * slopes, common).logpdf(shifts)
    expected -= stats.multivariate_normal(np.zeros(3), tester).logpdf(shifts)

    assert_allclose(departure_factor(shifts, errors, slopes, sds, [0, 0, 1], 2.0, 0.4), expected, rtol=1e-9)


def test_films_of_unlike_slopes_show_a_departure_without_any_log() -> None:
    # Least squares with a free shared shift: sigma / sqrt(sum (s - mean s)^2), 0.878410461158 % RH for 40 lots.
    slopes = np.repeat([-0.09, 0.0], 20)
    departure, error = fitted_departure(
        3.0 * slopes + 0.4, np.full(40, 0.25), slopes, np.zeros(40), slopes, departure_sd=1e6, tester_sd=1e4
    )

    assert_allclose(error, 0.878410461158, rtol=1e-5)
    assert_allclose(departure, 3.0, rtol=1e-4)


def test_an_uncertain_slope_makes_the_departure_uncertain() -> None:
    certain, uncertain = (fitted_departure([-0.18], [0.02], [-0.09], [sd], [0])[1] for sd in (0.0, 0.05))

    assert uncertain > 2 * certain


@pytest.mark.parametrize(("departures", "expected"), [(2, 0.0737965834829), (6, 0.205453834698), (12, 0.368696391205)])
def test_a_departure_falls_into_a_fortnight_by_chance_as_often_as_a_poisson_law_says(
    departures: float, expected: float
) -> None:
    assert_allclose(coincidence(departures, 2.0), expected, rtol=1e-5)


def test_the_date_of_a_departure_slides_over_the_log() -> None:
    # Two departures a year of a fortnight each, as in the reference figure above, over twenty years.
    rng = np.random.default_rng(2)
    daily = np.full(20 * 365, 12.0)
    for first in rng.uniform(0, daily.size, 40).astype(int):
        daily[first : first + 14] += 1.5
    like, spans = spans_like(daily, 14, 91, 1.0)
    by_hand = [daily[day : day + 14].mean() - daily[day - 91 : day].mean() for day in range(91, daily.size - 13)]

    assert_allclose(span_changes(daily, 14, 91), by_hand, atol=1e-9)
    assert (like, spans) == (sum(change >= 1.0 for change in by_hand), len(by_hand))
    # A span counts that is covered to two thirds: some 9 first days of the 183 from one departure to the next, less than by
    # chance of any overlap (7.4 %).
    assert 0.02 < like / spans < 0.0738


def test_days_without_an_entry_are_passed_over_and_the_other_side_does_not_count() -> None:
    daily = np.concatenate([np.full(10, 12.0), [np.nan, np.nan], np.full(4, 10.0)])

    assert spans_like(daily, 4, 4, -2.0) == (3, 9)
    assert spans_like(daily, 4, 4, 2.0) == (0, 9)
    assert spans_like(daily[:4], 4, 4, 2.0) == (0, 0)


@pytest.mark.parametrize(
    ("logged", "log"),
    [(2.0, "agrees"), (0.1, "silent"), (-0.1, "silent"), (-2.0, "contradicts"), (12.0, "contradicts")],
)
def test_a_log_agrees_is_silent_or_contradicts(logged: float, log: str) -> None:
    result = compare_log([-0.18, -0.2], [0.03, 0.03], [-0.09, -0.1], [0.01, 0.01], [0, 1], logged, 0.2)

    assert (result.log, round(result.fitted)) == (log, 2)


def test_films_that_do_not_depend_on_humidity_contradict_a_log_that_departs() -> None:
    assert compare_log([-0.18, -0.2], [0.03, 0.03], [0.0, 0.0], [0.01, 0.01], [0, 1], 2.0, 0.2).log == "contradicts"


def test_values_outside_their_range_are_refused() -> None:
    for shifts, errors, slopes, sds, se in (
        ([1.0, 2.0], [1.0], [1.0], [1.0], 1.0),
        ([1.0], [0.0], [1.0], [1.0], 1.0),
        ([1.0], [1.0], [1.0], [-1.0], 1.0),
        ([1.0], [1.0], [1.0], [1.0], 0.0),
    ):
        with pytest.raises(ValueError, match="must"):
            compare_log(shifts, errors, slopes, sds, [0], 1.0, se)
    with pytest.raises(ValueError, match="must be one-dimensional"):
        spans_like([[1.0]], 1, 1, 1.0)
    with pytest.raises(ValueError, match="must be at least 1 day"):
        spans_like([1.0], 0, 1, 1.0)
    with pytest.raises(ValueError, match="must be at least 0"):
        coincidence(-1.0, 1.0)


def test_a_log_that_departs_the_other_way_than_the_films_does_not_agree():
    # Films that read a little high look like drier air; the log is a little damper. Both are small beside their errors.
    result = compare_log([0.02, 0.03, 0.01], [0.02, 0.02, 0.02], [-0.09] * 3, [0.05] * 3, [0, 1, 2], 0.3, 0.1)
    assert result.fitted < 0 < result.logged
    assert result.log != "agrees"
