"""Many streams at once give what each gives alone: padding and missing lots are as if they were not there."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from spc.capability import capabilities, capabilities_from_components, capability
from spc.changepoint import ramp, ramps, split, splits, step, steps
from spc.percentile_capability import percentile_capabilities, percentile_capability
from spc.stream.baseline import baselines, establish, limits
from spc.stream.distribution_checks import dependence, dependences, normalities, normality

# Sums of a padded column and of its values alone are added in another order: a few roundings.
ROUNDING = {"rtol": 1e-9, "atol": 1e-12}


def ragged(seed: int, streams: int = 6, lots: int = 30) -> np.ndarray:
    """Streams of 9 to 30 lots with lots missing within, the last stream full, with steps and wild lots among them."""
    draw = np.random.default_rng(seed)
    x = draw.normal(size=(lots, streams)).cumsum(axis=0) * 0.2 + draw.normal(size=(lots, streams))
    x[draw.integers(lots), 0] += 30.0
    for stream in range(streams - 1):
        x[draw.integers(12, lots) :, stream] = np.nan
        x[draw.choice(12, size=draw.integers(0, 4), replace=False), stream] = np.nan
    return x


def alone(x: np.ndarray, stream: int) -> tuple[np.ndarray, np.ndarray]:
    """The values of one stream and the rows that they stand in."""
    rows = np.flatnonzero(~np.isnan(x[:, stream]))
    return x[rows, stream], rows


def row_of(rows: np.ndarray, index: int) -> int:
    return -1 if index < 0 else int(rows[index])


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 99_999))
def test_baselines_are_those_of_each_stream(seed):
    x = ragged(seed)
    draw = np.random.default_rng(seed + 1)
    noise = np.where(draw.random(x.shape) < 0.05, np.inf, draw.uniform(0, 0.5, size=x.shape))
    noise[:2] = 0.0
    by_hand = draw.random(x.shape) < 0.1
    by_hand[-1] = False
    found = baselines(x, noise, lots=15, left_out=by_hand)
    lower, upper = limits(found, np.full(x.shape, 0.1))
    for stream in range(x.shape[1]):
        levels, rows = alone(x, stream)
        one = establish(levels, noise[rows, stream], lots=15, left_out=np.flatnonzero(by_hand[rows, stream]))
        many = found.of(stream)
        for name in ("center", "center_se", "sigma", "sigma_squared_se"):
            # A variance near 0 is a difference of two sums.
            assert_allclose(getattr(many, name), getattr(one, name), rtol=1e-7, atol=1e-7)
        for name in ("count", "degrees_of_freedom", "learning", "frozen"):
            assert getattr(many, name) == getattr(one, name)
        assert np.flatnonzero(many.used).tolist() == rows[one.used].tolist()
        assert [(lot.index, lot.reason) for lot in many.left_out] == [
            (row_of(rows, lot.index), lot.reason) for lot in one.left_out
        ]
        alone_lower, alone_upper = limits(one, [0.1])
        assert_allclose([lower[0, stream], upper[0, stream]], [alone_lower[0], alone_upper[0]], rtol=1e-7, atol=1e-7)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 99_999))
def test_change_points_are_those_of_each_stream(seed):
    x = ragged(seed)
    draw = np.random.default_rng(seed + 1)
    sigma, times = draw.uniform(0.5, 2.0, size=x.shape), np.cumsum(draw.uniform(0, 2, size=x.shape), axis=0)
    centers = draw.normal(size=x.shape[1])
    many = steps(x, centers, sigma), ramps(x, centers, sigma, times), splits(x, shortest=2)
    for stream in range(x.shape[1]):
        values, rows = alone(x, stream)
        own = sigma[rows, stream]
        one = step(values, centers[stream], own), ramp(values, centers[stream], own, times[rows, stream])
        for batch, single in zip(many[:2], one, strict=True):
            places = (batch.index[stream], batch.first[stream], batch.last[stream])
            assert places == tuple(row_of(rows, index) for index in (single.index, *single.interval))
            assert np.flatnonzero(batch.likely[:, stream]).tolist() == rows[single.likely + 1].tolist()
        assert_allclose(many[0].size[stream], one[0].size, **ROUNDING)
        assert_allclose(many[0].size_se[stream], one[0].size_se, **ROUNDING)
        assert_allclose(many[1].slope[stream], one[1].slope, **ROUNDING)
        assert_allclose(many[1].slope_se[stream], one[1].slope_se, **ROUNDING)
        cut = split(values, shortest=2)
        assert many[2].index[stream] == row_of(rows, cut.index)
        for field in fields(cut):
            if field.name != "index":
                assert_allclose(getattr(many[2], field.name)[stream], getattr(cut, field.name), **ROUNDING)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 99_999))
def test_shape_and_dependence_are_those_of_each_stream(seed):
    x = ragged(seed)
    x[7:, 1] = np.nan
    x[:7, 1] = [1.0, 2.0, 4.0, 3.0, 1.5, 2.5, 9.0]
    for many, single in ((normalities(x), normality), (dependences(x), dependence)):
        for stream in range(x.shape[1]):
            one = single(alone(x, stream)[0])
            for field in fields(one):
                got, expected = many[field.name].iloc[stream], getattr(one, field.name)
                if isinstance(expected, str):
                    assert got == str(expected)
                else:
                    # Ends of the interval of dependence are known to 1e-4.
                    assert_allclose(got, expected, rtol=1e-9, atol=2e-4 if field.name in ("lower", "upper") else 1e-10)


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 99_999))
def test_capabilities_are_those_of_each_stream(seed):
    x = ragged(seed)
    lower = np.array([-3.0, -4.0, np.nan, np.nan, -60.0, -2.0])
    upper = np.array([30.0, np.nan, 5.0, np.nan, 60.0, 2.5])
    many = capabilities(x, lower, upper, confidence=0.9)
    for stream in range(x.shape[1]):
        sides = [None if np.isnan(side) else float(side) for side in (lower[stream], upper[stream])]
        if sides == [None, None]:
            assert np.isnan(many.loc[stream, ["ppk", "ppk_lower", "fraction"]].to_numpy(float)).all()
            continue
        one = capability(alone(x, stream)[0], *sides, confidence=0.9)
        for field in fields(one):
            expected = getattr(one, field.name)
            assert_allclose(
                many[field.name].iloc[stream], np.nan if expected is None else expected, rtol=1e-7, atol=1e-10
            )


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 99_999))
def test_capabilities_by_percentiles_are_those_of_each_stream(seed):
    x = np.exp(0.3 * ragged(seed, lots=60))
    x[34:, 0] = np.nan
    x[:34, 0] = np.random.default_rng(seed).gamma(2.0, size=34)
    x[:, 1] = 2.0
    lower = np.array([0.01, 0.1, np.nan, 0.1, 0.1, np.nan])
    many = percentile_capabilities(x, lower, 9.0)
    for stream in range(x.shape[1]):
        values = alone(x, stream)[0]
        if values.size < 30 or np.ptp(values) == 0:
            assert np.isnan(many["ppk"].iloc[stream])
            continue
        one = percentile_capability(values, None if np.isnan(lower[stream]) else float(lower[stream]), 9.0)
        for field in fields(one):
            expected = getattr(one, field.name)
            assert_allclose(many[field.name].iloc[stream], np.nan if expected is None else expected, rtol=1e-7)


def test_streams_that_hold_too_little_say_so_and_spoil_no_other():
    nan = np.nan
    x = np.array([[nan, 1.0, 2.0, 0.0], [nan, nan, 2.0, 1.0], [nan, nan, 2.0, 3.0], [nan, nan, 2.0, 5.0]])
    base = baselines(x, np.zeros(x.shape))

    assert base.count.tolist() == [0, 1, 4, 4]
    assert np.isnan(base.center[0])
    assert base.sigma.round(3).tolist() == [np.inf, np.inf, 0.0, 2.217]
    assert steps(x, 0.0, 1.0).index.tolist() == [-1, -1, -1, 1]
    assert ramps(x, 0.0, 1.0, np.tile(np.arange(4.0)[:, None], 4)).index.tolist() == [-1, -1, -1, 0]
    assert splits(x).index.tolist() == [-1, -1, -1, 1]
    assert normalities(x)["correlation"].isna().tolist() == [True, True, True, False]
    assert dependences(x)["sample"].isna().tolist() == [True, True, True, False]
    assert capabilities(x, upper=9.0)["ppk"].isna().tolist() == [True, True, True, False]


def test_no_stream_at_all_gives_empty_answers():
    none = np.empty((5, 0))

    assert baselines(none, none).center.size == 0
    assert steps(none, 0.0, 1.0).index.size == ramps(none, 0.0, 1.0, none).index.size == splits(none).index.size == 0
    assert len(normalities(none)) == len(dependences(none)) == len(capabilities(none, upper=1.0)) == 0


TWO = np.array([[1.0, 2.0], [2.0, np.nan]])


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: baselines([1.0, 2.0], [0.0, 0.0]), r"levels must have shape \(lots, streams\).*got shape \(2,\)"),
        (
            lambda: baselines(TWO, np.zeros(2)),
            r"variances must hold one value a level, shape \(2, 2\); got shape \(2,\)",
        ),
        (
            lambda: baselines(TWO, [[0.0, 0.0], [-1.0, 0.0]]),
            r"variances must be 0 or more, got .*-1.0.* stream\) \(1, 0\)",
        ),
        (lambda: baselines(TWO, np.zeros((2, 2)), left_out=[[1, 0]]), "left_out must be an array of bool of shape"),
        (lambda: normalities([[np.inf, 1.0]]), "x must be finite, or nan where there is no value"),
        (lambda: dependences(TWO, confidence=2.0), r"confidence must be in \(0, 1\), got 2.0"),
        (lambda: steps(TWO, [1.0, 2.0, 3.0], 1.0), r"center must be one number, or one a stream \(2\)"),
        (lambda: steps(TWO, 0.0, [[1.0, 1.0], [0.0, 1.0]]), r"sigma must be a finite number above 0, got .* \(1, 0\)"),
        (lambda: ramps(TWO, 0.0, 1.0, [[1.0, 1.0], [0.5, 1.0]]), r"times must be known and not fall, .* \(1, 0\)"),
        (lambda: splits(TWO, shortest=0), "shortest must be a whole number of at least 1, got 0"),
        (lambda: capabilities(TWO, upper=[1.0]), r"upper must be one number, or one a stream \(2\); got shape \(1,\)"),
        (lambda: capabilities(TWO, [0.0, 5.0], 4.0), "lower must be below upper, got .*5.0.* at stream 1"),
        (lambda: capabilities_from_components([0.0, 1.0], [0.1], [1.0], [5.0], upper=3.0), "must have shape"),
    ],
)
def test_impossible_batches_are_refused_by_name(call, message):
    with pytest.raises(ValueError, match=message):
        call()
