"""How fast lots are summarised and their components estimated, beside pandas' grouped mean and sd in the same run.

    python tests/bench/bench_components.py [LOTS]

10,000 lots of 6 bags x 6 readings by default, in streams of 25 lots.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from statistics import median

import numpy as np
import pandas as pd

from spc import components
from spc.stream import session_summary

BAGS, READINGS, LOTS_A_STREAM, REPEATS = 6, 6, 25, 5


def drawn(count: int) -> pd.DataFrame:
    """Invented readings with components 0.04, 0.02 and 0.01 on the log scale."""
    rng = np.random.default_rng(1)
    bag = rng.normal(2.0, 0.2, (count, 1, 1)) + rng.normal(0.0, 0.02**0.5, (count, BAGS, 1))
    value = np.exp(bag + rng.normal(0.0, 0.1, (count, BAGS, READINGS)))
    session, specimen = np.indices(value.shape)[:2]
    bound = np.zeros(value.shape, dtype=np.int8)
    columns = {"session": session, "specimen": specimen, "value": value, "bound": bound}
    return pd.DataFrame({name: np.ravel(column) for name, column in columns.items()})


def seconds(work: Callable[[], object]) -> float:
    """Median of repeated runs, after one to warm up."""
    work()
    times = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return median(times)


def main(count: int) -> None:
    frame = drawn(count)
    bounded = frame.assign(bound=(frame["value"] > frame["value"].quantile(0.999)).astype(np.int8))
    summary = session_summary.summarise(frame, "log")
    stream = np.arange(count) // LOTS_A_STREAM
    yardstick = seconds(lambda: frame.groupby("session")["value"].agg(["mean", "std"]))
    lines = {
        "pandas grouped mean and sd": yardstick,
        "lots.summarise": seconds(lambda: session_summary.summarise(frame, "log")),
        "lots.summarise, unsorted": seconds(
            lambda: session_summary.summarise(frame.sample(frac=1.0, random_state=1), "log")
        ),
        "lots.summarise, one reading in 1,000 bounded": seconds(lambda: session_summary.summarise(bounded, "log")),
        "components.batch, anova": seconds(lambda: components.batch(summary, stream, "anova")),
        "components.batch, reml": seconds(lambda: components.batch(summary, stream, "reml")),
    }
    sys.stdout.write(f"{count} lots of {BAGS} x {READINGS} readings, streams of {LOTS_A_STREAM} lots\n")
    for name, took in lines.items():
        sys.stdout.write(f"{name:48s} {took * 1e3:9.1f} ms {took / yardstick:8.1f} x\n")
    found = components.batch(summary, stream)[list(components.LEVELS)].mean()
    sys.stdout.write(f"mean components {found.round(4).to_dict()}, truth 0.04, 0.02, 0.01\n")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
