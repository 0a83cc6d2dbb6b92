"""Findings about the bench in labs where many streams change for reasons of their own.

    PYTHONPATH=.:tests/bench python tests/bench/bench_busy_labs.py [LABS] [SEED] [ROW ...] [--looks 0.6]

`--looks` sets the threshold for so many independent looks a week instead of the 1.4 in use.

Invented labs in which no two streams are alike: each has a scatter of its own (0.05 to 0.2 in the log), 3 to 12 bags a lot, a
third have tails as of t(4), a ninth a dependence of 0.3 to 0.5, a fifth a bound that some bags reach, a fifth a pause of 8 to 20
weeks. 5, 15 or 40 % of the streams change after week 26, all upward (towards the limit): half by ramps of 0.02 to 0.15 standard
deviations of a lot a week (at most 4), half by steps of 0.5 to 3; two thirds stream by stream, a third with the whole supplier, at
times of their own. `hard` is ramps alone, 0.05 to 0.15, all begun within 39 weeks, in 40 % of the streams.

Two labs: `one tester` has 35 suppliers of three films on one tester and in one chamber; `three testers` has five suppliers of six
films on three testers and in two chambers. The columns:

- findings without a cause a year, in labs without a shift of the bench, +- one standard error from lab to lab;
- attributed: of the changes that have a drift alert in the right direction, the share of which every alert is attributed to a
  finding at the end, with the rule of `ingest.alerts.attribution` (evaluated again without the shift and without the most of it);
- named: labs in which a true shift of one standard deviation on a tester, at week 70, is named within three weeks.

`+-` of a share is the 95 % interval of Clopper and Pearson.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from bench_shared_shift import CHECK_SIGMAS, WITHIN, YEAR_WEEKS, checks, points, scored, share, sisters

from spc import detection
from spc.shared_shift import candidates
from spc.shared_shift.finding import Finding, explain
from spc.shared_shift.search import shared_shifts
from spc.stream import alert_episodes
from spc.vocabulary.signal import signals_in

WEEKS = 78.0
FIRST_CHANGE = 26.0
SHIFT_AT = 70.0
BAG = 1.0  # standard deviation between bags, in that of a lot
FALSE_ALERTS_PER_YEAR = 0.2
CHECKED_FROM = 26.0


@dataclass(frozen=True, slots=True)
class BusyLab:
    """A lab's suppliers, its streams a supplier, how many testers and chambers, and the share of streams that change."""

    suppliers: int
    streams: int
    testers: int
    chambers: int
    changing: float
    hard: bool = False
    check: bool = False


def one_tester(changing: float, *, hard: bool = False) -> BusyLab:
    return BusyLab(35, 3, 1, 1, changing, hard)


def three_testers(changing: float, *, streams: int = 6, hard: bool = False, check: bool = False) -> BusyLab:
    return BusyLab(5, streams, 3, 2, changing, hard, check)


WITHOUT_SHIFT = {
    "one tester, 5 %": one_tester(0.05),
    "one tester, 15 %": one_tester(0.15),
    "one tester, 40 %": one_tester(0.40),
    "one tester, hard": one_tester(0.40, hard=True),
    "three testers, 5 %": three_testers(0.05),
    "three testers, 15 %": three_testers(0.15),
    "three testers, 40 %": three_testers(0.40),
    "three testers, hard": three_testers(0.40, hard=True),
}
WITH_SHIFT = {
    f"{words}, {100 * changing:.0f} %": three_testers(changing, streams=streams, check=check)
    for words, streams, check in (
        ("check standard, 2 streams a supplier", 6, True),
        ("agreement alone, 2 streams a supplier", 6, False),
        ("agreement alone, 3 streams a supplier", 9, False),
        ("agreement alone, 5 streams a supplier", 15, False),
    )
    for changing in (0.05, 0.15, 0.40)
} | {"one tester, agreement alone, 15 %": one_tester(0.15), "one tester, agreement alone, 40 %": one_tester(0.40)}


class Bags(NamedTuple):
    """The number of bags of each lot of a stream, and the variance between them in that of a lot."""

    count: np.ndarray
    variance: np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class Change:
    """What a stream adds to its level by itself, from a week on."""

    start: float
    slope: float
    step: float

    def at(self, weeks: np.ndarray) -> np.ndarray:
        since = weeks - self.start
        return np.where(since < 0, 0.0, self.step + np.minimum(self.slope * since, 4.0))


def change(rng: np.random.Generator, lab: BusyLab) -> Change:
    if lab.hard:
        return Change(rng.uniform(FIRST_CHANGE, FIRST_CHANGE + 39.0), rng.uniform(0.05, 0.15), 0.0)
    start = rng.uniform(FIRST_CHANGE, WEEKS)
    if rng.random() < 0.5:
        return Change(start, float(np.exp(rng.uniform(np.log(0.02), np.log(0.15)))), 0.0)
    return Change(start, 0.0, rng.uniform(0.5, 3.0))


