"""Pictures of every page at the width of a laptop and of a phone, to be looked at.

    python tests/pictures.py [FOLDER]

They go to build/pictures; the picture in the README is board-1440.png, cut to one screen.
"""

from __future__ import annotations

import shutil
import socket
import subprocess
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright
from test_browser import ARGUMENTS, BROWSERS, NOW, waited_for

import sample_feeds
from ingest import rounds
from ingest.lab import load

PAGES = {
    "board": "/",
    "stream": "/stream?supplier=Brackenfoil&product=BF-110&characteristic=shielding_energy",
    "lot": "/lot?supplier=Umberfold&lot=UM08224",
    "alerts": "/alerts",
    "bench": "/bench",
    "supplier": "/supplier?name=Tarnwick",
    "scorecards": "/scorecards?quarter=2026-Q3",
}


def main(out: Path) -> None:
    """Serve the demo lab and photograph it."""
    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as name:
        folder = sample_feeds.copy_to(Path(name), NOW)
        rounds.run(load(folder), NOW)
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        command = [sys.executable, "-m", "dashboard.cli", "serve", "--lab", name, "--port", str(port)]
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
        try:
            take(waited_for(f"http://127.0.0.1:{port}", process), out)
        finally:
            process.terminate()
            process.wait()


def take(address: str, out: Path) -> None:
    """One picture a page and width."""
    path = next(found for found in map(shutil.which, BROWSERS) if found)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=list(ARGUMENTS))
        for width in (1440, 390):
            page = browser.new_page(viewport={"width": width, "height": 900})
            for name, where in PAGES.items():
                page.goto(address + where)
                page.locator("#page h1").first.wait_for()
                page.wait_for_function("!document.querySelector('.js-plotly-plot:not(:has(.main-svg))')")
                page.screenshot(path=out / f"{name}-{width}.png", full_page=name != "board")
        browser.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path("build/pictures"))
