"""How surely a shift of the bench is named as such, and how often one is named by chance.

    python tests/bench/bench_shared_shift.py [LABS] [SEED] [ROW ...]

Invented labs of five suppliers, their lots in two chambers on three instruments, with a check standard on each. The truth
is simulated levels, scored by `spc.ownscores` as in a lab: normal, heavy-tailed and dependent lots, and suppliers that drift
by themselves. A shift of one standard deviation of a lot begins at week 50; it counts as found if a finding is complete
within three weeks. One supplier that moves by itself, all its streams by as much, is nobody's but its own: how often the
bench is named for it, in six weeks. `knows` is told which lots the shift would reach, its size, and every stream's level and scatter, and
spends the whole budget on it: no search can do better. What is charged to suppliers is measured in `bench_attribution.py`.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd
from scipy import optimize, stats

from spc import detection, runlength
from spc.shared_shift import search
from spc.shared_shift.reference_scores import reference_scores

START = 50.0
WITHIN = 3.0
ALONE_WEEKS = 6.0
ALONE_SIGMAS = (1.0, 2.0, 3.0)
CHECK_SIGMAS = 4.0  # a check standard scatters a quarter as much as film between lots: common practice
YEAR_WEEKS = 52.1775
CHANCE_WEEKS = 78.0
LOT = 0.1  # standard deviation of a lot in the charted scale
COLUMNS = [*(column for column in search.POINT_COLUMNS if column not in ("sigma", "alike")), "scale"]


@dataclass(frozen=True, slots=True)
class Lots:
    """How lots behave: streams a supplier, tails as of t(4), dependence of neighbours, share of streams that drift."""

    streams: int = 6
    tails: bool = False
    dependence: float = 0.0
    drifting: float = 0.0


DISTURBED = {"tails": True, "dependence": 0.3, "drifting": 0.2}
# The suspect, whether there are check standards, and the lots.
SHIFTS = (
    ("instrument", "pulse 1", True, Lots(3)),
    ("instrument", "pulse 1", True, Lots(6)),
    ("chamber", "A", True, Lots(8)),
    ("chamber", "A", True, Lots(8, **DISTURBED)),
    ("instrument", "pulse 1", False, Lots(6)),
    ("instrument", "pulse 1", False, Lots(9)),
    ("instrument", "pulse 1", False, Lots(15)),
    ("instrument", "pulse 1", False, Lots(9, **DISTURBED)),
    ("chamber", "A", False, Lots(6)),
    ("chamber", "A", False, Lots(10)),
)


def lots(rng: np.random.Generator, weeks: float, truth: Lots, check: bool = True) -> pd.DataFrame:
    """Levels in standard deviations of a lot from the stream's usual, in the column `z`."""
    rows = []
    for stream in range(5 * truth.streams):
        times = np.sort(rng.uniform(0.0, weeks, rng.poisson(weeks)))
        z = scatter(rng, times.size, truth)
        if rng.random() < truth.drifting:
            z += rng.choice([-1.0, 1.0]) * 0.05 * np.maximum(times - rng.uniform(0.0, weeks), 0.0)
        kind = ("resistance", "energy", "energy")[stream % 3]
        tester = ("meter", "pulse 1", "pulse 2")[stream % 3]
        chamber = rng.choice(["A", "B"], times.size)
        load = [f"{name}{int(when * 2.5)}" for name, when in zip(chamber, times, strict=True)]
        supplier = f"supplier {stream // truth.streams}"
        rows.append(points(stream, supplier, kind, chamber, tester, load, times, z, False, LOT))
    return pd.concat(rows + checks(rng, weeks, 5 * truth.streams) * check, ignore_index=True)


def scatter(rng: np.random.Generator, n: int, truth: Lots) -> np.ndarray:
    fresh = rng.standard_t(4, n) / np.sqrt(2.0) if truth.tails else rng.standard_normal(n)
    z = fresh.copy()
    for i in range(1, n):
        z[i] = truth.dependence * z[i - 1] + np.sqrt(1.0 - truth.dependence**2) * fresh[i]
    return z


def checks(rng: np.random.Generator, weeks: float, first: int) -> list[pd.DataFrame]:
    times = np.arange(0.4, weeks)
    chamber = np.where(np.arange(times.size) % 2 == 0, "A", "B")
    told = [("resistance", "meter"), ("energy", "pulse 1"), ("energy", "pulse 2")]
    return [
        points(first + number, "lab", kind, chamber, tester, "", times, z, True, LOT / CHECK_SIGMAS)
        for number, (kind, tester) in enumerate(told)
        for z in [rng.standard_normal(times.size)]
    ]


def points(*columns: object) -> pd.DataFrame:
    return pd.DataFrame(dict(zip(COLUMNS, columns, strict=True)))


def scored(table: pd.DataFrame) -> pd.DataFrame:
    """What the search is given: each lot against its own stream's past, and how alike neighbours are to be expected."""
    ordered = table.sort_values(["stream", "weeks"])
    films = ordered[~ordered["is_check_standard"].astype(bool)]
    said = {name: sisters(own) for name, own in films.groupby("quantity")}
    parts = []
    for _, own in ordered.groupby("stream"):
        found = reference_scores(own["z"].to_numpy() * own["scale"].to_numpy())
        first = own.iloc[0]
        told = detection.NO_POOL if first["is_check_standard"] else said[first["quantity"]]
        parts.append(
            own.assign(z=found.score, sigma=found.sigma, alike=told.expected_autocorrelation(own["weeks"].to_numpy()))
        )
    return pd.concat(parts)


