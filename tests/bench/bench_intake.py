"""How fast a file of readings reaches the store, as a multiple of what parsing and inserting alone cost in the same run.

    PYTHONPATH=tests python tests/bench/bench_intake.py [ROWS] [FOLDER]

The floor is a full parse of the same file by pyarrow plus `executemany` of the same rows, as plain tuples that are there
already, into an SQLite table with an index over the identity. The harder floor inserts the rows as our store holds them,
names as numbers, in the order of the key. Ours is one round: it also reads the file for its digest, checks every cell,
names labels once, keeps history and commits to the disk. Sessions, conditioning and evaluation are told apart. On a
server the floor is the parse plus COPY of that very file into a table with the same index; the server is the tests' own,
which waits for no disk, in the floor and in ours. The data is invented.
"""

from __future__ import annotations

import gc
import io
import resource
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np
import pandas as pd
import psycopg
import pyarrow.csv as pacsv
from numpy.typing import NDArray
from support.cluster import running_cluster
from support.labs import NOW, Bench

from ingest.config.lab import load
from ingest.intake import drops
from ingest.rounds import rounds
from ingest.sessions.sessions import rebuild_stale
from ingest.store.store import STORE_NAME, insert_many, open_store

ROWS = 1_000_000
BAGS, READINGS = 6, 6
BLOCK = 500_000
# Nine years of tests, however many lots there are.
LOT_SECONDS, SPAN_SECONDS = 240, 9 * 365 * 86_400
SESSIONS, MINUTES = 100_000, 365 * 24 * 60
NO_SUMMARY = (
    "instrument_id", "load_id", "bags", "readings", "below", "above", "reading_df", "smallest_bound", "largest_bound",
)  # fmt: skip
COLUMNS = (
    "tested_at", "chamber", "instrument", "operator", "supplier", "product", "lot", "specimen", "reading",
    "characteristic", "value", "unit", "load",
)  # fmt: skip
IDENTITY = ("supplier", "product", "lot", "characteristic", "specimen", "reading", "tested_at")


def write_feed(path: Path, rows: int) -> None:
    """Lots of 36 readings from 40 suppliers with five products each, four minutes between lots; a block at a time."""
    rng = np.random.default_rng(4)
    for start in range(0, rows, BLOCK):
        block(np.arange(start, min(start + BLOCK, rows)), rng).to_csv(path, index=False, mode="a", header=start == 0)


