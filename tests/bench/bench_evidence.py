"""The evidence of a large quarter: time, size, and the memory that packing takes beside what the scorecards hold.

The lab is that of `bench_scorecards.py`.
"""

from __future__ import annotations

import resource
import tempfile
import time
import tracemalloc
from datetime import timedelta
from pathlib import Path

from bench_scorecards import START, SUPPLIERS, rows
from support.labs import Bench

from dashboard.evidence import bundle_file, bundle_scope, bundle_tables
from ingest.audit.limit_entries import with_entered_limits
from ingest.config.lab import load
from ingest.store.store import known_store


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder) / "lab")
        bench.drop_climate("log.csv", START - timedelta(days=4), 24 * 190)
        for supplier in range(SUPPLIERS):
            bench.drop_tests(f"s{supplier:02}.csv", rows(supplier))
        bench.run()
        store, lab = known_store(bench.folder), load(bench.folder)
        assert store is not None
        with store.reading() as connection:
            scope = bundle_scope.of_quarter(connection, lab, "2026-Q3")
            source = bundle_tables.Source(connection, with_entered_limits(connection, lab), scope, set())
            for name in bundle_tables.COLUMNS:
                tracemalloc.start()
                count = sum(1 for _ in bundle_tables.rows_of(name, source))
                print(f"{name}: {count:,} rows, at most {tracemalloc.get_traced_memory()[1] / 1e6:.1f} MB at hand")
                tracemalloc.stop()
            before, started = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, time.perf_counter()
            with (Path(folder) / "bundle.zip").open("wb") as out:
                members = bundle_file.write(connection, lab, scope, out)
                size = out.tell()
            grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
        print(
            f"{len(members)} members, {size / 1e6:.1f} MB: {time.perf_counter() - started:.1f} s, {grown:.0f} MB more"
        )


if __name__ == "__main__":
    main()
