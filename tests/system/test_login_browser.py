"""The login in a real browser: in, wrong, out, expired; and what a viewer does not see."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect
from support.browser import drawn
from support.demolab import copy_of, demo_lab
from support.people import PASSWORD, Watch, declare
from werkzeug.serving import make_server

from dashboard.web.app import make_app

STREAM = "/stream?supplier=Brackenfoil&product=BF-110&characteristic=shielding_energy"
LOT = "/lot?supplier=Tarnwick&lot=TW00076"


@pytest.fixture(scope="module")
def watch() -> Watch:
    return Watch()


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory, watch: Watch) -> Iterator[str]:
    """The demo lab with users, served by this process so that its clock can be moved on."""
    folder = copy_of(demo_lab(tmp_path_factory.getbasetemp()), tmp_path_factory.mktemp("users") / "lab")
    declare(folder, ("Ann", "viewer"), ("Sam", "specialist"))
    server = make_server("127.0.0.1", 0, make_app(folder, clock=watch, steady=watch.steady).server, threaded=True)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.fixture(params=[1440, 390], ids=["laptop", "phone"])
def page(browser: Browser, request: pytest.FixtureRequest) -> Iterator[Page]:
    """A browser that was never here; the test fails on a fault of a script."""
    window = browser.new_context(viewport={"width": request.param, "height": 900})
    opened, trouble = window.new_page(), []
    opened.on("pageerror", lambda error: trouble.append(str(error)))
    yield opened
    window.close()
    assert trouble == []


def enter(page: Page, name: str, password: str = PASSWORD) -> None:
    """Fill the login by keyboard alone: the name has the focus."""
    page.get_by_role("heading", name="Log in").wait_for()
    expect(page.locator("input[name=name]")).to_be_focused()
    page.keyboard.type(name)
    page.keyboard.press("Tab")
    page.keyboard.type(password)
    page.keyboard.press("Enter")


def test_the_login_leads_to_the_page_that_was_asked_for(page: Page, address: str) -> None:
    page.goto(address + STREAM)
    enter(page, "Sam", "a wrong password")
    page.get_by_role("alert").wait_for()
    assert page.get_by_text("Wrong name or password.").is_visible()
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    enter(page, "Sam")

    page.get_by_role("heading", level=1, name="BF-110, shielding energy").wait_for()
    assert page.url == address + STREAM
    assert page.get_by_text("Sam (specialist)").is_visible()


def test_a_specialist_signs_with_the_login_and_finds_the_entry(page: Page, address: str) -> None:
    page.goto(address + LOT)
    enter(page, "Sam")
    page.get_by_text("Record a decision").click()
    form = page.locator("form", has=page.get_by_role("button", name="hold"))
    assert form.get_by_label("your name").count() == 0
    form.get_by_label("reason").fill("Level above the limit")
    form.get_by_role("button", name="hold").click()
    page.get_by_role("heading", name="Decided: hold, by Sam").wait_for()

    page.get_by_role("link", name="Audit trail").click()
    page.get_by_role("heading", name="the last by Sam").wait_for()
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    page.get_by_role("link", name="Tarnwick, lot TW00076").first.click()
    page.get_by_role("heading", level=1, name="Lot TW00076").wait_for()


def test_a_viewer_sees_the_pages_and_no_form_to_enter(page: Page, address: str) -> None:
    page.goto(address)
    enter(page, "Ann")
    page.get_by_text("Ann (viewer)").wait_for()

    for where in (STREAM, LOT, "/alerts?show=all"):
        page.goto(address + where)
        drawn(page)
        assert page.locator("#page form[method=post]").count() == 0, where
        assert page.get_by_text("Respond:").count() == 0, where


def test_a_session_that_ended_meanwhile_leads_to_the_login_and_back(page: Page, address: str, watch: Watch) -> None:
    page.goto(address)
    enter(page, "Ann")
    drawn(page)
    watch.move(hours=9)
    page.get_by_role("link", name="Alerts", exact=True).click()
    enter(page, "Ann")

    page.get_by_role("heading", name="of grade act").wait_for()
    assert page.url == f"{address}/alerts"


def test_after_the_logout_nothing_is_shown(page: Page, address: str) -> None:
    page.goto(address)
    enter(page, "Ann")
    page.get_by_role("button", name="Log out").click()
    page.get_by_role("heading", name="Log in").wait_for()

    page.go_back()
    page.get_by_role("heading", name="Log in").wait_for()
    page.goto(address + LOT)
    page.get_by_role("heading", name="Log in").wait_for()
    assert "TW00076" not in page.locator("body").inner_text()
