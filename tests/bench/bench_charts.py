"""How fast charts and patterns are, as multiples of `numpy.sum` over the same array in the same run.

    python tests/bench/bench_charts.py [STREAMS]

100,000 streams of 100 lots (10 million points) by default. The batch goes through in blocks of streams that stay in the
processor's cache; what is kept of each block is the number of signals.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from statistics import median

import numpy as np
import pandas as pd
from scipy import signal

from spc import charts, patterns
from spc.kernels.validation import Floats

LOTS = 100
BLOCK = 500  # streams: 100 lots of them are 0.4 MB, several such arrays fit the second-level cache
REPEATS = 3


def blocks(x: Floats) -> Iterator[Floats]:
    for first in range(0, x.shape[1], BLOCK):
        yield x[:, first : first + BLOCK]


def individuals(x: Floats) -> int:
    return sum(outside(charts.individuals(block)) for block in blocks(x))


def ewma(x: Floats) -> int:
    return sum(outside(charts.ewma(block, 0.0, 1.0, weight=0.1, width=2.814)) for block in blocks(x))


def cusum(x: Floats) -> int:
    signals = 0
    for block in blocks(x):
        sums = charts.cusum(block, 0.0, 1.0, allowance=0.5, decision=5.0)
        signals += np.count_nonzero(sums.high > sums.decision) + np.count_nonzero(sums.low > sums.decision)
    return signals


def all_patterns(x: Floats) -> int:
    return sum(np.count_nonzero(patterns.marks(block)) for block in blocks(x))


def everything(x: Floats) -> int:
    """One pass as the product would make it: estimate, then average, sums and patterns about the estimate."""
    signals = 0
    for block in blocks(x):
        chart = charts.individuals(block)
        signals += outside(chart) + outside(charts.ewma(block, chart.center, chart.sigma, weight=0.1, width=2.814))
        sums = charts.cusum(block, chart.center, chart.sigma, allowance=0.5, decision=5.0)
        signals += np.count_nonzero(np.maximum(sums.high, sums.low) > sums.decision)
        signals += np.count_nonzero(patterns.marks((block - chart.center) / chart.sigma))
    return signals


def outside(chart: charts.Chart) -> int:
    return np.count_nonzero((chart.statistic > chart.upper) | (chart.statistic < chart.lower))


def pandas_ewma(x: Floats) -> object:
    """Average a tenth of the streams, kept stream by stream: the time grows in proportion."""
    streams = x.shape[1] // 10
    values = pd.Series(x[:, :streams].T.ravel())
    return values.groupby(np.repeat(np.arange(streams), x.shape[0])).ewm(alpha=0.1).mean()


def seconds(work: Callable[[], object], repeats: int = REPEATS) -> float:
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return median(times)


def main(streams: int = 100_000) -> None:
    x = np.random.default_rng(20260101).standard_normal((LOTS, streams))
    rows = np.ascontiguousarray(x.T)
    total = seconds(lambda: np.sum(x), 9)
    print(f"{streams:,} streams of {LOTS} lots; numpy.sum takes {1000 * total:.1f} ms and counts as 1")
    ours = {
        "individuals": lambda: individuals(x),
        "ewma": lambda: ewma(x),
        "two-sided cusum": lambda: cusum(x),
        f"{len(patterns.PATTERNS)} patterns": lambda: all_patterns(x),
        "all of these in one pass": lambda: everything(x),
    }
    others = {"copy": x.copy, "scipy.signal.lfilter": lambda: signal.lfilter([0.1], [1.0, -0.9], rows, axis=1)}
    for name, work in {**others, **ours}.items():
        print(f"{name:28}{seconds(work) / total:8.1f}")
    print(f"{'pandas grouped ewm':28}{10 * seconds(lambda: pandas_ewma(x), 1) / total:8.1f}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
