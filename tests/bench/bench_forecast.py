"""Whether the chance of a breach is what happens: reliability, Brier score, and two plain rivals.

    python tests/bench/bench_forecast.py [STREAMS]

The truth is simulated and is not the model's own: steady levels, ramps and steps that may begin before or after the
forecast, wandering levels, heavy tails, dependent lots; irregular dates with pauses, 3 to 12 bags, 4 to 80 lots. A breach
is a lot at or over the limit in the 13 weeks after the last one seen.
"""

from __future__ import annotations

import sys
import time

import numpy as np
from scipy import special

from spc.stream.forecast import forecast

HORIZON = 13.0
KINDS = {"steady": 0.3, "ramp": 0.25, "step": 0.15, "wandering": 0.1, "tails": 0.1, "dependent": 0.1}


def dates(rng: np.random.Generator, seen: int) -> tuple[np.ndarray, float]:
    pace = float(rng.choice([0.5, 1.0, 1.0, 2.0, 2.0, 4.0]))
    number = seen + int(4 * HORIZON / pace) + 20
    gaps = pace * rng.gamma(2.0, 0.5, number) if rng.random() < 0.7 else np.full(number, pace)
    if rng.random() < 0.2:
        gaps[rng.integers(0, number, 3)] += 6.0 * pace
    return np.cumsum(gaps), pace


def course(rng: np.random.Generator, kind: str, weeks: np.ndarray, end: float, pace: float) -> np.ndarray:
    if kind == "ramp":
        start = rng.uniform(-0.3, 1.0) * end
        slope = rng.choice([-1.0, 1.0], p=[0.3, 0.7]) * np.exp(rng.uniform(np.log(0.02), np.log(0.3))) / pace
        return slope * (np.maximum(weeks - start, 0.0) - max(weeks[0] - start, 0.0))
    if kind == "step":
        return rng.normal(0.0, 2.0) * (weeks > rng.uniform(0.0, end))
    if kind == "wandering":
        return rng.choice([0.1, 0.2, 0.4]) * np.cumsum(
            rng.standard_normal(weeks.size) * np.sqrt(np.diff(weeks, prepend=0.0) / pace)
        )
    return np.zeros(weeks.size)


def scatter(rng: np.random.Generator, kind: str, number: int) -> np.ndarray:
    fresh = rng.standard_t(4, number) / np.sqrt(2.0) if kind == "tails" else rng.standard_normal(number)
    if kind == "dependent":
        r = float(rng.choice([0.3, 0.5]))
        for i in range(1, number):
            fresh[i] = r * fresh[i - 1] + np.sqrt(1.0 - r**2) * fresh[i]
    return fresh


def stream(rng: np.random.Generator) -> tuple[str, np.ndarray, np.ndarray, np.ndarray, float, bool]:
    kind = str(rng.choice(list(KINDS), p=list(KINDS.values())))
    seen = int(rng.choice([4, 6, 8, 12, 16, 25, 40, 60, 80]))
    weeks, pace = dates(rng, seen)
    now = weeks[seen - 1]
    bags = rng.choice([3, 6, 12], weeks.size) if rng.random() < 0.5 else np.full(weeks.size, 6)
    share = float(rng.choice([0.05, 0.2, 0.5]))
    noise = share * 6 / bags
    levels = course(rng, kind, weeks, now + HORIZON, pace) + np.sqrt(1.0 - share) * scatter(rng, kind, weeks.size)
    levels += rng.standard_normal(weeks.size) * np.sqrt(noise)
    limit = rng.uniform(1.5, 7.0)
    coming = (weeks > now) & (weeks <= now + HORIZON)
    return kind, weeks[:seen], levels[:seen], noise[:seen], limit, bool((levels[coming] >= limit).any())


def straight_line(weeks: np.ndarray, levels: np.ndarray, limit: float) -> float:
    """Least squares with normal residuals, as a spreadsheet would have it."""
    slope, base = np.polyfit(weeks, levels, 1)
    sd = np.sqrt(np.sum((levels - base - slope * weeks) ** 2) / (weeks.size - 2))
    pace = (weeks[-1] - weeks[0]) / (weeks.size - 1)
    ahead = weeks[-1] + np.arange(1.0, HORIZON / pace + 1e-9) * pace
    return float(1.0 - np.prod(special.ndtr((limit - base - slope * ahead) / sd)))


def brier(given: np.ndarray, breached: np.ndarray) -> float:
    return float(((given - breached) ** 2).mean())


def main() -> None:
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 12_000
    rng = np.random.default_rng(20)
    kinds, given, line, breached, spent = [], [], [], [], 0.0
    for _ in range(number):
        kind, weeks, levels, noise, limit, breach = stream(rng)
        begun = time.perf_counter()
        found = forecast(weeks, levels, noise, lower=None, upper=limit, horizon_weeks=HORIZON)
        spent += time.perf_counter() - begun
        kinds.append(kind)
        given.append(found.breach_probability)
        line.append(straight_line(weeks, levels, limit))
        breached.append(breach)
    report(np.array(kinds), np.array(given), np.array(line), np.array(breached, dtype=float))
    print(f"{1000 * spent / number:.2f} ms a stream")


def report(kinds: np.ndarray, given: np.ndarray, line: np.ndarray, breached: np.ndarray) -> None:
    print("given       streams  mean given  breached  difference in points")
    for tenth in range(10):
        here = np.minimum((given * 10).astype(int), 9) == tenth
        if here.any():
            p, b = given[here].mean(), breached[here].mean()
            print(
                f"{10 * tenth:3d} to {10 * tenth + 10:3d} % {here.sum():6d} {100 * p:10.1f} {100 * b:9.1f} {100 * (b - p):+8.1f}"
            )
    base = np.full(breached.size, breached.mean())
    print(
        f"Brier score {brier(given, breached):.4f}; base rate {brier(base, breached):.4f}; straight line {brier(line, breached):.4f}"
    )
    for kind in KINDS:
        here = kinds == kind
        print(
            f"  {kind:10s} {brier(given[here], breached[here]):.4f}; base {brier(base[here], breached[here]):.4f}; line {brier(line[here], breached[here]):.4f}"
        )


if __name__ == "__main__":
    main()
