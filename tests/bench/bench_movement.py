"""Whether a compared level moves: how often one that stands is called moving, and how often one that moves is caught.

    PYTHONPATH=tests python tests/bench/bench_movement.py [STREAMS] [SEED]

Streams of 80 weekly lots run through the evaluation of the program, so that alerts and autocorrelation are its own; then its rule
judges the last lots of each, alone. The unit is one standard deviation of a lot mean. A rise is that from the first to the last of
the judged lots. The error of a share is one binomial standard error.
"""

from __future__ import annotations

import sys
from collections.abc import Callable

import numpy as np
import pandas as pd
from films import dependent, normal

from ingest.verdict.movement import WEEK_US, Movement, moves
from spc.stream.evaluate import Evaluation, EvaluationRequest, Settings, streams
from spc.stream.session_summary import summarise
from spc.vocabulary.enums import Kind

LOTS, STRETCHES, BAGS = 80, (12, 26), 5
LOT_SD = 0.06
Course = Callable[[int], np.ndarray]


def ramp(rise: float, lead: int = 16) -> Course:
    """A level that rises by `rise` over the judged lots and began `lead` lots before them."""
    return lambda last: rise / (last - 1) * np.maximum(np.arange(LOTS) - (LOTS - last - lead), 0)


def step(size: float, lead: int = 16) -> Course:
    """A level that moved at once, `lead` lots before the judged ones, and stands since."""
    return lambda last: size * (np.arange(LOTS) >= LOTS - last - lead)


def ended(size: float) -> Course:
    """A level that rose for 16 lots up to the judged ones and stands since."""
    return lambda last: size * np.clip((np.arange(LOTS) - (LOTS - last - 16)) / 16, 0, 1)


STANDING = {
    "stands": (step(0.0), normal),
    "stands, autocorrelation 0.4": (step(0.0), dependent(0.4)),
    "moved by 2 before, stands since": (step(2.0), normal),
    "moved by 4 before, stands since": (step(4.0), normal),
    "rose by 4 before, stands since": (ended(4.0), normal),
}
MOVING = {
    "rises by 2": (ramp(2.0), normal),
    "rises by 3": (ramp(3.0), normal),
    "rises by 4": (ramp(4.0), normal),
    "rises by 6": (ramp(6.0), normal),
    "rises by 4, autocorrelation 0.4": (ramp(4.0), dependent(0.4)),
}


def sessions(rng: np.random.Generator, course: np.ndarray, truth: Callable[..., np.ndarray]) -> pd.DataFrame:
    """A lab's sessions of one stream; bags take a seventh of the variance of a lot mean."""
    between, of_bags = np.sqrt(6 / 7) * LOT_SD, np.sqrt(BAGS / 7) * LOT_SD
    levels = np.log(10.0) + course * LOT_SD + between * truth(rng, LOTS)
    values = np.exp(levels[:, None] + of_bags * rng.standard_normal((LOTS, BAGS)))
    readings = pd.DataFrame(
        {
            "session": np.repeat(np.arange(LOTS), BAGS),
            "specimen": np.tile(np.arange(BAGS), LOTS),
            "value": values.ravel(),
            "bound": 0,
        }
    )
    return summarise(readings, "log").assign(
        lot=[f"L{number}" for number in range(LOTS)],
        weeks=np.arange(LOTS, dtype=float),
        valid=True,
        limit_lower=np.nan,
        limit_upper=20.0,
    )


def movement_of(evaluation: Evaluation) -> Movement:
    """What the store would hold of the moves of the stream."""
    drifts = [one for one in evaluation.episodes if one.kind in (Kind.DRIFT, Kind.FORECAST) and np.isfinite(one.start)]
    begun = [round(one.start) + 1 for one in drifts]
    alerts = [(since * WEEK_US, one.direction) for since, one in zip(begun, drifts, strict=True) if one.end is None]
    autocorrelation = 0.0 if evaluation.posterior is None else min(max(evaluation.posterior.autocorrelation, 0.0), 0.95)
    return Movement(tuple(week * WEEK_US for week in begun), tuple(alerts), autocorrelation)


def share_moving(evaluations: list[Evaluation], last: int) -> float:
    first = LOTS - last
    tested = [week * WEEK_US for week in range(first, LOTS)]
    return float(
        np.mean(
            [
                moves(movement_of(one), first * WEEK_US - 1, LOTS * WEEK_US, tested, one.points.floats("level")[first:])
                for one in evaluations
            ]
        )
    )


def main(count: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    print(f"{count} streams a cell, seed {seed}; share called moving")
    print(f"{'':<34}" + "".join(f"{last:>5} lots    " for last in STRETCHES))
    for name, (course, truth) in {**STANDING, **MOVING}.items():
        cells = []
        for last in STRETCHES:
            requests = [
                EvaluationRequest(sessions(rng, course(last), truth), Settings(false_alerts_per_year=0.2))
                for _ in range(count)
            ]
            share = share_moving(streams(requests), last)
            cells.append(f"{100 * share:5.1f} ± {100 * np.sqrt(max(share * (1 - share), 0.25 / count) / count):3.1f} %")
        print(f"{name:<34}" + " ".join(cells), flush=True)


if __name__ == "__main__":
    main(*(int(text) for text in sys.argv[1:3]) if len(sys.argv) == 3 else (200, 1))
