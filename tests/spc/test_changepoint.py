"""Change points against published series, literal likelihoods written out, and simulation with a known start."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from spc.changepoint import ramp, split, step

# Annual flow of the Nile at Aswan, 1871 to 1970: G. W. Cobb (1978), Biometrika 65, 243-251; A. Zeileis, C. Kleiber,
# W. Kraemer and K. Hornik (2003), Computational Statistics and Data Analysis 44, 109-123.
# fmt: off
NILE = np.array([
    1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140,
    1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969,
    831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796, 1040, 759,
    781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874, 848, 890,
    744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
], dtype=float)
# D. C. Montgomery, Introduction to Statistical Quality Control, example 9.1, to the signal of the two sums at point 29.
CUSUM_EXAMPLE = np.array([
    9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.2, 10.34, 9.03, 11.47, 10.51, 9.4, 10.08, 9.37, 10.62, 10.31,
    8.52, 10.84, 10.9, 9.33, 12.29, 11.5, 10.6, 11.08, 10.38, 11.62, 11.31,
])
# fmt: on


def log_likelihood(x: np.ndarray, mean: np.ndarray, sigma: np.ndarray) -> float:
    return float((-0.5 * ((x - mean) / sigma) ** 2).sum())


def literal_step(x: np.ndarray, center: float, sigma: np.ndarray) -> np.ndarray:
    """Log-likelihood of every start, 0 to n - 1 points before it, written out."""
    values = []
    for before in range(x.size):
        weight = sigma[before:] ** -2.0
        level = (weight * x[before:]).sum() / weight.sum()
        mean = np.r_[np.full(before, center), np.full(x.size - before, level)]
        values.append(log_likelihood(x, mean, sigma))
    return np.array(values)


def literal_ramp(x: np.ndarray, times: np.ndarray) -> np.ndarray:
    """Log-likelihood of every start after the first point, sigma 1 and centre 0, the slope by least squares."""
    values = []
    for start in range(x.size - 1):
        age = np.maximum(times - times[start], 0)
        slope = np.linalg.lstsq(age[:, None], x, rcond=None)[0][0]
        values.append(log_likelihood(x, slope * age, np.ones(x.size)))
    return np.array(values)


def test_the_nile_has_its_published_change():
    # Printed: last year before the change 1898, sums of squares 2835157 and 1597457, largest F 75.93, BIC 1318, 1270.
    found = split(NILE, shortest=15)
    n = NILE.size

    assert 1871 + found.index == 1898
    assert_allclose([found.before, found.after], [1097.75, 849.9722], rtol=0, atol=5e-5)
    assert_allclose([found.squares_one, found.squares_two], [2835156.75, 1597457.19], rtol=0, atol=5e-3)
    assert_allclose(found.f, 75.93, rtol=0, atol=5e-3)

    def bic(squares: float, parameters: int) -> float:
        return n * (np.log(2 * np.pi * squares / n) + 1) + parameters * np.log(n)

    # Parameters: the means, the variance and the date of the break.
    assert_allclose([bic(found.squares_one, 2), bic(found.squares_two, 4)], [1318.24, 1270.08], rtol=0, atol=5e-3)


def test_the_nile_from_its_first_level_has_the_same_start():
    # Zeileis and others (2003) print an interval of 1895 to 1902 for the break; with the level before it known, ours
    # must lie inside that and hold the date.
    found = step(NILE, 1097.75, np.sqrt(1597457.19 / 98))

    assert found.index == 27
    assert_allclose(found.size, 849.9722 - 1097.75, rtol=0, atol=5e-5)
    assert 1895 <= 1871 + found.interval[0] <= 1898 <= 1871 + found.interval[1] <= 1902


def test_the_textbook_shift_starts_where_the_textbook_says():
    # Montgomery, example 9.1: the counter of the sums says that point 22 was the last in control, new mean 11.25. The
    # likelihood of Pignatiello and Samuel (2001) has its largest value at 22 too: 11.0126286, mean after 11.2542857.
    found = step(CUSUM_EXAMPLE, 10.0, 1.0)

    assert found.index + 1 == 22
    assert_allclose(10 + found.size, 11.25, rtol=0, atol=0.005)
    assert_allclose(10 + found.size, 11.2542857, rtol=0, atol=5e-8)
    assert_allclose(7 * found.size**2, 11.0126286, rtol=0, atol=5e-8)
    assert_allclose(found.size_se, 7**-0.5, rtol=1e-12)


def test_the_step_is_the_most_likely_one_with_unequal_scatter():
    draw = np.random.default_rng(3)
    for _ in range(50):
        sigma = draw.uniform(0.5, 2.0, size=20)
        x = 1.0 + sigma * draw.normal(size=20) + np.r_[np.zeros(12), np.full(8, 1.5)]
        found, literal = step(x, 1.0, sigma), literal_step(x, 1.0, sigma)

        assert found.index == int(np.argmax(literal)) - 1
        # The set is all that is as likely as its least likely member.
        inside = np.isin(np.arange(20) - 1, found.likely)
        assert inside.all() or literal[inside].min() > literal[~inside].max()


def test_the_ramp_is_the_most_likely_one_at_uneven_times():
    draw = np.random.default_rng(5)
    for _ in range(50):
        times = np.cumsum(draw.uniform(0.2, 2.0, size=25))
        x = draw.normal(size=25) + 0.4 * np.maximum(times - times[14], 0)
        found, literal = ramp(x, 0.0, 1.0, times), literal_ramp(x, times)
        # None of these begins before the first lot, which the literal version leaves out.
        assert found.index == int(np.argmax(literal))
        # 0.55 times the 95 % point of chi-square with one degree of freedom, 3.841, below the largest.
        inside = np.flatnonzero(literal >= literal.max() - 0.55 * 3.841459)
        assert found.likely[found.likely >= 0].tolist() == inside.tolist()


def test_an_exact_ramp_gives_back_its_start_and_slope():
    times = np.array([0.0, 1.0, 1.5, 4.0, 5.0, 5.0, 7.0, 9.0])
    found = ramp(3.0 + 0.25 * np.maximum(times - 1.5, 0), 3.0, 0.01, times)

    assert found.index == 2
    assert_allclose(found.slope, 0.25, rtol=1e-12)
    # Standard error of a slope through a known origin: sigma / sqrt(sum age**2).
    assert_allclose(found.slope_se, 0.01 / np.sqrt((np.maximum(times - 1.5, 0) ** 2).sum()), rtol=1e-12)


def test_a_ramp_from_before_the_first_point_has_index_minus_one():
    found = ramp(np.arange(1.0, 9.0), 0.0, 0.1)

    assert found.index == -1
    assert_allclose(found.slope, 1.0, rtol=1e-12)


def test_a_shift_at_the_first_point_has_index_minus_one():
    assert step([2.0, 2.1, 1.9, 2.0], 0.0, 0.1).index == -1


def test_one_point_alone_is_its_own_shift():
    found = step([5.0], 0.0, 1.0)

    assert (found.index, found.interval, found.size) == (-1, (-1, -1), 5.0)


def test_equal_points_at_the_centre_leave_every_start_open():
    assert step([1.0] * 6, 1.0, 0.5).interval == (-1, 4)
    assert ramp([1.0] * 6, 1.0, 0.5).interval == (-1, 4)


@given(st.integers(0, 9_999), st.floats(-100, 100), st.floats(0.01, 100))
def test_a_change_of_unit_moves_no_start(seed, shift, scale):
    x = np.random.default_rng(seed).normal(size=15) + np.r_[np.zeros(8), np.full(7, 3.0)]
    plain, moved = step(x, 0.0, 1.0), step(x * scale + shift, shift, scale)
    mirrored = ramp(-x, 0.0, 1.0)

    assert moved.index == plain.index
    assert_allclose(moved.size, plain.size * scale, rtol=1e-7, atol=1e-9 * scale)
    assert mirrored.index == ramp(x, 0.0, 1.0).index
    assert_allclose(mirrored.slope, -ramp(x, 0.0, 1.0).slope, rtol=1e-12)


@given(st.lists(st.floats(-10, 10), min_size=3, max_size=20).filter(lambda x: np.ptp(x) > 1e-6))
def test_the_cut_leaves_the_least_squares_of_all(x):
    found = split(x)
    parts = [(np.array(x[:cut]), np.array(x[cut:])) for cut in range(1, len(x))]
    squares = [((a - a.mean()) ** 2).sum() + ((b - b.mean()) ** 2).sum() for a, b in parts]

    # Rounding of sums of 20 squares of size 100.
    assert_allclose(found.squares_two, min(squares), rtol=1e-9, atol=1e-11)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: step([], 0.0, 1.0), "x must hold at least 1 points, got 0"),
        (lambda: step([1.0, np.inf], 0.0, 1.0), "x must be finite"),
        (lambda: step([1.0, 2.0], np.nan, 1.0), "center must be a finite number"),
        (lambda: step([1.0, 2.0], 0.0, [1.0, 0.0]), "sigma must be a finite number above 0, got .*0.0.* at index 1"),
        (lambda: step([1.0, 2.0], 0.0, [1.0]), r"sigma must be one number or one a point, shape \(2,\); got shape"),
        (lambda: step([1.0, 2.0], 0.0, 1.0, confidence=1.0), r"confidence must be in \(0, 1\), got 1.0"),
        (lambda: ramp([1.0, 2.0], 0.0, 1.0, times=[2.0, 1.0]), "times must not fall: index 1 is before index 0"),
        (lambda: ramp([1.0, 2.0], 0.0, 1.0, times=[2.0]), "times must hold one value a point, 2; got 1"),
        (lambda: split([1.0, 2.0]), "x must hold at least 3 points, got 2"),
        (lambda: split([1.0] * 5), "x does not vary: all 5 values are"),
        (lambda: split([1.0, 2.0, 3.0], shortest=0), "shortest must be a whole number of at least 1, got 0"),
    ],
)
def test_impossible_input_is_refused_by_name(call, message):
    with pytest.raises(ValueError, match=message):
        call()
