"""Every 95 % interval of the statistics holds a stated truth in 95 % of simulated streams, give or take one.

Each check gives its number of streams: the Monte-Carlo standard error of a share of 95 % is 0.22 % for 10,000 and 0.34 %
for 4,000, and four of them are granted beyond the one percent. Intervals that are known to err are named with their own
share. Intervals of bounded values are checked in test_censored.py, that of the
correlation of few neighbours in test_distribution.py, the fan of the forecast in test_forecast.py.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import signal, special

from spc.capability import capabilities, equivalent_df
from spc.changepoint import ramps, steps
from spc.components import LEVELS, batch
from spc.percentile_capability import percentile_capabilities
from spc.stream.baseline import baselines, limits
from spc.stream.distribution_checks import dependences
from spc.stream.stream_capability import for_stream
from spc.supplier import quarter, ranking

Held = np.ndarray


def holds(held: Held, share: float = 0.95, give: float = 0.01) -> bool:
    """Whether the intervals held as often as `share`, give or take `give` and four standard errors."""
    error = np.sqrt(share * (1 - share) / np.size(held))
    return bool(abs(np.mean(held) - share) <= give + 4 * error)


def between(low: Held, truth: Held | float, high: Held) -> Held:
    return (np.asarray(low) <= truth) & (truth <= np.asarray(high))


def lots_of(
    streams: int, lots: int, bags: int, each: int, truth: tuple[float, float, float], seed: int
) -> pd.DataFrame:
    """Sums of balanced lots drawn from their own laws, streams one after another."""
    draw, count = np.random.default_rng(seed), streams * lots
    lot, bag, reading = truth
    level = draw.normal(0.0, np.sqrt(lot + bag / bags + reading / (bags * each)), count)
    scatter = (bag + reading / each) * draw.chisquare(bags - 1, count) / (bags - 1)
    within = reading * draw.chisquare(bags * (each - 1), count) if each > 1 else np.zeros(count)
    columns = {
        "bags": bags,
        "readings": bags * each,
        "reading_df": bags * (each - 1),
        "readings_per_bag": float(each),
        "level": level,
        "weighted_mean": level,
        "bag_variance": scatter,
        "sum_squares_bags": each * (bags - 1) * scatter,
        "sum_squares_readings": within,
        "sum_squared_sizes": bags * each**2,
    }
    return pd.DataFrame(columns, index=range(count))


# 10,000 streams; five lots to fifty, three bags to twelve, one reading to six, and a lot component down to nearly none.
@pytest.mark.parametrize(
    ("lots", "bags", "each", "truth"),
    [
        (5, 3, 1, (1.0, 1.0, 0.5)),
        (5, 12, 6, (1.0, 0.2, 0.2)),
        (10, 6, 6, (0.2, 1.0, 1.0)),
        (10, 3, 2, (0.02, 1.0, 0.3)),
        (25, 6, 6, (1.0, 1.0, 0.5)),
        (50, 12, 3, (1.0, 0.2, 0.2)),
    ],
)
def test_intervals_of_the_components_and_of_the_total(lots, bags, each, truth):
    parts = batch(lots_of(10_000, lots, bags, each, truth, seed=3), np.repeat(np.arange(10_000), lots))
    lot, bag, reading = truth
    # Without repeats on a bag its scatter and that of readings are one, counted with the bags.
    values = {"lot": lot, "bag": bag, "reading": reading} if each > 1 else {"lot": lot, "bag": bag + reading}

    for name, value in values.items():
        assert holds(between(parts[f"{name}_low"], value, parts[f"{name}_high"])), name
    assert holds(between(parts["total_low"], sum(truth), parts["total_high"]))


def test_a_standard_error_of_the_lot_component_makes_no_interval():
    # Why there are intervals beside the errors: the docstring says 86 % of ten lots. 4,000 streams.
    parts = batch(lots_of(4_000, 10, 6, 6, (1.0, 1.0, 0.5), seed=5), np.repeat(np.arange(4_000), 10))

    assert holds(np.abs(parts["lot"] - 1.0) <= 1.96 * parts["lot_se"], share=0.86)


def test_one_worth_by_satterthwaite_makes_the_interval_of_the_total_too_short():
    # What the interval of the total is there instead of: 10 lots of 6 bags x 6 readings, 10,000 streams.
    parts = batch(lots_of(10_000, 10, 6, 6, (1.0, 1.0, 0.5), seed=7), np.repeat(np.arange(10_000), 10), "anova")
    df, total = parts["total_df"].to_numpy(), parts["total"].to_numpy()
    low, high = df * total / special.chdtri(df, 0.025), df * total / special.chdtri(df, 0.975)

    assert holds(between(low, 2.5, high), share=0.924)
    assert not holds(between(low, 2.5, high))


# 600 streams, 0.9 %. Ten lots are held in 93 to 94 % only, as the screening of the baseline now and then leaves out a
# sound lot: the docstring says so.
@pytest.mark.parametrize(
    ("lots", "bags", "each", "truth", "share"),
    [(25, 6, 6, (1.0, 1.0, 0.5), 0.95), (10, 6, 6, (1.0, 0.2, 0.2), 0.935)],
)
def test_capability_of_a_stream_with_bags_and_readings(lots, bags, each, truth, share):
    streams, index = 600, 4 / 3
    summary, number = lots_of(streams, lots, bags, each, truth, seed=9), np.repeat(np.arange(streams), lots)
    parts = batch(summary, number)
    levels = summary["level"].to_numpy().reshape(streams, lots).T
    noise = summary["bag_variance"].to_numpy().reshape(streams, lots).mean(axis=1) / bags
    usual = baselines(levels, np.broadcast_to(noise, levels.shape), lots=lots)
    held = []
    for stream, row in enumerate(parts.itertuples()):
        within = float(np.nansum([row.bag, row.reading]))
        worth = equivalent_df(row.total, row.total_low, row.total_high)
        found = for_stream(usual.of(stream), within, worth, upper=4 * np.sqrt(sum(truth)), stable=True, minimum=2)
        held.append(found.ppk_lower <= index <= found.ppk_upper)

    assert holds(np.array(held), share)


# 4,000 streams. With two near limits ppk and the fraction are on the safe side by up to 3 %: see their docstring.
@pytest.mark.parametrize("n", [5, 25])
@pytest.mark.parametrize(("lower", "upper", "safe"), [(None, 4.0, 0.0), (-3.0, 5.0, 0.0), (-3.0, 3.0, 0.02)])
def test_capability_of_independent_values(n, lower, upper, safe):
    found = capabilities(np.random.default_rng(11).normal(size=(n, 4_000)), lower, upper)
    sides = [side for side in (upper, None if lower is None else -lower) if side is not None]

    assert holds(between(found["ppk_lower"], min(sides) / 3, found["ppk_upper"]), give=0.01 + safe)
    beyond = float(special.ndtr(-np.array(sides)).sum())
    assert holds(between(found["fraction_lower"], beyond, found["fraction_upper"]), give=0.01 + safe)
    if lower is not None:
        assert holds(between(found["pp_lower"], (upper - lower) / 6, found["pp_upper"]))


def test_capability_by_percentiles_of_skewed_values():
    # Lognormal of skewness 1, 60 values, 4,000 samples.
    draw, shape = np.random.default_rng(13), 0.314
    truth = np.expm1(4 * shape) / np.expm1(3 * shape)
    found = percentile_capabilities(np.exp(shape * draw.normal(size=(60, 4_000))), upper=np.exp(4 * shape))

    assert holds(between(found["ppk_lower"], truth, found["ppk_upper"]))


# 20,000 streams. Screening costs the eight lots of a first guess a point more: a far lot that was sound is left out.
@pytest.mark.parametrize(("lots", "share"), [(8, 0.94), (25, 0.95)])
def test_limits_hold_the_next_lot(lots, share):
    draw, streams = np.random.default_rng(15), 20_000
    noise = 1.0 / draw.choice([3, 6, 12], size=(lots, streams))
    usual = baselines(draw.normal(size=(lots, streams)) * np.sqrt(1 + noise), noise, lots=lots)
    lower, upper = limits(usual, np.full((1, streams), 1 / 6), width=1.959964)

    assert holds(between(lower[0], draw.normal(size=streams) * np.sqrt(1 + 1 / 6), upper[0]), share)


# 20,000 series of 25 points before the shift. The set holds as often as it says; its hull, the interval, more often
# where the shift is small and the set has gaps.
@pytest.mark.parametrize(("shift", "after"), [(0.5, 40), (0.75, 30), (1.5, 10), (3.0, 5)])
def test_the_start_of_a_step(shift, after):
    x = np.random.default_rng(17).normal(size=(25 + after, 20_000))
    x[25:] += shift
    found = steps(x, 0.0, 1.0)

    assert holds(found.likely[25])
    assert holds(between(found.first, 24, found.last), share=0.96)


@pytest.mark.parametrize(("slope", "after"), [(0.05, 20), (0.1, 30), (0.3, 8), (1.0, 8)])
def test_the_start_of_a_ramp(slope, after):
    x = np.random.default_rng(19).normal(size=(25 + after, 20_000))
    x[25:] += slope * np.arange(1, after + 1)[:, None]
    found = ramps(x, 0.0, 1.0, np.tile(np.arange(25.0 + after)[:, None], x.shape[1]))

    assert holds(between(found.first, 24, found.last))


def test_the_large_sample_correlation_of_neighbours():
    # Beyond 100 values the normal law; 10,000 series of 150.
    rho, news = 0.4, np.random.default_rng(23).normal(size=(150, 10_000))
    news[0] /= np.sqrt(1 - rho**2)
    found = dependences(signal.lfilter([1.0], [1.0, -rho], news, axis=0))

    assert holds(between(found["lower"], rho, found["upper"]))


@pytest.mark.parametrize(("now", "before"), [(8, 5), (4, 4), (13, 3)])
def test_level_and_change_of_a_quarter(now, before):
    # 4,000 quarters.
    draw = np.random.default_rng(25)
    levels, earlier = draw.normal(0.3, 0.2, size=(4_000, now)), draw.normal(0.0, 0.1, size=(4_000, before))
    changes = [quarter.change(*pair) for pair in zip(levels, earlier, strict=True)]
    found = [quarter.level(row) for row in levels]

    assert holds(np.array([one.low <= 0.3 <= one.high for one in changes]))
    assert holds(np.array([one.low <= 0.3 <= one.high for one in found]))


def test_scatter_of_a_quarter_and_its_ratio():
    # 4,000 quarters of four and three lots of 3 to 12 bags; the scatter before is twice that of now.
    draw, df, df_before = np.random.default_rng(27), np.array([5.0, 5.0, 11.0, 2.0]), np.array([5.0, 3.0, 5.0])
    held = []
    for _ in range(4_000):
        now = quarter.spread(draw.chisquare(df) / df, df)
        ratio = quarter.ratio(now, quarter.spread(4 * draw.chisquare(df_before) / df_before, df_before))
        held.append([now.low <= 1 <= now.high, ratio.low <= 0.5 <= ratio.high])

    spread, ratios = np.array(held).T
    assert holds(spread)
    assert holds(ratios)


def test_shares_of_suppliers_drawn_from_a_population():
    # 60 rankings of six suppliers whose true shares are beta(9, 1): 360 intervals, 1.1 %.
    draw, held = np.random.default_rng(29), []
    for _ in range(60):
        truth, decided = draw.beta(9, 1, size=6), draw.integers(4, 20, size=6)
        found = ranking.shares(draw.binomial(decided, truth), decided)
        held += between(found.low, truth, found.high).tolist()

    assert holds(np.array(held))


def test_the_mean_of_the_lots():
    # 10,000 streams, by both names that it has: the components' and, without screening, the baseline's.
    summary = lots_of(10_000, 12, 6, 6, (1.0, 1.0, 0.5), seed=31)
    parts = batch(summary, np.repeat(np.arange(10_000), 12))
    reach = special.stdtrit(parts["lot_df"].to_numpy(float), 0.975)
    usual = baselines(summary["level"].to_numpy().reshape(10_000, 12).T, np.zeros((12, 10_000)), lots=12, minimum=13)

    assert holds(np.abs(parts["mean"]) <= reach * parts["mean_se"])
    assert holds(np.abs(usual.center) <= special.stdtrit(usual.degrees_of_freedom, 0.975) * usual.center_se)
    assert set(LEVELS) <= set(parts.columns)
