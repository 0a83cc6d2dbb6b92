"""How often the detector cries wolf and how early it sees a drift, beside a plain chart and one that knows the truth.

    python tests/bench/bench_detection.py [STREAMS]

Invented streams of weekly lots of six bags with six readings each, one standard deviation of lot means as the unit. The
truth is simulated and is seldom the detector's own model: heavy tails, skew, dependence, unequal bags, pauses. Columns:

- a stream: `spc.detection.watch` at a budget of 0.2 false alerts a stream-year;
- a plain chart of individuals: three-sigma limits from the moving ranges of 25 lots, and nine on one side;
- a likelihood ratio of steps with the mean and the standard deviation known, which no real bench has, at a threshold that
  gives on clean data the tool's own rate of drift alerts.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from spc import alerts, charts, detection, patterns

BUDGET = 0.2
LOTS = 130
BASELINE = 25
BAGS = 6
YEAR_WEEKS = 52.1775
BAG_SHARE = 0.15  # of the variance of a level comes from its bags
TOLD = ("point", "drift", "spread", "forecast")


@dataclass(frozen=True, slots=True, eq=False)
class Film:
    """One stream as the bench sees it."""

    weeks: np.ndarray
    levels: np.ndarray
    bags: np.ndarray
    bag_variance: np.ndarray
    reading_variance: np.ndarray


Truth = Callable[[np.random.Generator, int], np.ndarray]


def normal(rng: np.random.Generator, size: int) -> np.ndarray:
    return rng.standard_normal(size)


def heavy(rng: np.random.Generator, size: int) -> np.ndarray:
    return rng.standard_t(4, size) / np.sqrt(2.0)


def skewed(rng: np.random.Generator, size: int) -> np.ndarray:
    raw = np.exp(0.5 * rng.standard_normal(size))
    return (raw - np.exp(0.125)) / np.sqrt((np.exp(0.25) - 1.0) * np.exp(0.25))


def dependent(correlation: float) -> Truth:
    def draw(rng: np.random.Generator, size: int) -> np.ndarray:
        fresh = rng.standard_normal(size)
        for i in range(1, size):
            fresh[i] = correlation * fresh[i - 1] + np.sqrt(1.0 - correlation**2) * fresh[i]
        return fresh

    return draw


def film(
    rng: np.random.Generator,
    truth: Truth = normal,
    lots: int = LOTS,
    unequal: bool = False,
    pauses: bool = False,
    tails: bool = False,
) -> Film:
    bags = rng.integers(3, 13, lots) if unequal else np.full(lots, BAGS)
    noise = BAG_SHARE * BAGS / bags
    levels = np.sqrt(1.0 - BAG_SHARE) * truth(rng, lots) + np.sqrt(noise) * rng.standard_normal(lots)
    draw = heavy if tails else normal
    scatter = np.array([draw(rng, count).var(ddof=1) for count in bags])
    readings = np.array([draw(rng, 5 * count).var() for count in bags])
    weeks = np.arange(lots, dtype=np.float64)
    if pauses:
        weeks += np.cumsum(rng.poisson(0.3, lots) + np.where(rng.random(lots) < 0.04, 8.0, 0.0))
    return Film(weeks, levels, bags, BAG_SHARE * BAGS * scatter, readings)


# The tool and the two others; each says at which lots it signals, with kind and direction


def tool(stream: Film) -> pd.DataFrame:
    return detection.watch(
        stream.weeks,
        stream.levels,
        BAG_SHARE * BAGS / stream.bags,
        bag_variance=stream.bag_variance,
        bag_df=stream.bags - 1.0,
        reading_variance=stream.reading_variance,
        reading_df=5.0 * stream.bags,
        false_alerts_per_year=BUDGET,
    ).signals


def plain(stream: Film) -> pd.DataFrame:
    """Three-sigma limits and nine on one side, from the first 25 lots."""
    usual = charts.individuals(stream.levels[:BASELINE])
    z = (stream.levels - usual.center) / usual.sigma
    found = patterns.find(z, ("beyond_three_sigma", "nine_on_one_side"))
    return signals((index, name, float(np.sign(z[index]))) for name, index in found if index >= BASELINE)


def knowing(stream: Film, height: float) -> pd.DataFrame:
    """Likelihood ratio of a step at any of the last 100 lots, mean 0 and standard deviation 1 known."""
    statistic, direction = likelihood(stream.levels)
    return signals((int(i), "drift", direction[i]) for i in np.flatnonzero(statistic > height) if i >= 7)


def likelihood(levels: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    total = np.concatenate([[0.0], np.cumsum(levels)])
    end, start = np.indices((levels.size, levels.size))
    lots = end + 1 - start
    inside = (lots >= 1) & (lots <= 100)
    score = np.where(inside, (total[end + 1] - total[start]) / np.sqrt(np.maximum(lots, 1)), 0.0)
    best = np.abs(score).argmax(axis=1)
    chosen = score[np.arange(levels.size), best]
    return np.abs(chosen), np.sign(chosen)


def signals(rows: Iterable[tuple[int, str, float]]) -> pd.DataFrame:
    table = [(float(i), kind, int(side), "look", kind, 1.0, np.nan, np.nan, np.nan) for i, kind, side in rows]
    return pd.DataFrame(table, columns=list(alerts.SIGNAL_COLUMNS)) if table else alerts.no_signals()


# False alerts


def rates(films: list[Film], watch: Callable[[Film], pd.DataFrame], first: int) -> dict[str, float]:
    """Episodes a stream-year by kind, and the standard error of all together from stream to stream."""
    years = np.array([(f.weeks[-1] - f.weeks[first]) / YEAR_WEEKS for f in films])
    opened = [pd.Series([e.kind for e in alerts.episodes(watch(f))], dtype=object).value_counts() for f in films]
    counts = pd.DataFrame(opened).reindex(columns=sorted({str(k) for o in opened for k in o.index})).fillna(0.0)
    total = counts.sum(axis=1).to_numpy(np.float64)
    rate = total.sum() / years.sum()
    se = float(np.sqrt(((total - rate * years) ** 2).sum()) / years.sum())
    return {"all": float(rate), "se": se, **{str(k): float(counts[k].sum() / years.sum()) for k in counts}}


def calibrated(rng: np.random.Generator, rate: float, streams: int) -> float:
    """Height at which the detector that knows the truth raises `rate` episodes a stream-year."""
    films = [film(rng) for _ in range(streams)]
    statistics = [likelihood(f.levels) for f in films]
    years = len(films) * (LOTS - 8) / YEAR_WEEKS

    def episodes(height: float) -> float:
        tables = [signals((int(i), "drift", d[i]) for i in np.flatnonzero(s > height) if i >= 7) for s, d in statistics]
        return sum(len(alerts.episodes(table)) for table in tables) / years

    heights = np.arange(2.6, 4.4, 0.05)
    return float(np.interp(-rate, [-episodes(h) for h in heights], heights))


SCENES: dict[str, dict[str, object]] = {
    "clean": {},
    "tails t(4) of lots": {"truth": heavy},
    "tails t(4) of bags too": {"truth": heavy, "tails": True},
    "skew, lognormal 0.5 raw": {"truth": skewed},
    "dependence 0.3": {"truth": dependent(0.3)},
    "dependence 0.5": {"truth": dependent(0.5)},
    "3 to 12 bags": {"unequal": True},
    "pauses and missing weeks": {"pauses": True},
    "short, 20 lots": {"lots": 20},
}


def false_alerts(rng: np.random.Generator, streams: int) -> float:
    """Print false alerts a stream-year; return the tool's rate of drift alerts on clean data."""
    print(f"\nFalse alerts a stream-year, budget {BUDGET} ({streams} streams; +- is 1.96 standard errors)")
    print(
        f"{'':28s}{'tool':>7s}{'+-':>7s}{'/budget':>9s}  {'point':>7s}{'drift':>7s}{'spread':>7s}{'ask':>7s}{'plain chart':>13s}"
    )
    clean = 0.0
    for name, options in SCENES.items():
        count = streams * 4 if "lots" in options else streams
        films = [film(rng, **options) for _ in range(count)]
        own = rates(films, tool, 7)
        other = rates(films, plain, BASELINE)["all"] if "lots" not in options else np.nan
        kinds = "".join(f"{own.get(kind, 0.0):7.3f}" for kind in TOLD)
        print(
            f"{name:28s}{own['all']:7.3f}{1.96 * own['se']:7.3f}{own['all'] / BUDGET:9.2f}  {kinds}{other:13.3f}",
            flush=True,
        )
        clean = own.get("drift", 0.0) if name == "clean" else clean
    return clean


