"""The phone beside the chamber, in a real browser: a load is put in, completed, moved, taken out, and a mistake taken back."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect
from support.browser import WIDTHS, drawn, served
from support.labs import LAB_TOML, MONDAY, Bench, lot_rows
from support.people import PASSWORD, declare

from ingest.common.clock import now
from ingest.config.lab import load
from ingest.rounds import rounds

SMALL_TARGETS = """
[...document.querySelectorAll('main :is(a, button, select, summary, input:not([type=hidden]))')]
  .filter(one => one.getClientRects().length && !(one.tagName == 'A' && getComputedStyle(one).display == 'inline'))
  .filter(one => { const box = one.getBoundingClientRect(); return box.width < 24 || box.height < 24 })
  .map(one => one.outerHTML.slice(0, 120))
"""
NO_SIDEWAYS_SCROLL = "document.documentElement.scrollWidth <= window.innerWidth"


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two chambers inside tolerance for 60 hours up to this moment; the server has the clock of this computer."""
    bench = Bench(tmp_path_factory.mktemp("loads") / "lab", LAB_TOML)
    hours = 60
    start = now().replace(second=0, microsecond=0) - timedelta(hours=hours)
    for name in ("north", "south"):
        bench.drop_climate(f"{name}.csv", start, hours, chamber=name)
    bench.drop_tests("t.csv", lot_rows("L0", MONDAY, [[10.0, 11.0]], chamber="north"))
    rounds.run(load(bench.folder), now())
    return bench.folder


@pytest.fixture(scope="module")
def address(lab: Path) -> Iterator[str]:
    with served(lab) as base:
        yield base


@pytest.fixture
def phone(browser: Browser, address: str) -> Iterator[Page]:
    opened = browser.new_page(viewport={"width": WIDTHS[1], "height": 844})
    trouble: list[str] = []
    opened.on("console", lambda line: trouble.append(line.text) if line.type == "error" else None)
    opened.on("pageerror", lambda error: trouble.append(str(error)))
    opened.goto(f"{address}/ready")
    drawn(opened)
    yield opened
    opened.close()
    assert [line for line in trouble if "400" not in line] == []


def put_in(page: Page) -> None:
    page.get_by_role("button", name="Put in", exact=True).click()


def fits(page: Page) -> None:
    drawn(page)
    page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true })")
    assert page.evaluate(NO_SIDEWAYS_SCROLL)
    assert page.evaluate(SMALL_TARGETS) == []


