"""A new user brings an export of their own in with a real browser alone, from an empty lab to the lot's page."""

from __future__ import annotations

from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser
from support.browser import WIDTHS, served
from support.exports import GERMAN
from support.labs import LAB_TOML, Bench

from ingest.common.clock import now


@pytest.mark.parametrize("width", WIDTHS)
def test_a_german_export_comes_in_by_the_browser_alone(
    browser: Browser, bench: Bench, tmp_path: Path, width: int
) -> None:
    bench.declare(LAB_TOML.split("[[source]]", maxsplit=1)[0])
    export = tmp_path / "woche 12.csv"
    export.write_bytes(GERMAN)
    with served(bench.folder) as address:
        page = browser.new_page(viewport={"width": width, "height": 900})
        page.goto(address)
        page.get_by_role("link", name="Add a file").click()
        page.get_by_label("CSV file").set_input_files(export)
        page.get_by_role("button", name="Show how it is read").click()

        page.get_by_text("All 6 rows of woche 12.csv can be read.").wait_for()
        assert page.get_by_label("What Beutel-Nr. holds").input_value() == "specimen"
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert Axe().run(page).violations_count == 0
        page.get_by_label("file names").fill("woche*.csv")
        page.get_by_role("button", name="Read again").click()
        page.get_by_label("your name").fill("Sam")
        page.get_by_label("reason").fill("new tester")
        page.get_by_role("button", name="Save and take in").click()
        page.get_by_text("woche 12.csv lies in drops/tests.").wait_for()
        bench.run(now())
        page.goto(f"{address}/lot?supplier=Alder+Folie&lot=CH-16")
        page.get_by_role("heading", name="Lot CH-16").wait_for()
        page.close()

    assert 'pattern = "woche*.csv"' in (bench.folder / "lab.toml").read_text()
