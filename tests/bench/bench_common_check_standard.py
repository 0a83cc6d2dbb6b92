"""Whether one tester of several that is off is named, and no other source, where one check standard is read on all of them.

    PYTHONPATH=.:tests/bench python tests/bench/bench_common_check_standard.py [LABS] [SEED]

Invented labs of five suppliers with two films each. The tester of a lot is chance, and each Monday one coupon is read on
every tester, so that its levels are one stream. A film's lots scatter by 4 to 13 %, three films in ten change of their own
accord (half drift, half step), tails are those of t(5). The coupon scatters by 1 %. From week 56 one tester reads high or
low for nine weeks and is then mended. A lab counts as

* named: a finding of that tester, in that direction, begins within two weeks of the fault;
* another source: any other finding from the fault on that the same lab without the fault does not show;
* ended: the finding's end lies within two weeks of the mend.
"""

from __future__ import annotations

import argparse

import numpy as np
import pandas as pd
from bench_shared_shift import points, scored, share

from spc.shared_shift.finding import Finding
from spc.shared_shift.search import shared_shifts

FAULT, MENDED, END = 56.0, 65.0, 72.0
FILMS = 10
CHANGING = 0.3
CHECK = 0.01
NEAR_WEEKS = 2.0
# Testers, the fault as a natural logarithm, lots a film and week.
ROWS = ((2, 0.10, 1.0), (2, -0.10, 1.0), (2, 0.05, 1.0), (3, 0.10, 1.5))


def lab(rng: np.random.Generator, testers: int, lots_a_week: float) -> pd.DataFrame:
    """Levels in standard deviations of the stream's lots, without a fault."""
    rows = []
    for film in range(FILMS):
        days = np.sort(rng.choice(np.arange(0.0, END, 0.5), int(END * lots_a_week), replace=True))
        times = days + rng.uniform(0.05, 0.1, days.size)
        z = rng.standard_t(5, times.size) / np.sqrt(5.0 / 3.0)
        if rng.random() < CHANGING:
            since = rng.uniform(20.0, END)
            since_change = np.where(times >= since, 1.0, 0.0)
            z += rng.choice([-1.0, 1.0]) * (
                2.0 * since_change if rng.random() < 0.5 else 0.06 * since_change * (times - since)
            )
        tester = rng.choice([f"T{number + 1}" for number in range(testers)], times.size)
        chamber = np.where(days % 1.0 < 0.5, "A", "B")
        load = [f"{name}{when:g}" for name, when in zip(chamber, days, strict=True)]
        scale = float(rng.uniform(0.04, 0.13))
        rows.append(points(film, f"supplier {film // 2}", "energy", chamber, tester, load, times, z, False, scale))
    mondays = np.repeat(np.arange(0.0, END), testers)
    tester = np.array([f"T{number + 1}" for number in range(testers)] * int(END))
    times = mondays + 0.01 + 0.005 * np.tile(np.arange(testers), int(END))
    z = rng.standard_normal(times.size)
    rows.append(points(FILMS, "lab", "energy", "A", tester, "", times, z, True, CHECK))
    return pd.concat(rows, ignore_index=True)


def with_fault(table: pd.DataFrame, size: float) -> pd.DataFrame:
    off = (table["instrument"] == "T2") & (table["weeks"] >= FAULT) & (table["weeks"] < MENDED)
    return table.assign(z=table["z"] + np.where(off, size / table["scale"], 0.0))


def is_fault(finding: Finding, size: float) -> bool:
    named = (finding.suspect_kind, finding.suspect, finding.direction) == ("instrument", "T2", int(np.sign(size)))
    return named and abs(finding.since - FAULT) <= NEAR_WEEKS


def row(labs: int, seed: int, testers: int, size: float, lots_a_week: float) -> None:
    named = other = ended = 0
    for number in range(labs):
        quiet = lab(np.random.default_rng([seed, number]), testers, lots_a_week)
        usual = {(one.first_named, one.direction) for one in shared_shifts(scored(quiet)) if one.completed_at >= FAULT}
        findings = [one for one in shared_shifts(scored(with_fault(quiet, size))) if one.completed_at >= FAULT]
        right = [one for one in findings if is_fault(one, size)]
        named += len(right) > 0
        other += any(one not in right and (one.first_named, one.direction) not in usual for one in findings)
        ended += any(abs(one.until - MENDED) <= NEAR_WEEKS for one in right)
    print(
        f"{testers} testers, {100 * size:+.0f} %, {lots_a_week:g} lots a film and week: T2 named {share(named, labs)}, "
        f"another source {share(other, labs)}, ended {share(ended, labs)}",
        flush=True,
    )


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("labs", type=int, nargs="?", default=60)
    parser.add_argument("seed", type=int, nargs="?", default=16180)
    arguments = parser.parse_args()
    for testers, size, lots_a_week in ROWS:
        row(arguments.labs, arguments.seed, testers, size, lots_a_week)


if __name__ == "__main__":
    main()
