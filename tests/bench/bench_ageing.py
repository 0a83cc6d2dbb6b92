"""Whether the dates of the stock page keep what they say: simulated labs where the truth is known.

    python tests/bench/bench_ageing.py [STUDIES] [LABS]

Lots start at 9.5 (log10 ohm, sd 0.15) and rise by 0.06 a month (sd 0.015); a test has sd 0.08; the limit is 11. `Early` is
the share of new lots that are over the limit before their stated date; asked: at most 5 %. `Kept` is the share of studies
in which at most a tenth of all lots is over the limit at the stated life of the film; asked: 95 %.
"""

from __future__ import annotations

import sys

import numpy as np
from scipy.special import ndtr

from spc.ageing import chance_over, mean_line_life, own_date, tolerance_life, weighed_slopes

START, SPREAD, PACE, PACES, TEST, LIMIT = 9.5, 0.15, 0.06, 0.015, 0.08, 11.0
NEW_LOTS = 20


def film(
    rng: np.random.Generator, plans: list[np.ndarray], paces: float = PACES
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    lot = np.repeat(np.arange(len(plans)), [one.size for one in plans])
    age = np.concatenate(plans)
    start = START + SPREAD * rng.standard_normal(len(plans))
    pace = PACE + paces * rng.standard_normal(len(plans))
    return age, start[lot] + pace[lot] * age + TEST * rng.standard_normal(age.size), lot


def even(rng: np.random.Generator, lots: int) -> list[np.ndarray]:
    return [np.array([1.0, 7, 13])] * lots


def odd(rng: np.random.Generator, lots: int) -> list[np.ndarray]:
    """Two to four tests at any age; a pair under a month apart shows nothing and is not planned."""
    return [np.sort(rng.uniform(0, 15, rng.integers(2, 5))) for _ in range(lots)]


def pairs(rng: np.random.Generator, lots: int) -> list[np.ndarray]:
    return [np.array([0.5, 0.5 + rng.uniform(4, 10)]) for _ in range(lots)]


def suspicious(rng: np.random.Generator, lots: int, paces: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Of four times as many lots, those that read highest at first are tested again after six months."""
    age, level, lot = film(rng, [np.array([1.0, 7.0])] * (4 * lots), paces)
    chosen = np.isin(lot, np.argsort(level[age == 1.0])[-lots:])
    tested = chosen | (age == 1.0)
    return age[tested], level[tested], lot[tested]


def dates(rng: np.random.Generator, labs: int) -> None:
    print(f"own date, {labs} labs of {NEW_LOTS} new lots, percent")
    plans = {"even": even, "odd ages": odd, "pairs": pairs, "the highest again": None}
    for name, plan in plans.items():
        for lots in (5, 8, 20):
            for paces in (0.0, PACES):
                early = short = 0
                months = []
                for _ in range(labs):
                    seen = suspicious(rng, lots, paces) if plan is None else film(rng, plan(rng, lots), paces)
                    law = weighed_slopes(*seen)
                    start = 9.9 + SPREAD * rng.standard_normal(NEW_LOTS)
                    pace = PACE + paces * rng.standard_normal(NEW_LOTS)
                    keep = own_date(start + TEST * rng.standard_normal(NEW_LOTS), LIMIT, law, furthest=240.0).keep
                    early += int(np.sum((start + pace * keep > LIMIT) & (keep > 0)))
                    short += int(np.sum(keep < 3))
                    months.append(float(np.median(keep)))
                n = labs * NEW_LOTS
                print(
                    f"  {name:18} {lots:3} lots, sd of slopes {paces:5.3f}: early {100 * early / n:4.1f}, median {np.median(months):4.1f} months"
                )


def chances(rng: np.random.Generator, labs: int) -> None:
    """Of lots with a stated chance, how many are over the limit on that day."""
    stated, over = [], []
    for _ in range(labs):
        law = weighed_slopes(*film(rng, odd(rng, 8)))
        start = 9.9 + SPREAD * rng.standard_normal(NEW_LOTS)
        pace = PACE + PACES * rng.standard_normal(NEW_LOTS)
        day = rng.uniform(0, 30, NEW_LOTS)
        stated.append(chance_over(start + TEST * rng.standard_normal(NEW_LOTS), LIMIT, law, day))
        over.append(start + pace * day > LIMIT)
    p, y = np.concatenate(stated), np.concatenate(over)
    print("chance over: stated and seen, percent")
    for low, high in ((0, 0.02), (0.02, 0.1), (0.1, 0.3), (0.3, 0.7), (0.7, 0.9), (0.9, 1.0001)):
        here = (p >= low) & (p < high)
        print(f"  {100 * p[here].mean():5.1f} stated, {100 * y[here].mean():5.1f} seen, {int(here.sum())} lots")


def lives(rng: np.random.Generator, studies: int) -> None:
    print(f"life of a film, {studies} studies, percent kept, and share of lots over at the stated age")
    for name, plan in (("even", even), ("odd ages", odd)):
        for lots in (5, 6, 12):
            kept, shares, mean_shares = 0, [], []
            for _ in range(studies):
                seen = film(rng, plan(rng, lots))
                shares.append(share(tolerance_life(*seen, LIMIT).life))
                kept += shares[-1] <= 0.10
                if name == "even":
                    mean_shares.append(share(mean_line_life(*seen, upper=LIMIT).life))
            beside = (
                f"; by the mean line {100 * np.mean([s <= 0.1 for s in mean_shares]):4.1f} kept" if mean_shares else ""
            )
            print(
                f"  {name:9} {lots:3} lots: kept {100 * kept / studies:4.1f}, over {100 * np.mean(shares):4.1f}{beside}"
            )


def share(age: float) -> float:
    return 1.0 - float(ndtr((LIMIT - START - PACE * min(age, 1e6)) / np.hypot(SPREAD, PACES * min(age, 1e6))))


if __name__ == "__main__":
    count = [int(text) for text in sys.argv[1:]]
    lives(np.random.default_rng(1), count[0] if count else 4000)
    dates(np.random.default_rng(2), count[1] if len(count) > 1 else 300)
    chances(np.random.default_rng(3), count[1] if len(count) > 1 else 300)
