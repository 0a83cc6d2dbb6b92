"""How fast a file of readings reaches the store, as a multiple of what parsing and inserting alone cost in the same run.

    python tests/bench/bench_intake.py [ROWS] [FOLDER]

The floor is a full parse of the same file by pyarrow plus `executemany` of the same rows, as plain tuples that are there
already, into an SQLite table with an index over the identity. Ours is one round: it also reads the file for its digest,
checks every cell, names labels once, keeps history and commits to the disk. Sessions and evaluation are told apart.
The data is invented.
"""

from __future__ import annotations

import gc
import resource
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.csv as pacsv
from labs import NOW, Bench

from ingest import drops, rounds
from ingest.lab import load
from ingest.sessions import rebuild_stale
from ingest.store import open_store

ROWS = 1_000_000
BAGS, READINGS = 6, 6
COLUMNS = (
    "tested_at", "chamber", "instrument", "operator", "supplier", "product", "lot", "specimen", "reading",
    "characteristic", "value", "unit", "load",
)  # fmt: skip
IDENTITY = ("supplier", "product", "lot", "characteristic", "specimen", "reading", "tested_at")


def write_feed(path: Path, rows: int) -> None:
    """Lots of 36 readings from 40 suppliers with five products each, a minute between lots."""
    rng = np.random.default_rng(4)
    lot = np.arange(rows) // (BAGS * READINGS)
    within = np.arange(rows) % (BAGS * READINGS)
    seconds = 1_500_000_000 + lot * 240 + within * 6
    frame = pd.DataFrame(
        {
            "tested_at": pd.to_datetime(seconds, unit="s").strftime("%Y-%m-%dT%H:%M:%SZ"),
            "chamber": "C" + pd.Series(lot % 4).astype(str),
            "instrument": "E1",
            "operator": "ab",
            "supplier": "Supplier " + pd.Series(lot % 40).astype(str),
            "product": "MB-" + pd.Series(lot // 40 % 5).astype(str),
            "lot": "L" + pd.Series(lot).astype(str),
            "specimen": within // READINGS + 1,
            "reading": within % READINGS + 1,
            "characteristic": "shielding_energy",
            "value": np.exp(rng.normal(np.log(10.0), 0.2, rows)).round(3),
            "unit": "nJ",
            "load": "R" + pd.Series(lot // 8).astype(str),
        }
    )
    frame[list(COLUMNS)].to_csv(path, index=False)


def timed(act: Callable[[], object]) -> float:
    gc.collect()
    start = time.perf_counter()
    act()
    return time.perf_counter() - start


def floor(path: Path, folder: Path) -> float:
    """Seconds that pyarrow's parse and a bare insert take."""
    parsed = timed(lambda: pacsv.read_csv(path))
    rows = list(zip(*(column.to_pylist() for column in pacsv.read_csv(path).columns), strict=True))
    marks = ", ".join("?" * len(COLUMNS))
    with closing(sqlite3.connect(folder / "floor.db")) as connection:
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute(f"CREATE TABLE bare ({', '.join(COLUMNS)})")
        connection.execute(f"CREATE UNIQUE INDEX bare_identity ON bare ({', '.join(IDENTITY)})")

        def insert() -> None:
            connection.executemany(f"INSERT INTO bare VALUES ({marks})", rows)
            connection.commit()

        inserted = timed(insert)
    print(f"floor: pyarrow {parsed:.2f} s, insert {inserted:.2f} s")
    return parsed + inserted


def peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main(rows: int, place: Path) -> None:
    bench = Bench(place / "lab")
    feed = bench.folder / "drops" / "tests" / "readings.csv"
    write_feed(feed, rows)
    print(f"{rows:,} rows, {feed.stat().st_size / 1e6:.0f} MB; before: peak memory {peak_mb():.0f} MB")
    content = feed.read_bytes()
    store, lab = open_store(bench.folder), load(bench.folder)
    ours = timed(lambda: drops.take_in(store, lab, NOW))
    print(f"intake {ours:.2f} s; peak memory {peak_mb():.0f} MB")
    least = floor(bench.folder / "filed" / "readings.csv", place)
    print(f"intake / floor = {ours / least:.2f}  (goal: at most 2)")
    feed.write_bytes(content + b"\n")
    print(f"the same rows in another file: {timed(lambda: drops.take_in(store, lab, NOW)):.2f} s")

    def sessions() -> None:
        with store.writing() as connection:
            rebuild_stale(connection, lab)

    lots = rows / (BAGS * READINGS)
    print(f"sessions: {timed(sessions) / lots * 1e6:.0f} µs a lot")
    print(f"evaluation of 200 streams: {timed(lambda: rounds.run(lab, NOW)):.2f} s")
    print(f"a round with nothing new: {timed(lambda: rounds.run(lab, NOW)):.3f} s; peak memory {peak_mb():.0f} MB")


if __name__ == "__main__":
    size = int(sys.argv[1]) if len(sys.argv) > 1 else ROWS
    with tempfile.TemporaryDirectory(dir=sys.argv[2] if len(sys.argv) > 2 else None) as folder:
        main(size, Path(folder))