def block(row: NDArray[np.int64], rng: np.random.Generator) -> pd.DataFrame:
    """Some rows of the feed."""
    lot = pd.Series(row // (BAGS * READINGS))
    within = row % (BAGS * READINGS)
    seconds = 1_500_000_000 + (lot * LOT_SECONDS) % SPAN_SECONDS + within * 6
    frame = pd.DataFrame(
        {
            "tested_at": pd.to_datetime(seconds, unit="s").dt.strftime("%Y-%m-%dT%H:%M:%SZ"),
            "chamber": "C" + (lot % 4).astype(str),
            "instrument": "E1",
            "operator": "ab",
            "supplier": "Supplier " + (lot % 40).astype(str),
            "product": "MB-" + (lot // 40 % 5).astype(str),
            "lot": "L" + lot.astype(str),
            "specimen": within // READINGS + 1,
            "reading": within % READINGS + 1,
            "characteristic": "shielding_energy",
            "value": np.exp(rng.normal(np.log(10.0), 0.2, len(row))).round(3),
            "unit": "nJ",
            "load": "R" + (lot // 8).astype(str),
        }
    )
    return frame[list(COLUMNS)]


def timed(act: Callable[[], object]) -> float:
    gc.collect()
    start = time.perf_counter()
    act()
    return time.perf_counter() - start


def floor(path: Path, folder: Path, store_path: Path) -> tuple[float, float]:
    """Seconds that pyarrow's parse and a bare insert take: of the rows as they stand in the file, and as we hold them."""
    parsed = timed(lambda: pacsv.read_csv(path))
    written = list(zip(*(column.to_pylist() for column in pacsv.read_csv(path).columns), strict=True))
    table = f"CREATE TABLE bare ({', '.join(COLUMNS)}); CREATE UNIQUE INDEX by_identity ON bare ({', '.join(IDENTITY)})"
    plain = timed_insert(folder / "floor.db", table, "bare", written)
    del written
    with closing(sqlite3.connect(store_path)) as connection:
        (ours,) = connection.execute("SELECT sql FROM sqlite_master WHERE name = 'reading'").fetchone()
        keyed = connection.execute("SELECT * FROM reading").fetchall()
    harder = timed_insert(folder / "harder.db", ours, "reading", keyed)
    print(f"pyarrow {parsed:.2f} s, bare insert {plain:.2f} s, the harder floor's {harder:.2f} s")
    return parsed + plain, parsed + harder


def timed_insert(path: Path, tables: str, name: str, rows: list[tuple[object, ...]]) -> float:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA journal_mode=WAL")
        connection.executescript(tables)

        def insert() -> None:
            connection.executemany(f"INSERT INTO {name} VALUES ({', '.join('?' * len(rows[0]))})", rows)
            connection.commit()

        return timed(insert)


def server_floor(path: Path, link: psycopg.Connection) -> tuple[float, float]:
    """As `floor`, with COPY into a server: of the file as it stands, and of the rows that our store on it holds."""
    parsed = timed(lambda: pacsv.read_csv(path))
    link.execute(f"CREATE TABLE bare ({', '.join(f'{name} text' for name in COLUMNS)})")
    link.execute(f"CREATE UNIQUE INDEX by_identity ON bare ({', '.join(IDENTITY)})")
    link.execute("CREATE TABLE harder (LIKE reading INCLUDING ALL)")
    ours = io.BytesIO()
    with link.cursor().copy("COPY reading TO STDOUT") as copy:
        for block in copy:
            ours.write(block)
    plain = timed(lambda: copy_in(link, "COPY bare FROM STDIN (FORMAT csv, HEADER)", path.read_bytes()))
    harder = timed(lambda: copy_in(link, "COPY harder FROM STDIN", ours.getvalue()))
    print(f"server: pyarrow {parsed:.2f} s, bare COPY {plain:.2f} s, the harder floor's {harder:.2f} s")
    return parsed + plain, parsed + harder


def copy_in(link: psycopg.Connection, sql: str, content: bytes) -> None:
    with link.cursor().copy(sql) as copy:
        copy.write(content)


def on_a_server(content: bytes, place: Path) -> None:
    """The same intake into a server's store."""
    with running_cluster() as cluster:
        bench = Bench(place / "shared", store=cluster.new_store())
        (bench.folder / "drops" / "tests" / "readings.csv").write_bytes(content)
        store, lab = open_store(bench.folder), load(bench.folder)
        ours = timed(lambda: drops.take_in_drops(store, lab, NOW))
        options = f"port={cluster.port} host=127.0.0.1 user=keeper dbname=postgres options=-csearch_path=lab_1"
        with psycopg.connect(options, autocommit=True) as link:
            least, harder = server_floor(bench.folder / "filed" / "readings.csv", link)
        print(
            f"server: intake {ours:.2f} s, / floor = {ours / least:.2f} (goal: at most 2), / harder floor = {ours / harder:.2f}"
        )
        store.close()


def conditioning(folder: Path) -> float:
    """Seconds to judge 100,000 sessions by a year of 1-minute logs of four chambers, all in the store already."""
    store, lab = open_store(folder), load(folder)
    rng = np.random.default_rng(4)
    minute, start = 60_000_000, 1_760_000_000_000_000
    logged = start + np.arange(MINUTES) * minute
    with store.writing() as connection:
        connection.exec_driver_sql("INSERT INTO stream VALUES (1, 'S', 'P', 'shielding_energy', 0)")
        for chamber in range(1, 5):
            humidity = rng.normal(12.0, 0.6, MINUTES).tolist()
            rows = [(chamber, us, rh, 23.0, 1, 1) for us, rh in zip(logged.tolist(), humidity, strict=True)]
            insert_many(connection, "INSERT INTO climate VALUES (?, ?, ?, ?, ?, ?)", rows)
        began = rng.integers(start, int(logged[-1]) - 3600 * 10**6, SESSIONS)
        sessions = [(1, lot, us, us + 1800 * 10**6, lot % 4 + 1) for lot, us in enumerate(began.tolist())]
        zeros = ", ".join(["0"] * len(NO_SUMMARY))
        insert_many(
            connection,
            f"INSERT INTO session (stream_id, lot_id, started_us, ended_us, chamber_id, {', '.join(NO_SUMMARY)}, conditioning) "
            f"VALUES (?, ?, ?, ?, ?, {zeros}, '')",
            sessions,
        )

    def judge() -> None:
        with store.writing() as connection:
            rebuild_stale(connection, lab)

    return timed(judge)


def peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def intake_alone(rows: int) -> None:
    """How much memory a process takes that does nothing but take in a file."""
    with tempfile.TemporaryDirectory() as folder:
        subprocess.run([sys.executable, __file__, "intake", str(rows), folder], check=True)


def take_in_only(rows: int, place: Path) -> None:
    bench = Bench(place / "lab")
    feed = bench.folder / "drops" / "tests" / "readings.csv"
    subprocess.run([sys.executable, __file__, "feed", str(rows), str(feed)], check=True)
    store, lab, before = open_store(bench.folder), load(bench.folder), peak_mb()
    seconds = timed(lambda: drops.take_in_drops(store, lab, NOW))
    print(
        f"{rows:,} rows, {(bench.folder / 'filed' / 'readings.csv').stat().st_size / 1e6:.0f} MB, in a process of its own: "
        f"{seconds:.2f} s; peak memory {peak_mb():.0f} MB, {before:.0f} MB before"
    )


def main(rows: int, place: Path) -> None:
    for many in (rows, 4 * rows):
        intake_alone(many)
    bench = Bench(place / "lab")
    feed = bench.folder / "drops" / "tests" / "readings.csv"
    write_feed(feed, rows)
    print(f"{rows:,} rows, {feed.stat().st_size / 1e6:.0f} MB; before: peak memory {peak_mb():.0f} MB")
    content = feed.read_bytes()
    store, lab = open_store(bench.folder), load(bench.folder)
    ours = timed(lambda: drops.take_in_drops(store, lab, NOW))
    print(f"intake {ours:.2f} s; peak memory {peak_mb():.0f} MB")
    least, harder = floor(bench.folder / "filed" / "readings.csv", place, bench.folder / STORE_NAME)
    print(f"intake / floor = {ours / least:.2f} (goal: at most 2); intake / harder floor = {ours / harder:.2f}")
    on_a_server(content, place)
    feed.write_bytes(content + b"\n")
    print(f"the same rows in another file: {timed(lambda: drops.take_in_drops(store, lab, NOW)):.2f} s")

    def sessions() -> None:
        with store.writing() as connection:
            rebuild_stale(connection, lab)

    lots = rows / (BAGS * READINGS)
    print(f"sessions: {timed(sessions) / lots * 1e6:.0f} µs a lot")
    print(f"evaluation of 200 streams: {timed(lambda: rounds.run(lab, NOW)):.2f} s")
    print(f"100,000 sessions by a year of minutes: {conditioning(Bench(place / 'log').folder):.2f} s")
    print(f"a round with nothing new: {timed(lambda: rounds.run(lab, NOW)):.3f} s; peak memory {peak_mb():.0f} MB")


if __name__ == "__main__":
    match sys.argv[1:]:
        case ["feed", count, path]:
            write_feed(Path(path), int(count))
        case ["intake", count, place]:
            take_in_only(int(count), Path(place))
        case [*given]:
            size = int(given[0]) if given else ROWS
            with tempfile.TemporaryDirectory(dir=given[1] if len(given) > 1 else None) as folder:
                main(size, Path(folder))
