"""Summaries of sessions against pandas, certified sums, and what bounded readings leave sure."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from spc.censored import lot_level
from spc.stream.session_summary import summarise

COLUMNS = [
    "bags", "readings", "below", "above", "level", "level_low", "level_high", "bag_variance", "reading_variance",
    "reading_df", "readings_per_bag", "weighted_mean", "sum_squares_bags", "sum_squares_readings", "sum_squared_sizes",
    "smallest", "largest", "smallest_high", "largest_low", "smallest_bound", "largest_bound",
]  # fmt: skip


def readings(rows):
    """Frame of (session, specimen, value, bound)."""
    return pd.DataFrame(rows, columns=["session", "specimen", "value", "bound"])


def drawn(seed, sessions=12):
    rng = np.random.default_rng(seed)
    rows = [
        (10 + i, j, float(value), 0)
        for i in range(sessions)
        for j in range(rng.integers(1, 6))
        for value in rng.lognormal(rng.normal(2.0, 0.3), 0.2, rng.integers(1, 5))
    ]
    return readings(rows)


def literal(part, log):
    """Summarise one session as the definitions read, with pandas' own means and variances."""
    y = np.log(part["value"]) if log else part["value"]
    bags = y.groupby(part["specimen"])
    sizes, means = bags.size(), bags.mean()
    df = int((sizes - 1).sum())
    within = float(sum(((bag - bag.mean()) ** 2).sum() for _, bag in bags))
    return {
        "bags": len(sizes),
        "readings": len(y),
        "level": means.mean(),
        "level_low": means.mean(),
        "level_high": means.mean(),
        "bag_variance": means.var(),
        "reading_variance": within / df if df else np.nan,
        "reading_df": df,
        "readings_per_bag": scipy.stats.hmean(sizes),
        "weighted_mean": y.mean(),
        "sum_squares_bags": (sizes * (means - y.mean()) ** 2).sum(),
        "sum_squares_readings": within,
        "sum_squared_sizes": (sizes**2).sum(),
        "smallest": part["value"].min(),
        "largest": part["value"].max(),
        "smallest_high": part["value"].min(),
        "largest_low": part["value"].max(),
    }


@pytest.mark.parametrize("scale", ["log", "linear"])
def test_every_column_is_its_definition(scale):
    frame = drawn(1)
    summary = summarise(frame, scale)

    assert list(summary.columns) == COLUMNS
    assert summary.index.tolist() == sorted(frame["session"].unique())
    for session, part in frame.groupby("session"):
        for name, wanted in literal(part, scale == "log").items():
            # Twenty readings: a few roundings of numbers under a hundred; sums of squares of bags may be all rounding.
            assert_allclose(summary.loc[session, name], wanted, rtol=1e-10, atol=1e-13, err_msg=name)


def test_types_are_fixed_also_where_nothing_came():
    wanted = dict.fromkeys(COLUMNS, np.dtype(np.float64))
    wanted |= dict.fromkeys(["bags", "readings", "below", "above", "reading_df"], np.dtype(np.int64))
    wanted |= dict.fromkeys(["smallest_bound", "largest_bound"], np.dtype(np.int8))

    for frame in (drawn(2), drawn(2).iloc[:0]):
        assert summarise(frame, "log").dtypes.to_dict() == wanted
        assert summarise(frame, "log").index.dtype == np.int64
    assert len(summarise(drawn(2).iloc[:0], "log")) == 0


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 1000), st.floats(1e-3, 1e3))
def test_order_and_unit_of_the_readings_do_what_they_must(seed, factor):
    frame = drawn(seed, sessions=4)
    summary = summarise(frame, "log")
    shuffled = frame.sample(frac=1.0, random_state=seed)
    other = summarise(shuffled.assign(value=shuffled["value"] * factor), "log")

    squares = ["bag_variance", "reading_variance", "sum_squares_bags", "sum_squares_readings"]
    # Logarithms of the factor are rounded at a few units; the squares are of the order of 0.04.
    assert_allclose(other[squares], summary[squares], rtol=1e-9, atol=1e-13)
    assert_allclose(other["level"], summary["level"] + np.log(factor), rtol=0, atol=1e-13)
    assert_allclose(other["largest"], summary["largest"] * factor, rtol=1e-15)


