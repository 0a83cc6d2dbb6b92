"""How fast the page Stock answers with many lots on the shelf, and what a round costs that moves one film or one count.

    PYTHONPATH=tests python tests/bench/bench_stock.py [LOTS]

20,000 lots by default: 40 films of 500 lots each, seven of them tested three times. Asked over one connection as a browser
asks: wall time from question to whole answer, and beside it the processor time of the server. Linux only.
"""

from __future__ import annotations

import sys
import tempfile
import time
from datetime import timedelta
from pathlib import Path

import numpy as np
from bench_pages import serving
from support.labs import LAB_TOML, NOW, Bench, csv_text, lot_rows

from ingest.config.lab import load
from ingest.rounds import rounds

LOTS_OF_FILM = 500
ASKED = 20
NAME = "surface_resistance"
BEFORE = timedelta(days=420)


def film_rows(rng: np.random.Generator, number: int) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    start = NOW - BEFORE
    for lot in range(LOTS_OF_FILM):
        level, pace = 9.0 + 0.1 * rng.standard_normal(), 0.1 + 0.01 * rng.standard_normal()
        for test in range(3 if lot < 7 else 1):
            days = 150 * test + lot * 400 / LOTS_OF_FILM if lot >= 7 else 150 * test + lot
            value = 10 ** (level + pace * 150 * test / 30.4375)
            rows += lot_rows(
                f"F{number:02}-{lot:04}", start + timedelta(days=days), [[f"{value:.4g}"]], supplier=f"Supplier {number % 8}",
                product=f"PB-{number:02}", characteristic=NAME, unit="ohm",
            )  # fmt: skip
    return rows


def filled(folder: Path, lots: int) -> Bench:
    bench = Bench(folder, LAB_TOML)
    (folder / "drops" / "stock").mkdir()
    rng = np.random.default_rng(7)
    films = range(lots // LOTS_OF_FILM)
    bench.drop_tests("tests.csv", [row for number in films for row in film_rows(rng, number)])
    hours = int((BEFORE + timedelta(days=2)).total_seconds() // 3600)
    log = [((NOW - timedelta(hours=hour)).isoformat(), "C1", 12.0, 23.0) for hour in range(hours, -1, -1)]
    bench.drop("log.csv", csv_text(("logged_at", "chamber", "humidity_percent", "temperature_c"), log), "climate")
    counts = [
        ("2026-11-24", f"Supplier {number % 8}", f"PB-{number:02}", f"F{number:02}-{lot:04}", 100 * int(rng.integers(1, 30)), "bags", "A", "")
        for number in films
        for lot in range(LOTS_OF_FILM)
    ]  # fmt: skip
    heads = ("counted_on", "supplier", "product", "lot", "quantity", "unit", "storage", "opened_on")
    bench.drop("stock.csv", csv_text(heads, counts), "stock")
    return bench


def timed_round(bench: Bench, name: str) -> None:
    started = time.perf_counter()
    done = rounds.run(load(bench.folder), NOW)
    print(f"{name:42} {time.perf_counter() - started:6.2f} s, {done.evaluated} streams evaluated")


def main(lots: int) -> None:
    with tempfile.TemporaryDirectory() as place:
        bench = filled(Path(place) / "lab", lots)
        timed_round(bench, f"first round, {lots:,} lots")
        again = lot_rows("F00-0100", NOW - timedelta(hours=3), [["2e10"]], supplier="Supplier 0", product="PB-00",
                         characteristic=NAME, unit="ohm")  # fmt: skip
        again[0]["specimen"] = 9
        bench.drop_tests("again.csv", again)
        timed_round(bench, "one lot tested again")
        bench.drop("one.csv", csv_text(("counted_on", "supplier", "product", "lot", "quantity"),
                                       [("2026-11-25", "Supplier 1", "PB-01", "F01-0007", 3)]), "stock")  # fmt: skip
        timed_round(bench, "one lot counted")
        timed_round(bench, "nothing new")
        with serving(bench.folder) as (server, _):
            for name, address in {
                "stock, first question": "/stock",
                "stock": "/stock",
                "stock of a product": "/stock?find=PB-07",
                "stock, row 19,000 on": "/stock?start=19000",
                "film": f"/ageing?product=PB-03&characteristic={NAME}",
            }.items():
                spans, before = [], server.processor_ms()
                count = 1 if "first" in name else ASKED
                for _ in range(count):
                    started = time.perf_counter()
                    answer = server.page(address)
                    spans.append(1000 * (time.perf_counter() - started))
                used = (server.processor_ms() - before) / count
                print(
                    f"{name:42} {np.median(spans):6.0f} ms, slowest {max(spans):6.0f} ms, processor {used:5.0f} ms, {len(answer) / 1024:.0f} kB"
                )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20_000)
