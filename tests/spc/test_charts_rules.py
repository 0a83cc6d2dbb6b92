"""Control charts against plain loops, as batches with gaps, and by the rules that any estimate must keep."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from numpy.testing import assert_allclose, assert_array_equal
from scipy import signal

from spc import charts, constants

NAN = np.nan


# A second route: the plain loop of the definitions, and a general filter


def ewma_loop(x: list[float], center: float, weight: float) -> list[float]:
    averages, last = [], center
    for value in x:
        last = weight * value + (1 - weight) * last
        averages.append(last)
    return averages


def cusum_loop(z: list[float], allowance: float, headstart: float) -> tuple[list[float], list[float]]:
    high, low = [headstart], [headstart]
    for value in z:
        high.append(max(0.0, high[-1] + value - allowance))
        low.append(max(0.0, low[-1] - value - allowance))
    return high[1:], low[1:]


values = st.floats(-100, 100, allow_subnormal=False)
series = st.lists(values, min_size=2, max_size=40)


@given(series, values, st.floats(0.01, 1))
def test_ewma_is_the_loop_of_its_definition(x: list[float], center: float, weight: float) -> None:
    chart = charts.ewma(x, center, 2.0, weight, 3.0)
    # 40 steps of 4 operations on numbers up to 200.
    assert_allclose(chart.statistic, ewma_loop(x, center, weight), rtol=0, atol=160 * 2.2e-16 * 200)
    filtered, _ = signal.lfilter([weight], [1.0, weight - 1], np.array(x) - center, zi=[0.0])
    assert_allclose(chart.statistic, filtered + center, rtol=0, atol=160 * 2.2e-16 * 200)


@given(series, st.floats(0, 2), st.floats(0, 3.9))
def test_cusum_is_the_loop_of_its_definition(x: list[float], allowance: float, headstart: float) -> None:
    sums = charts.cusum(x, 0.0, 1.0, allowance, 4.0, headstart)
    high, low = cusum_loop(x, allowance, headstart)
    # 40 steps of 3 operations on numbers up to 4,000.
    assert_allclose(sums.high, high, rtol=0, atol=120 * 2.2e-16 * 4000)
    assert_allclose(sums.low, low, rtol=0, atol=120 * 2.2e-16 * 4000)


def test_ewma_limits_are_the_variance_of_the_weights() -> None:
    # The average is a weighted sum of independent points: its variance is the sum of the squared weights.
    weight, t = 0.2, 12
    weights = np.array([weight * (1 - weight) ** k for k in range(t)])
    chart = charts.ewma(np.zeros(t), 0.0, 1.5, weight, 2.5)
    for points in range(1, t + 1):
        exact = 2.5 * 1.5 * np.sqrt(np.sum(weights[:points] ** 2))
        assert chart.upper[points - 1] == pytest.approx(exact, rel=1e-13)
        assert chart.lower[points - 1] == pytest.approx(-exact, rel=1e-13)


def test_ewma_of_weight_one_is_the_chart_of_the_points() -> None:
    chart = charts.ewma([1.0, 5.0, 2.0], 2.0, 1.0, 1.0, 3.0)
    assert_array_equal(chart.statistic, [1.0, 5.0, 2.0])
    assert_array_equal(chart.upper, [5.0, 5.0, 5.0])


# Unequal subgroups


RAGGED = np.array([[4.0, 6.0, 5.0, 9.0], [5.0, 8.0, NAN, NAN], [3.0, 3.5, 7.0, NAN], [6.0, 2.0, 4.0, 5.0]])


def test_limits_of_unequal_subgroups_vary_by_point() -> None:
    sizes = [4, 2, 3, 4]
    spans, spread = charts.ranges(RAGGED), charts.deviations(RAGGED)
    rows = [row[~np.isnan(row)] for row in RAGGED]
    assert_array_equal(spans.statistic, [np.ptp(row) for row in rows])
    assert_allclose(spread.statistic, [np.std(row, ddof=1) for row in rows], rtol=1e-14)
    d2, d3, c4 = (np.array([factor(n) for n in sizes]) for factor in (constants.d2, constants.d3, constants.c4))
    assert_allclose(spans.center, d2 * spans.sigma, rtol=1e-14)
    assert_allclose(spans.upper, (d2 + 3 * d3) * spans.sigma, rtol=1e-14)
    assert_allclose(spread.center, c4 * spread.sigma, rtol=1e-14)
    assert_allclose(spread.upper, (c4 + 3 * np.sqrt(1 - c4**2)) * spread.sigma, rtol=1e-14)
    for kind, chart in (("range", spans), ("sd", spread)):
        means = charts.means(RAGGED, spread=kind)
        assert means.sigma == chart.sigma
        assert means.center == pytest.approx(np.nanmean(RAGGED), rel=1e-15)
        assert_allclose(means.upper - means.center, 3 * means.sigma / np.sqrt(sizes), rtol=1e-13)
        assert_allclose(means.statistic, np.nanmean(RAGGED, axis=1), rtol=1e-15)


def test_unequal_subgroups_are_pooled_with_the_least_variance() -> None:
    # Weights inversely proportional to the variance of each estimate; stated by I. W. Burr (1969), Journal of Quality
    # Technology 1(3), 163-167 (from memory). Written out by hand for sizes 4, 2, 3, 4.
    sizes = [4, 2, 3, 4]
    estimates = [np.ptp(row[:n]) / constants.d2(n) for row, n in zip(RAGGED, sizes, strict=True)]
    variances = [(constants.d3(n) / constants.d2(n)) ** 2 for n in sizes]
    assert charts.ranges(RAGGED).sigma == pytest.approx(
        np.average(estimates, weights=1 / np.array(variances)), rel=1e-14
    )


@pytest.mark.parametrize("spread", ["range", "sd"])
def test_sigma_of_unequal_subgroups_is_unbiased(spread: str) -> None:
    # 4,000 batches of the ragged shape, true sigma 3; the mean is off by more than 4 standard errors once in 16,000.
    rng = np.random.default_rng(11)
    groups = np.where(np.isnan(RAGGED)[:, None, :], NAN, rng.normal(10.0, 3.0, (4, 4000, 4)))
    sigma = charts.means(groups, spread=spread).sigma
    assert abs(np.mean(sigma) - 3.0) < 4 * np.std(sigma) / np.sqrt(4000)


def test_a_subgroup_of_one_value_has_a_mean_but_no_spread() -> None:
    x = np.array([[5.0, 7.0, 6.0], [9.0, NAN, NAN], [4.0, 6.0, NAN]])
    chart = charts.means(x)
    assert_array_equal(chart.statistic, [6.0, 9.0, 5.0])
    assert chart.sigma == charts.ranges(x[[0, 2]]).sigma
    assert chart.upper[1] - chart.center == pytest.approx(3 * chart.sigma, rel=1e-14)


# Batches: one stream is the batch of one, nan is padding or a missing lot


Single = Callable[[np.ndarray], "charts.Chart | charts.Cusum"]

OF_POINTS: dict[str, Single] = {
    "individuals": charts.individuals,
    "moving_range": charts.moving_range,
    "ewma": lambda x: charts.ewma(x, 1.0, 2.0, 0.3, 3.0),
    "cusum": lambda x: charts.cusum(x, 1.0, 2.0, 0.5, 4.0, 1.0),
}
OF_SUBGROUPS: dict[str, Single] = {
    "ranges": charts.ranges,
    "deviations": charts.deviations,
    "means by range": charts.means,
    "means by sd": lambda x: charts.means(x, spread="sd"),
}
FIELDS = {charts.Chart: ("statistic", "lower", "upper"), charts.Cusum: ("high", "low", "statistic", "lower", "upper")}


def same(batch: charts.Chart | charts.Cusum, stream: int, there: np.ndarray, one: charts.Chart | charts.Cusum) -> None:
    for field in FIELDS[type(one)]:
        assert_allclose(
            getattr(batch, field)[there, stream], getattr(one, field), rtol=1e-13, atol=1e-12, err_msg=field
        )
    assert_allclose(np.broadcast_to(batch.sigma, batch.upper.shape)[0, stream], one.sigma, rtol=1e-13)
    center = np.broadcast_to(batch.center, batch.upper.shape)[there, stream]
    assert_allclose(center, np.broadcast_to(one.center, center.shape), rtol=1e-13, atol=1e-12)


with_gaps = arrays.arrays(np.float64, (9, 4), elements=st.one_of(st.just(NAN), values, values))


@pytest.mark.parametrize("name", OF_POINTS)
@given(x=with_gaps)
def test_a_missing_lot_is_no_point(name: str, x: np.ndarray) -> None:
    # Each stream of the batch is what it is alone with the missing lots left out: in particular, a moving range spans a
    # missing lot, and an average or a sum carries on over it.
    there = ~np.isnan(x)
    batch = OF_POINTS[name](x)
    assert np.all(np.isnan(batch.statistic[~there]))
    for stream in np.flatnonzero(there.sum(axis=0) >= 2):
        alone = OF_POINTS[name](x[there[:, stream], stream])
        same(batch, int(stream), there[:, stream], alone)


@pytest.mark.parametrize("name", OF_SUBGROUPS)
def test_subgroups_of_a_batch_are_those_of_each_stream(name: str) -> None:
    rng = np.random.default_rng(5)
    x = rng.normal(20.0, 2.0, (8, 5, 6))
    x[np.arange(6) >= rng.integers(2, 7, (8, 5, 1))] = NAN
    x[3, 1] = x[0, 2] = NAN  # whole lots missing
    there = ~np.isnan(x).all(axis=2)
    batch = OF_SUBGROUPS[name](x)
    assert np.all(np.isnan(batch.statistic[~there]))
    for stream in range(5):
        same(batch, stream, there[:, stream], OF_SUBGROUPS[name](x[there[:, stream], stream]))


def test_a_stream_too_short_for_an_estimate_has_nan() -> None:
    chart = charts.individuals([[1.0, NAN, 1.0], [NAN, NAN, 2.0]])
    assert_array_equal(chart.center, [1.0, NAN, 1.5])
    assert_array_equal(np.isnan(chart.sigma), [True, True, False])
    assert_array_equal(np.isnan(chart.upper[0]), [True, True, False])
    groups = np.full((2, 2, 3), NAN)
    groups[0, 0] = 1.0, 2.0, 3.0
    groups[1, 1, 0] = 4.0
    assert_array_equal(np.isnan(charts.ranges(groups).sigma), [False, True])
    assert_array_equal(np.isnan(charts.means(groups).statistic), [[False, True], [True, False]])
    # One value is a mean, and no spread.
    assert np.isnan(charts.deviations(groups).statistic[1, 1])


def test_each_stream_may_have_its_own_centre_and_sigma() -> None:
    x = np.random.default_rng(8).normal(size=(12, 2))
    batch = charts.ewma(x, [0.5, -1.0], [1.0, 3.0], 0.2, 2.7)
    sums = charts.cusum(x, [0.5, -1.0], [1.0, 3.0], 0.5, 4.0)
    for stream, (center, sigma) in enumerate([(0.5, 1.0), (-1.0, 3.0)]):
        same(batch, stream, np.ones(12, dtype=bool), charts.ewma(x[:, stream], center, sigma, 0.2, 2.7))
        same(sums, stream, np.ones(12, dtype=bool), charts.cusum(x[:, stream], center, sigma, 0.5, 4.0))


def test_an_empty_batch_has_empty_charts() -> None:
    for build in OF_POINTS.values():
        assert build(np.empty((5, 0))).statistic.shape == (5, 0)


# What any estimate must keep


@pytest.mark.parametrize("name", ["individuals", "moving_range", *OF_SUBGROUPS])
@given(x=arrays.arrays(np.float64, (6, 3), elements=values), scale=st.floats(0.1, 10), shift=st.floats(-50, 50))
def test_charts_follow_scale_and_shift(name: str, x: np.ndarray, scale: float, shift: float) -> None:
    build = {**OF_POINTS, **OF_SUBGROUPS}[name]
    data = x[:, 0] if name in OF_POINTS else x
    moved = shift if name == "individuals" or name.startswith("means") else 0.0
    before, after = build(data), build(scale * data + shift)
    # A range of numbers up to 1,100 is known to about 1e-13 of them, and the limits are a few times that.
    for field in FIELDS[type(before)]:
        assert_allclose(
            getattr(after, field), scale * getattr(before, field) + moved, rtol=0, atol=1e-11, err_msg=field
        )
    assert after.sigma == pytest.approx(scale * before.sigma, rel=0, abs=1e-11)


@given(x=arrays.arrays(np.float64, (6, 3), elements=values), seed=st.integers(0, 99))
def test_the_order_within_and_of_subgroups_does_not_matter(x: np.ndarray, seed: int) -> None:
    rng = np.random.default_rng(seed)
    order = rng.permutation(6)
    shuffled = rng.permuted(x[order], axis=1)
    for name, build in OF_SUBGROUPS.items():
        before, after = build(x), build(shuffled)
        assert_allclose(after.statistic, before.statistic[order], rtol=0, atol=1e-11, err_msg=name)
        assert after.sigma == pytest.approx(before.sigma, abs=1e-11)


@given(series)
def test_a_stream_read_backwards_has_the_same_limits(x: list[float]) -> None:
    forwards, backwards = charts.individuals(x), charts.individuals(x[::-1])
    assert backwards.sigma == pytest.approx(forwards.sigma, rel=1e-13, abs=1e-13)
    assert_allclose(charts.moving_range(x[::-1]).statistic[1:], charts.moving_range(x).statistic[:0:-1], rtol=0, atol=0)


def test_equal_values_have_no_spread() -> None:
    chart = charts.individuals([3.0] * 5)
    assert (chart.center, chart.sigma) == (3.0, 0.0)
    assert_array_equal(chart.upper, chart.lower)
    for build in OF_SUBGROUPS.values():
        flat = build(np.full((4, 3), 7.0))
        assert flat.sigma == 0.0
        assert_array_equal(flat.upper, flat.lower)


def test_two_values_are_enough() -> None:
    chart = charts.individuals([1.0, 4.0])
    assert chart.center == 2.5
    assert chart.sigma == pytest.approx(3.0 * np.sqrt(np.pi) / 2, rel=1e-11)
    spans = charts.moving_range([1.0, 4.0])
    assert spans.center == 3.0
    assert_array_equal(spans.statistic, [NAN, 3.0])
    pair = charts.ranges([[1.0, 4.0]])
    assert pair.sigma == pytest.approx(chart.sigma, rel=1e-11)
    # Of two values the range is root two times the deviation: both estimates are the same.
    assert charts.deviations([[1.0, 4.0]]).sigma == pytest.approx(chart.sigma, rel=1e-11)


def test_charts_leave_their_input_alone() -> None:
    x = np.random.default_rng(2).normal(size=(10, 3))
    x[4, 1] = NAN
    kept = x.copy()
    for build in OF_POINTS.values():
        build(x)
    assert_array_equal(x, kept)


# Refusals


REFUSED: dict[str, tuple[Callable[[], object], str]] = {
    "nothing": (lambda: charts.ewma([], 0, 1, 0.2, 3), "x must hold at least 1 points, got 0"),
    "a single value": (lambda: charts.individuals([1.0]), "x must hold at least 2 points, got 1"),
    "a single lot": (lambda: charts.individuals([[1.0, 2.0]]), r"x must hold at least 2 lots \(rows\), got shape"),
    "a nan in one stream": (
        lambda: charts.cusum([1.0, NAN, 3.0], 0, 1, 0.5, 4),
        "x must be finite: 1 of 3 points are nan or inf, the first at index 1; leave them out",
    ),
    "an infinity": (
        lambda: charts.individuals([[1.0, 2.0], [3.0, -np.inf]]),
        r"x must be finite, or nan where there is no value: 1 of 4 values are inf, the first at index \(1, 1\)",
    ),
    "three dimensions": (lambda: charts.moving_range(np.zeros((2, 2, 2))), "x must be one-dimensional"),
    "no subgroups": (lambda: charts.ranges([1.0, 2.0]), "x must be two-dimensional, a row a subgroup; got shape"),
    "subgroups of one": (lambda: charts.ranges([[1.0], [2.0]]), "at least one subgroup of at least two values"),
    "a short subgroup": (
        lambda: charts.deviations([[1.0, 2.0], [3.0, NAN]]),
        "at least 2 values a subgroup: 1 of 2 rows hold fewer, the first at index 1 with 1; leave them out",
    ),
    "an empty subgroup": (lambda: charts.means([[1.0, 2.0], [NAN, NAN]]), "at least 1 values a subgroup: 1 of 2 rows"),
    "no spread": (lambda: charts.means([[1.0, NAN], [2.0, NAN]]), "x must hold a subgroup of at least two values"),
    "an infinite bag": (lambda: charts.ranges([[1.0, np.inf]]), "1 of 2 values are inf"),
    "a spread of no kind": (lambda: charts.means(np.ones((2, 2)), spread="mad"), 'spread must be "range" or "sd", got'),  # type: ignore[arg-type]
    "no sigma": (lambda: charts.ewma([1.0], 0, 0, 0.2, 3), "sigma must be above 0, got"),
    "a negative sigma": (lambda: charts.cusum(np.ones((2, 2)), 0, [1, -1], 0.5, 4), "sigma must be above 0, got"),
    "a centre of nan": (lambda: charts.ewma([1.0], NAN, 1, 0.2, 3), "center must be a finite number, got nan"),
    "centres for others": (
        lambda: charts.ewma(np.ones((2, 2)), [1, 2, 3], 1, 0.2, 3),
        r"center must be one number, or one a stream \(2\); got shape \(3,\)",
    ),
    "no weight": (lambda: charts.ewma([1.0], 0, 1, 0, 3), r"weight must be in \(0, 1\], got 0"),
    "too much weight": (lambda: charts.ewma([1.0], 0, 1, 1.1, 3), r"weight must be in \(0, 1\], got 1.1"),
    "a weight of nan": (lambda: charts.ewma([1.0], 0, 1, NAN, 3), r"weight must be in \(0, 1\], got nan"),
    "no width": (lambda: charts.ewma([1.0], 0, 1, 0.2, 0), "width must be above 0, got 0"),
    "a negative allowance": (lambda: charts.cusum([1.0], 0, 1, -0.1, 4), "allowance must be at least 0, got -0.1"),
    "no decision value": (lambda: charts.cusum([1.0], 0, 1, 0.5, 0), "decision must be above 0, got 0"),
    "a headstart at the end": (lambda: charts.cusum([1.0], 0, 1, 0.5, 4, 4), "headstart must be at least 0 and below"),
    "a headstart of nan": (lambda: charts.cusum([1.0], 0, 1, 0.5, 4, NAN), "headstart must be at least 0 and below"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_impossible_input_is_refused_by_name(case: str) -> None:
    call, message = REFUSED[case]
    with pytest.raises(ValueError, match=message):
        call()