def test_a_load_is_recorded_beside_the_chamber_from_putting_in_to_taking_out(phone: Page, lab: Path) -> None:
    phone.get_by_role("link", name="Put in or take out a load").click()
    phone.get_by_role("heading", name="Put in or take out a load").wait_for()
    fits(phone)

    # Late: it went in 50 hours ago, so that it is ready now.
    form = phone.locator("form", has=phone.get_by_role("button", name="Put in", exact=True))
    form.get_by_label("load", exact=True).fill("178")
    form.get_by_label("chamber").select_option("south")
    form.get_by_label("supplier").fill("Alder Film")
    form.get_by_label("product").fill("MB-10")
    form.get_by_label("lot", exact=True).fill("L1")
    form.get_by_label("bags", exact=True).fill("1 to 6")
    form.get_by_label("how they lie").select_option("hung")
    # The lab's clocks are those of Lisbon, one hour ahead of UTC in summer.
    zone = load(lab).zone
    late = (now() - timedelta(hours=50)).astimezone(zone)
    form.get_by_label("time, if not now").fill(late.strftime("%Y-%m-%dT%H:%M"))
    form.get_by_label("your name").fill("Technician")
    put_in(phone)
    expect(phone.get_by_role("status")).to_contain_text("Recorded. Load 178 is in chamber south since")
    expect(phone.get_by_role("status")).to_contain_text("Ready since")

    # The next lot of the load needs only its own names: load, chamber, time, way of laying and person are filled in.
    form = phone.locator("form", has=phone.get_by_role("button", name="Put in", exact=True))
    expect(form.get_by_label("load", exact=True)).to_have_value("178")
    expect(form.get_by_label("chamber")).to_have_value("south")
    expect(form.get_by_label("how they lie")).to_have_value("hung")
    expect(form.get_by_label("your name")).to_have_value("Technician")
    expect(form.get_by_label("time, if not now")).to_have_value(late.strftime("%Y-%m-%dT%H:%M"))
    form.get_by_label("supplier").fill("Alder Film")
    form.get_by_label("product").fill("MB-10")
    form.get_by_label("lot", exact=True).fill("L2")
    put_in(phone)
    expect(phone.get_by_role("status")).to_contain_text("Recorded.")
    fits(phone)

    phone.get_by_role("link", name="Ready", exact=True).last.click()
    phone.get_by_role("heading", name="Ready to test: 178.").wait_for()
    sheet = phone.locator("article", has_text="178")
    expect(sheet).to_contain_text("L1")
    expect(sheet).to_contain_text("L2")
    expect(sheet).to_contain_text("form of Technician")
    fits(phone)

    # A row that can't be meant comes back with what was written.
    phone.get_by_role("link", name="Put in or take out a load").click()
    form = phone.locator("form", has=phone.get_by_role("button", name="Put in", exact=True))
    form.get_by_label("load", exact=True).fill("179")
    form.get_by_label("supplier").fill("Alder Film")
    put_in(phone)
    phone.get_by_role("heading", name="The entry was not saved.").wait_for()
    expect(phone.get_by_role("alert")).to_contain_text("a lot needs supplier, product and lot")
    expect(phone.get_by_label("load", exact=True)).to_have_value("179")
    phone.get_by_label("product").fill("MB-10")
    phone.get_by_label("lot", exact=True).fill("L3")
    phone.get_by_role("button", name="put in").click()
    expect(phone.get_by_role("status")).to_contain_text("Load 179 is in chamber north since")
    expect(phone.get_by_role("status")).to_contain_text("0.0 of 48 h")

    # A test that is planned too early is warned of at once, and on the page Ready.
    sheet = phone.locator("article", has_text="179 in north")
    sheet.get_by_text("Plan the test", exact=True).click()
    planned = (now() + timedelta(hours=10)).astimezone(zone)
    sheet.get_by_label("test planned for, if known").fill(planned.strftime("%Y-%m-%dT%H:%M"))
    sheet.get_by_role("button", name="Plan the test of 179").click()
    expect(phone.get_by_role("status")).to_contain_text(f"Test planned for {planned:%a} {planned.day}")
    expect(phone.get_by_role("status")).to_contain_text("at the earliest.")
    fits(phone)
    phone.get_by_role("link", name="Ready", exact=True).last.click()
    expect(phone.locator("article", has_text="179")).to_contain_text("at the earliest.")
    expect(phone.locator("p.lead")).to_contain_text("Do not test 179 at")
    fits(phone)
    phone.get_by_role("link", name="Put in or take out a load").click()

    sheet = phone.locator("article", has_text="178 in south")
    sheet.get_by_text("Move it to another chamber").click()
    sheet.get_by_role("button", name="Move 178").click()
    expect(phone.get_by_role("status")).to_contain_text("Load 178 is in chamber north since")

    # The move was a mistake.
    row = phone.locator("tr", has_text="178 moved into north")
    expect(row).to_contain_text("form of Technician")
    row.get_by_text("Take back", exact=True).click()
    row.get_by_label("reason").fill("other load")
    row.get_by_role("button", name="Take back this event").click()
    expect(phone.get_by_role("status")).to_contain_text(
        "The event was taken out of the record. Load 178 is in chamber south"
    )

    phone.locator("article", has_text="178 in south").get_by_role("button", name="Take out 178").click()
    expect(phone.get_by_role("status")).to_contain_text("By the record, load 178 is in no chamber now.")
    phone.goto(phone.url.partition("/loads")[0] + "/history")
    drawn(phone)
    for what in ("put in", "plan test", "move load", "take back event", "take out"):
        assert phone.locator("td", has_text=what).count() > 0


def test_a_viewer_sees_the_loads_and_no_form(browser: Browser, lab: Path, tmp_path: Path) -> None:
    bench = Bench(tmp_path / "lab", LAB_TOML)
    bench.drop_climate("c.csv", MONDAY, 10)
    bench.run()
    declare(bench.folder, ("Ann", "viewer"), ("Sam", "specialist"))
    with served(bench.folder) as base:
        page = browser.new_page(viewport={"width": WIDTHS[1], "height": 844})
        for name, forms in (("Ann", 0), ("Sam", 1)):
            page.context.clear_cookies()
            page.goto(f"{base}/loads")
            page.get_by_label("name").fill(name)
            page.get_by_label("password").fill(PASSWORD)
            page.get_by_role("button", name="Log in").click()
            page.get_by_role("heading", name="Put in or take out a load").wait_for()
            assert page.get_by_role("button", name="Put in", exact=True).count() == forms
            assert page.get_by_label("your name").count() == 0
        page.close()


def test_a_check_of_a_humidity_sensor_is_recorded_beside_the_chamber(phone: Page, lab: Path) -> None:
    phone.goto(phone.url.partition("/ready")[0] + "/instruments")
    phone.get_by_role("heading", name="Humidity sensors").wait_for()
    phone.get_by_text("Record a check of a humidity sensor").click()
    fits(phone)
    form = phone.locator("form", has=phone.get_by_role("button", name="Record the check"))
    form.get_by_label("sensor").select_option("north")
    form.get_by_label("reads, % RH").fill("11,6")
    form.get_by_label("over").select_option("lithium chloride")
    form.get_by_label("temperature of the salt").fill("23")
    form.get_by_label("your name").fill("Technician")
    form.get_by_label("reason").fill("monthly")
    form.get_by_role("button", name="Record the check").click()
    # At 23 degrees the salt is not known to a tenth; the form comes back with what was written.
    expect(phone.get_by_role("alert")).to_contain_text("temperature must be from 25 to 30 degrees for lithium chloride")
    phone.get_by_label("temperature of the salt").fill("25")
    phone.get_by_role("button", name="check sensor").click()
    row = phone.locator("tr", has_text="lithium chloride")
    expect(row).to_contain_text("11.3 ± 0.3 %")
    expect(row).to_contain_text("open")
    expect(phone.get_by_text("declare sensor_uncertainty so that a check can be decided")).to_be_visible()
