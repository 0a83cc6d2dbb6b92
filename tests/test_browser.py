"""The four things the tool is for, in a real browser at the width of a laptop and of a phone."""

from __future__ import annotations

import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from urllib.error import URLError

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

import sample_feeds
from ingest import rounds
from ingest.lab import load

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "microsoft-edge")
ARGUMENTS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
PATIENCE_SECONDS = 30


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The demo lab, served by a process of its own."""
    folder = tmp_path_factory.mktemp("demo")
    sample_feeds.copy_to(folder, NOW)
    rounds.run(load(folder), NOW)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [sys.executable, "-m", "dashboard.cli", "serve", "--lab", str(folder), "--port", str(port)]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    try:
        yield waited_for(f"http://127.0.0.1:{port}", process)
    finally:
        process.terminate()
        assert process.wait(timeout=PATIENCE_SECONDS) == 0


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


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One browser for all tests."""
    path = next((found for found in map(shutil.which, BROWSERS) if found), None)
    assert path is not None, f"no browser found (looked for {', '.join(BROWSERS)}); make test brings one"
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=path, args=list(ARGUMENTS))
        yield started
        started.close()


@pytest.fixture(params=[1440, 390], ids=["laptop", "phone"])
def page(request: pytest.FixtureRequest, browser: Browser, address: str) -> Iterator[Page]:
    """A page that fails the test on an error in the console or a request to anywhere but the local server."""
    context = browser.new_context(viewport={"width": request.param, "height": 900})
    opened = context.new_page()
    trouble: list[str] = []
    opened.on("console", lambda said: trouble.append(said.text) if said.type == "error" else None)
    opened.on("pageerror", lambda error: trouble.append(str(error)))
    opened.on("request", lambda asked: trouble.append(asked.url) if foreign(asked.url, address) else None)
    opened.goto(address)
    yield opened
    context.close()
    assert trouble == []


def foreign(url: str, address: str) -> bool:
    return not url.startswith((address, "data:", "blob:"))


def test_from_the_board_to_the_reading_behind_it(page: Page) -> None:
    page.get_by_role("heading", name="need a call this week").wait_for()
    page.get_by_role("link", name="BF-110 · shielding energy").click()

    page.locator("#stream-figure .main-svg").first.wait_for()
    assert "act" in page.locator("h1").inner_text()
    assert page.get_by_text("chance of a breach within the horizon").first.is_visible()
    page.get_by_text("The figures as a table").click()
    page.get_by_role("link", name="BF04286").first.click()

    page.get_by_role("heading", name="Lot BF04286").wait_for()
    page.get_by_text("Every reading, with its file and line").first.click()
    assert page.get_by_role("cell", name="energy-2026-11-20.csv").first.is_visible()


def test_the_alerts_and_the_bench(page: Page) -> None:
    page.get_by_role("link", name="Alerts").click()
    page.get_by_role("heading", name="to act on").wait_for()
    assert page.get_by_text("not under the limit of 20 nJ").first.is_visible()

    page.get_by_role("link", name="Bench").click()
    page.get_by_role("heading", name="inside the window").wait_for()
    page.locator("#chamber-0 .main-svg").first.wait_for()
    assert page.get_by_text("is a unit of sheet resistance").first.is_visible()


def test_a_scorecard_is_downloaded(page: Page, tmp_path: Path) -> None:
    page.get_by_role("link", name="Scorecards").click()
    page.get_by_role("heading", name="Scorecards of 2026-Q3").wait_for()

    with page.expect_download() as download:
        page.get_by_role("link", name="CSV").first.click()
    download.value.save_as(tmp_path / "card.csv")

    assert (tmp_path / "card.csv").read_text().startswith("supplier,product,characteristic,quarter")


def test_a_choice_on_the_board_stands_in_the_address(page: Page) -> None:
    page.get_by_label("supplier").select_option("Tarnwick")
    page.get_by_role("button", name="Show").click()

    page.wait_for_url("**/?supplier=Tarnwick*")
    page.get_by_role("link", name="TW-Rose · surface resistance inside").wait_for()
    assert page.get_by_role("link", name="BF-110 · shielding energy").count() == 0


def test_no_figure_offers_to_send_itself_away(page: Page, address: str) -> None:
    page.goto(f"{address}/stream?supplier=Brackenfoil&product=BF-110&characteristic=shielding_energy")
    page.locator("#stream-figure .main-svg").first.wait_for()

    assert page.locator(".modebar-btn").count() == 0
