"""The jobs the tool is for, in a real browser at the width of a laptop and of a phone; the main path by keyboard alone."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect
from pypdf import PdfReader
from support.browser import STREAM, WIDTHS, drawn, unfolded

# More places to stop at than any page has before its main content.
MOST_TABS = 60


@pytest.fixture(scope="module")
def windows(browser: Browser) -> Iterator[dict[int, BrowserContext]]:
    """A window as wide as a laptop's and one as a phone's; each keeps what it has loaded once."""
    contexts = {width: browser.new_context(viewport={"width": width, "height": 900}) for width in WIDTHS}
    yield contexts
    for context in contexts.values():
        context.close()


@pytest.fixture(params=WIDTHS, ids=["laptop", "phone"])
def page(request: pytest.FixtureRequest, windows: dict[int, BrowserContext], address: str) -> Iterator[Page]:
    """The board; the test fails on an error in the console or a request to anywhere but the local server."""
    opened = windows[request.param].new_page()
    trouble: list[str] = []
    opened.on("console", lambda said: trouble.append(said.text) if said.type == "error" else None)
    opened.on("pageerror", lambda error: trouble.append(str(error)))
    opened.on("request", lambda asked: trouble.append(asked.url) if is_foreign(asked.url, address) else None)
    opened.goto(address)
    yield opened
    opened.close()
    assert trouble == []


def is_foreign(url: str, address: str) -> bool:
    return not url.startswith((address, "data:", "blob:"))


# The jobs


def test_from_the_board_to_the_reading_behind_it(page: Page) -> None:
    page.get_by_role("heading", name="suppliers to call").wait_for()
    page.get_by_role("link", name="BF-110 · shielding energy").click()

    page.get_by_role("heading", name="BF-110, shielding energy: a failing lot is likely").wait_for()
    drawn(page)
    assert page.get_by_text("Chance of a failing lot within 13 weeks").is_visible()
    unfolded(page)
    page.get_by_text("73 lots").click()
    page.get_by_role("link", name="BF04286").first.click()

    page.get_by_role("heading", level=1, name="Lot BF04286").wait_for()
    page.get_by_text("Every reading, with its file and line").first.click()
    assert page.get_by_role("cell", name="energy-2026-11-20.csv").first.is_visible()
    chamber = page.get_by_role("heading", name="Chamber north, before 19 Nov 2026")
    if not chamber.is_visible():  # A phone folds the chamber's log under its heading.
        page.locator("summary", has_text="Conditioning before the tests").click()
    assert chamber.is_visible()


def test_a_click_on_a_lot_in_the_picture_opens_it(page: Page, address: str) -> None:
    page.goto(address + STREAM)
    drawn(page)

    page.locator("#stream-figure .scatterlayer .points path").last.click(force=True)

    page.get_by_role("heading", level=1, name="Lot BF0").wait_for()
    assert "/lot?supplier=Brackenfoil&lot=BF0" in page.url


def test_from_an_alert_to_its_lot_and_the_bench(page: Page) -> None:
    page.get_by_role("link", name="Alerts", exact=True).click()
    page.get_by_role("heading", name="of grade act").wait_for()
    assert page.get_by_role("heading", name="fails the limit (under 20.0 nJ)").is_visible()
    page.get_by_role("link", name="TW00076").first.click()
    page.get_by_role("heading", level=1, name="Lot TW00076: fails the limit in surface resistance outside").wait_for()

    page.get_by_role("link", name="Bench", exact=True).click()
    page.get_by_role("heading", name="within tolerance").wait_for()
    drawn(page)
    assert page.get_by_text("is a unit of sheet resistance").first.is_visible()


@pytest.mark.parametrize("page", [390], indirect=True)
def test_a_decision_on_a_lot_is_recorded_with_name_and_reason(page: Page, address: str) -> None:
    page.goto(f"{address}/lot?supplier=Tarnwick&lot=TW00076")
    page.get_by_text("Record a decision").click()
    form = page.locator("form", has=page.get_by_role("button", name="hold"))
    form.get_by_label("your name").fill("Shift lead")
    form.get_by_label("reason").fill("Level above the limit; supplier informed")
    form.get_by_role("button", name="hold").click()

    page.get_by_role("heading", name="Decided: hold, by Shift lead").wait_for()


def test_a_scorecard_and_the_figures_of_a_stream_are_downloaded(page: Page, address: str, tmp_path: Path) -> None:
    page.get_by_role("link", name="Scorecards", exact=True).click()
    page.get_by_role("heading", name="Scorecards of 2026-Q3").wait_for()
    with page.expect_download() as card:
        page.get_by_role("link", name="CSV").first.click()
    card.value.save_as(tmp_path / "card.csv")
    assert (tmp_path / "card.csv").read_text().startswith("supplier,product,characteristic,quarter")

    page.goto(address + STREAM)
    unfolded(page)
    with page.expect_download() as figures:
        page.get_by_role("link", name="Download as CSV").click()
    figures.value.save_as(tmp_path / "stream.csv")
    rows = list(csv.DictReader((tmp_path / "stream.csv").read_text("utf-8-sig").splitlines()))
    assert len(rows) == 73
    assert rows[-1]["lot"] == "BF04286"


def test_a_search_on_the_board_stands_in_the_address_and_a_chip_takes_a_filter_back(page: Page) -> None:
    unfolded(page)
    page.get_by_label("find a stream").fill("Tarnwick")
    page.get_by_role("button", name="Find").click()

    page.wait_for_url("**/?find=Tarnwick*")
    page.get_by_role("link", name="TW-Rose · surface resistance inside").wait_for()
    # A steady stream is a row too while the board is narrowed.
    assert page.get_by_role("link", name="TW-Rose · surface resistance outside").is_visible()
    assert page.get_by_role("link", name="BF-110 · shielding energy").count() == 0
    assert page.get_by_label("find a stream").input_value() == "Tarnwick"
    page.get_by_role("navigation", name="Streams by state").get_by_role("link", name="steady").click()
    page.wait_for_url("**/?find=Tarnwick&state=steady*")
    page.get_by_role("link", name="TW-Rose · surface resistance inside").wait_for(state="detached")
    page.get_by_role("link", name="clear all filters").click()
    page.get_by_role("link", name="BF-110 · shielding energy").wait_for()


def test_quiet_streams_fold_into_a_line_a_supplier_and_unfold(page: Page) -> None:
    page.get_by_role("heading", name="25 quiet streams").wait_for()
    hidden = page.get_by_role("link", name="QM-52 · shielding energy")
    assert not hidden.is_visible()

    page.locator(".fold summary", has_text="Quillmere").click()

    assert hidden.is_visible()
    # Folded, the board of the demo is three screens of a phone at most.
    page.locator(".fold summary", has_text="Quillmere").click()
    assert page.evaluate("document.documentElement.scrollHeight") <= 3 * 900


@pytest.mark.parametrize("page", [1440], indirect=True)
def test_the_board_is_printed_on_one_landscape_page(page: Page) -> None:
    drawn(page)
    (sheet,) = PdfReader(io.BytesIO(page.pdf(prefer_css_page_size=True))).pages

    assert (round(sheet.mediabox.width), round(sheet.mediabox.height)) == (842, 595)
    text = " ".join(sheet.extract_text().split())
    # One fewer where a decision on a lot was recorded before, in the same lab.
    assert "suppliers to call: Brackenfoil (BF-110 first), Umberfold (UM-9 first)" in text
    assert "25 quiet streams" in text
    assert "releases none" in text


def test_the_lines_of_the_chart_are_named_at_their_end_and_no_name_lies_on_another(page: Page, address: str) -> None:
    page.goto(address + STREAM)
    drawn(page)
    places = page.evaluate(
        """() => [...document.querySelectorAll('#stream-figure .annotation')].map(one => ({
          words: one.textContent, ...JSON.parse(JSON.stringify(one.querySelector('.annotation-text').getBoundingClientRect())) }))"""
    )

    named = [one for one in places if re.match("limit 20|now |last lot |upper 11|centre |lower ", one["words"])]
    assert len(named) == 6
    right = page.evaluate("document.querySelector('#stream-figure .main-svg').getBoundingClientRect().right")
    lots = page.evaluate(
        "Math.max(...[...document.querySelectorAll('#stream-figure .points path')].map(one => one.getBoundingClientRect().right))"
    )
    assert all(lots < one["left"] and one["right"] <= right for one in named)
    rows = sorted((one["top"], one["bottom"]) for one in named)
    assert all(lower[0] >= upper[1] - 3 for upper, lower in pairwise(rows))


@pytest.mark.parametrize("page", [390], indirect=True)
def test_a_table_that_goes_on_beyond_the_screen_shows_a_shadow_there(page: Page, address: str) -> None:
    # A short table is cards on a phone; the table of all lots of a stream stays one.
    page.goto(address + STREAM)
    drawn(page)
    unfolded(page)
    page.locator("summary", has_text="73 lots").click()
    wide = page.locator(".scroll.wide").first

    assert wide.evaluate("one => one.scrollWidth > one.clientWidth")
    # Of the four layers two lie still: the shadows; the others move along and cover them at the ends.
    assert wide.evaluate("one => getComputedStyle(one).backgroundAttachment") == "local, local, scroll, scroll"
    assert (
        page.evaluate("getComputedStyle(document.querySelector('.scroll.wide td')).backgroundColor")
        == "rgba(0, 0, 0, 0)"
    )


def test_the_days_shown_of_a_stream_stand_in_the_address(page: Page, address: str) -> None:
    page.goto(address + STREAM)
    drawn(page)
    page.get_by_text("Custom dates").click()
    page.get_by_label("first day").fill("2026-03-01")
    page.get_by_label("last day").fill("2026-05-31")
    page.locator("form", has=page.get_by_label("first day")).get_by_role("button", name="Show").click()

    page.wait_for_url("**/stream?*since=2026-03-01&until=2026-05-31")
    drawn(page)
    assert page.get_by_label("first day").input_value() == "2026-03-01"
    # The first mark of the axis; all of the stream begins in June 2025.
    assert "Mar2026" in (page.locator("#stream-figure .xtick").first.text_content() or "")


# By keyboard alone


def test_the_supplier_that_breaches_first_and_the_reading_behind_it_by_keyboard(page: Page) -> None:
    page.get_by_role("heading", name="suppliers to call").wait_for()
    press_to(page, "BF-110 · shielding energy")
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="BF-110, shielding energy: a failing lot is likely").wait_for()
    if page.viewport_size == {"width": 390, "height": 900}:  # A phone folds the table under its heading.
        press_to(page, "Data table")
        page.keyboard.press("Enter")
    press_to(page, "73 lots")
    page.keyboard.press("Enter")
    press_to(page, "BF04286")
    page.keyboard.press("Enter")
    page.get_by_role("heading", level=1, name="Lot BF04286").wait_for()
    press_to(page, "Every reading, with its file and line")
    page.keyboard.press("Enter")

    assert page.get_by_role("cell", name="energy-2026-11-20.csv").first.is_visible()


def test_the_first_stream_of_the_board_is_reached_within_twenty_tabs(page: Page) -> None:
    page.get_by_role("heading", name="suppliers to call").wait_for()
    expect(page.locator("#page")).to_be_focused()
    for _ in range(20):
        page.keyboard.press("Tab")
        if page.evaluate(FOCUS)["words"] == "BF-110 · shielding energy":
            return
    raise AssertionError("more than 20 tabs")


def test_the_humid_week_is_acknowledged_and_opened_again_by_keyboard(page: Page) -> None:
    drawn(page)
    # The focus begins at the main content, and the links to the pages stand before it.
    expect(page.locator("#page")).to_be_focused()
    press_to(page, "Alerts", "Shift+Tab")
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="of grade act").wait_for()
    press_to(page, "1 climate")
    page.keyboard.press("Enter")
    page.wait_for_url("**/alerts?show=open&kind=climate")
    expect(page.locator(".alert")).to_have_count(1)
    answer_by_keyboard(page, "Respond: acknowledge, close, note", "acknowledge", "Door seal replaced")
    page.locator(".alert.acknowledged", has_text="Door seal replaced").wait_for()

    drawn(page)
    answer_by_keyboard(page, "Respond: close, open again, note", "open again", "It is humid again")
    page.locator(".alert.open", has_text="It is humid again").wait_for()


def answer_by_keyboard(page: Page, summary: str, button: str, reason: str) -> None:
    """Unfold the answers to the first alert that has this one, write name and reason, press the button."""
    press_to(page, summary)
    page.keyboard.press("Enter")
    press_to(page, "your name")
    page.keyboard.type("Bench 2")
    press_to(page, "reason")
    page.keyboard.type(reason)
    press_to(page, button)
    page.keyboard.press("Enter")


def test_the_quarter_is_downloaded_by_keyboard(page: Page, tmp_path: Path) -> None:
    drawn(page)
    # The focus begins at the main content, and the links to the pages stand before it.
    expect(page.locator("#page")).to_be_focused()
    press_to(page, "Scorecards", "Shift+Tab")
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="Scorecards of 2026-Q3").wait_for()
    press_to(page, "CSV")
    with page.expect_download() as card:
        page.keyboard.press("Enter")

    card.value.save_as(tmp_path / "card.csv")
    assert "2026-Q3" in (tmp_path / "card.csv").read_text()


def test_a_server_that_is_silent_or_fails_is_told_and_forgotten_when_it_answers(
    windows: dict[int, BrowserContext], address: str
) -> None:
    page = windows[WIDTHS[0]].new_page()
    page.goto(address)
    drawn(page)
    trouble = page.locator("#trouble")
    assert trouble.inner_text() == ""

    page.route("**/_dash-update-component*", lambda route: route.abort())
    page.get_by_role("link", name="Bench").click()
    page.locator("#trouble", has_text="does not respond: the figures on this page may be old").wait_for()
    page.unroute("**/_dash-update-component*")
    page.route("**/_dash-update-component*", lambda route: route.fulfill(status=500, body=""))
    page.get_by_role("link", name="Scorecards").click()
    page.locator("#trouble", has_text="could not be loaded").wait_for()
    page.unroute("**/_dash-update-component*")
    page.get_by_role("link", name="Bench").click()
    page.get_by_role("heading", name="within tolerance at the last entry").wait_for()

    assert trouble.inner_text() == ""
    page.close()


# The words that begin where the focus is, or those of its label; and whether one sees where it is.
FOCUS = """() => {
  const at = document.activeElement, place = at.getBoundingClientRect(), ring = getComputedStyle(at);
  return {
    words: (at.labels?.length ? at.labels[0] : at).textContent.trim(),
    seen: ring.outlineStyle === 'solid' && parseFloat(ring.outlineWidth) >= 2 && place.width > 0
      && place.bottom > 0 && place.top < innerHeight && place.right > 0 && place.left < innerWidth,
  };
}"""


def press_to(page: Page, name: str, key: str = "Tab") -> None:
    """Go on with the tab key, or back with shift, until the named link, button, field or summary has the focus, and is seen to have it."""
    for _ in range(MOST_TABS):
        page.keyboard.press(key)
        focus = page.evaluate(FOCUS)
        if focus["words"] == name:
            assert focus["seen"], name
            return
    raise AssertionError(f'the tab key never came to "{name}"')


# Paper, and widths between


@pytest.mark.parametrize("page", [1440], indirect=True)
def test_the_board_fits_every_width_between(page: Page) -> None:
    page.locator("#board").wait_for()
    for width in (*range(1920, 320, -40), 1377, 1376, 1375, 1249, 1248, 1247, 1057, 1056, 1055, 737, 736, 320):
        page.set_viewport_size({"width": width, "height": 900})

        assert page.evaluate("document.documentElement.scrollWidth") <= width, width
    page.set_viewport_size({"width": 1440, "height": 900})


@pytest.mark.parametrize("page", [1440], indirect=True)
def test_names_from_files_stay_text(page: Page, address: str) -> None:
    page.goto(f"{address}/supplier?name=%3Cimg%20src%3Dx%20onerror%3Ddocument.title%3D1%3E")
    page.get_by_role("heading", name="No supplier").wait_for()

    assert "<img src=x" in page.locator("h1").inner_text()
    assert page.locator("#page img").count() == 0


@pytest.mark.parametrize("page", [1440], indirect=True)
def test_a_stream_and_a_lot_are_printed_whole(page: Page, address: str) -> None:
    for where in (STREAM, "/lot?supplier=Umberfold&lot=UM08224"):
        page.goto(address + where)
        drawn(page)
        wide = page.evaluate(FIGURE_WIDTHS)
        page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
        assert max(page.evaluate(FIGURE_WIDTHS)) <= 703, "wider than A4 less two margins of 12 mm at 96 pixels an inch"
        page.evaluate("window.dispatchEvent(new Event('afterprint'))")
        assert page.evaluate(FIGURE_WIDTHS) == wide


FIGURE_WIDTHS = (
    "[...document.querySelectorAll('.figure .main-svg:first-child')].map(one => Math.round(one.clientWidth))"
)