# Drifts


def drifting(rng: np.random.Generator, slope: float, onset: int, after: int, limit: float) -> tuple[Film, int]:
    """A stream that drifts up from lot `onset`, and its first lot beyond the limit (`onset + after` where none is)."""
    base = film(rng, lots=onset + after)
    levels = base.levels + slope * np.maximum(np.arange(onset + after) - onset + 1.0, 0.0)
    beyond = np.flatnonzero(levels[onset:] > limit)
    breach = onset + int(beyond[0]) if beyond.size else onset + after
    return Film(base.weeks, levels, base.bags, base.bag_variance, base.reading_variance), breach


def first_signal(found: pd.DataFrame, onset: int) -> float:
    later = found[(found["index"].astype(float) >= onset) & (found["direction"].astype(int) > 0)]
    return float(later["index"].astype(float).min()) if len(later) else np.inf


def drifts(
    rng: np.random.Generator, streams: int, height: float, onset: int, after: int, slopes: Iterable[float]
) -> None:
    print(f"\nDrifts after {onset} steady lots, followed {after} lots, limit at +4 sigma ({streams} streams a slope)")
    print(f"{'sigma a lot':12s}{'':14s}{'found':>7s}{'announced':>11s}{'lead':>6s}{'mean delay':>12s}{'median':>8s}")
    ways = {"tool": lambda f: tool(f).query("kind != 'spread'"), "plain": plain, "knows": lambda f: knowing(f, height)}
    for slope in slopes:
        films = [drifting(rng, slope, onset, after, 4.0) for _ in range(streams)]
        for name, watch in ways.items():
            if name == "plain" and onset < BASELINE:
                continue
            seen = np.array([first_signal(watch(f), onset) for f, _ in films])
            breach = np.array([b for _, b in films], dtype=np.float64)
            print(f"{slope:<12g}{name:14s}" + told(seen, breach, onset, onset + after), flush=True)


