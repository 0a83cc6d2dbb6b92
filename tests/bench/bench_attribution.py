"""How often a shift of the bench is charged to a supplier all the same, through the whole way of a reading.

    PYTHONPATH=tests python tests/bench/bench_attribution.py [LABS] [SEED] [ROW ...]

Invented labs of five suppliers with two products each, energy on one tester and resistance on one meter, in two chambers.
Each lab is filled, taken in and derived twice, with a shift of one standard deviation of a lot over some weeks and without
it. Charged is a supplier alert that stands (`point`, `pattern`, `drift`, `spread`, `forecast`, graded act or look, not
held under a bench alert), was raised after the shift began, and is not there in the lab without the shift; the other way
about it is lost. The two differ by chance too, as what is taken out is an estimate. In the last rows one supplier moves by
itself, for good, while the bench moves or does not: it must not be held.
"""

from __future__ import annotations

import json
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path

import numpy as np
from scipy import stats
from sqlalchemy import Connection
from support.labs import LAB_TOML, MONDAY, Bench

from ingest.common.instants import WEEK_US
from ingest.store.store import known_store

WEEKS = 62
START = 40
LOT, BAG = 0.1, 0.06  # standard deviations in the log, between lots and between bags
BAGS = 3
SIGMA = float(np.hypot(LOT, BAG / np.sqrt(BAGS)))
SUPPLIERS = ("Alder Film", "Birch Pack", "Cedar Foil", "Dogwood Bags", "Elm Sleeve")
PRODUCTS = ("MB-10", "MB-20")
KINDS = {"shielding_energy": ("E1", "nJ", 5.0), "surface_resistance": ("R1", "ohm", 3e7)}
STANDARD = '\n[[check_standard]]\nsupplier = "Kept"\nproduct = "coupon"\n'
CHARGED_SQL = """
SELECT t.supplier, t.product, t.characteristic, a.kind, a.evidence FROM alert a
JOIN stream t ON t.id = a.stream_id WHERE a.kind IN ('point', 'pattern', 'drift', 'spread', 'forecast')
AND a.grade IN ('act', 'look') AND a.held_under IS NULL AND t.supplier <> 'Kept' AND a.raised_us >= ?
"""
DRIFTER = "Cedar Foil"

Told = tuple[str, str, str, str, int]


@dataclass(frozen=True, slots=True)
class Truth:
    """A shift of `sigmas` standard deviations of a lot on what `instrument` and `chamber` ("" for all) make.

    `own` is by how many of them the energy of one supplier moves by itself, from the same week on.
    """

    name: str
    instrument: str
    chamber: str
    check: bool
    sigmas: float = 1.0
    weeks: int = 99
    own: float = 0.0


ROWS = (
    Truth("tester, 10 weeks, check standard", "E1", "", True, weeks=10),
    Truth("tester, 10 weeks, agreement alone", "E1", "", False, weeks=10),
    Truth("tester, two sigma for 10 weeks, agreement alone", "E1", "", False, sigmas=2.0, weeks=10),
    Truth("chamber on resistance, two sigma for 10 weeks, agreement alone", "R1", "A", False, sigmas=-2.0, weeks=10),
    Truth("tester, lasting, check standard", "E1", "", True),
    Truth("tester, lasting, agreement alone", "E1", "", False),
    Truth("tester, 10 weeks, check standard, a supplier by two sigma of its own", "E1", "", True, weeks=10, own=2.0),
    Truth("tester, 10 weeks, check standard, a supplier by one sigma of its own", "E1", "", True, weeks=10, own=1.0),
    Truth("tester, 10 weeks, agreement alone, a supplier by two sigma of its own", "E1", "", False, weeks=10, own=2.0),
    Truth("no shift in common, a supplier by two sigma of its own", "E1", "", False, sigmas=0.0, own=2.0),
    Truth("no shift in common, a supplier by one sigma of its own", "E1", "", False, sigmas=0.0, own=1.0),
)


def main() -> None:
    labs, seed = (int(sys.argv[place]) if len(sys.argv) > place else usual for place, usual in ((1, 40), (2, 71)))
    for row in [int(row) for row in sys.argv[3:]] or range(len(ROWS)):
        (report_own if ROWS[row].own else report)(ROWS[row], labs, seed)


def report(truth: Truth, labs: int, seed: int) -> None:
    begun = time.perf_counter()
    told: Counter[str] = Counter()
    kinds: Counter[str] = Counter()
    for number in range(labs):
        with_shift, named, held = outcome(truth, (seed, number), True)
        without = steady(truth.check, (seed, number))
        new, lost = with_shift - without, without - with_shift
        told.update(named=named, charged=bool(new), lost=bool(lost), alerts=len(new), gone=len(lost), held=held)
        told.update(own=len(without), both=named and bool(new))
        kinds.update(f"{kind} {'up' if way > 0 else 'down'}" for *_, kind, way in new)
    print(
        f"{truth.name}: named within 3 weeks {share(told['named'], labs)}; charged as well {share(told['charged'], labs)}, of "
        f"those named {share(told['both'], told['named'])}; an alert of its own lost {share(told['lost'], labs)}\n    "
        f"{told['held']} alerts held, {told['alerts']} charged {dict(kinds)}, {told['gone']} lost, {told['own']} without the "
        f"shift, {labs} labs, {time.perf_counter() - begun:.0f} s",
        flush=True,
    )


