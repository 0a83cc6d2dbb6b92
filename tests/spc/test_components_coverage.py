"""Variance components of streams with a stated truth: intervals cover it, estimates and their errors meet it."""

import numpy as np
import pandas as pd
import pytest
import scipy.stats
from numpy.testing import assert_allclose

from spc.components import LEVELS, batch


def balanced_streams(streams, lots, components, seed):
    """Summaries of balanced lots of 6 bags x 6 readings, drawn as their sufficient sums."""
    rng = np.random.default_rng(seed)
    lot, bag, reading = components
    count = streams * lots
    level = rng.normal(0.0, np.sqrt(lot + bag / 6 + reading / 36), count)
    between = (bag + reading / 6) * rng.chisquare(5, count) / 5
    within = reading * rng.chisquare(30, count)
    columns = {
        "bags": 6,
        "readings": 36,
        "reading_df": 30,
        "level": level,
        "weighted_mean": level,
        "bag_variance": between,
    }
    columns |= {"sum_squares_bags": 30 * between, "sum_squares_readings": within, "sum_squared_sizes": 216}
    return pd.DataFrame(columns | {"readings_per_bag": 6.0}), np.repeat(np.arange(streams), lots)


@pytest.mark.parametrize("method", ["reml", "anova"])
def test_intervals_of_95_percent_cover_95_percent(method):
    truth = (1.0, 1.0, 0.5)
    streams = 20_000
    parts = batch(*balanced_streams(streams, 20, truth, seed=11), method)

    reach = scipy.stats.t.ppf(0.975, parts["lot_df"]) * parts["mean_se"]
    mean_covers = np.abs(parts["mean"]) <= reach

    def covers(variance, df, true):
        low, high = df * variance / scipy.stats.chi2.ppf(0.975, df), df * variance / scipy.stats.chi2.ppf(0.025, df)
        return (low <= true) & (true <= high)

    # Monte-Carlo error 0.15 percent: 1 percent is over six of them.
    for inside in (
        mean_covers,
        covers(parts["reading"], parts["reading_df"], 0.5),
        (parts["total_low"] <= 2.5) & (parts["total_high"] >= 2.5),
    ):
        assert 0.94 <= np.mean(inside) <= 0.96


def test_components_and_their_errors_are_right_on_average():
    truth = np.array([1.0, 1.0, 0.5])
    parts = batch(*balanced_streams(20_000, 20, truth, seed=12), "anova")

    # The negative ones set to 0 are too few here to matter: four standard errors of a mean of 20,000.
    got = parts[list(LEVELS)].to_numpy()
    assert (np.abs(got.mean(0) - truth) < 4 * got.std(0) / np.sqrt(20_000)).all()
    # Squared errors from 2 MS^2 / df are biased by 2 / df at most, df being 19 for the lots.
    mean_variance = (parts[["lot_se", "bag_se", "reading_se"]].to_numpy() ** 2).mean(0)
    assert_allclose(mean_variance, got.var(0), rtol=2 / 19 + 4 * np.sqrt(2 / 20_000))
