"""How fast the pages answer on 5,000 streams of 200 lots, what the first board weighs, and whether the server's memory is flat.

    python tests/bench/bench_pages.py [PARTS] [LOADS]

50 parts of 100 streams by default (`tests/manystreams.py` says what is simulated and what is copied) and 2,000 page loads for
the memory; 10,000 take a quarter of an hour. Served by a process of its own, asked over one connection as a browser asks: wall
time from question to whole answer, and beside it the processor time of the server, which other jobs of the machine don't
stretch. Linux only: both are read from /proc.
"""

from __future__ import annotations

import gzip
import http.client
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import cycle, islice
from pathlib import Path
from urllib.parse import urlencode

import numpy as np
from support.browser import free_port, waited_for
from support.demolab import NOW, demo_lab
from support.manystreams import SUPPLIERS, lab_of_many_streams, lot_name, supplier_name

ASKED = 40
TICK_MS = 1000 / os.sysconf("SC_CLK_TCK")


class Server:
    """The served dashboard, asked as a browser asks it."""

    def __init__(self, base: str, pid: int) -> None:
        self.pid = pid
        self.link = http.client.HTTPConnection(base.removeprefix("http://"))

    def page(self, address: str) -> bytes:
        """The answer with the content of a page."""
        path, _, search = address.partition("?")
        asked = {
            "output": "page.children",
            "outputs": {"id": "page", "property": "children"},
            "inputs": [
                {"id": "address", "property": "pathname", "value": path},
                {"id": "address", "property": "search", "value": f"?{search}" if search else ""},
            ],
            "changedPropIds": ["address.pathname"],
            "parsedChangedPropsIds": ["address.pathname"],
        }
        return self.fetch("/_dash-update-component", json.dumps(asked))

    def fetch(self, path: str, body: str | None = None) -> bytes:
        self.link.request("POST" if body else "GET", path, body, {"Content-Type": "application/json"} if body else {})
        answer = self.link.getresponse()
        text = answer.read()
        assert answer.status == 200, (path, answer.status, text[:200])
        return text

    def processor_ms(self) -> float:
        fields = Path(f"/proc/{self.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) * TICK_MS

    def memory_mb(self) -> float:
        line = next(line for line in Path(f"/proc/{self.pid}/status").read_text().splitlines() if "VmRSS" in line)
        return int(line.split()[1]) / 1024


@contextmanager
def serving(folder: Path) -> Iterator[tuple[Server, float]]:
    """A lab's dashboard, and the seconds from its start to its first answer."""
    port = free_port()
    started = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-m", "dashboard.cli", "serve", "--lab", str(folder), "--port", str(port)],
        stdout=subprocess.DEVNULL,
    )
    try:
        base = waited_for(f"http://127.0.0.1:{port}", process)
        server = Server(base, process.pid)
        server.fetch("/")
        yield server, time.perf_counter() - started
    finally:
        process.terminate()
        process.wait()


def addresses(parts: int) -> dict[str, list[str]]:
    """Addresses to ask of each kind of page, spread over the suppliers."""
    suppliers = [supplier_name(number % parts, number % SUPPLIERS) for number in range(ASKED)]
    streams = [
        urlencode({"supplier": name, "product": f"P{number % 20:02}", "characteristic": "shielding_energy"})
        for number, name in enumerate(suppliers)
    ]
    lots = [
        urlencode({"supplier": name, "lot": lot_name(number % 20, 199 - number)})
        for number, name in enumerate(suppliers)
    ]
    return {
        "board, a round under way": ["/"] * ASKED,
        "board": ["/"] * ASKED,
        "board of a supplier": [f"/?{urlencode({'supplier': name})}" for name in suppliers],
        "board of a state and a chamber": ["/?state=look&chamber=C1"] * ASKED,
        "board searched": [f"/?find=P{number % 20:02}" for number in range(ASKED)],
        "stream": [f"/stream?{names}" for names in streams],
        "lot": [f"/lot?{names}" for names in lots],
        "alerts": ["/alerts"] * ASKED,
        "alerts of all states": ["/alerts?show=all"] * ASKED,
        "supplier": [f"/supplier?{urlencode({'name': name})}" for name in suppliers],
        "bench": ["/bench"] * ASKED,
    }


def told(server: Server, name: str, asked: list[str]) -> None:
    """One line: how long this kind of page took."""
    walls, processor = [], server.processor_ms()
    for address in asked:
        start = time.perf_counter()
        answer = server.page(address)
        walls.append(1000 * (time.perf_counter() - start))
    processor = (server.processor_ms() - processor) / len(asked)
    half, most = np.percentile(walls, [50, 95])
    print(
        f"{name:32} median {half:6.0f} ms, 95 % under {most:6.0f} ms, processor {processor:6.0f} ms, "
        f"first {walls[0]:6.0f} ms, {len(answer) / 1000:6.0f} kB ({len(gzip.compress(answer)) / 1000:.0f} kB packed)"
    )


def memory(server: Server, kinds: dict[str, list[str]], loads: int) -> None:
    """The server's memory while pages of all kinds are loaded."""
    every = [address for each in zip(*kinds.values(), strict=True) for address in each]
    for number, address in enumerate(islice(cycle(every), loads)):
        if number % (loads // 5) == 0:
            print(f"after {number:6,} loads: {server.memory_mb():.0f} MB")
        server.page(address)
    print(f"after {loads:6,} loads: {server.memory_mb():.0f} MB")


def main(parts: int, loads: int, kept: Path | None) -> None:
    with tempfile.TemporaryDirectory() as folder:
        with serving(demo_lab(Path(folder))) as (server, seconds):
            spent = server.processor_ms() / 1000
            print(
                f"demo lab as of {NOW:%Y-%m-%d}: first answer {seconds:.2f} s after the start, {spent:.2f} s of the processor"
            )
        big = kept or lab_of_many_streams(Path(folder) / "many", parts)
        with serving(big) as (server, seconds):
            print(f"{100 * parts:,} streams: first answer {seconds:.2f} s after the start")
            kinds = addresses(parts)
            # The first round begins with the server, so the first kind shares the process with it.
            for name, asked in kinds.items():
                told(server, name, asked)
            memory(server, kinds, loads)


if __name__ == "__main__":
    numbers = [int(text) for text in sys.argv[1:3]]
    main(*(numbers + [50, 2000][len(numbers) :]), Path(sys.argv[3]) if len(sys.argv) > 3 else None)