# NIST StRD, analysis of variance, data that scipy ships with its tests: certified sums of squares.
@pytest.mark.parametrize(
    ("name", "between", "within"),
    [
        ("SmLs01", 1.68, 1.8),
        ("SmLs04", 1.68, 1.8),
        ("SmLs07", 1.68, 1.8),
        ("SmLs09", 160.08, 180.0),
        ("SiRstv", 5.11462616000000e-02, 2.16636560000000e-01),
        ("AtmWtAg", 3.63834187500000e-09, 1.04951729166667e-08),
    ],
)
def test_nist_certified_sums_survive_their_leading_digits(name, between, within):
    path = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_anova" / f"{name}.dat"
    bag, value = np.loadtxt(path, skiprows=60).T
    summary = summarise(pd.DataFrame({"session": 1, "specimen": bag.astype(int), "value": value, "bound": 0}), "linear")

    # The decimals become doubles: half a unit in the last binary place a reading moves a sum of squares S by at most
    # 2 sqrt(S n) times that. What is left is rounding.
    off = np.spacing(value.max()) / 2
    for got, wanted in ((summary["sum_squares_bags"], between), (summary["sum_squares_readings"], within)):
        assert_allclose(got.iloc[0], wanted, rtol=1e-11, atol=2 * np.sqrt(wanted * value.size) * off)


# Bounded readings: what is sure


def test_a_lot_wholly_over_range_has_a_one_sided_level():
    rows = [(1, 1, 1e12, 1), (1, 1, 1e12, 1), (1, 2, 1e13, 1)]
    row = summarise(readings(rows), "log").loc[1]

    assert np.isnan(row["level"])
    assert_allclose(row["level_low"], np.log(10) * 12.5, rtol=1e-15)
    assert row["level_high"] == np.inf
    assert (row["above"], row["below"]) == (3, 0)
    assert (row["largest"], row["largest_bound"], row["smallest"], row["smallest_bound"]) == (1e13, 1, 1e12, 1)


def test_a_lot_wholly_below_the_floor_lies_between_nothing_and_its_floor():
    frame = readings([(1, 1, 0.5, -1), (1, 2, 0.5, -1)])

    assert summarise(frame, "log").loc[1, ["level_low", "level_high"]].tolist() == [-np.inf, np.log(0.5)]
    assert summarise(frame, "linear").loc[1, ["level_low", "level_high"]].tolist() == [0.0, 0.5]


def test_one_bounded_reading_opens_one_side_of_its_session_only():
    rows = [(1, 1, 4.0, 0), (1, 2, 5.0, 0), (1, 3, 9.0, 1), (2, 1, 4.0, 0), (2, 2, 5.0, 0)]
    summary = summarise(readings(rows), "linear")

    assert summary["level_low"].tolist() == [6.0, 4.5]
    assert summary["level_high"].tolist() == [np.inf, 4.5]
    assert summary["level"].iloc[1] == 4.5
    # Each bag was read once, so the level is the plain likelihood fit of scipy.
    sample = scipy.stats.CensoredData(uncensored=[4.0, 5.0], right=[9.0])
    mean, spread = scipy.stats.norm.fit(sample)
    # Its simplex search ends near 1e-4.
    assert_allclose(summary["level"].iloc[0], mean, rtol=1e-3)
    assert_allclose(summary["bag_variance"].iloc[0], 1.5 * spread**2, rtol=1e-3)


@pytest.mark.parametrize(
    ("rows", "smallest", "largest"),
    [
        ([(5.0, 0), (3.0, 1)], (3.0, 1), (5.0, 1)),  # the open one may be 3.1 or 90
        ([(2.0, 0), (3.0, 1)], (2.0, 0), (3.0, 1)),
        ([(1.0, 0), (3.0, -1)], (1.0, -1), (3.0, -1)),
        ([(4.0, 0), (3.0, -1)], (3.0, -1), (4.0, 0)),
        ([(5.0, 0), (5.0, -1)], (5.0, -1), (5.0, 0)),
        ([(5.0, 0), (5.0, 1)], (5.0, 0), (5.0, 1)),
        ([(2.0, -1), (7.0, 1)], (2.0, -1), (7.0, 1)),
    ],
)
def test_the_extremes_say_what_is_sure(rows, smallest, largest):
    frame = readings([(1, at, value, bound) for at, (value, bound) in enumerate(rows)])
    row = summarise(frame, "log").loc[1]

    assert (row["smallest"], row["smallest_bound"]) == smallest
    assert (row["largest"], row["largest_bound"]) == largest


