"""Every page held against the rules of an accessibility engine (axe-core: WCAG 2.1 A and AA, and good practice)."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Literal

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page
from support.browser import PAGES, WIDTHS, drawn, served
from support.demolab import copy_of, demo_lab
from support.labs import Bench
from support.people import declare

# What is held in which colour scheme: everything, and what alone hangs on it.
SCHEMES: dict[Literal["light", "dark"], dict[str, object] | None] = {
    "light": None,
    "dark": {"runOnly": ["color-contrast", "link-in-text-block"]},
}
EVERY = {
    **PAGES,
    "board without a fitting row": "/?find=no-such-lot",
    "no such page": "/nowhere",
    "no such lot": "/lot?supplier=Tarnwick&lot=none",
    "no such supplier": "/supplier?name=none",
}

# A table of a hundred rows costs the engine seconds and is built as the short ones are.
UNFOLDED = (
    """document.querySelectorAll('details').forEach(one => { one.open = one.querySelectorAll('tr').length < 60 })"""
)


def found(page: Page, options: dict[str, object] | None = None) -> list[str]:
    """What the engine holds against the page, of any weight, with the first places."""
    violations = Axe().run(page, options={"resultTypes": ["violations"], **(options or {})}).response["violations"]
    return [
        f"{one['impact']}: {one['id']} ({one['help']}) at {[node['target'] for node in one['nodes'][:3]]}"
        for one in violations
    ]


def complaints(browser: Browser, base: str, places: dict[str, str], width: int) -> dict[str, list[str]]:
    """Every page with its parts unfolded; in the dark scheme the contrast, which alone hangs on it."""
    page = browser.new_page(viewport={"width": width, "height": 900})
    told: dict[str, list[str]] = {}
    for name, where in places.items():
        page.goto(base + where)
        drawn(page)
        page.evaluate(UNFOLDED)
        told |= {f"{name}, {scheme}": wrong for scheme, wrong in in_both_schemes(page).items()}
    page.close()
    return told


def in_both_schemes(page: Page) -> dict[str, list[str]]:
    """What the engine holds against the page in the light and in the dark."""
    told = {}
    for scheme, rules in SCHEMES.items():
        page.emulate_media(color_scheme=scheme)
        if wrong := found(page, rules):
            told[scheme] = wrong
    return told


@pytest.fixture(scope="module")
def demo_address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The demo lab, which the tests of this file only look at."""
    folder = copy_of(demo_lab(tmp_path_factory.getbasetemp()), tmp_path_factory.mktemp("accessible") / "lab")
    with served(folder) as base:
        yield base


@pytest.mark.parametrize("width", WIDTHS)
def test_no_page_with_data_breaks_a_rule(browser: Browser, demo_address: str, width: int) -> None:
    assert complaints(browser, demo_address, EVERY, width) == {}


@pytest.mark.parametrize("width", WIDTHS)
def test_no_page_of_a_lab_with_users_breaks_a_rule(browser: Browser, tmp_path: Path, width: int) -> None:
    declare(Bench(tmp_path).folder, ("Sam", "specialist"))
    with served(tmp_path) as base:
        page = browser.new_page(viewport={"width": width, "height": 900})
        page.goto(base)
        page.get_by_role("heading", name="Log in").wait_for()
        assert in_both_schemes(page) == {}
        page.get_by_label("name").fill("Sam")
        page.get_by_label("password").fill("not that")
        page.keyboard.press("Enter")
        page.get_by_role("alert").wait_for()
        assert in_both_schemes(page) == {}
        page.close()


@pytest.mark.parametrize("width", WIDTHS)
def test_no_page_of_an_empty_lab_breaks_a_rule(browser: Browser, tmp_path: Path, width: int) -> None:
    with served(Bench(tmp_path).folder) as base:
        assert complaints(browser, base, {"board": "/", "alerts": "/alerts", "bench": "/bench"}, width) == {}


def test_the_engine_finds_what_is_wrong(browser: Browser) -> None:
    page = browser.new_page()
    page.set_content('<html lang="en"><title>t</title><main><h1>a</h1><img src="x.png"></main>')

    assert [line.partition(" (")[0] for line in found(page)] == ["critical: image-alt"]
