"""The detector: nothing looks ahead, the unit does not matter, moves are found, the budget holds."""

import numpy as np
import pandas as pd
import pytest

from spc import alerts, detection
from spc.evidence import weigh
from spc.scores import score
from spc.windows import Stream, windows

BUDGET = 0.2


def seen_in(levels, budget=BUDGET, weeks=None, bags=None, variances=None):
    nothing = np.full(levels.size, np.nan)
    return detection.watch(
        np.arange(levels.size, dtype=float) if weeks is None else weeks,
        levels,
        np.zeros(levels.size) if variances is None else variances,
        bag_variance=nothing if bags is None else bags,
        bag_df=np.full(levels.size, 0.0 if bags is None else 5.0),
        reading_variance=nothing,
        reading_df=np.zeros(levels.size),
        false_alerts_per_year=budget,
    ).signals


def moved(seed=3, size=3.0):
    levels = np.random.default_rng(seed).standard_normal(70)
    levels[40:] += size
    return levels


def test_a_later_lot_never_changes_what_was_said_of_an_earlier_one():
    levels = moved()
    whole = seen_in(levels)
    for lots in (8, 30, 43, 55, 69):
        earlier = whole[whole["index"] < lots].reset_index(drop=True)
        pd.testing.assert_frame_equal(seen_in(levels[:lots]), earlier, check_exact=True)


def test_unit_and_origin_do_not_matter():
    levels = moved()
    first, second = seen_in(levels), seen_in(7.0 + 0.25 * levels)  # 0.25 is exact in binary, 7 + is not
    assert first[["index", "kind", "direction"]].equals(second[["index", "kind", "direction"]])
    np.testing.assert_allclose(first["strength"], second["strength"], rtol=1e-9)


@pytest.mark.parametrize("direction", [1, -1])
def test_a_step_is_found_with_its_side_and_start(direction):
    signals = seen_in(direction * moved())
    drift = signals[signals["kind"] == "drift"].iloc[0]
    assert 41 <= drift["index"] <= 45
    assert drift["direction"] == direction
    assert drift["start_low"] <= 39 <= drift["start_high"]


def test_a_ramp_is_found_before_it_is_four_sigma_high():
    levels = np.random.default_rng(4).standard_normal(80)
    levels[40:] += 0.15 * np.arange(1, 41)
    drift = seen_in(levels).query("kind == 'drift'").iloc[0]
    assert drift["index"] < 40 + 4 / 0.15
    assert drift["direction"] == 1


def test_bags_that_scatter_more_are_found():
    bags = np.random.default_rng(5).chisquare(5, 60) / 5
    bags[40:] *= 4
    spread = seen_in(np.random.default_rng(6).standard_normal(60), bags=bags).query("kind == 'spread'")["index"]
    assert spread[spread >= 40].iloc[0] <= 48


def test_equal_levels_and_lots_without_a_level_raise_nothing():
    assert seen_in(np.full(40, 2.3)).empty
    assert seen_in(np.full(40, 2.3), variances=np.full(40, np.inf)).empty


def test_a_log_bayes_factor_agrees_with_the_marginal_likelihoods_it_stands_for():
    # Independent route: the score vector is N(0, I) plus a flat mean; a step with a N(0, 1) height adds a rank-one
    # covariance. With x the step less its mean, log BF = log N(e; 0, I + x x') - log N(e; 0, I), by dense algebra.
    levels = np.random.default_rng(8).standard_normal(30)
    nothing, zeros = np.full(30, np.nan), np.zeros(30)
    stream = Stream(np.arange(30.0), levels, zeros, nothing, zeros, nothing, zeros)
    ((_, seen),) = windows([stream], np.array([0]), np.array([29]))
    scores = score(seen, np.array([np.nan]), 0.0, np.array([0.0]), 1e9)
    e = scores.innovation[0, -30:]
    x = (np.arange(30) >= 20).astype(float)
    x = x - x.mean()
    cov = np.eye(30) + np.outer(x, x)
    expected = -0.5 * np.linalg.slogdet(cov)[1] - 0.5 * e @ np.linalg.inv(cov) @ e + 0.5 * e @ e
    assert weigh(seen, scores).step[0, -10] == pytest.approx(expected, abs=1e-10)


def test_steady_normal_streams_stay_within_the_budget():
    rng = np.random.default_rng(9)
    streams, lots, budget = 150, 60, 1.0
    years = streams * (lots - 7) / detection.WEEKS_A_YEAR
    opened = 0
    for _ in range(streams):
        signals = seen_in(rng.standard_normal(lots), budget)
        opened += len(alerts.episodes(signals[signals["kind"] != "forecast"]))
    # Counts are near Poisson: 4 standard errors, a chance of a false failure below 1e-4.
    assert opened <= budget * years + 4 * np.sqrt(budget * years)
