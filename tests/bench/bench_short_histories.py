"""How soon the detector sees moves in labs where no two streams are alike: from the first lots on, steps and ramps.

    PYTHONPATH=tests/bench python tests/bench/bench_short_histories.py [STREAMS [SEED [steady]]]

Invented streams, a lot a week, each with a scatter of its own (0.05 to 0.2 in the log), a third with tails as of t(4), a ninth
with an autocorrelation of 0.3 to 0.5, 3 to 12 bags a lot, a fifth with a bound 1.5 to 3 standard deviations below that some bags
reach. Labs of 100 streams share a prior. One standard deviation of a lot level is the unit of moves. Beside the detector, at
thresholds that give the same number of false alerts a stream-year on the steady streams:

- knows: likelihood ratio of a step at any lot, with the stream's true mean and standard deviation;
- CUSUM: both sides, reference value 0.5, mean and standard deviation estimated from the first 25 lots;
- individuals: limits from the mean moving range of the first 25 lots.

With `steady` only false alerts are counted. `+-` is 1.96 standard errors, from stream to stream.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from spc import detection
from spc.kernels.validation import Floats
from spc.stream import alert_episodes
from spc.vocabulary.signal import signals_in

BUDGET = 0.2
YEAR_WEEKS = 52.1775
LAB = 100
BASELINE = 25
LOTS = 85
FOLLOWED = 40
BAG = 1.0  # standard deviation between bags, in that of a lot
SURE = 1.96

Alarms = tuple[Floats, Floats]
"""Statistics of a move up and of one down at each lot, (streams, lots)."""


@dataclass(frozen=True, slots=True, eq=False)
class Streams:
    """Levels (streams, lots) in standard deviations of a lot level, with what the bench knows and the truth."""

    levels: Floats
    bags: Floats
    bag_variance: Floats
    scale: Floats
    sigma: Floats
    autocorrelated: np.ndarray

    def moved(self, shift: Floats) -> Streams:
        return Streams(
            self.levels + shift * self.sigma[:, None],
            self.bags,
            self.bag_variance,
            self.scale,
            self.sigma,
            self.autocorrelated,
        )


def steady(rng: np.random.Generator, count: int, lots: int) -> Streams:
    autocorrelated = rng.random(count) < 1 / 9
    rho = np.where(autocorrelated, rng.uniform(0.3, 0.5, count), 0.0)
    heavy = rng.random(count) < 1 / 3
    own = np.where(heavy[:, None], rng.standard_t(4, (count, lots)) / np.sqrt(2.0), rng.standard_normal((count, lots)))
    for lot in range(1, lots):
        own[:, lot] = rho * own[:, lot - 1] + np.sqrt(1.0 - rho**2) * own[:, lot]
    bound = np.where(rng.random(count) < 0.2, -rng.uniform(1.5, 3.0, count), -np.inf)
    bags = rng.integers(3, 13, (count, lots)).astype(np.float64)
    each = np.maximum(own[:, :, None] + BAG * rng.standard_normal((count, lots, 12)), bound[:, None, None])
    there = np.arange(12) < bags[:, :, None]
    levels = np.where(there, each, 0.0).sum(axis=2) / bags
    variance = np.where(there, (each - levels[:, :, None]) ** 2, 0.0).sum(axis=2) / (bags - 1.0)
    scale = np.exp(rng.uniform(np.log(0.05), np.log(0.2), count))
    return Streams(levels, bags, variance, scale, np.sqrt(1.0 + BAG**2 * np.mean(1.0 / bags, axis=1)), autocorrelated)


# The detector and its yardsticks


def pools(streams: Streams, weeks: Floats) -> list[detection.PooledPrior]:
    """The prior of each lab of streams."""
    found = []
    for first in range(0, len(streams.levels), LAB):
        levels = (streams.scale[:, None] * streams.levels)[first : first + LAB]
        number = np.repeat(np.arange(len(levels)), levels.shape[1])
        found.append(detection.pool(detection.lag_sums(number, np.tile(weeks, len(levels)), levels.ravel())))
    return found


def detector(
    streams: Streams, weeks: Floats, priors: list[detection.PooledPrior], ends: Floats | None = None
) -> pd.DataFrame:
    """Signals of the detector; `ends` (streams,) is the number of lots of each where they differ."""
    count, lots = streams.levels.shape
    last = np.full(count, lots) if ends is None else ends.astype(int)
    series = []
    for number in range(count):
        part, scale = slice(0, last[number]), streams.scale[number]
        bags, variance = streams.bags[number][part], scale**2 * streams.bag_variance[number][part]
        # The sampling variance of a level comes from the bags of all lots, as in the tool.
        pooled = np.average(variance, weights=bags - 1.0)
        nothing = np.full(bags.size, np.nan)
        series.append(
            detection.LotSeries(
                weeks[part], scale * streams.levels[number][part], pooled / bags, variance, bags - 1.0, nothing,
                np.zeros(bags.size), *priors[number // LAB].at(weeks[part]),
            )
        )  # fmt: skip
    return detection.detect_new(series, np.zeros(count, dtype=np.intp), BUDGET)


def knowing(streams: Streams) -> Alarms:
    z = (streams.levels - 0.0) / streams.sigma[:, None]
    total = np.concatenate([np.zeros((len(z), 1)), np.cumsum(z, axis=1)], axis=1)
    best = np.zeros((2, *z.shape))
    for lot in range(z.shape[1]):
        scores = (total[:, [lot + 1]] - total[:, : lot + 1]) / np.sqrt(np.arange(lot + 1, 0, -1))
        best[0, :, lot], best[1, :, lot] = scores.max(axis=1), (-scores).max(axis=1)
    return best[0], best[1]


def cusum(streams: Streams, reference: float = 0.5) -> Alarms:
    mean, sigma = streams.levels[:, :BASELINE].mean(axis=1), streams.levels[:, :BASELINE].std(axis=1, ddof=1)
    z = (streams.levels - mean[:, None]) / sigma[:, None]
    both = np.zeros((2, *z.shape))
    for lot in range(BASELINE, z.shape[1]):
        both[0, :, lot] = np.maximum(both[0, :, lot - 1] + z[:, lot] - reference, 0.0)
        both[1, :, lot] = np.maximum(both[1, :, lot - 1] - z[:, lot] - reference, 0.0)
    return both[0], both[1]


def individuals(streams: Streams) -> Alarms:
    past = streams.levels[:, :BASELINE]
    z = (streams.levels - past.mean(axis=1)[:, None]) / (np.abs(np.diff(past, axis=1)).mean(axis=1) / 1.128)[:, None]
    return z, -z


# Counting


def episodes(alarms: np.ndarray) -> Floats:
    """Alarms of each stream, those within eight lots of each other counted once."""
    latest, counted = np.full(len(alarms), -99), np.zeros(len(alarms))
    for lot in range(alarms.shape[1]):
        counted += alarms[:, lot] & (lot - latest > alert_episodes.LOTS)
        latest = np.where(alarms[:, lot], lot, latest)
    return counted


def episodes_of(signals: pd.DataFrame, count: int, first: int) -> Floats:
    found = np.zeros(count)
    for number, own in signals[signals["index"] >= first].groupby("stream"):
        found[int(number)] = len(alert_episodes.signal_runs(sorted(signals_in(own), key=lambda one: one.at), LOTS))
    return found


def height(alarms: Alarms, wanted: float, first: int) -> float:
    """Threshold at which so many episodes are raised in all."""
    low, high = 0.0, 40.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        raised = sum(episodes(one[:, first:] > middle).sum() for one in alarms)
        low, high = (middle, high) if raised > wanted else (low, middle)
    return 0.5 * (low + high)


def delays(first_lot: Floats, onset: Floats) -> Floats:
    return np.minimum(first_lot - onset + 1.0, FOLLOWED)


def first_up(signals: pd.DataFrame, onset: Floats) -> Floats:
    up = signals[(signals["direction"] > 0) & (signals["kind"] != "spread")]
    later = up[up["index"].to_numpy() >= onset[up["stream"].to_numpy()]]
    return later.groupby("stream")["index"].min().reindex(range(onset.size)).fillna(np.inf).to_numpy(np.float64)


def first_over(alarms: np.ndarray, onset: Floats) -> Floats:
    after = alarms & (np.arange(alarms.shape[1]) >= onset[:, None])
    return np.where(after.any(axis=1), after.argmax(axis=1), np.inf)


def plus_minus(values: Floats) -> str:
    return f"{values.mean():6.2f} +- {SURE * values.std() / np.sqrt(values.size):4.2f}"


# Rows


def after_a_baseline(rng: np.random.Generator, count: int, only_steady: bool) -> None:
    weeks = 2000.0 + np.arange(float(LOTS))
    streams = steady(rng, count, LOTS)
    correlated = streams.autocorrelated
    seen = detector(streams, weeks, pools(streams, weeks))
    years = (LOTS - BASELINE) / YEAR_WEEKS
    late, early = (episodes_of(seen, count, first) for first in (BASELINE, 0))
    print(f"False alerts a stream-year of all kinds (budget {BUDGET}; {count} streams of {LOTS} lots)")
    print(f"  from the first lot on      {plus_minus(early * YEAR_WEEKS / (LOTS - 3))}")
    print(f"  after {BASELINE} lots              {plus_minus(late / years)}")
    print(
        f"  independent, autocorrelated {plus_minus(late[~correlated] / years)} {plus_minus(late[correlated] / years)}"
    )
    ways: dict[str, Callable[[Streams], Alarms]] = {"knows": knowing, "CUSUM": cusum, "individuals": individuals}
    heights = {name: height(way(streams), late.sum(), BASELINE) for name, way in ways.items()}
    for name, way in ways.items():
        raised = sum(episodes(one[:, BASELINE:] > heights[name]) for one in way(streams))
        print(f"  {name:12s} at {heights[name]:5.2f}: independent {plus_minus(raised[~correlated] / years)}, "
              f"autocorrelated {plus_minus(raised[correlated] / years)}")  # fmt: skip
    # The CUSUM spends the whole budget on the level; the detector spends a part of it on scatter.
    of_level = episodes_of(seen[seen["kind"] != "spread"], count, BASELINE)
    level_only = height(ways["CUSUM"](streams), of_level.sum(), BASELINE)
    print(f"  of the level alone          {plus_minus(of_level / years)}; the CUSUM at that rate {level_only:.2f}")
    if only_steady:
        return
    onset = rng.integers(BASELINE + 2, BASELINE + 20, count).astype(float)
    since = np.arange(LOTS) - onset[:, None]
    sizes, slopes = rng.uniform(0.5, 3.0, count), np.exp(rng.uniform(np.log(0.02), np.log(0.15), count))
    shifts = {"step 0.5 to 3": sizes[:, None] * (since >= 0)}
    shifts |= {f"step {size:g}": size * (since >= 0) for size in (0.5, 1.0, 2.0, 3.0)}
    shifts["ramp 0.02 to 0.15"] = np.minimum(slopes[:, None] * np.maximum(since + 1.0, 0.0), 4.0)
    shifts |= {f"ramp {slope:g}": np.minimum(slope * np.maximum(since + 1.0, 0.0), 4.0) for slope in (0.05, 0.1)}
    print(
        f"\nMean delay in lots, up to {FOLLOWED}; the last columns are the detector's over that of the CUSUM, and of one at its rate of alerts of the level"
    )
    for name, shift in shifts.items():
        moved = streams.moved(shift)
        own = delays(first_up(detector(moved, weeks, pools(moved, weeks)), onset), onset)
        others = {way: delays(first_over(call(moved)[0] > heights[way], onset), onset) for way, call in ways.items()}
        line = "  ".join(f"{way} {plus_minus(one)}" for way, one in ({"detector": own} | others).items())
        alike = delays(first_over(ways["CUSUM"](moved)[0] > level_only, onset), onset)
        print(f"{name:18s} {line}   {over(own, others['CUSUM'])}   {over(own, alike)}", flush=True)


def over(own: Floats, other: Floats) -> str:
    ratio = own.mean() / other.mean()
    return f"{ratio:.2f} +- {SURE * np.std(own - ratio * other) / np.sqrt(own.size) / other.mean():.2f}"


def short(rng: np.random.Generator, count: int) -> None:
    """Histories of 6 to 12 lots that move from the third or fourth lot by 0.25 to 0.8 a lot."""
    older, steady_ones = steady(rng, max(count // 10, LAB), 78), steady(rng, count, 12)
    prior = pools(older, 1900.0 + np.arange(78.0))[0]
    weeks = 2000.0 + np.arange(12.0)
    priors = [prior] * (count // LAB + 1)
    raised = episodes_of(detector(steady_ones, weeks, priors), count, 0)
    ends, onset = rng.integers(6, 13, count), rng.integers(2, 4, count).astype(float)
    shift = rng.uniform(0.25, 0.8, count)[:, None] * np.maximum(np.arange(12) - onset[:, None] + 1.0, 0.0)
    moved = steady(rng, count, 12).moved(shift)
    inside = np.arange(12) < ends[:, None]
    others = height(knowing(steady_ones), raised.sum(), 3)
    knows = ((knowing(moved)[0] > others) & inside & (np.arange(12) >= 3)).any(axis=1)
    print(f"\nHistories of 6 to 12 lots, moving from lot 3 or 4 by 0.25 to 0.8 a lot ({count} streams)")
    print(f"  false alerts a stream-year {plus_minus(raised * YEAR_WEEKS / 9.0)}")
    for name, given in (("detector", priors), ("alone", [detection.NO_POOL] * len(priors))):
        found = np.isfinite(first_up(detector(moved, weeks, given, ends), onset))
        print(
            f"  {name:9s} found {plus_minus(found)}, knows {plus_minus(knows)}, ratio {found.mean() / knows.mean():.2f}"
        )


def main(streams: int, seed: int, only_steady: bool) -> None:
    rng = np.random.default_rng(seed)
    after_a_baseline(rng, streams, only_steady)
    if not only_steady:
        short(rng, streams)


if __name__ == "__main__":
    main(
        int(sys.argv[1]) if len(sys.argv) > 1 else 1000,
        int(sys.argv[2]) if len(sys.argv) > 2 else 20_261_130,
        "steady" in sys.argv,
    )
