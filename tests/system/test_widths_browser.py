"""On a phone and on a laptop, in light and dark: what decides is in sight, nothing is cut, split or unlabelled."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page
from support.browser import LOTS, PLAIN_PAGES, STREAM, opened, unfolded

PHONE, LAPTOP = 390, 1440
SCORECARDS = "/scorecards?quarter=2026-Q3"


@pytest.fixture
def page(browser: Browser, request: pytest.FixtureRequest) -> Iterator[Page]:
    """A window of a phone, or of the width that a test asks for."""
    width = getattr(request, "param", PHONE)
    context = browser.new_context(viewport={"width": width, "height": 900})
    yield context.new_page()
    context.close()


# The texts of the cells of a column, where all of a cell lies within the window.
IN_SIGHT = """label => [...document.querySelectorAll(`td[data-label="${label}"]`)].filter(one => one.checkVisibility())
  .filter(one => { const box = one.getBoundingClientRect(); return box.left >= 0 && box.right <= innerWidth + 0.5 && box.width > 0; })
  .map(one => one.innerText.replace(/\\s+/g, ' '))"""


@pytest.mark.parametrize(
    ("where", "label", "count"),
    [
        (SCORECARDS, "score", 4),
        (SCORECARDS, "topics for the meeting", 4),
        (SCORECARDS, "files", 4),
        ("/lot?supplier=Brackenfoil&lot=BF07191", "lot level", 3),
        ("/lot?supplier=Brackenfoil&lot=BF07191", "specification limit", 3),
        (STREAM, "verdict", 6),
        ("/bench", "marked", 1),
        ("/what-if?characteristic=shielding_energy&limit=10", "pooled with the others", 4),
        ("/stock", "keep until", 14),
        ("/shelf-list", "state", 60),
        ("/shelf-list", "seen", 60),
    ],
)
def test_on_a_phone_the_deciding_columns_are_in_sight(
    page: Page, address: str, where: str, label: str, count: int
) -> None:
    opened(page, address, where)

    texts = page.evaluate(IN_SIGHT, label)
    assert len(texts) >= count, texts
    # Each cell says what it is.
    heads = page.evaluate(
        "label => getComputedStyle(document.querySelector(`td[data-label=\"${label}\"]`), '::before').content", label
    )
    assert label in heads


def test_on_a_phone_a_lot_is_folded_to_what_decides(page: Page, address: str) -> None:
    opened(page, address, LOTS["lot with bags outside"])

    assert not page.get_by_text("Is the mean of the lot inside?").first.is_visible()
    assert page.evaluate("document.documentElement.scrollHeight") <= 4_000, (
        "three sessions; 4,592 pixels for two before"
    )
    page.locator("summary", has_text="How sure is that?").first.click()
    assert page.get_by_text("Is the mean of the lot inside?").first.is_visible()
    # What the bar shows is said beside it.
    assert page.get_by_text("guard band: a lot here does not pass").first.is_visible()


@pytest.mark.parametrize("page", [LAPTOP], indirect=True)
def test_a_laptop_shows_a_lot_unfolded_with_one_question_a_line(page: Page, address: str) -> None:
    opened(page, address, LOTS["lot with bags outside"])

    questions = page.locator(".questions").first.locator(".facts > div")
    boxes = [box for box in (questions.nth(number).bounding_box() for number in range(3)) if box is not None]
    assert len(boxes) == 3
    assert len({round(box["x"]) for box in boxes}) == 1
    assert boxes[0]["y"] < boxes[1]["y"] < boxes[2]["y"]


def test_on_a_phone_a_choice_shows_its_words(page: Page, address: str) -> None:
    opened(page, address, "/compare")

    for choice in page.locator("main select").all():
        box = choice.bounding_box()
        assert box is not None
        assert box["width"] >= 300


@pytest.mark.parametrize("page", [LAPTOP, PHONE], indirect=True, ids=["laptop", "phone"])
def test_the_hint_in_the_search_of_the_board_fits(page: Page, address: str) -> None:
    unfolded(opened(page, address, "/"))

    assert page.get_by_label("find a stream").evaluate("one => one.scrollWidth <= one.clientWidth")
    # The hint is as wide as if it were written.
    field = page.get_by_label("find a stream")
    field.fill(field.get_attribute("placeholder") or "")
    assert field.evaluate("one => one.scrollWidth <= one.clientWidth")


@pytest.mark.parametrize("page", [LAPTOP], indirect=True)
def test_a_small_chance_is_not_as_loud_as_a_large_one(page: Page, address: str) -> None:
    opened(page, address, "/")

    chances = {cell.inner_text(): cell for cell in page.locator("#board td.chance span").all()}
    sizes = {words: cell.evaluate("one => getComputedStyle(one).fontSize") for words, cell in chances.items()}
    assert len(sizes) == 2
    high, low = sorted(sizes, key=lambda words: -int(words.split()[0]))
    assert int(high.split()[0]) >= 20 > int(low.split()[0])
    assert float(sizes[high][:-2]) > float(sizes[low][:-2])


@pytest.mark.parametrize("page", [LAPTOP], indirect=True)
def test_the_words_beside_flagged_lots_cover_no_lot_and_no_other_words(page: Page, address: str) -> None:
    for where in (STREAM, "/stream?supplier=Umberfold&product=UM-9&characteristic=shielding_energy"):
        opened(page, address, where)
        covered = page.evaluate(
            """() => {
              const box = one => one.getBoundingClientRect();
              const words = [...document.querySelectorAll('#stream-figure .annotation:has(.annotation-arrow-g) .annotation-text')];
              const over = (a, b) => a.left < b.right && b.left < a.right && a.top < b.bottom && b.top < a.bottom;
              const lots = [...document.querySelectorAll('#stream-figure .scatterlayer .points path')].map(box)
                .filter(place => place.width < 15);
              const inner = place => ({left: place.left + 2, right: place.right - 2, top: place.top + 4, bottom: place.bottom - 4});
              return words.flatMap((one, number) => [
                ...lots.filter(lot => over(inner(box(one)), lot)).map(() => one.textContent),
                ...words.slice(number + 1).filter(other => over(inner(box(one)), inner(box(other)))).map(other => other.textContent)]);
            }"""
        )
        assert covered == [], where


def test_no_resource_of_a_plain_page_is_missing(page: Page, address: str) -> None:
    missing: list[str] = []
    page.on("response", lambda answer: missing.append(answer.url) if answer.status >= 400 else None)
    for where in PLAIN_PAGES.values():
        opened(page, address, where)
    page.goto(f"{address}/favicon.ico")

    assert missing == []
    # The name of the program leads back to the board.
    opened(page, address, PLAIN_PAGES["add a file"])
    name = page.get_by_role("link", name="lotdrift", exact=True).bounding_box()
    assert name is not None
    assert name["width"] > 40


def test_in_the_dark_no_picture_of_a_page_is_a_white_box(browser: Browser, address: str) -> None:
    context = browser.new_context(viewport={"width": LAPTOP, "height": 900}, color_scheme="dark")
    page = opened(context.new_page(), address, SCORECARDS)
    bars = page.locator("img.share")

    assert bars.count() == 4
    assert {bar.evaluate("one => getComputedStyle(one).backgroundColor") for bar in bars.all()} == {"rgba(0, 0, 0, 0)"}
    context.close()


def test_a_name_with_a_hyphen_stays_whole_in_the_headline_and_in_the_title(page: Page, address: str) -> None:
    opened(page, address, "/")

    for name in page.locator("h1 .whole").all():
        assert name.evaluate("one => one.getClientRects().length") == 1
    assert page.locator("h1 .whole").count() >= 2
    assert page.title().startswith("3 suppliers to call: Brackenfoil (BF-110 first), Umberfold (UM-9 first)")