def told(seen: np.ndarray, breach: np.ndarray, onset: int, end: int) -> str:
    found, before, breaches = np.isfinite(seen), seen < breach, breach < end
    announced = (before & breaches).sum() / max(breaches.sum(), 1)
    lead = np.median((breach - seen)[before & breaches]) if (before & breaches).any() else np.nan
    delay = np.minimum(seen, end) - onset + 1
    return f"{found.mean():7.3f}{announced:11.3f}{lead:6.0f}{delay.mean():12.2f}{np.median(delay):8.0f}"


# Scatter and cost


def scatter(rng: np.random.Generator, streams: int) -> None:
    delays = []
    for _ in range(streams):
        base = film(rng, lots=60)
        wide = np.where(np.arange(60) >= BASELINE, 4.0, 1.0) * base.bag_variance
        found = tool(Film(base.weeks, base.levels, base.bags, wide, base.reading_variance)).query("kind == 'spread'")
        delays.append(first_signal(found, BASELINE) - BASELINE + 1)
    share = np.mean(np.array(delays) <= 3)
    print(f"\nBags scatter twice as much: median {np.median(delays):.0f} lots, {share:.2f} within 3")


def cost(rng: np.random.Generator) -> None:
    films = [film(rng, lots=200) for _ in range(50)]
    for name, watch in (("tool", tool), ("plain", plain)):
        start = time.process_time()
        for one in films:
            watch(one)
        each = (time.process_time() - start) / len(films)
        print(f"{name}: {1000 * each:.1f} ms a stream of 200 lots, {1e4 * each / 60:.1f} min of CPU for 10,000")


def main(streams: int) -> None:
    rng = np.random.default_rng(20_260_111)
    rate = false_alerts(rng, streams)
    height = calibrated(rng, rate, 3 * streams)
    print(
        f"\nThe detector that knows the truth: {rate:.3f} false alerts a stream-year at a likelihood root of {height:.2f}"
    )
    drifts(rng, streams, height, BASELINE, 60, (0.03, 0.05, 0.1, 0.2))
    drifts(rng, streams, height, 9, 24, (0.1, 0.2, 0.3))
    scatter(rng, streams)
    cost(rng)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 120)