def sisters(films: pd.DataFrame) -> detection.PooledPrior:
    """What the streams of one quantity say together of the dependence of neighbouring lots."""
    return detection.pool(detection.lag_sums(*(films[name].to_numpy() for name in ("stream", "weeks", "z"))))


def by_chance(labs: int, seed: int, truth: Lots) -> None:
    begun, found = time.perf_counter(), 0
    for number in range(labs):
        found += len(search.shared_shifts(scored(lots(np.random.default_rng([seed, number]), CHANCE_WEEKS, truth))))
    years = labs * CHANCE_WEEKS / YEAR_WEEKS
    low, high = stats.chi2.ppf([0.025, 0.975], [2 * found, 2 * found + 2]) / 2.0 / years
    seconds = (time.perf_counter() - begun) / labs
    print(
        f"by chance, {truth}: {found / years:.2f} findings a year ({np.nan_to_num(low):.2f} to {high:.2f}; budget 1), "
        f"{seconds:.2f} s a lab",
        flush=True,
    )


def shifted(labs: int, seed: int, column: str, name: str, check: bool, truth: Lots) -> None:
    found, right, known, extra, apart = 0, 0, 0, 0, 0
    delays = []
    for number in range(labs):
        table = lots(np.random.default_rng([seed, 1000 + number]), START + WITHIN, truth, check)
        moved = (table["weeks"] >= START) & (table[column] == name)
        table.loc[moved, "z"] += np.where(table.loc[moved, "is_check_standard"], CHECK_SIGMAS, 1.0)
        known += knows(table, column, name)
        findings = search.shared_shifts(scored(table))
        new = [one for one in findings if one.completed_at >= START and one.direction > 0]
        found += len(new) > 0
        if new:
            right += any((one.suspect_kind, one.suspect) == (column, name) for one in new)
            extra += len(new) - 1
            apart += any(one.apart for one in new)
            delays.append(new[0].completed_at - START)
    print(
        f"{column} {name}, check standard {check}, {truth}: found {share(found, labs)}, this suspect named "
        f"{share(right, labs)}, a supplier told apart {share(apart, labs)}, further findings {extra}, median delay "
        f"{np.median(delays) if delays else np.nan:.1f} weeks; knows {share(known, labs)}",
        flush=True,
    )


def alone(labs: int, seed: int, sigmas: float, truth: Lots) -> None:
    """How often a supplier that moves by itself is called the bench's; `without` is the same labs without the move."""
    told, without = 0, 0
    for number in range(labs):
        table = lots(np.random.default_rng([seed, 3000 + number]), START + ALONE_WEEKS, truth, False)
        without += any(one.completed_at >= START for one in search.shared_shifts(scored(table)))
        table.loc[(table["weeks"] >= START) & (table["supplier"] == "supplier 2"), "z"] += sigmas
        told += any(one.completed_at >= START for one in search.shared_shifts(scored(table)))
    print(
        f"one supplier moves {sigmas:g} sigma alone, {truth}: the bench named in {share(told, labs)}, in the same labs "
        f"without the move {share(without, labs)}",
        flush=True,
    )


def share(number: int, of: int) -> str:
    """With the 95 % interval of Clopper and Pearson."""
    found = stats.binomtest(number, of).proportion_ci(0.95, "exact")
    return f"{100 * number / of:.0f} % ({100 * found.low:.0f} to {100 * found.high:.0f})"


def knows(table: pd.DataFrame, column: str, name: str) -> bool:
    """Whether a cumulative sum of the log likelihood ratio, its size and lots known, passes within the three weeks."""
    own = table[table[column] == name].sort_values("weeks")
    size = np.where(own["is_check_standard"], CHECK_SIGMAS, 1.0)
    gain = size * own["z"].to_numpy() - 0.5 * size**2
    total = np.cumsum(gain)
    statistic = total - np.minimum.accumulate(np.minimum(total, 0.0))
    needed = decision(round(len(own) / (START + WITHIN) * YEAR_WEEKS))
    return bool((statistic[own["weeks"] >= START] >= needed).any())


@cache
def decision(lots_a_year: int) -> float:
    """The bound at which a two-sided sum for one standard deviation errs once a year."""
    return float(
        optimize.brentq(lambda bound: runlength.cusum(0.0, 0.5, bound, sides=2) - lots_a_year, 1.0, 12.0, xtol=1e-3)
    )


def cost(streams: int) -> None:
    table = scored(lots(np.random.default_rng(9), 34.0, Lots(streams)))
    table = table[table["weeks"] >= 8.0]
    begun = time.perf_counter()
    search.shared_shifts(table)
    print(f"{5 * streams} streams, {len(table)} points of half a year: {time.perf_counter() - begun:.1f} s")


def main() -> None:
    labs, seed = (int(sys.argv[place]) if len(sys.argv) > place else usual for place, usual in ((1, 40), (2, 2718)))
    rows = [int(row) for row in sys.argv[3:]] or [*range(-3, len(SHIFTS))]
    for row in rows:
        if row == -3:
            for sigmas in ALONE_SIGMAS:
                alone(labs, seed, sigmas, Lots(6))
        elif row < 0:
            by_chance(labs, seed, Lots(6, **(DISTURBED if row == -1 else {})))
        else:
            shifted(labs, seed, *SHIFTS[row])
    if len(sys.argv) <= 3:
        cost(400)


if __name__ == "__main__":
    main()
