"""Every page, at both widths: it fits, it is read in the light and in the dark, and it breaks no rule of an accessibility engine.

The engine is axe-core: WCAG 2.1 A and AA, and good practice. A page is opened once a width and held against everything, as
opening and drawing it takes longest.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Literal

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page
from support.browser import LOTS, PAGES, PLAIN_PAGES, WIDTHS, drawn, opened, served
from support.labs import Bench
from support.people import declare

PHONE = min(WIDTHS)
# What the engine looks for in which colour scheme: everything, and what alone hangs on it. Colours do not hang on the width, so
# that a phone is looked at in the light; the contrast of its texts is measured in both.
SCHEMES: dict[Literal["light", "dark"], dict[str, object] | None] = {
    "light": None,
    "dark": {"runOnly": ["color-contrast", "link-in-text-block"]},
}
EVERY_PAGE = {
    **PAGES,
    **LOTS,
    **PLAIN_PAGES,
    "board without a fitting row": "/?find=no-such-lot",
    "no such page": "/nowhere",
    "no such supplier": "/supplier?name=none",
}

# A table of a hundred rows costs the engine seconds and is built as the short ones are.
UNFOLDED = (
    """document.querySelectorAll('details').forEach(one => { one.open = one.querySelectorAll('tr').length < 60 })"""
)
# The rows of tables, and the blocks of figures and forms, that are wider than the place they have. A long table says above it
# that it goes on, and an example of commands or of lab.toml keeps its lines.
CUT = """() => [...document.querySelectorAll('main *, body > *, .scroll')]
  .filter(one => one.checkVisibility() && !one.closest('.wide, pre, svg, .js-plotly-plot'))
  .filter(one => ['auto', 'scroll'].includes(getComputedStyle(one).overflowX) && one.scrollWidth > one.clientWidth + 1)
  .map(one => one.getAttribute('aria-label') || one.outerHTML.slice(0, 80))"""
# A number and its unit with a blank between them at which a line may break.
SPLIT = """() => {
  const found = [], walk = document.createTreeWalker(document.querySelector('main') || document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const at = walk.currentNode;
    if (at.parentElement.closest('code, pre, option, textarea, script, style, svg')) continue;
    const hit = at.textContent.match(/[0-9\\u2070-\\u2079\\u00b9\\u00b2\\u00b3] (nJ|\\u03a9|%|h|\\u00b0C)(?![\\w])/);
    if (hit) found.push(at.textContent.trim().slice(0, 60));
  }
  return found;
}"""
# Success criterion 2.5.8 of WCAG 2.2; a link in a sentence is exempt.
SMALL = """() => [...document.querySelectorAll('summary, button, .chip, .button, nav a, select, input:not([type=hidden])')]
  .filter(one => one.checkVisibility() && !one.closest('p')).filter(one => { const box = one.getBoundingClientRect();
    return box.width > 0 && (box.height < 23.9 || box.width < 23.9); }).map(one => one.outerHTML.slice(0, 90))"""


# Text whose contrast with what lies behind it is under 4.5 to 1: success criterion 1.4.3 of WCAG 2.1, level AA, with its
# formula of relative luminance.
FAINT_TEXT = """() => {
  const parts = css => css.match(/[\\d.]+/g).map(Number);
  const light = ([r, g, b]) => [r, g, b].map(v => v / 255)
    .map(v => v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
    .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
  const ground = element => {
    for (let at = element; at; at = at.parentElement) {
      const color = parts(getComputedStyle(at).backgroundColor);
      if (color.length === 3 || color[3] === 1) return color;
    }
    return parts(getComputedStyle(document.body).backgroundColor);
  };
  const faint = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const element = walk.currentNode.parentElement;
    const hidden = element.closest('[aria-hidden=true], svg, script, style, select') || !element.checkVisibility();
    if (hidden || !walk.currentNode.textContent.trim()) continue;
    const [a, b] = [light(parts(getComputedStyle(element).color)), light(ground(element))].sort((x, y) => y - x);
    if ((a + 0.05) / (b + 0.05) < 4.5) faint.push(walk.currentNode.textContent.trim());
  }
  for (const field of document.querySelectorAll('input:not([type=hidden]), select')) {
    const [a, b] = [light(parts(getComputedStyle(field).color)), light(ground(field))].sort((x, y) => y - x);
    if ((a + 0.05) / (b + 0.05) < 4.5) faint.push(field.name);
  }
  return faint;
}"""
NAMELESS = """() => [...document.querySelectorAll('img:not([alt]), [role=img]:not([aria-label]):not(:has(> title))'),
  ...[...document.querySelectorAll('input:not([type=hidden]), select')].filter(one => !one.labels.length),
  ...[...document.querySelectorAll('a, button')].filter(one => !one.textContent.trim())].map(one => one.outerHTML)"""


@pytest.fixture(params=WIDTHS, ids=["laptop", "phone"])
def window(browser: Browser, request: pytest.FixtureRequest) -> Iterator[Page]:
    """A window in which no script fails and nothing is asked for that is not there."""
    context = browser.new_context(viewport={"width": request.param, "height": 900})
    page = context.new_page()
    trouble: list[str] = []
    missing: list[str] = []
    page.on("console", lambda message: trouble.append(message.text) if message.type == "error" else None)
    page.on("pageerror", lambda error: trouble.append(str(error)))
    page.on("response", lambda answer: missing.append(answer.url) if answer.status >= 400 else None)
    yield page
    context.close()
    # The browser's console repeats each answer that is no success; only the page that is not there may have one.
    assert [url.partition("/nowhere")[1] for url in missing] == ["/nowhere"]
    assert len(trouble) == len(missing), trouble


def test_every_page_fits_is_read_and_is_named(window: Page, address: str) -> None:
    complaints: dict[str, object] = {}
    for name, where in EVERY_PAGE.items():
        opened(window, address, where)
        faults = {
            "fit": fit(window),
            "small": window.evaluate(SMALL),
            "split": window.evaluate(SPLIT),
            "nameless": window.evaluate(NAMELESS),
            "faint": faint(window),
            "headings": [] if window.locator("h1").count() == 1 else ["not one heading of the first level"],
            "title": [] if "lotdrift" in window.title() or where in PLAIN_PAGES.values() else [window.title()],
            # No button to a maker's cloud, no maker's mark.
            "marks": window.locator(".modebar-btn, .plotlyjsicon").count() or [],
        }
        window.evaluate(UNFOLDED)
        complaints |= {
            f"{name}: {what}": wrong for what, wrong in (faults | against_the_rules(window)).items() if wrong
        }

    assert complaints == {}


def fit(page: Page) -> list[str]:
    """What is wider than the window, or on a phone cut without a hint."""
    wide = ["the page"] if page.evaluate("document.documentElement.scrollWidth > window.innerWidth") else []
    return wide + (page.evaluate(CUT) if on_a_phone(page) else [])


def faint(page: Page) -> list[str]:
    """The texts of too little contrast, with the scheme."""
    texts = []
    for scheme in SCHEMES:
        page.emulate_media(color_scheme=scheme)
        texts += [f"{scheme}: {text}" for text in page.evaluate(FAINT_TEXT)]
    return texts


def against_the_rules(page: Page) -> dict[str, list[str]]:
    """What the engine holds against the page in the light and in the dark."""
    by_scheme = {}
    for scheme, rules in SCHEMES.items():
        if scheme == "light" or not on_a_phone(page):
            page.emulate_media(color_scheme=scheme)
            by_scheme[scheme] = violations(page, rules)
    return by_scheme


def on_a_phone(page: Page) -> bool:
    return page.viewport_size is not None and page.viewport_size["width"] == PHONE


def violations(page: Page, options: dict[str, object] | None = None) -> list[str]:
    """What the engine holds against the page, of any weight, with the first places."""
    answer = Axe().run(page, options={"resultTypes": ["violations"], **(options or {})}).response
    return [
        f"{one['impact']}: {one['id']} ({one['help']}) at {[node['target'] for node in one['nodes'][:3]]}"
        for one in answer["violations"]
    ]


def test_no_page_of_a_lab_with_users_breaks_a_rule(browser: Browser, tmp_path: Path) -> None:
    declare(Bench(tmp_path).folder, ("Sam", "specialist"))
    with served(tmp_path) as base:
        for width in WIDTHS:
            page = browser.new_page(viewport={"width": width, "height": 900})
            page.goto(base)
            page.get_by_role("heading", name="Log in").wait_for()
            assert not any(against_the_rules(page).values())
            page.get_by_label("name").fill("Sam")
            page.get_by_label("password").fill("not that")
            page.keyboard.press("Enter")
            page.get_by_role("alert").wait_for()
            assert not any(against_the_rules(page).values())
            page.close()


def test_no_page_of_an_empty_lab_breaks_a_rule(browser: Browser, tmp_path: Path) -> None:
    with served(Bench(tmp_path).folder) as base:
        for width in WIDTHS:
            page = browser.new_page(viewport={"width": width, "height": 900})
            for where in ("/", "/alerts", "/bench"):
                page.goto(base + where)
                drawn(page)
                page.evaluate(UNFOLDED)
                assert not any(against_the_rules(page).values()), (where, width)
            page.close()


def test_the_engine_finds_what_is_wrong(browser: Browser) -> None:
    page = browser.new_page()
    page.set_content('<html lang="en"><title>t</title><main><h1>a</h1><img src="x.png"></main>')

    assert [line.partition(" (")[0] for line in violations(page)] == ["critical: image-alt"]
    page.close()