def changes(rng: np.random.Generator, lab: BusyLab) -> dict[int, Change]:
    """The changes by number of the stream: a third of them with the whole supplier, the others stream by stream."""
    found: dict[int, Change] = {}
    for supplier in range(lab.suppliers):
        streams = range(supplier * lab.streams, (supplier + 1) * lab.streams)
        whole = change(rng, lab) if rng.random() < lab.changing / 3.0 else None
        for stream in streams:
            own = change(rng, lab) if rng.random() < lab.changing * 2.0 / 3.0 / (1.0 - lab.changing / 3.0) else None
            if whole or own:
                found[stream] = whole or own  # type: ignore[assignment]
    return found


def films(
    rng: np.random.Generator, lab: BusyLab, moves: dict[int, Change], shift: float
) -> tuple[pd.DataFrame, dict[int, Bags]]:
    """Levels in standard deviations of a lot (`z`) with the scale of each stream, and the bags of the lots."""
    tables, bags = [], {}
    for stream in range(lab.suppliers * lab.streams):
        times = np.sort(rng.uniform(0.0, WEEKS, rng.poisson(WEEKS)))
        if rng.random() < 0.2:
            pause = rng.uniform(10.0, WEEKS - 20.0)
            times = times[(times < pause) | (times > pause + rng.uniform(8.0, 20.0))]
        dependence = rng.uniform(0.3, 0.5) if rng.random() < 1 / 9 else 0.0
        tester = stream % lab.testers
        kind, instrument = (
            ("energy", "pulse 1")
            if lab.testers == 1
            else (("resistance", "meter"), ("energy", "pulse 1"), ("energy", "pulse 2"))[tester]
        )
        chamber = rng.choice(["A", "B"][: lab.chambers], times.size)
        level = lots_of(rng, times.size, tails=rng.random() < 1 / 3, dependence=dependence)
        if stream in moves:
            level = level + moves[stream].at(times)
        level = level + shift * ((times >= SHIFT_AT) & (instrument == "pulse 1"))
        number = rng.integers(3, 13, times.size)
        bound = rng.uniform(1.5, 3.0) if rng.random() < 0.2 else np.inf
        each = [np.minimum(one + BAG * rng.standard_normal(n), bound) for one, n in zip(level, number, strict=True)]
        measured = np.array([one.mean() for one in each])
        load = [f"{name}{int(when * 2.5)}" for name, when in zip(chamber, times, strict=True)]
        scale = float(np.exp(rng.uniform(np.log(0.05), np.log(0.2))))
        supplier = f"supplier {stream // lab.streams}"
        tables.append(points(stream, supplier, kind, chamber, instrument, load, times, measured, False, scale))
        bags[stream] = Bags(number, np.array([one.var(ddof=1) for one in each]))
    if lab.check:
        for table in checks(rng, WEEKS, lab.suppliers * lab.streams):
            moved = (table["weeks"] >= SHIFT_AT) & (table["instrument"] == "pulse 1")
            tables.append(table.assign(z=table["z"] + shift * CHECK_SIGMAS * moved))
    return pd.concat(tables, ignore_index=True), bags


def lots_of(rng: np.random.Generator, n: int, *, tails: bool, dependence: float) -> np.ndarray:
    fresh = rng.standard_t(4, n) / np.sqrt(2.0) if tails else rng.standard_normal(n)
    for i in range(1, n):
        fresh[i] = dependence * fresh[i - 1] + np.sqrt(1.0 - dependence**2) * fresh[i]
    return fresh


# Alerts of the streams, and what a finding explains of them


def alerts(
    table: pd.DataFrame,
    bags: dict[int, Bags],
    streams: Sequence[int],
    taken_out: np.ndarray,
    kinds: Collection[str] = ("drift",),
) -> dict[int, list[alert_episodes.Episode]]:
    """The episodes of these kinds in these streams, with something taken out of each level (charted scale, by row of `table`)."""
    level = table["z"].to_numpy() * table["scale"].to_numpy() - taken_out
    # The scatter that streams share is in the charted scale, as their levels are.
    of_films = table[~table["is_check_standard"].astype(bool)].assign(
        z=level[~table["is_check_standard"].to_numpy(bool)]
    )
    priors = {quantity: sisters(own) for quantity, own in of_films.groupby("quantity")}
    series = []
    for stream in streams:
        own = (table["stream"] == stream).to_numpy()
        weeks, scale, count = table["weeks"].to_numpy()[own], table["scale"].to_numpy()[own][0], bags[stream].count
        series.append(
            detection.LotSeries(
                weeks + 2000.0, level[own], (BAG * scale) ** 2 / count, scale**2 * bags[stream].variance, count - 1.0,
                np.full(weeks.size, np.nan), np.zeros(weeks.size), *priors[table["quantity"].to_numpy()[own][0]].at(weeks),
            )
        )  # fmt: skip
    seen = detection.detect_new(series, np.zeros(len(series), dtype=np.intp), FALSE_ALERTS_PER_YEAR)
    return {
        streams[int(number)]: [
            one
            for one in alert_episodes.signal_runs(signals_in(own), series[int(number)].weeks.size)
            if one.kind in kinds
        ]
        for number, own in seen.groupby("stream")
    }


