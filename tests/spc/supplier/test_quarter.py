"""Level, change, scatter and room of a quarter, against a handbook and scipy."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from spc.supplier import quarter
from spc.supplier.quarter import Estimate
from spc.vocabulary.enums import Direction, Side

NOW = np.array([2.61, 2.55, 2.70, 2.58, 2.66, 2.73])
BEFORE = np.array([2.31, 2.40, 2.22, 2.35])


def with_moments(n: int, mean: float, sd: float) -> np.ndarray:
    """Any sample with exactly this mean and standard deviation."""
    x = np.linspace(-1.0, 1.0, n)
    return mean + sd * (x - x.mean()) / x.std(ddof=1)


def test_the_change_reproduces_the_handbook() -> None:
    # NIST/SEMATECH e-Handbook, section 1.3.5.3, fuel economy of two fleets, variances unequal: T = -12.94627 with
    # 136.8750 degrees of freedom. From memory; both follow from the printed means and standard deviations.
    found = quarter.change(with_moments(249, 20.14458, 6.41470), with_moments(79, 30.48101, 6.10771))

    error = (found.high - found.low) / 2 / stats.t.ppf(0.975, found.df)
    # The printed moments have five decimals: of the degrees of freedom two decimals are left.
    assert_allclose(found.df, 136.875, rtol=0, atol=0.005)
    assert_allclose(found.value / error, -12.94627, rtol=0, atol=5e-5)


def test_the_level_and_the_change_agree_with_scipy() -> None:
    level, moved = quarter.level(NOW), quarter.change(NOW, BEFORE)
    theirs = stats.ttest_ind(NOW, BEFORE, equal_var=False).confidence_interval(0.95)

    # Two routes in float64 through the same few sums: a dozen roundings.
    assert_allclose([level.low, level.high], stats.t.interval(0.95, 5, NOW.mean(), stats.sem(NOW)), rtol=1e-13)
    assert_allclose([moved.low, moved.high], [theirs.low, theirs.high], rtol=1e-12)


def test_the_scatter_is_pooled_and_its_interval_is_that_of_chi_square() -> None:
    found = quarter.spread([0.04, np.nan, 0.09, 1.0], [5, 4, 3, 0])

    pooled = (5 * 0.04 + 3 * 0.09) / 8
    low, high = (np.sqrt(8 * pooled / stats.chi2.ppf(chance, 8)) for chance in (0.975, 0.025))
    assert_allclose([found.value, found.low, found.high], [np.sqrt(pooled), low, high], rtol=1e-12)
    assert found.df == 8


def test_the_ratio_of_scatters_has_the_interval_of_f() -> None:
    found = quarter.ratio(quarter.spread([0.09], [9]), quarter.spread([0.04], [7]))

    f = 0.09 / 0.04
    theirs = np.sqrt([f / stats.f.ppf(0.975, 9, 7), f / stats.f.ppf(0.025, 9, 7)])
    assert_allclose([found.low, found.high], theirs, rtol=1e-10)


def test_the_interval_of_a_change_holds_the_truth_as_often_as_it_says() -> None:
    rng = np.random.default_rng(7)
    held = 0
    for _ in range(2000):
        found = quarter.change(rng.normal(0.3, 0.2, 8), rng.normal(0.0, 0.1, 5))
        held += found.low <= 0.3 <= found.high

    # Four standard errors about 95 %, Welch's formula being within half a percent of it at these sizes.
    assert abs(held / 2000 - 0.95) < 4 * np.sqrt(0.95 * 0.05 / 2000) + 0.005


def test_few_lots_have_no_interval() -> None:
    none, one = quarter.level([]), quarter.level([2.0])

    assert np.isnan([none.value, none.low, none.high, one.low, one.high]).all()
    assert one.value == 2.0
    assert np.isnan(quarter.change([2.0], [1.0, 1.1]).low)
    assert quarter.change([2.0], [1.5, 1.5]).value == 0.5
    assert np.isnan(quarter.change([], [1.0]).value)
    assert np.isnan(quarter.spread([], []).value)
    assert np.isnan(quarter.ratio(quarter.spread([], []), quarter.spread([1.0], [3])).value)


def test_room_is_to_the_nearer_limit() -> None:
    found = Estimate(3.0, 2.5, 3.5, 6)

    assert quarter.margin(found, None, 4.0) == (Side.UPPER, Estimate(1.0, 0.5, 1.5, 6))
    assert quarter.margin(found, 2.5, 4.0) == (Side.LOWER, Estimate(0.5, 0.0, 1.0, 6))
    assert quarter.margin(found, 2.5, 2.8)[0] == Side.UPPER
    assert quarter.margin(found, None, None)[0] == Side.NONE
    assert quarter.margin(quarter.level([]), None, 4.0)[0] == Side.NONE


@pytest.mark.parametrize(
    ("low", "high", "side", "word"),
    [
        (0.1, 0.3, Side.UPPER, Direction.NEARER),
        (0.1, 0.3, Side.LOWER, Direction.AWAY),
        (-0.3, -0.1, Side.UPPER, Direction.AWAY),
        (-0.3, -0.1, Side.LOWER, Direction.NEARER),
        (-0.1, 0.1, Side.UPPER, Direction.UNCLEAR),
        (0.1, 0.3, Side.NONE, Direction.MOVED),
        (np.nan, np.nan, Side.UPPER, Direction.NOT_COMPARED),
    ],
)
def test_the_direction_in_a_word(low: float, high: float, side: Side, word: Direction) -> None:
    assert quarter.direction(Estimate((low + high) / 2, low, high, 8), side) == word


def test_what_cannot_be_counted_is_refused() -> None:
    with pytest.raises(ValueError, match="levels must be finite"):
        quarter.level([1.0, np.nan])
    with pytest.raises(ValueError, match="before must be finite"):
        quarter.change([1.0], [np.inf])
    with pytest.raises(ValueError, match="of one shape"):
        quarter.spread([1.0], [1, 2])
