"""False alerts and delays of the detector, beside a chart of single lots and a detector that knows the truth.

    python -m tests.bench.bench_detection [STREAMS]

The truth is drawn from more than the detector's own model: tails, skew, dependence, unequal numbers of bags, missing
weeks. A false alert is an episode as the product folds them; the forecast is left out, since it needs a limit.
"""

from __future__ import annotations

import sys
from collections.abc import Callable

import numpy as np
from scipy import signal

from spc import alerts, detection, patterns
from spc._checks import Floats

BUDGET, LOTS, BASELINE = 0.2, 130, 25
YEARS = (LOTS - 7) / detection.WEEKS_A_YEAR
RUN_LENGTH = detection.WEEKS_A_YEAR / BUDGET
Draw = Callable[[np.random.Generator, int], Floats]
Alarm = Callable[[Floats, Floats], list[int]]


def normal(rng: np.random.Generator, lots: int) -> Floats:
    return rng.standard_normal(lots)


def heavy(rng: np.random.Generator, lots: int) -> Floats:
    return rng.standard_t(4, lots) / np.sqrt(2.0)


def skewed(rng: np.random.Generator, lots: int) -> Floats:
    raw = np.exp(0.5 * rng.standard_normal(lots))
    return np.asarray((raw - np.exp(0.125)) / np.sqrt(np.exp(0.25) * (np.exp(0.25) - 1.0)))


def dependent(correlation: float) -> Draw:
    def draw(rng: np.random.Generator, lots: int) -> Floats:
        shocks = rng.standard_normal(lots + 50) * np.sqrt(1.0 - correlation**2)
        return np.asarray(signal.lfilter([1.0], [1.0, -correlation], shocks)[50:])

    return draw


def unequal_bags(rng: np.random.Generator, lots: int) -> Floats:
    bags = rng.integers(3, 13, lots)
    return rng.standard_normal(lots) * np.sqrt(0.5 + 3.0 / bags)


def tool(weeks: Floats, levels: Floats, bag_variance: Floats | None = None) -> list[int]:
    """Lots at which the product would open an alert."""
    nothing = np.full(levels.size, np.nan)
    df = np.full(levels.size, 0.0 if bag_variance is None else 5.0)
    bags = nothing if bag_variance is None else bag_variance
    seen = detection.watch(
        weeks, levels, np.zeros(levels.size), bag_variance=bags, bag_df=df, reading_variance=nothing,
        reading_df=np.zeros(levels.size), false_alerts_per_year=BUDGET,
    ).signals  # fmt: skip
    return [episode.opened for episode in alerts.episodes(seen[seen["kind"] != "forecast"])]


def single_lots(weeks: Floats, levels: Floats) -> list[int]:
    """Chart of individuals: three sigma and nine on one side, from 25 baseline lots."""
    first = levels[:BASELINE]
    z = (levels[BASELINE:] - first.mean()) / (np.abs(np.diff(first)).mean() / 1.128379167)
    hits = sorted({i for _, i in patterns.find(z, ("beyond_three_sigma", "nine_on_one_side"))})
    return [i + BASELINE for k, i in enumerate(hits) if k == 0 or i - hits[k - 1] > alerts.QUIET_LOTS]


def knowing(decision: float) -> Alarm:
    """A CUSUM with the true mean and sigma, starting again after each alarm."""

    def alarm(weeks: Floats, levels: Floats) -> list[int]:
        high = low = 0.0
        found = []
        for t, level in enumerate(levels):
            high, low = max(0.0, high + level - 0.25), max(0.0, low - level - 0.25)
            if max(high, low) > decision:
                found.append(t)
                high = low = 0.0
        return found

    return alarm


def false_alerts(alarm: Alarm, draw: Draw, streams: int, pause: float = 0.0, years: float = YEARS) -> str:
    rng = np.random.default_rng(7)
    counts = []
    for _ in range(streams):
        weeks = np.cumsum(1.0 + rng.integers(2, 9, LOTS) * (rng.random(LOTS) < pause))
        span = (weeks[-1] - weeks[0]) / (LOTS - 1) if pause else 1.0
        counts.append(len(alarm(weeks, draw(rng, LOTS))) / (years * span))
    mean, error = np.mean(counts), np.std(counts) / np.sqrt(streams)
    return f"{mean / BUDGET:5.2f} +- {1.96 * error / BUDGET:4.2f}"


def delay(alarm: Alarm, move: Floats, streams: int) -> str:
    """Mean lots to the first alarm after the move and the share found, among streams quiet before it."""
    rng = np.random.default_rng(11)
    waited: list[int] = []
    for _ in range(streams):
        levels = rng.standard_normal(BASELINE + move.size)
        levels[BASELINE:] += move
        opened = alarm(np.arange(levels.size, dtype=float), levels)
        if all(t >= BASELINE for t in opened):
            waited.append(min(opened) - BASELINE + 1 if opened else move.size + 1)
    lots = np.array(waited)
    return f"{lots.mean():5.1f} ({np.mean(lots <= move.size):4.0%})"


def wider_bags(streams: int) -> str:
    rng = np.random.default_rng(13)
    waited = []
    for _ in range(streams):
        bags = rng.chisquare(5, BASELINE + 30) / 5.0
        bags[BASELINE:] *= 4.0
        opened = tool(np.arange(bags.size, dtype=float), rng.standard_normal(bags.size), bags)
        waited.append(min([t - BASELINE + 1 for t in opened if t >= BASELINE], default=31))
    return f"median {np.median(waited):.0f} lots"


def main(streams: int) -> None:
    decision = 7.05
    print(
        f"false alerts in units of the budget ({BUDGET} a stream-year, weekly lots), 95 % interval; {streams} streams"
    )
    truths = {
        "normal": normal, "t(4) tails": heavy, "skew": skewed, "dependence 0.3": dependent(0.3),
        "dependence 0.5": dependent(0.5), "3 to 12 bags": unequal_bags,
    }  # fmt: skip
    charted = (LOTS - BASELINE) / detection.WEEKS_A_YEAR
    for name, draw in truths.items():
        chart = false_alerts(single_lots, draw, streams, years=charted)
        print(f"  {name:15s} tool {false_alerts(tool, draw, streams)}   single lots {chart}")
    print(f"  {'missing weeks':15s} tool {false_alerts(tool, normal, streams, pause=0.2)}")
    print("mean delay in lots after 25 steady lots (share found within 40)")
    lots = np.arange(1.0, 41.0)
    moves = {"ramp 0.05": 0.05 * lots, "ramp 0.1": 0.1 * lots, "ramp 0.2": 0.2 * lots, "step 1": np.ones(40)}
    for name, move in moves.items():
        found = [delay(alarm, move, streams) for alarm in (tool, single_lots, knowing(decision))]
        print(f"  {name:10s} tool {found[0]}   single lots {found[1]}   knows the truth {found[2]}")
    print(f"bags scatter twice as much: {wider_bags(streams)}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
