"""How sure a verdict is, how many bags, which is better, another limit, a test report: each job in a real browser."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect
from support.browser import PAGES, WIDTHS, unfolded


@pytest.fixture(params=WIDTHS, ids=["laptop", "phone"])
def page(request: pytest.FixtureRequest, browser: Browser) -> Iterator[Page]:
    """A window; the test fails on an error in its console and on a page wider than the window."""
    opened = browser.new_page(viewport={"width": request.param, "height": 900})
    trouble: list[str] = []
    opened.on("console", lambda line: trouble.append(line.text) if line.type == "error" else None)
    opened.on("pageerror", lambda error: trouble.append(str(error)))
    yield opened
    wide = opened.evaluate("document.documentElement.scrollWidth")
    opened.close()
    assert trouble == []
    assert wide <= request.param


def test_from_the_lot_to_the_number_of_bags(page: Page, address: str) -> None:
    page.goto(f"{address}/lot?supplier=Brackenfoil&lot=BF07191")
    unfolded(page)
    page.get_by_text("Is the mean of the lot inside?").first.wait_for()
    expect(page.get_by_text("Is the next bag of it inside?").first).to_be_visible()
    expect(page.get_by_text("Which part of its bags is inside?").first).to_be_visible()
    page.get_by_role("link", name="How many bags would show more?").first.click()

    heading = page.locator("#bags-answer h1")
    heading.wait_for()
    before = heading.inner_text()
    assert before.startswith("With 6 bags a lot at ")
    slider = page.get_by_label("Bags to test")
    slider.focus()
    for _ in range(6):
        page.keyboard.press("ArrowRight")
    page.get_by_role("heading", name="With 12 bags a lot at").wait_for()

    page.get_by_label("bad: bags beyond, %").fill("20")
    page.get_by_role("button", name="Show the plan").click()
    page.get_by_text(re.compile(r"of lots with 20\s%\sbeyond")).wait_for()
    expect(page.locator("#bags-answer h1")).to_contain_text("With 6 bags")


def test_a_gauge_study_shows_the_session_part_with_its_degrees_of_freedom(page: Page, address: str) -> None:
    page.goto(f"{address}/instruments")
    page.get_by_role(
        "heading", name="inside resistance in six loads, surface resistance inside, 25 Sep 2026"
    ).wait_for()
    expect(page.get_by_text("A whole session (load) varies by 5.2 %, with 4.5 degrees of freedom.")).to_be_visible()
    expect(page.get_by_text("degrees of freedom").first).to_be_visible()
    expect(page.get_by_role("cell", name="shared by a whole session")).to_be_visible()
    # The lot names the source of its bench part.
    page.goto(f"{address}/lot?supplier=Brackenfoil&lot=BF07191")
    unfolded(page)
    page.get_by_text("(check standard, ").first.wait_for()


def test_which_bag_is_better(page: Page, address: str) -> None:
    page.goto(f"{address}/compare")
    page.get_by_role("heading", name="Which bag is better?").wait_for()
    page.get_by_label("candidate 1").select_option(label="Umberfold UM-7")
    page.get_by_label("candidate 2").select_option(label="Umberfold UM-9")
    page.get_by_role("button", name="Compare").click()
    # By the 5 % that the lab declares as mattering.
    undecided = "Not decided whether Umberfold UM-9 is worse than Umberfold UM-7 by more than 5 %: a difference is shown, its size is not."
    page.get_by_role("heading", name=undecided).wait_for()
    page.get_by_label("margin").fill("1")
    page.get_by_role("button", name="Compare").click()

    page.get_by_role("heading", name="Umberfold UM-9 is worse than Umberfold UM-7 by more than 1 %.").wait_for()
    expect(page.get_by_role("img", name="Lot levels side by side")).to_be_visible()
    with page.expect_download() as download:
        page.get_by_role("link", name="One-page paper (PDF)").click()
    assert Path(download.value.path()).read_bytes().startswith(b"%PDF")


def test_which_of_several_bags_is_better_than_the_one_in_use(page: Page, address: str) -> None:
    page.goto(f"{address}/compare")
    for number, name in enumerate(("Umberfold UM-9", "Umberfold UM-7", "Brackenfoil BF-210"), start=1):
        page.get_by_label(f"candidate {number}").select_option(label=name)
    page.locator("select[name=in_use]").select_option(label="the first, which is in use, with each other one")
    page.get_by_label("margin").fill("1")
    page.get_by_role("button", name="Compare").click()

    page.get_by_role("heading", name="Shown to be no worse by 1 % than Umberfold UM-9: Umberfold UM-7.").wait_for()
    expect(page.get_by_text("by Dunnett's test")).to_be_visible()
    expect(page.locator("h2", has_text="Differences").locator("xpath=following-sibling::ul[1]/li")).to_have_count(2)


def test_who_would_fail_another_limit(page: Page, address: str) -> None:
    page.goto(f"{address}/what-if?characteristic=shielding_energy")
    page.get_by_role("heading", name="With a limit of under 10.0 nJ").wait_for()
    page.get_by_role("link", name="50.0 nJ").click()

    page.get_by_role("heading", name="With a limit of under 50.0 nJ, 0 of").wait_for()
    page.get_by_label("another limit, nJ").fill("12")
    page.get_by_role("button", name="Show").click()
    page.get_by_role("heading", name="With a limit of under 12.0 nJ").wait_for()
    expect(page.get_by_text("Nothing is recorded and no verdict changes")).to_be_visible()


def test_a_decision_rule_is_previewed_entered_and_taken_back(page: Page, address: str) -> None:
    page.goto(f"{address}/stream?supplier=Brackenfoil&product=BF-110&characteristic=shielding_energy")
    unfolded(page)
    page.get_by_text("Change the decision rule").click()
    form = page.locator("form.choose", has=page.get_by_label("wrong passes at most"))
    form.get_by_label("rule").select_option("simple")
    form.get_by_label("for tests from").fill("2026-11-01")
    form.get_by_role("button", name="Preview").click()

    page.get_by_role("heading", name="Judge shielding energy by simple acceptance, from 1 Nov 2026?").wait_for()
    expect(page.get_by_text("1 verdict from undecided to pass: BF07191.")).to_be_visible()
    expect(page.get_by_text("Looser than guarded: wrong passes at most 5 %.")).to_be_visible()
    expect(page.get_by_role("columnheader", name="good lots that do not pass")).to_be_attached()
    page.get_by_label("your name").fill("A. Example")
    page.get_by_label("reason").fill("Agreed with the customer")
    page.get_by_role("button", name="Confirm").click()

    page.get_by_role("heading", name="Decision rules of shielding energy").wait_for()
    expect(page.get_by_text("entered by A. Example")).to_be_visible()
    page.goto(f"{address}/lot?supplier=Brackenfoil&lot=BF07191")
    unfolded(page)
    page.get_by_text("simple acceptance, entered by A. Example from 1 Nov 2026").first.wait_for()

    page.goto(f"{address}/rule?characteristic=shielding_energy")
    page.get_by_role("link", name="undo").click()
    page.get_by_role("heading", name="Undo the decision rule of shielding energy").wait_for()
    page.get_by_label("your name").fill("A. Example")
    page.get_by_label("reason").fill("Entered by mistake")
    page.get_by_role("button", name="Confirm").click()
    page.get_by_role("heading", name="Decision rules of shielding energy").wait_for()
    expect(page.get_by_text("entered by A. Example")).to_have_count(0)


def test_a_report_is_issued_on_the_page_of_its_lot(page: Page, address: str) -> None:
    number = f"B-{page.viewport_size['width'] if page.viewport_size else 0}"
    page.goto(f"{address}/lot?supplier=Brackenfoil&lot=BF04286")
    report = page.locator("section.sheet", has=page.get_by_role("heading", name="Test report"))
    report.get_by_text("Issue a report").click()
    report.get_by_label("report number").fill(number)
    report.get_by_label("your name").fill("A. Example")
    report.get_by_label("reason").fill("Head of the laboratory")
    report.get_by_role("button", name="issue the report").click()

    link = page.get_by_role("link", name=f"Report {number}")
    link.wait_for()
    with page.expect_download() as download:
        link.click()
    assert number in download.value.suggested_filename


def test_the_pages_of_verdicts_are_among_those_held_to_the_rules_of_accessibility() -> None:
    assert {"bags", "comparison", "other limit"} <= PAGES.keys()
