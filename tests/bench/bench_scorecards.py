"""All scorecards of a large quarter in all four forms: 50 suppliers, 500 streams, 5,000 lots in under 60 s.

The lab is simulated (log-normal lots about a level of each stream's own).
"""

from __future__ import annotations

import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from support.labs import Bench, lot_rows

from dashboard.scorecard import export
from ingest.config.lab import load
from ingest.store.store import known_store

SUPPLIERS, STREAMS, LOTS = 50, 10, 10
START = datetime(2026, 4, 1, 9, tzinfo=UTC)


def rows(supplier: int) -> list[dict[str, object]]:
    """Two quarters of one supplier: `STREAMS` products, `LOTS` lots of each a quarter, two bags of two readings."""
    rng = np.random.default_rng(supplier)
    found: list[dict[str, object]] = []
    for product in range(STREAMS):
        level = rng.uniform(6, 14)
        for lot in range(2 * LOTS):
            day = START + timedelta(days=9 * lot, minutes=10 * product + supplier)
            energies = (level * np.exp(rng.normal(0, 0.1, (2, 2)))).round(3).tolist()
            found += lot_rows(f"L{lot}", day, energies, supplier=f"Supplier {supplier:02}", product=f"P{product}")
    return found


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder) / "lab")
        bench.drop_climate("log.csv", START - timedelta(days=4), 24 * 190)
        for supplier in range(SUPPLIERS):
            bench.drop_tests(f"s{supplier:02}.csv", rows(supplier))
        started = time.perf_counter()
        bench.run()
        print(f"round over {SUPPLIERS * STREAMS * LOTS * 2:,} lots: {time.perf_counter() - started:.1f} s")
        store = known_store(bench.folder)
        assert store is not None
        started = time.perf_counter()
        with store.reading() as connection:
            cards = export.documents(connection, load(bench.folder), "2026-Q3", None)
        print(f"{len(cards)} documents: {time.perf_counter() - started:.1f} s")
        for form in export.FORMS:
            started = time.perf_counter()
            export.write(cards, form, Path(folder) / "out")
            print(f"{form}: {time.perf_counter() - started:.1f} s")


if __name__ == "__main__":
    main()
