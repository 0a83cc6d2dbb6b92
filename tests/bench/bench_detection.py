"""How often the detector cries wolf and how early it sees a drift, beside a plain chart and one that knows the truth.

    python tests/bench/bench_detection.py [STREAMS [SEED]]

Invented streams (`films.py`) of lots of six bags with six readings each, weekly unless it says otherwise; +- is 1.96
standard errors. Columns:

- tool: `spc.detection.newest` at a budget of 0.2 false alerts a stream-year, 20 streams to a lab, and the same for a stream
  alone, without sisters;
- plain: a chart of individuals, three-sigma limits from the moving ranges of 25 lots, and nine on one side;
- knows: a likelihood ratio of steps with the mean and the standard deviation known, which no real bench has, at a threshold
  that gives on clean data the tool's own rate of false alerts of all kinds.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable

import numpy as np
import pandas as pd
from films import (
    BAGS,
    BASELINE,
    FIRST_WEEK,
    LOTS,
    SCENES,
    SISTERS,
    Film,
    Scene,
    always,
    as_stream,
    film,
    films,
    moved,
    normal,
    signals,
    sisters_of,
)

from spc import charts, detection, patterns
from spc.stream import alert_episodes, evaluate, session_summary
from spc.vocabulary.signal import signal_frame, signals_in

BUDGET = 0.2
YEAR_WEEKS = 52.1775
TOLD = ("point", "drift", "spread", "forecast")
LIMIT = 4.0
SURE = 1.96


# The two others; each says at which lots it signals, with kind and direction


def plain(seen: list[Film]) -> pd.DataFrame:
    """Three-sigma limits and nine on one side, from the first 25 lots."""
    rows = []
    for number, one in enumerate(seen):
        usual = charts.individuals(one.levels[:BASELINE])
        z = (one.levels - usual.center) / usual.sigma
        found = patterns.find(z, ("beyond_three_sigma", "nine_on_one_side"))
        rows += [(number, index, name, float(np.sign(z[index]))) for name, index in found if index >= BASELINE]
    return as_signals(rows)


def knowing(seen: list[Film], height: float) -> pd.DataFrame:
    """Likelihood ratio of a step at any of the last 100 lots, mean 0 and standard deviation 1 known."""
    rows: list[tuple[int, int, str, float]] = []
    for number, one in enumerate(seen):
        statistic, direction = likelihood(one.levels)
        rows += [(number, int(i), "drift", direction[i]) for i in np.flatnonzero(statistic > height) if i >= 7]
    return as_signals(rows)


def likelihood(levels: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    total = np.concatenate([[0.0], np.cumsum(levels)])
    end, start = np.indices((levels.size, levels.size))
    behind = end + 1 - start
    inside = (behind >= 1) & (behind <= 100)
    score = np.where(inside, (total[end + 1] - total[start]) / np.sqrt(np.maximum(behind, 1)), 0.0)
    best = np.abs(score).argmax(axis=1)
    chosen = score[np.arange(levels.size), best]
    return np.abs(chosen), np.sign(chosen)


def as_signals(rows: Iterable[tuple[int, int, str, float]]) -> pd.DataFrame:
    table = [(n, float(i), kind, int(side), "look", kind, 1.0, np.nan, np.nan, np.nan) for n, i, kind, side in rows]
    return pd.DataFrame(table, columns=["stream", *alert_episodes.SIGNAL_COLUMNS])


# False alerts


def episodes(found: pd.DataFrame, streams: int) -> pd.DataFrame:
    """Episodes by stream (rows) and kind (columns)."""
    counts = pd.DataFrame(0.0, index=range(streams), columns=list(TOLD))
    for number, own in found.groupby("stream"):
        for one in alert_episodes.signal_runs(signals_in(own), int(own["index"].max()) + 1):
            counts.loc[number, one.kind if one.kind in TOLD else "point"] += 1.0
    return counts


def rate(counts: np.ndarray, years: np.ndarray) -> tuple[float, float]:
    """Episodes a stream-year, and its standard error from stream to stream."""
    mean = counts.sum() / years.sum()
    return float(mean), float(np.sqrt(((counts - mean * years) ** 2).sum()) / years.sum())


def years_of(seen: list[Film], first: int) -> np.ndarray:
    return np.array([(one.weeks[-1] - one.weeks[first]) / YEAR_WEEKS for one in seen])


def told(name: str, counts: pd.DataFrame, years: np.ndarray, rest: str) -> float:
    every, se = rate(counts.sum(axis=1).to_numpy(), years)
    kinds = "".join(f"{counts[kind].sum() / years.sum() / BUDGET:8.2f}" for kind in TOLD)
    print(f"{name:25s}{every / BUDGET:6.2f} +- {SURE * se / BUDGET:4.2f} {kinds}{rest}", flush=True)
    return every


def false_alerts(rng: np.random.Generator, streams: int) -> float:
    """Print false alerts in units of the budget; return the tool's rate on clean data."""
    print(f"False alerts of all kinds, in units of the budget of {BUDGET} a stream-year ({streams} streams a row)")
    print(f"{'':25s}{'tool':>6s}{'':8s}" + "".join(f"{kind:>8s}" for kind in TOLD) + f"{'alone':>14s}{'plain':>15s}")
    clean = 0.0
    for name, scene in SCENES.items():
        short = scene.lots < 2 * BASELINE
        seen = films(rng, scene, streams * 4 if short else streams)
        years = years_of(seen, 7)
        alone = rate(episodes(signals(seen, BUDGET, alone=True), len(seen)).sum(axis=1).to_numpy(), years)
        rest = f"{alone[0] / BUDGET:8.2f} +- {SURE * alone[1] / BUDGET:4.2f}"
        if not short:
            other = rate(episodes(plain(seen), len(seen)).sum(axis=1).to_numpy(), years_of(seen, BASELINE))
            rest += f"{other[0] / BUDGET:8.2f} +- {SURE * other[1] / BUDGET:4.2f}"
        every = told(name, episodes(signals(seen, BUDGET), len(seen)), years, rest)
        clean = every if name == "clean" else clean
    bounded(rng, max(streams // 4, 10))
    return clean


def bounded(rng: np.random.Generator, streams: int, lots_each: int = 80) -> None:
    """One reading in four under the floor of the instrument, through `spc.stream.evaluate.stream`, a stream alone."""
    found = []
    for number in range(streams):
        found_in = evaluate.stream(floored(rng, lots_each), evaluate.Settings(false_alerts_per_year=BUDGET))
        seen = signal_frame(found_in.signals)
        found.append(seen[seen["kind"].isin(TOLD)].assign(stream=number))
    years = np.full(streams, (lots_each - 8) / YEAR_WEEKS)
    told(f"bounded ({streams} alone)", episodes(pd.concat(found), streams), years, "")


def floored(rng: np.random.Generator, lots_each: int) -> pd.DataFrame:
    """Sessions of six bags of two readings with a floor."""
    shape = (lots_each, BAGS, 2)
    true = 0.2 * rng.standard_normal(shape[:1])[:, None, None] + 0.2 * rng.standard_normal(shape[:2])[:, :, None]
    values = true + 0.05 * rng.standard_normal(shape)
    floor = -0.2
    session, bag, _ = np.indices(shape)
    rows = pd.DataFrame(
        {
            "session": session.ravel(),
            "specimen": bag.ravel(),
            "value": np.exp(np.maximum(values, floor)).ravel(),
            "bound": np.where(values < floor, -1, 0).ravel(),
        }
    )
    return session_summary.summarise(rows, "log").assign(
        lot=[f"{number:04}" for number in range(lots_each)],
        weeks=FIRST_WEEK + np.arange(lots_each),
        valid=True,
        limit_lower=np.nan,
        limit_upper=np.nan,
    )


def calibrated(rng: np.random.Generator, wanted: float, streams: int) -> float:
    """Height at which the detector that knows the truth raises `wanted` episodes a stream-year."""
    seen = films(rng, SCENES["clean"], streams)
    years = years_of(seen, 7)
    every = knowing(seen, 2.8)
    statistic = np.concatenate([likelihood(one.levels)[0] for one in seen])
    place = every["stream"].to_numpy(int) * LOTS + every["index"].to_numpy(int)

    def raised(height: float) -> float:
        kept = every[statistic[place] > height]
        return rate(episodes(kept, streams).sum(axis=1).to_numpy(), years)[0]

    heights = np.arange(2.9, 3.9, 0.1)
    return float(np.interp(-wanted, [-raised(height) for height in heights], heights))


# Drifts


def asked(rng: np.random.Generator, seen: list[Film], *, alone: bool) -> pd.DataFrame:
    """What the tool says of streams that are new in a lab of 20 others, which are steady and a year and a half older."""
    streams: list[detection.LotSeries] = []
    for first in range(0, len(seen), SISTERS):
        older = [film(rng, Scene(always(normal))) for _ in range(SISTERS)]
        shifted = [
            Film(one.weeks - 78.0, one.levels, one.bags, one.bag_variance, one.reading_variance) for one in older
        ]
        sisters = detection.NO_POOL if alone else sisters_of(shifted)
        streams += [as_stream(one, sisters) for one in seen[first : first + SISTERS]]
    return detection.detect_new(streams, np.zeros(len(streams), dtype=np.intp), BUDGET)


def first_signals(found: pd.DataFrame, streams: int, onset: int) -> np.ndarray:
    """Lot of the first signal upwards from the onset on, inf where there is none."""
    later = found[(found["index"] >= onset) & (found["direction"] > 0) & (found["kind"] != "spread")]
    return later.groupby("stream")["index"].min().reindex(range(streams)).fillna(np.inf).to_numpy(np.float64)


def drifts(
    rng: np.random.Generator, streams: int, height: float, onset: int, after: int, shifts: dict[str, np.ndarray]
) -> None:
    print(f"\nAfter {onset} steady lots, followed {after} lots, limit at +{LIMIT:g} sigma ({streams} streams a row)")
    print(f"{'':13s}{'':7s}{'found':>13s}{'announced':>14s}{'lead':>6s}{'mean delay':>15s}{'/ knows':>16s}")
    scene = Scene(always(normal), lots=onset + after)
    for name, shift in shifts.items():
        seen = [moved(one, shift, onset) for one in films(rng, scene, streams)]
        ways = {
            "knows": knowing(seen, height),
            "tool": asked(rng, seen, alone=False),
            "alone": asked(rng, seen, alone=True),
        }
        if onset >= BASELINE:
            ways["plain"] = plain(seen)
        firsts = {way: first_signals(found, streams, onset) for way, found in ways.items()}
        for way in ways:
            print(
                f"{name:13s}{way:7s}" + row(firsts[way], firsts["knows"], breaches(seen, onset), onset, onset + after)
            )
        print(end="", flush=True)


def breaches(seen: list[Film], onset: int) -> np.ndarray:
    """First lot over the limit from the onset on, inf where there is none."""
    over = np.array([one.levels[onset:] > LIMIT for one in seen])
    return np.where(over.any(axis=1), onset + over.argmax(axis=1), np.inf)


def row(first: np.ndarray, knows: np.ndarray, breach: np.ndarray, onset: int, end: int) -> str:
    late = np.isfinite(breach)
    before = (first < breach)[late]
    with np.errstate(invalid="ignore"):
        ahead = (breach - first)[late][before]
    lead = f"{np.median(ahead):6.0f}" if before.any() else f"{'':6s}"
    delay, other = (np.minimum(one, end) - onset + 1 for one in (first, knows))
    ratio = delay.mean() / other.mean()
    ratio_se = np.std(delay - ratio * other) / np.sqrt(delay.size) / other.mean()
    announced = share(before) if late.sum() > 10 else f"{'':14s}"
    return (
        f"{share(np.isfinite(first))}{announced}{lead}{delay.mean():8.2f} +- {SURE * np.std(delay) / np.sqrt(delay.size):4.2f}"
        f"{ratio:8.2f} +- {SURE * ratio_se:4.2f}"
    )


def share(found: np.ndarray) -> str:
    mean = float(found.mean())
    # Wilson (1927): stays inside 0 to 1 and has a width where all or none were found.
    half = SURE * np.sqrt(mean * (1.0 - mean) / found.size + SURE**2 / (4 * found.size**2)) / (1 + SURE**2 / found.size)
    return f"{mean:6.3f} +-{half:5.3f}"


# Scatter


def scatter(rng: np.random.Generator, streams: int) -> None:
    delays = []
    for base in films(rng, Scene(always(normal), lots=60), streams):
        wide = np.where(np.arange(60) >= BASELINE, 4.0, 1.0) * base.bag_variance
        found = signals([Film(base.weeks, base.levels, base.bags, wide, base.reading_variance)], BUDGET, alone=True)
        seen = found[(found["kind"] == "spread") & (found["index"] >= BASELINE)]["index"]
        delays.append(float(seen.min()) - BASELINE + 1 if len(seen) else np.inf)
    print(f"\nBags scatter twice as much: median {np.median(delays):.0f} lots, {share(np.array(delays) <= 3)} within 3")


def main(streams: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    wanted = false_alerts(rng, streams)
    height = calibrated(rng, wanted, 2 * streams)
    print(f"\nThe detector that knows: {wanted:.3f} false alerts a stream-year at a likelihood root of {height:.2f}")
    lots_on = np.arange(1.0, 61.0)
    ramps = {f"ramp {slope:g}": slope * lots_on for slope in (0.03, 0.05, 0.1, 0.2)}
    steps = {f"step {size:g}": np.full(60, size) for size in (1.0, 2.0)}
    drifts(rng, streams, height, BASELINE, 60, ramps | steps)
    drifts(rng, streams, height, 9, 24, {f"ramp {slope:g}": slope * lots_on for slope in (0.1, 0.2, 0.3)})
    scatter(rng, streams)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 60, int(sys.argv[2]) if len(sys.argv) > 2 else 20_261_125)