@settings(max_examples=200, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(1, 3), st.floats(0.5, 20.0), st.floats(1.0, 4.0), st.sampled_from([-1, 0, 1])),
        min_size=1,
        max_size=8,
    ),
    st.sampled_from(["log", "linear"]),
)
def test_whatever_the_true_values_were_the_summary_does_not_contradict_them(rows, scale):
    # A true value of 5 may be reported as 5, as above something lower or as below something higher.
    frame = readings([(1, bag, true / gap**bound, bound) for bag, true, gap, bound in rows])
    row = summarise(frame, scale).loc[1]
    true = pd.Series([true for _, true, _, _ in rows])
    charted = np.log(true) if scale == "log" else true
    level = charted.groupby([bag for bag, *_ in rows]).mean().mean()

    assert row["level_low"] - 1e-12 <= level <= row["level_high"] + 1e-12
    smallest_low = 0.0 if row["smallest_bound"] < 0 else row["smallest"]
    largest_high = np.inf if row["largest_bound"] > 0 else row["largest"]
    for low, extreme, high in (
        (smallest_low, true.min(), row["smallest_high"]),
        (row["largest_low"], true.max(), largest_high),
    ):
        assert low * (1 - 1e-12) <= extreme <= high * (1 + 1e-12)


def test_the_level_of_a_bounded_session_is_that_of_the_lot_fit():
    frame = drawn(3, sessions=3)
    over = (frame["session"] == 11) & (frame["value"] > frame["value"].median())
    frame.loc[over, ["value", "bound"]] = [frame["value"].median(), 1]
    part = frame[frame["session"] == 11]
    fit = lot_level(np.log(part["value"]), part["specimen"], part["bound"])

    assert 0 < over.sum() < len(part)
    assert_allclose(summarise(frame, "log").loc[11, "level"], fit.mean, rtol=1e-12)
    # The neighbours are what they are without it.
    alone = summarise(frame[frame["session"] != 11], "log")
    pd.testing.assert_frame_equal(summarise(frame, "log").loc[[10, 12]], alone)


def test_scatter_is_unknown_where_too_little_was_in_range():
    rows = [(1, 1, 5.0, 0), (1, 1, 9.0, 1), (1, 2, 9.0, 1), (1, 2, 9.0, 1)]
    row = summarise(readings(rows), "log").loc[1]

    assert np.isfinite(row["level"])
    unknown = ["bag_variance", "reading_variance", "weighted_mean", "sum_squares_bags", "sum_squares_readings"]
    assert row[unknown].isna().all()
    assert row["reading_df"] == 0


def bench_lots(sessions, ceiling, seed):
    rng = np.random.default_rng(seed)
    true = rng.normal(0.0, 0.3, (sessions, 6, 1)) + rng.normal(0.0, 0.1, (sessions, 6, 6))
    bound = (true > ceiling).astype(int)
    session, bag, _ = np.indices(true.shape)
    columns = {"session": session, "specimen": bag, "value": np.exp(np.minimum(true, ceiling)), "bound": bound}
    return pd.DataFrame({name: column.ravel() for name, column in columns.items()}), true.mean(axis=(1, 2))


def test_levels_and_scatter_of_bounded_lots_are_near_the_truth():
    # Six bags of six, standard deviation 0.3 between bags and 0.1 within; the top sixth of the readings is over range.
    frame, true_level = bench_lots(800, ceiling=0.3, seed=5)
    summary = summarise(frame, "log")
    bounded = summary[summary["above"] > 0]
    replaced = summarise(frame.assign(bound=0), "log").loc[bounded.index]

    def bias(of):
        return np.mean(of["level"] - true_level[of.index])

    # Monte-Carlo error of a bias 0.002. A bound put in the place of the value lowers the level by 0.034.
    assert bias(replaced) < -0.03
    assert abs(bias(bounded)) < 0.01
    # The truth is 0.09 + 0.01 / 6 for bag means and 0.01 for readings. Monte-Carlo errors are 2.5 and 1 percent; on top
    # of them the estimates are known to be high by 10 and low by 5 percent, as bags in range scatter less.
    assert_allclose(summary["bag_variance"].mean(), 0.09 + 0.01 / 6, rtol=0.15)
    assert_allclose(summary["reading_variance"].mean(), 0.01, rtol=0.08)


@pytest.mark.parametrize(
    ("frame", "scale", "words"),
    [
        (drawn(1), "log10", 'scale must be "log" or "linear"'),
        (drawn(1).drop(columns="bound"), "log", r"lack the columns \['bound'\]"),
        (readings([(1, 1, 2.0, 0), (1, 1, 0.0, 0)]), "log", "the first 0.0 in row 1"),
        (readings([(1, 1, np.nan, 0)]), "linear", "value must be finite and above 0"),
        (readings([(1, 1, 2.0, 2)]), "log", "bound must be -1"),
    ],
)
def test_impossible_input_is_refused_by_name(frame, scale, words):
    with pytest.raises(ValueError, match=words):
        summarise(frame, scale)
