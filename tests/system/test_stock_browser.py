"""A person finds the lots to test first, on a phone and on a laptop."""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser
from support.browser import WIDTHS, drawn


@pytest.mark.parametrize("width", WIDTHS)
def test_a_person_at_the_shelf_finds_what_to_test_first_and_why(browser: Browser, address: str, width: int) -> None:
    page = browser.new_page(viewport={"width": width, "height": 844})
    page.goto(address)
    page.get_by_role("navigation", name="Pages").get_by_role("link", name="Stock").click()
    page.get_by_role("table", name="Lots to test first").wait_for()
    drawn(page)

    # The heading names the number of lots, and the first of them stands on the first or second screen.
    heading = page.get_by_role("heading", level=1).inner_text()
    assert heading.startswith("Test ")
    first = page.get_by_role("table", name="Lots to test first").get_by_role("row").nth(1)
    assert first.get_by_role("link").first.inner_text().startswith("TW")
    assert first.bounding_box()["y"] < 2 * 844
    assert "A date clears no lot and condemns none" in page.inner_text("main")
    # No sideways scroll, and links large enough for a thumb.
    assert page.evaluate("document.documentElement.scrollWidth") == width
    # Lots without a date are folded on a phone.
    sizes = page.locator(".shelf a:visible").evaluate_all("all => all.map(one => one.getBoundingClientRect().height)")
    assert min(sizes) >= 24
    assert not Axe().run(page).response["violations"]

    first.get_by_role("link").nth(1).click()
    page.get_by_role("heading", level=1, name="ages").wait_for()
    drawn(page)
    assert page.get_by_text("For a better date").is_visible()
    assert page.evaluate("document.documentElement.scrollWidth") == width
    assert not Axe().run(page).response["violations"]
    page.close()


def test_the_shelf_list_is_found_by_part_of_a_lot_and_taken_along_as_files(browser: Browser, address: str) -> None:
    page = browser.new_page(viewport={"width": 390, "height": 844})
    page.goto(f"{address}/stock")
    drawn(page)
    page.get_by_label("Lot, product or supplier").fill("tw0020")
    page.get_by_role("button", name="Show").click()
    page.wait_for_url("**/stock?*")
    drawn(page)
    assert page.get_by_role("table", name="Lots in stock").get_by_role("row").count() == 3

    for form, start in (("csv", b"\xef\xbb\xbfsupplier,product,lot"), ("xlsx", b"PK")):
        answer = page.request.get(f"{address}/stock-file?form={form}")
        assert answer.body().startswith(start)
    page.goto(f"{address}/shelf-list")
    assert "TW00203" in page.inner_text("body")
    assert "shelf A" in page.inner_text("body")
    page.close()
