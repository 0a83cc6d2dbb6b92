"""The longest names, of 150 letters without a blank, wrap: no page becomes wider than the window of a laptop or a phone.

A longer name is refused in one line that states the longest; the pages show that line and stay as narrow.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from urllib.parse import urlencode

import pytest
from playwright.sync_api import Browser, Page
from support.browser import drawn, served
from support.labs import MONDAY, Bench, lot_rows

SUPPLIER, PRODUCT, LOT = ("Supplier" * 38)[:150], ("Product" * 43)[:150], ("Lot0" * 75)[:150]
TOO_LONG = ("Supplier" * 38)[:300]
PLACES = {
    "board": "/",
    "alerts": "/alerts?show=all",
    "bench": "/bench",
    "history": "/history",
    "lot": "/lot?" + urlencode({"supplier": SUPPLIER, "lot": LOT}),
    "supplier": "/supplier?" + urlencode({"name": SUPPLIER}),
    "stream": "/stream?" + urlencode({"supplier": SUPPLIER, "product": PRODUCT, "characteristic": "shielding_energy"}),
    "scorecards": "/scorecards?quarter=2026-Q1",
    "scorecard": "/scorecards?" + urlencode({"quarter": "2026-Q1", "supplier": SUPPLIER}),
}


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    bench = Bench(tmp_path_factory.mktemp("long") / "lab")
    bench.drop_climate("c.csv", MONDAY - timedelta(hours=60), 24 * 50)
    names = {"supplier": SUPPLIER, "product": PRODUCT}
    rows = lot_rows(LOT, MONDAY + timedelta(weeks=6), [[29.0, 30.0]], **names)
    for week in range(6):
        rows += lot_rows(f"{week}{LOT}"[:150], MONDAY + timedelta(weeks=week), [[9.0, 9.1]], **names)
    bench.drop_tests("t.csv", rows)
    bench.drop_tests("too-long.csv", lot_rows("Lot0" * 75, MONDAY, [[9.0]], supplier=TOO_LONG, product="Product" * 43))
    bench.run()
    with served(bench.folder) as base:
        yield base


@pytest.fixture(params=[1440, 390], ids=["laptop", "phone"])
def page(browser: Browser, request: pytest.FixtureRequest) -> Iterator[Page]:
    window = browser.new_context(viewport={"width": request.param, "height": 900})
    yield window.new_page()
    window.close()


@pytest.mark.parametrize("name", list(PLACES))
def test_no_page_is_wider_than_its_window(page: Page, address: str, name: str) -> None:
    page.goto(address + PLACES[name])
    drawn(page)

    # The whole name is there, and nothing of it lies beside the window; tables that scroll by themselves may be wider.
    assert (SUPPLIER in page.locator("body").inner_text()) == (name not in ("bench", "history"))
    width = page.evaluate("window.innerWidth")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    beside = page.evaluate(
        """() => [...document.querySelectorAll("#page *")]
        .filter(one => !one.closest(".scroll, .figure, svg") && one.getBoundingClientRect().right > window.innerWidth + 1)
        .map(one => one.tagName + "." + one.className)"""
    )
    assert beside == []


def test_a_name_of_300_letters_is_refused_in_one_line_that_does_not_widen_the_bench(page: Page, address: str) -> None:
    page.goto(address + PLACES["bench"])
    drawn(page)

    refused = page.get_by_text("has 300 characters; write a name of at most 150")
    assert refused.count() == 1
    assert TOO_LONG not in page.locator("body").inner_text()
    assert refused.bounding_box()["x"] + refused.bounding_box()["width"] <= page.evaluate("window.innerWidth")
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