def report_own(truth: Truth, labs: int, seed: int) -> None:
    """How often the supplier that moves by itself has an alert of its own that stands, and how often the bench has all."""
    stands, lost = 0, 0
    for number in range(labs):
        told, _, held = outcome(truth, (seed, number), True)
        own = any((one[0], one[2], one[4]) == (DRIFTER, "shielding_energy", 1) for one in told)
        stands += own
        lost += held > 0 and not own
    print(
        f"{truth.name}: an alert of its own stands in {share(stands, labs)} of {labs} labs, in {lost} none does and alerts "
        f"are held",
        flush=True,
    )


@cache
def steady(check: bool, seed: tuple[int, int]) -> set[Told]:
    """The same lab without a shift."""
    return outcome(Truth("", "", "", check), seed, False)[0]


def share(number: int, of: int) -> str:
    """With the interval of Clopper and Pearson."""
    found = stats.binomtest(number, max(of, 1)).proportion_ci(0.95, "exact")
    return f"{100 * number / max(of, 1):.0f} % ({100 * found.low:.0f} to {100 * found.high:.0f})"


def outcome(truth: Truth, seed: Sequence[int], shifted: bool) -> tuple[set[Told], bool, int]:
    """The supplier alerts that stand after the shift began, whether it was named in time, and how many alerts are held."""
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder) / "lab", LAB_TOML + STANDARD * truth.check)
        for chamber in "AB":
            bench.drop_climate(f"{chamber}.csv", MONDAY - timedelta(hours=60), 24 * 7 * (WEEKS + 1), chamber=chamber)
        bench.drop_tests("all.csv", list(readings(truth, seed, shifted)))
        # What is tested later than a day from now is refused.
        done = bench.run(MONDAY + timedelta(weeks=WEEKS + 1))
        assert not done.refused_something, done
        return told_of(bench, truth)


def told_of(bench: Bench, truth: Truth) -> tuple[set[Told], bool, int]:
    store = known_store(bench.folder)
    assert store is not None
    since = round((MONDAY + timedelta(weeks=START)).timestamp() * 1e6)
    with store.reading() as connection:
        standing = connection.exec_driver_sql(CHARGED_SQL, (since,)).fetchall()
        held = connection.exec_driver_sql("SELECT count(*) FROM alert WHERE held_under IS NOT NULL").scalar_one()
        named = named_in_time(connection, truth, since)
    return {(*row[:4], json.loads(row[4])["direction"]) for row in standing}, named, int(held)


def named_in_time(connection: Connection, truth: Truth, since: int) -> bool:
    """Whether a bench alert of the three weeks after the shift names its suspect."""
    found = connection.exec_driver_sql(
        "SELECT evidence FROM alert WHERE kind = 'bench' AND stream_id IS NULL AND raised_us >= ? AND raised_us < ?",
        (since, since + 3 * WEEK_US),
    ).scalars()
    suspect = truth.chamber or truth.instrument
    return any(
        (one["suspect"], one["direction"]) == (suspect, int(np.sign(truth.sigmas))) for one in map(json.loads, found)
    )


def readings(truth: Truth, seed: Sequence[int], shifted: bool) -> Iterator[dict[str, object]]:
    rng = np.random.default_rng(seed)
    for week in range(WEEKS):
        moved = shifted and START <= week < START + truth.weeks
        for supplier in SUPPLIERS:
            for product in PRODUCTS:
                for kind in KINDS:
                    yield from lot(truth, rng, week, moved, supplier, product, kind)
        yield from (row for kind in KINDS if truth.check for row in check(truth, rng, week, moved, kind))


def lot(
    truth: Truth, rng: np.random.Generator, week: int, moved: bool, supplier: str, product: str, kind: str
) -> Iterator[dict[str, object]]:
    instrument, _, usual = KINDS[kind]
    chamber, day = rng.choice(["A", "B"]), timedelta(days=int(rng.integers(0, 5)), minutes=int(rng.integers(0, 400)))
    level = np.log(usual) + LOT * rng.standard_normal() + shift(truth, moved, instrument, chamber)
    if supplier == DRIFTER and kind == "shielding_energy" and week >= START:
        level += truth.own * SIGMA
    values = np.exp(level + BAG * rng.standard_normal(BAGS))
    yield from rows(
        kind, supplier, product, f"{supplier[0]}{week}", MONDAY + timedelta(weeks=week) + day, chamber, values
    )


def check(truth: Truth, rng: np.random.Generator, week: int, moved: bool, kind: str) -> Iterator[dict[str, object]]:
    """A check standard scatters a quarter as much as film between lots: common practice."""
    instrument, _, usual = KINDS[kind]
    chamber = "AB"[week % 2]
    level = np.log(usual) + LOT / 4.0 * rng.standard_normal() + shift(truth, moved, instrument, chamber)
    yield from rows(kind, "Kept", "coupon", "K1", MONDAY + timedelta(weeks=week, hours=3), chamber, np.exp([level]))


def shift(truth: Truth, moved: bool, instrument: str, chamber: str) -> float:
    reached = moved and instrument == truth.instrument and truth.chamber in ("", chamber)
    return truth.sigmas * SIGMA * reached


def rows(
    kind: str, supplier: str, product: str, lot: str, tested: datetime, chamber: str, values: Sequence[float]
) -> Iterator[dict[str, object]]:
    instrument, unit, _ = KINDS[kind]
    for bag, value in enumerate(values, start=1):
        yield {
            "tested_at": (tested + timedelta(minutes=bag)).isoformat(),
            "chamber": chamber,
            "instrument": instrument,
            "supplier": supplier,
            "product": product,
            "lot": lot,
            "specimen": bag,
            "reading": 1,
            "characteristic": kind,
            "value": f"{value:.5g}",
            "unit": unit,
        }


if __name__ == "__main__":
    main()
