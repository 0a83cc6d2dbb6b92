"""A real browser and a real server process for the tests of the pages, and for the pictures of them."""

from __future__ import annotations

import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.error import URLError

from playwright.sync_api import Browser, Page, sync_playwright

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "microsoft-edge")
ARGUMENTS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
PATIENCE_SECONDS = 30

# The width of a laptop and of a phone.
WIDTHS = (1440, 390)
STREAM = "/stream?supplier=Brackenfoil&product=BF-110&characteristic=shielding_energy"
PAGES = {
    "board": "/",
    "stream": STREAM,
    "limits": f"/limits?change=change+limit&day=2026-01-01&side=upper&value=25&{STREAM.partition('?')[2]}",
    "lot": "/lot?supplier=Tarnwick&lot=TW00076",
    "alerts": "/alerts?show=all",
    "cases": "/cases",
    "test again": "/retest",
    "find": "/find?text=UM",
    "ready": "/ready",
    "loads": "/loads",
    "instruments": "/instruments",
    "bench": "/bench",
    "stock": "/stock",
    "ageing": "/ageing?product=TW-Rose&characteristic=surface_resistance_inside",
    "history": "/history",
    "supplier": "/supplier?name=Tarnwick",
    "scorecards": "/scorecards?quarter=2026-Q3",
    "guide": "/guide?part=charts",
    "commands in the guide": "/guide?part=commands",
    "bags": "/bags?supplier=Brackenfoil&product=BF-110&characteristic=shielding_energy",
    "streams for bags": "/bags",
    "comparison": '/compare?characteristic=shielding_energy&c1=["Umberfold","UM-7"]&c2=["Umberfold","UM-9"]&margin=5',
    "other limit": "/what-if?characteristic=shielding_energy&limit=10",
    "not found": "/lot?supplier=Nobody&lot=X",
}
LOTS = {
    "lot with bags outside": "/lot?supplier=Brackenfoil&lot=BF07191",
    "lot with captures": "/lot?supplier=Quillmere&lot=QM01408",
}
# Pages of the server outside the frame: they need no script.
PLAIN_PAGES = {"digest": "/digest", "shelf list": "/shelf-list", "add a file": "/add"}


@contextmanager
def served(folder: Path) -> Iterator[str]:
    """The address of the lab's dashboard, served by a process of its own that ends with the block."""
    port = free_port()
    command = [sys.executable, "-m", "dashboard.cli", "serve", "--lab", str(folder), "--port", str(port)]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    try:
        yield waited_for(f"http://127.0.0.1:{port}", process)
    finally:
        process.terminate()
        try:
            assert process.wait(timeout=PATIENCE_SECONDS) == 0
        finally:
            # A server that does not end fails this test; left behind, it would fail whichever test runs later.
            process.kill()
            process.wait()


def free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


def waited_for(base: str, process: subprocess.Popen[bytes]) -> str:
    """`base` once the server answers; fails when it has ended instead."""
    for _ in range(PATIENCE_SECONDS * 10):
        assert process.poll() is None, "the server ended before it answered"
        try:
            urllib.request.urlopen(f"{base}/healthz").close()
        except URLError:
            time.sleep(0.1)
        else:
            return base
    raise AssertionError("the server did not answer")


@contextmanager
def started() -> Iterator[Browser]:
    """A browser that this machine has."""
    path = next((found for found in map(shutil.which, BROWSERS) if found), None)
    assert path is not None, f"no browser found (looked for {', '.join(BROWSERS)}); make test brings one"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=list(ARGUMENTS))
        yield browser
        browser.close()


def drawn(page: Page) -> None:
    """Wait until the page stands and all its figures are drawn."""
    page.locator("#page h1").first.wait_for()
    until(
        page,
        "document.querySelectorAll('#page .figure .main-svg').length >= document.querySelectorAll('#page .figure').length",
    )


def opened(page: Page, address: str, where: str) -> Page:
    """The page once it stands; those outside the frame have no figure to wait for."""
    page.goto(address + where)
    if where in PLAIN_PAGES.values():
        page.locator("h1").first.wait_for()
    else:
        drawn(page)
    return page


def unfolded(page: Page) -> None:
    """Open what a phone folds under its heading."""
    page.get_by_role("heading", level=1).wait_for()
    folded = page.locator("details.fold-narrow:not([open]) > summary")
    while folded.count():
        folded.first.click()


def until(page: Page, condition: str, seconds: float = 30.0) -> None:
    """Wait until a JavaScript condition holds.

    Playwright's own wait evaluates its text inside the page on every look but the first,
    which the Content-Security-Policy of the served pages forbids.
    """
    deadline = time.monotonic() + seconds
    while not page.evaluate(condition):
        assert time.monotonic() < deadline, f"never true on the page: {condition}"
        page.wait_for_timeout(20)