def attributed(
    table: pd.DataFrame, bags: dict[int, Bags], moves: dict[int, Change], findings: Sequence[Finding]
) -> tuple[int, int]:
    """Of the changes with a drift alert in their direction, how many have none left that stands; and how many there are."""
    zero = np.zeros(len(table))
    with_alert = drifting(table, moves, alerts(table, bags, [*moves], zero)) if moves else set()
    if not findings or not with_alert:
        return 0, len(with_alert)
    parts = explain(table, findings)
    touched = [stream for stream in with_alert if (parts["finding"][table["stream"] == stream] >= 0).any()]
    if not touched:
        return 0, len(with_alert)
    standing = set(touched)
    for name in ("common", "most"):
        again = alerts(table, bags, touched, parts[name].to_numpy())
        standing &= drifting(table, {stream: moves[stream] for stream in touched}, again)
    return len(touched) - len(standing), len(with_alert)


def drifting(table: pd.DataFrame, moves: dict[int, Change], found: dict[int, list[alert_episodes.Episode]]) -> set[int]:
    """The streams with an episode upward that goes on after their change."""
    standing = set()
    for stream, episodes in found.items():
        weeks = table["weeks"].to_numpy()[(table["stream"] == stream).to_numpy()]
        if any(one.direction > 0 and weeks[one.latest] > moves[stream].start for one in episodes):
            standing.add(stream)
    return standing


# Rows


def without_shift(words: str, lab: BusyLab, labs: int, seed: int) -> None:
    begun = time.perf_counter()
    counts, hidden, alerted = [], 0, 0
    for number in range(labs):
        rng = np.random.default_rng([seed, number])
        moves = changes(rng, lab)
        table, bags = films(rng, lab, moves, 0.0)
        findings = [one for one in shared_shifts(scored(table)) if one.completed_at >= CHECKED_FROM]
        counts.append(len(findings))
        one_hidden, one_alerted = attributed(table, bags, moves, findings)
        hidden, alerted = hidden + one_hidden, alerted + one_alerted
    years = (WEEKS - CHECKED_FROM) / YEAR_WEEKS
    print(
        f"| {words} | {np.mean(counts) / years:.2f} +- {np.std(counts, ddof=1) / np.sqrt(labs) / years:.2f} | "
        f"{share(hidden, max(alerted, 1))} of {alerted} | {labs} labs, {time.perf_counter() - begun:.0f} s |",
        flush=True,
    )


def with_shift(words: str, lab: BusyLab, labs: int, seed: int) -> None:
    begun, found = time.perf_counter(), 0
    for number in range(labs):
        rng = np.random.default_rng([seed, 5000 + number])
        table, _ = films(rng, lab, changes(rng, lab), 1.0)
        table = table[table["weeks"] < SHIFT_AT + WITHIN]
        scores = scored(table)
        new = shared_shifts(scores[scores["weeks"] >= SHIFT_AT - 60.0], after=SHIFT_AT - 13.0)
        found += any(
            (one.suspect, one.direction) in {("pulse 1", 1), ("energy", 1)} and one.completed_at >= SHIFT_AT
            for one in new
        )
    print(f"| {words} | {share(found, labs)} | {labs} labs, {time.perf_counter() - begun:.0f} s |", flush=True)


def main() -> None:
    rows = [*WITHOUT_SHIFT.items(), *WITH_SHIFT.items()]
    parser = argparse.ArgumentParser()
    parser.add_argument("labs", type=int, nargs="?", default=20)
    parser.add_argument("seed", type=int, nargs="?", default=31415)
    parser.add_argument("rows", type=int, nargs="*", default=[*range(len(rows))])
    parser.add_argument("--looks", type=float, default=candidates._LOOKS_A_WEEK)
    options = parser.parse_args()
    candidates._LOOKS_A_WEEK = options.looks
    for place in options.rows:
        (without_shift if place < len(WITHOUT_SHIFT) else with_shift)(*rows[place], options.labs, options.seed)


if __name__ == "__main__":
    main()
