"""Monday at nine and the technician's list, in a real browser: what was dealt with is quiet, and what was tested is gone."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect
from support.browser import WIDTHS, drawn, served
from support.demolab import NOW, copy_of, demo_lab
from support.labs import TEST_COLUMNS, csv_text

from ingest.config.lab import load
from ingest.rounds import rounds

WORST_FIRST = ("Brackenfoil BF-110", "Umberfold UM-9", "Tarnwick TW-Clear")


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return copy_of(demo_lab(tmp_path_factory.getbasetemp()), tmp_path_factory.mktemp("work") / "lab")


@pytest.fixture(scope="module")
def address(lab: Path) -> Iterator[str]:
    with served(lab) as base:
        yield base


@pytest.fixture
def page(browser: Browser, address: str, request: pytest.FixtureRequest) -> Iterator[Page]:
    """The board; the test fails on an error in the console."""
    opened = browser.new_page(viewport={"width": getattr(request, "param", WIDTHS[0]), "height": 900})
    trouble: list[str] = []
    opened.on("console", lambda line: trouble.append(line.text) if line.type == "error" else None)
    opened.on("pageerror", lambda error: trouble.append(str(error)))
    opened.goto(address)
    drawn(opened)
    yield opened
    opened.close()
    # The browser notes each answer with an error status, such as that to a refused entry.
    assert [line for line in trouble if "400" not in line] == []


def headline(page: Page) -> str:
    return page.locator("#page h1").first.inner_text()


def test_on_monday_the_headline_leads_to_the_cases_and_is_quiet_once_all_have_a_response(page: Page) -> None:
    assert headline(page).startswith("3 suppliers to call: Brackenfoil (BF-110 first)")
    page.get_by_role("link", name="Alerts", exact=True).click()
    page.get_by_role("heading", name="8 open cases: 8 to respond to, 3 of grade act.").wait_for()
    assert page.locator(".case").first.get_by_role("link", name=WORST_FIRST[0]).is_visible()

    # The worst case: both of its alerts are answered at once; a blank reason comes back with what was written.
    first = page.locator(".case").first
    first.get_by_text("Respond", exact=True).click()
    form = first.locator("form", has=page.get_by_role("button", name="Seen"))
    form.get_by_label("your name").fill("Specialist")
    form.get_by_label("reason").fill(" ")
    form.get_by_role("button", name="Seen").click()
    page.get_by_role("heading", name="The entry was not saved.").wait_for()
    assert page.get_by_label("your name").input_value() == "Specialist"
    page.get_by_label("reason").fill("Film roll 7, call today")
    page.get_by_role("button", name="acknowledge").click()
    page.get_by_role("heading", name="Brackenfoil BF-110, shielding energy: seen, watching").wait_for()
    assert page.locator(".case.acknowledged .more li", has_text="acknowledged").count() == 1

    # From case to case; the name is remembered. The supplier of the second is asked, with a calendar for the day.
    page.get_by_text("Respond", exact=True).click()
    assert page.get_by_label("your name").first.input_value() == "Specialist"
    page.get_by_role("link", name=re.compile("^Umberfold UM-9")).last.click()
    page.get_by_role("heading", name="Umberfold UM-9, shielding energy: no response yet").wait_for()
    page.get_by_text("Respond", exact=True).click()
    asked = page.locator("form", has=page.get_by_role("button", name="Record request"))
    asked.get_by_label("requested on").fill("2026-11-23")
    asked.get_by_label("reason").fill("Notice sent")
    asked.get_by_role("button", name="Record request").click()
    page.get_by_role("heading", name="Umberfold UM-9, shielding energy: supplier asked, no answer yet").wait_for()

    for _ in range(4):
        page.get_by_text("Next to respond to:").get_by_role("link").first.click()
        page.get_by_role("heading", name="no response yet").wait_for()
        page.get_by_text("Respond", exact=True).click()
        form = page.locator("form", has=page.get_by_role("button", name="Sleep until the next lot"))
        form.get_by_label("reason").fill("Next lot decides")
        form.get_by_role("button", name="Sleep until the next lot").click()
        page.get_by_role("heading", name="sleeps until the next lot").wait_for()

    # Lots on the lab's own shelf: no next lot would end these cases, so that they can only be seen or closed.
    for _ in range(2):
        page.get_by_text("Next to respond to:").get_by_role("link").first.click()
        page.get_by_role("heading", name="no response yet").wait_for()
        page.get_by_text("Respond", exact=True).click()
        assert page.get_by_role("button", name="Sleep until the next lot").count() == 0
        form = page.locator("form", has=page.get_by_role("button", name="Seen"))
        form.get_by_label("reason").fill("Test it first")
        form.get_by_role("button", name="Seen").click()
        page.get_by_role("heading", name="seen, watching").wait_for()

    page.get_by_role("link", name="Board", exact=True).click()
    quiet = page.get_by_role(
        "heading", name=re.compile("No supplier to call: nothing new in 28 streams. 6 cases in hand.")
    )
    expect(quiet).to_be_visible()


@pytest.mark.parametrize("page", [WIDTHS[1]], indirect=True)
def test_the_technicians_list_shrinks_with_a_valid_test_and_by_a_decision(page: Page, lab: Path) -> None:
    page.get_by_role("link", name="7 lots to test again, 16 tests.").click()
    page.get_by_role("heading", name="7 lots to test again, 16 tests.").wait_for()
    row = page.locator(".stacked tr", has=page.get_by_role("link", name="TW00076"))
    assert "Keep the lot held." in row.inner_text()
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    # On paper there is room to sign, and no form.
    page.emulate_media(media="print")
    assert page.get_by_text("tested on, by").first.is_visible()
    assert not page.get_by_text("Take lots off the list").is_visible()
    page.emulate_media(media="screen")

    fixed = {
        "chamber": "north",
        "instrument": "resistance meter 1",
        "supplier": "Tarnwick",
        "product": "TW-Clear",
        "lot": "TW00076",
        "characteristic": "surface_resistance_outside",
        "unit": "ohm",
        "reading": 1,
    }
    rows = [{**fixed, "tested_at": f"2026-11-19T15:0{bag}", "specimen": bag, "value": "4.1E+08"} for bag in range(1, 5)]
    text = csv_text(TEST_COLUMNS, [[row.get(name, "") for name in TEST_COLUMNS] for row in rows])
    (lab / "drops" / "tests" / "resistance-2026-11-24.csv").write_text(text, encoding="utf-8")
    rounds.run(load(lab), NOW)
    page.reload()
    page.get_by_role("heading", name="6 lots to test again, 15 tests.").wait_for()
    assert page.get_by_role("link", name="TW00076").count() == 0

    page.get_by_text("Take lots off the list").click()
    for lot in ("Brackenfoil BF04200", "Quillmere QM00660"):
        page.get_by_label(lot).check()
    page.get_by_label("your name").fill("Specialist")
    page.get_by_label("reason").fill("Used up in spring")
    page.get_by_role("button", name="No retest needed").click()
    page.get_by_role("heading", name="4 lots to test again, 9 tests.").wait_for()


def test_a_lot_is_looked_up_from_any_page(page: Page) -> None:
    page.get_by_role("link", name="Bench", exact=True).click()
    page.get_by_role("heading", name="within tolerance").wait_for()
    field = page.get_by_label("Search the lab")
    field.fill("um08224")
    field.press("Enter")
    page.get_by_role("heading", name='1 answer to "um08224".').wait_for()
    page.get_by_role("link", name="UM08224").click()
    page.get_by_role("heading", name="Lot UM08224").wait_for()
