"""What is left of a tester that was off for three weeks and is mended: further findings, and alerts against suppliers.

    PYTHONPATH=tests python tests/bench/bench_mended_tester.py [LABS] [SEED] [GAIN ...]

Invented labs with a lot a week in each stream and a check standard a tester and week. `one` has three suppliers with a film
each, one tester and one chamber; `two` has four suppliers with two films each, two testers and two chambers, three quarters of
the lots of a tester conditioned in the chamber of its number. One supplier drifts by itself in every other lab. The last tester
reads `GAIN` percent high for three weeks, which begin 22 to 24 weeks after the first lot, so that the scatter of the check
standard and of most streams is estimated again (at the 25th lot) while it is off; it is watched for twelve weeks after. Feeds
go through whole rounds. The columns:

- named: labs in which a finding names the tester as high while it was, and of those in which the finding has ended;
- another: labs with a finding that begins after the fault did, beside the one about the tester;
- left: alerts of films that began within the three weeks in the direction of the fault, are open and not attributed to the
  bench; of the drifting supplier none is counted.
"""

from __future__ import annotations

import json
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import numpy as np
from scipy import stats
from support.labs import LAB_TOML, MONDAY, Bench

from ingest.alerts.shared_shift_alerts import known_findings
from ingest.store.store import known_store

FAULT_WEEKS, AFTER = 3, 12
SUPPLIERS = ("Alder Film", "Birch Pack", "Cedar Foil", "Dogwood Bags")
DRIFTER = "Cedar Foil"
LOT, BAG, BAGS = 0.05, 0.06, 3  # standard deviations in the log, between lots and between bags
STANDARD = '\n[[check_standard]]\nsupplier = "Kept"\nproduct = "coupon 1"\n\n[[check_standard]]\nsupplier = "Kept"\nproduct = "coupon 2"\n'


def readings(
    rng: np.random.Generator, testers: int, gain: float, start: int, drifts: bool
) -> Iterator[dict[str, object]]:
    for week in range(start + FAULT_WEEKS + AFTER):
        off = np.log1p(gain) * (start <= week < start + FAULT_WEEKS)
        for stream in range(3 if testers == 1 else 8):
            supplier, product = SUPPLIERS[stream // testers], f"MB-{stream % testers}"
            tester = int(rng.integers(1, testers + 1))
            chamber = tester if rng.random() < 0.75 else testers + 1 - tester
            level = np.log(6.0 + stream / 2) + LOT * rng.standard_normal() + off * (tester == testers)
            level += 0.01 * max(week - 10, 0) * (drifts and supplier == DRIFTER)
            yield from rows(rng, week, stream, supplier, product, tester, chamber, level)
        for tester in range(1, testers + 1):
            level = np.log(8.0) + 0.02 * rng.standard_normal() + off * (tester == testers)
            yield from rows(rng, week, 7 + tester, "Kept", f"coupon {tester}", tester, tester, level)


def rows(
    rng: np.random.Generator,
    week: int,
    place: int,
    supplier: str,
    product: str,
    tester: int,
    chamber: int,
    level: float,
) -> Iterator[dict[str, object]]:
    tested = MONDAY + timedelta(weeks=week, minutes=30 * place)
    scatter = (0.02 if supplier == "Kept" else BAG) * rng.standard_normal(BAGS)
    for bag, value in enumerate(np.exp(level + scatter), start=1):
        yield {
            "tested_at": (tested + timedelta(minutes=bag)).isoformat(),
            "chamber": f"Chamber {chamber}",
            "instrument": f"Tester {tester}",
            "supplier": supplier,
            "product": product,
            "lot": f"{supplier[0]}{product[-1]}-{week}",
            "specimen": bag,
            "reading": 1,
            "characteristic": "shielding_energy",
            "value": f"{value:.5g}",
            "unit": "nJ",
        }


def outcome(seed: tuple[int, int], testers: int, gain: float) -> tuple[bool, bool, bool, int]:
    rng = np.random.default_rng(seed)
    start, drifts = int(rng.integers(22, 25)), seed[1] % 2 == 1
    weeks = start + FAULT_WEEKS + AFTER
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder) / "lab", LAB_TOML + STANDARD)
        for chamber in (1, 2):
            bench.drop_climate(
                f"{chamber}.csv", MONDAY - timedelta(hours=60), 24 * 7 * (weeks + 1), chamber=f"Chamber {chamber}"
            )
        bench.drop_tests("all.csv", list(readings(rng, testers, gain, start, drifts)))
        bench.run(MONDAY + timedelta(weeks=weeks))
        store = known_store(bench.folder)
        assert store is not None
        with store.reading() as connection:
            findings = known_findings(connection)
            alerts = connection.exec_driver_sql(
                "SELECT t.supplier, a.evidence, a.raised_us FROM alert a JOIN stream t ON t.id = a.stream_id WHERE a.state = "
                "'open' AND a.held_under IS NULL AND a.kind IN ('point', 'pattern', 'drift', 'forecast')"
            ).fetchall()
    first = (MONDAY + timedelta(weeks=start)).timestamp() / (7 * 86400)
    sources = {f"Tester {testers}"} | ({"Chamber 1", "energy"} if testers == 1 else set())  # made the same lots
    about = [
        one for one in findings if one.suspect in sources and one.direction == 1 and first - 1 < one.since < first + 3
    ]
    another = [one for one in findings if one not in about[:1] and one.completed_at > first]
    in_fault = range(round(first * 7 * 86400e6), round((first + FAULT_WEEKS) * 7 * 86400e6))
    left = [
        one
        for one in alerts
        if one.raised_us in in_fault
        and json.loads(one.evidence)["direction"] == 1
        and one.supplier != "Kept"
        and not (drifts and one.supplier == DRIFTER)
    ]
    return bool(about), any(np.isfinite(one.until) for one in about), bool(another), len(left)


def share(number: int, of: int) -> str:
    """With the interval of Clopper and Pearson."""
    found = stats.binomtest(number, max(of, 1)).proportion_ci(0.95, "exact")
    return f"{100 * number / max(of, 1):.0f} % ({100 * found.low:.0f} to {100 * found.high:.0f})"


def main() -> None:
    labs, seed = (int(sys.argv[place]) if len(sys.argv) > place else usual for place, usual in ((1, 20), (2, 27182)))
    for testers in (1, 2):
        for percent in [float(one) for one in sys.argv[3:]] or [8.0, 15.0, 25.0]:
            begun = time.perf_counter()
            found = [outcome((seed, lab), testers, percent / 100.0) for lab in range(labs)]
            named, ended, another, left = np.array(found).sum(axis=0)
            print(
                f"| {['one', 'two'][testers - 1]}, {percent:g} % | {share(named, labs)} | {share(ended, named)} | "
                f"{share(another, labs)} | {left} | {labs} labs, {time.perf_counter() - begun:.0f} s |",
                flush=True,
            )


if __name__ == "__main__":
    main()
