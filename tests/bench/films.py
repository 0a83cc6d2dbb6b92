"""Invented labs of streams for the detector's benchmark: what really happened is known, and is seldom the detector's model.

One standard deviation of lot means is the unit. A level's scatter is the lots' own and, for 15 % of the variance, that of
its bags; the true dependence, tails and skew are the lots' own.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from spc import detection

LOTS = 130
BASELINE = 25
BAGS = 6
READINGS = 6
BAG_SHARE = 0.15  # of the variance of a level comes from its bags
SISTERS = 20  # streams of a lab that are asked together
FIRST_WEEK = 2000.0

Truth = Callable[[np.random.Generator, int], np.ndarray]


@dataclass(frozen=True, slots=True, eq=False)
class Film:
    """One stream as the bench sees it."""

    weeks: np.ndarray
    levels: np.ndarray
    bags: np.ndarray
    bag_variance: np.ndarray
    reading_variance: np.ndarray


@dataclass(frozen=True, slots=True)
class Scene:
    """What a lab's streams are like; `truth` is drawn anew for each stream."""

    truth: Callable[[np.random.Generator], Truth]
    lots: int = LOTS
    unequal: bool = False
    tails: bool = False
    weeks: str = "weekly"


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


def always(truth: Truth) -> Callable[[np.random.Generator], Truth]:
    return lambda rng: truth


SCENES: dict[str, Scene] = {
    "clean": Scene(always(normal)),
    "tails t(4) of lots": Scene(always(heavy)),
    "tails t(4) of bags too": Scene(always(heavy), tails=True),
    "skew, lognormal 0.5 raw": Scene(always(skewed)),
    "dependence 0.3": Scene(always(dependent(0.3))),
    "dependence 0.5": Scene(always(dependent(0.5))),
    "dependence 0 to 0.6": Scene(lambda rng: dependent(rng.uniform(0.0, 0.6))),
    "3 to 12 bags": Scene(always(normal), unequal=True),
    "pauses, missing weeks": Scene(always(normal), weeks="pauses"),
    "irregular dates": Scene(always(normal), weeks="irregular"),
    "four lots a day": Scene(always(normal), weeks="fours"),
    "short, 20 lots": Scene(always(normal), lots=20),
}


def film(rng: np.random.Generator, scene: Scene) -> Film:
    lots = scene.lots
    bags = rng.integers(3, 13, lots) if scene.unequal else np.full(lots, BAGS)
    noise = BAG_SHARE * BAGS / bags
    truth = scene.truth(rng)
    levels = np.sqrt(1.0 - BAG_SHARE) * truth(rng, lots) + np.sqrt(noise) * rng.standard_normal(lots)
    draw = heavy if scene.tails else normal
    scatter = np.array([draw(rng, count).var(ddof=1) for count in bags])
    readings = np.array([draw(rng, (READINGS - 1) * count).var() for count in bags])
    return Film(when(rng, scene), levels, bags, BAG_SHARE * BAGS * scatter, readings)


def when(rng: np.random.Generator, scene: Scene) -> np.ndarray:
    """Weeks of the tests."""
    lots = np.arange(scene.lots, dtype=np.float64)
    if scene.weeks == "pauses":
        lots += np.cumsum(rng.poisson(0.3, scene.lots) + np.where(rng.random(scene.lots) < 0.04, 8.0, 0.0))
    elif scene.weeks == "irregular":
        lots = np.cumsum(rng.gamma(0.5, 2.0, scene.lots))
    elif scene.weeks == "fours":
        lots = 4.0 * np.floor(lots / 4.0)
    return FIRST_WEEK + lots


def films(rng: np.random.Generator, scene: Scene, count: int) -> list[Film]:
    return [film(rng, scene) for _ in range(count)]


def sisters_of(lab: list[Film]) -> detection.PooledPrior:
    """What the streams of a lab say together, each with the levels that the bench measured."""
    stream = np.repeat(np.arange(len(lab)), [one.levels.size for one in lab])
    weeks, levels = (np.concatenate([getattr(one, name) for one in lab]) for name in ("weeks", "levels"))
    return detection.pool(detection.lag_sums(stream, weeks, levels))


def as_stream(one: Film, sisters: detection.PooledPrior) -> detection.LotSeries:
    return detection.LotSeries(
        one.weeks,
        one.levels,
        BAG_SHARE * BAGS / one.bags,
        one.bag_variance,
        one.bags - 1.0,
        one.reading_variance,
        (READINGS - 1.0) * one.bags,
        *sisters.at(one.weeks),
    )


def signals(seen: list[Film], budget: float, *, alone: bool = False) -> pd.DataFrame:
    """What the detector says of these streams; labs of `SISTERS` of them are asked together."""
    streams = []
    for first in range(0, len(seen), SISTERS):
        lab = seen[first : first + SISTERS]
        sisters = detection.NO_POOL if alone else sisters_of(lab)
        streams += [as_stream(one, sisters) for one in lab]
    return detection.detect_new(streams, np.zeros(len(streams), dtype=np.intp), budget)


def moved(base: Film, shift: np.ndarray, from_lot: int) -> Film:
    """The stream with `shift` added from a lot on."""
    levels = base.levels.copy()
    levels[from_lot:] += shift[: levels.size - from_lot]
    return replace(base, levels=levels)
