"""How fast many streams are judged at once, as multiples of numpy.sum over the same array in the same run.

    python tests/bench/bench_streams.py [STREAMS]

2,000 streams of 25 lots by default, one in ten lots missing. Beside each batch: the same question asked of 50 streams
one by one, for the time a stream.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from statistics import median

import numpy as np

from spc.capability import capabilities, capability
from spc.changepoint import ramp, ramps, split, splits, step, steps
from spc.stream.baseline import baselines, establish
from spc.stream.distribution_checks import dependence, dependences, normalities, normality

LOTS, REPEATS, ALONE = 25, 3, 50


def seconds(work: Callable[[], object], repeats: int = REPEATS) -> float:
    """Median of repeated runs, after one to warm up."""
    work()
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return median(times)


def main(streams: int) -> None:
    draw = np.random.default_rng(1)
    x = draw.normal(size=(LOTS, streams))
    x[draw.random(x.shape) < 0.1] = np.nan
    noise, times = np.full(x.shape, 0.1), np.tile(np.arange(float(LOTS))[:, None], streams)
    floor = seconds(lambda: np.sum(x), repeats=101)
    batches: dict[str, Callable[[], object]] = {
        "baseline": lambda: baselines(x, noise),
        "step": lambda: steps(x, 0.0, 1.0),
        "ramp": lambda: ramps(x, 0.0, 1.0, times),
        "split": lambda: splits(x),
        "normality": lambda: normalities(x),
        "dependence": lambda: dependences(x),
        "capability": lambda: capabilities(x, upper=4.0),
    }
    alone: dict[str, Callable[[np.ndarray], object]] = {
        "baseline": lambda one: establish(one, np.full(one.size, 0.1)),
        "step": lambda one: step(one, 0.0, 1.0),
        "ramp": lambda one: ramp(one, 0.0, 1.0),
        "split": split,
        "normality": normality,
        "dependence": dependence,
        "capability": lambda one: capability(one, upper=4.0),
    }
    sys.stdout.write(f"{streams} streams of {LOTS} lots; numpy.sum of the array {floor * 1e6:.1f} us = 1\n")
    few = [column[~np.isnan(column)] for column in x.T[:ALONE]]
    for name, work in batches.items():
        took = seconds(work)
        single = seconds(lambda name=name: [alone[name](one) for one in few]) / len(few)
        sys.stdout.write(
            f"{name:12s} {took * 1e3:9.1f} ms {took / floor:10.0f} x {took / streams * 1e6:8.1f} us a stream, "
            f"alone {single * 1e6:8.1f} us\n"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2_000)
