"""How surely a shift of the bench is named as such, and how often one is named by chance.

    python tests/bench/bench_common_shift.py [LABS]

Invented labs of five suppliers, their lots in two chambers on three instruments, with a check standard on each. The truth
is simulated: normal, heavy-tailed and dependent lots, and suppliers that drift by themselves. A shift of one standard
deviation of a lot begins at week 50; it counts as found if a finding is complete within three weeks.
"""

from __future__ import annotations

import sys
import time

import numpy as np
import pandas as pd

from spc import bench

START = 50.0
WITHIN = 3.0
CHECK_SIGMAS = 4.0  # a check standard scatters a quarter as much as film between lots: common practice
YEAR_WEEKS = 52.1775
COLUMNS = list(bench.POINT_COLUMNS)


def lots(
    rng: np.random.Generator, weeks: float, streams: int, tails: bool, dependence: float, drifting: float
) -> pd.DataFrame:
    rows = []
    for stream in range(5 * streams):
        times = np.sort(rng.uniform(0.0, weeks, rng.poisson(weeks)))
        z = scatter(rng, times.size, tails, dependence)
        if rng.random() < drifting:
            z += rng.choice([-1.0, 1.0]) * 0.05 * np.maximum(times - rng.uniform(0.0, weeks), 0.0)
        kind = ("resistance", "energy", "energy")[stream % 3]
        tester = ("meter", "pulse 1", "pulse 2")[stream % 3]
        chamber = rng.choice(["A", "B"], times.size)
        load = [f"{name}{int(when * 2.5)}" for name, when in zip(chamber, times, strict=True)]
        rows.append(points(stream, f"supplier {stream // streams}", kind, chamber, tester, load, times, z, 0.1, False))
    return pd.concat(rows + checks(rng, weeks, 5 * streams), ignore_index=True)


def scatter(rng: np.random.Generator, n: int, tails: bool, dependence: float) -> np.ndarray:
    fresh = rng.standard_t(4, n) / np.sqrt(2.0) if tails else rng.standard_normal(n)
    z = fresh.copy()
    for i in range(1, n):
        z[i] = dependence * z[i - 1] + np.sqrt(1.0 - dependence**2) * fresh[i]
    return z


def checks(rng: np.random.Generator, weeks: float, first: int) -> list[pd.DataFrame]:
    times = np.arange(0.4, weeks)
    chamber = np.where(np.arange(times.size) % 2 == 0, "A", "B")
    return [
        points(
            first + number,
            "lab",
            kind,
            chamber,
            tester,
            "",
            times,
            rng.standard_normal(times.size),
            0.1 / CHECK_SIGMAS,
            True,
        )
        for number, (kind, tester) in enumerate([("resistance", "meter"), ("energy", "pulse 1"), ("energy", "pulse 2")])
    ]


def points(*columns: object) -> pd.DataFrame:
    return pd.DataFrame(dict(zip(COLUMNS, columns, strict=True)))


def by_chance(labs: int, **truth: object) -> None:
    weeks, begun = 78.0, time.perf_counter()
    found = [len(bench.common_shifts(lots(np.random.default_rng(seed), weeks, **truth))) for seed in range(labs)]
    years = labs * weeks / YEAR_WEEKS
    seconds = (time.perf_counter() - begun) / labs
    print(f"by chance {truth}: {sum(found) / years:.2f} findings a year (budget 1), {seconds:.2f} s a lab")


def shifted(labs: int, column: str, name: str, check: bool = True, **truth: object) -> None:
    found, right, apart, extra, delays = 0, 0, 0, 0, []
    for seed in range(labs):
        table = lots(np.random.default_rng(1000 + seed), START + WITHIN, **truth)
        moved = (table["weeks"] >= START) & (table[column] == name)
        table.loc[moved, "z"] += np.where(table.loc[moved, "is_check_standard"], CHECK_SIGMAS, 1.0)
        table = table if check else table[~table["is_check_standard"]]
        findings = bench.common_shifts(table)
        new = [one for one in findings if one.completed_at >= START and one.direction > 0]
        found += len(new) > 0
        if new:
            right += any((one.suspect_kind, one.suspect) == (column, name) for one in new)
            extra += len(new) - 1
            apart += any(one.apart for one in new)
            delays.append(new[0].completed_at - START)
    hits = max(found, 1)
    print(
        f"{column} {name} shifts, check standard {check}, {truth['streams']} streams a supplier: found {100 * found / labs:.0f} %, "
        f"this suspect named {100 * right / hits:.0f} % of those, a supplier charged as well {100 * apart / hits:.1f} %, "
        f"further findings {extra}, median delay {np.median(delays):.1f} weeks"
    )


def cost(streams: int) -> None:
    table = lots(np.random.default_rng(9), 26.0, streams, False, 0.0, 0.0)
    begun = time.perf_counter()
    bench.common_shifts(table)
    print(f"{5 * streams} streams, {len(table)} points of half a year: {time.perf_counter() - begun:.1f} s")


def main() -> None:
    labs = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    clean = {"tails": False, "dependence": 0.0, "drifting": 0.0}
    by_chance(labs, streams=6, **clean)
    by_chance(labs, streams=6, tails=True, dependence=0.3, drifting=0.2)
    for column, name, streams, check in [
        ("instrument", "pulse 1", 3, True),
        ("instrument", "pulse 1", 6, True),
        ("instrument", "pulse 1", 9, False),
        ("chamber", "A", 6, False),
    ]:
        shifted(labs, column, name, check, streams=streams, **clean)
    shifted(labs, "chamber", "A", streams=8, tails=True, dependence=0.3, drifting=0.2)
    cost(400)


if __name__ == "__main__":
    main()
