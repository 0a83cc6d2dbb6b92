"""Changing limits on the pages: asked, shown, signed, done, in the history; and nothing of it from elsewhere."""

from __future__ import annotations

import logging
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest
from dash import html
from playwright.sync_api import Browser, BrowserContext, Page
from support.browser import drawn, served
from support.labs import Bench
from support.page_text import words
from support.processchange import CHANGED, NAMES, changed_lab

from dashboard.components.limit_change_form import preview_address
from dashboard.queries.lab_reader import LabReader
from dashboard.web.app import make_app, page
from ingest.audit.audit_log import CHANGE_LIMIT, LEAVE_OUT, SET_BASELINE
from ingest.audit.subjects import Subject
from ingest.store.store import open_store

HERE = {"Host": "127.0.0.1"}
PAGE = {
    "Host": "127.0.0.1",
    "Origin": "http://127.0.0.1",
    "Sec-Fetch-Site": "same-origin",
    "Accept": "text/html,*/*;q=0.8",
}
NAMED = dict(zip(("supplier", "product", "characteristic"), NAMES, strict=True))
STREAM = f"?{urlencode(NAMED)}"


@pytest.fixture
def lab(tmp_path_factory: pytest.TempPathFactory, tmp_path: Path) -> Bench:
    return changed_lab(tmp_path_factory.getbasetemp(), tmp_path / "lab")


@pytest.fixture
def client(lab: Bench) -> Any:
    return make_app(lab.folder).server.test_client()


def told(lab: Bench, address: str) -> str:
    path, _, search = address.partition("?")
    return " ".join(words(page(LabReader(lab.folder), path, f"?{search}")))


def parts_of(part: Any) -> Iterator[Any]:
    """A part of a page and everything in it."""
    yield part
    children = getattr(part, "children", None)
    for child in children if isinstance(children, (list, tuple)) else [children]:
        if child is not None:
            yield from parts_of(child)


def form_of(lab: Bench, change: str, **fields: str) -> dict[str, str]:
    """The fields that the form of a preview sends, signed."""
    shown = page(LabReader(lab.folder), "/limits", "?" + preview_address(change, NAMED, **fields).partition("?")[2])
    form = next(part for part in parts_of(shown) if isinstance(part, html.Form) and "Confirm" in words(part))
    hidden = [part for part in parts_of(form) if getattr(part, "type", "") == "hidden"]
    return {
        **{part.name: part.value for part in hidden},
        "what": change,
        "who": "A. Specialist",
        "reason": "new laminator",
    }


def acts(lab: Bench) -> list[tuple[str, str, str, str]]:
    with open_store(lab.folder).reading() as connection:
        rows = connection.exec_driver_sql("SELECT who, what, subject, reason FROM act ORDER BY id")
        return [(row[0], row[1], row[2], row[3]) for row in rows]


# The pages


def test_the_preview_tells_what_would_change(lab: Bench) -> None:
    text = told(lab, preview_address(SET_BASELINE, NAMED, day=CHANGED))

    assert "Start a new baseline of Alder Film MB-10, shielding energy from 8 Jun 2025?" in text
    assert "Nothing is changed yet. Control limits come from the lots: no verdict depends on them" in text
    assert "Control limits now 8.68 nJ to 11.3 nJ, centre line 9.92 nJ, from 24 lots; then 11.4 nJ to 14.8 nJ" in text
    assert "30 lots change" in text
    # The message is the one of the day on which the alarm rule saw the move.
    assert "withdrawn look open Alder Film MB-10, shielding energy: rising since about 9 Jun 2025; lot mean" in text
    assert "expected from here on +4.6 % a month (as of" in text


def test_a_looser_limit_is_shown_with_its_caution(lab: Bench) -> None:
    text = told(lab, preview_address(CHANGE_LIMIT, NAMED, day=CHANGED, side="upper", value="none"))

    assert "Looser than under 20.0 nJ (lab.toml). A looser limit passes lots that failed before." in text
    assert "The limit applies to MB-10 of every supplier (1 supplier) and to tests from that day on" in text
    assert "Looser" not in told(lab, preview_address(CHANGE_LIMIT, NAMED, day=CHANGED, side="upper", value="15"))


def test_lots_that_still_move_are_no_yardstick(lab: Bench) -> None:
    # Half the lots before the step, half after it: neighbours resemble each other.
    text = told(lab, preview_address(SET_BASELINE, NAMED, day="2025-03-15"))

    assert "The baseline lots are autocorrelated, as they are while a level still moves" in text


def test_what_was_done_stands_on_the_stream_and_the_lot_with_who_and_why(lab: Bench, client: Any) -> None:
    for change, fields in (
        (SET_BASELINE, {"day": CHANGED}),
        (LEAVE_OUT, {"lot": "L32"}),
        (CHANGE_LIMIT, {"day": CHANGED, "side": "upper", "value": "15", "document": "contract <7>"}),
    ):
        answer = client.post("/entry", data=form_of(lab, change, **fields), headers=PAGE)
        assert (answer.status_code, answer.location) == (303, f"/stream{STREAM}")

    text = told(lab, f"/stream{STREAM}")
    assert re.search(r"A\. Specialist, \d+ \w+ \d{4}: new laminator +undo", text)
    assert re.search(r"L32 : by A\. Specialist, \d+ \w+ \d{4}: new laminator +include again", text)
    assert re.search(r"under 15\.0 nJ entered by A\. Specialist, .*, by contract <7>: new laminator", text)
    assert "3 entries on limits" in text
    lot = told(lab, "/lot?supplier=Alder+Film&lot=L40")
    assert re.search(r"limit under 15\.0 nJ.*?\.\s+Source of the limit: entered by A\. Specialist", lot)
    assert re.search(
        r"limit under 20\.0 nJ.*?\.\s+Source of the limit: lab\.toml", told(lab, "/lot?supplier=Alder+Film&lot=L20")
    )


@pytest.mark.parametrize(
    ("search", "said"),
    [
        ("", 'limits: "" is no change of limits'),
        (f"change=set+baseline&{urlencode(NAMED)}&day=tomorrow", "is no day"),
        (
            "change=set+baseline&supplier=%3Cb%3E&product=x&characteristic=y&day=2026-01-01",
            "there is no stream <b> · x · y",
        ),
        (
            "change=change+limit&product=MB-10&characteristic=weight&day=2026-01-01&value=1&side=upper",
            "no stream is of",
        ),
    ],
)
def test_what_can_not_be_shown_is_told(lab: Bench, search: str, said: str) -> None:
    text = told(lab, f"/limits?{search}")

    assert text.startswith("Please correct the entry.")
    assert said in text


# What is sent


def test_a_preview_asked_of_the_server_changes_nothing(lab: Bench, client: Any) -> None:
    before = (lab.folder / "lotdrift.db").read_bytes()

    address = preview_address(SET_BASELINE, NAMED, day=CHANGED)
    assert client.get(address, headers=HERE).status_code == 200
    told(lab, address)

    assert (lab.folder / "lotdrift.db").read_bytes() == before


@pytest.mark.parametrize(
    ("fields", "status", "said"),
    [
        ({"reason": " "}, 400, "reason is blank"),
        ({"who": ""}, 400, "who is blank"),
        ({"reason": "x" * 601}, 400, "reason is too long"),
        ({"reason": "x" * 1_000_001}, 413, "too large"),
        ({"shown": ""}, 400, "look at the preview again"),
        ({"shown": "0" * 16}, 400, "look at the preview again"),
        ({"day": "2025-06-09"}, 400, "look at the preview again"),
        ({"day": "<b>"}, 400, "is no day"),
        ({"subject": "x"}, 400, "the entry names no stream"),
        ({"subject": "[1, 2]"}, 400, "the entry names no stream"),
        ({"subject": str(Subject.stream("a", "b", "c"))}, 400, "there is no stream a · b · c"),
        ({"what": "set baselines"}, 400, "is no answer to this"),
    ],
)
def test_a_form_that_does_not_fit_changes_nothing(
    lab: Bench, client: Any, fields: dict[str, str], status: int, said: str
) -> None:
    form = form_of(lab, SET_BASELINE, day=CHANGED)
    answer = client.post("/entry", data={**form, **fields}, headers={**PAGE, "Accept": "*/*"})

    assert answer.status_code == status
    assert said in answer.get_data(as_text=True)
    # A program gets a line of plain text, which no browser takes for markup; a browser gets a page that escapes it.
    assert (answer.mimetype, answer.headers["X-Content-Type-Options"]) == ("text/plain", "nosniff")
    shown = client.post("/entry", data={**form, **fields}, headers={**PAGE, "Accept": "text/html"})
    assert (shown.status_code, shown.mimetype) == (status, "text/plain" if status == 413 else "text/html")
    assert "<b>" not in shown.get_data(as_text=True)
    assert acts(lab) == []


@pytest.mark.parametrize(
    "headers", [HERE, {**PAGE, "Origin": "http://evil.example"}, {**PAGE, "Sec-Fetch-Site": "cross-site"}]
)
def test_limits_are_changed_from_a_page_of_ours_only(lab: Bench, client: Any, headers: dict[str, str]) -> None:
    form = form_of(lab, SET_BASELINE, day=CHANGED)

    assert client.post("/entry", data=form, headers=headers).status_code == 403
    assert client.post("/limits", data=form, headers=PAGE).status_code == 405
    assert acts(lab) == []


@pytest.fixture(autouse=True)
def quiet() -> Iterator[None]:
    """The framework logs each malformed request of the test; a failed assertion tells enough."""
    logging.disable(logging.CRITICAL)
    yield
    logging.disable(logging.NOTSET)


# In the browser


@pytest.fixture(scope="module")
def windows(
    browser: Browser, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[dict[int, tuple[BrowserContext, str]]]:
    """A window as wide as a laptop's and one as a phone's, each with a lab of its own."""
    base = tmp_path_factory.getbasetemp()
    wide, narrow = (changed_lab(base, tmp_path_factory.mktemp("served") / "lab").folder for _ in range(2))
    with served(wide) as one, served(narrow) as other:
        opened = {
            width: (browser.new_context(viewport={"width": width, "height": 900}, locale="en-US"), address)
            for width, address in ((1440, one), (390, other))
        }
        yield opened
        for context, _ in opened.values():
            context.close()


def press_to(opened: Page, what: str) -> None:
    """Go on with the tab key until the element that `what` selects has the focus."""
    for _ in range(80):
        opened.keyboard.press("Tab")
        if opened.evaluate("what => document.activeElement.matches(what)", what):
            return
    raise AssertionError(f"the tab key never came to {what}")


@pytest.mark.parametrize("width", [1440, 390], ids=["laptop", "phone"])
def test_the_limits_are_set_again_after_the_process_change_by_keyboard_alone(
    windows: dict[int, tuple[BrowserContext, str]], width: int
) -> None:
    context, address = windows[width]
    opened = context.new_page()
    trouble: list[str] = []
    opened.on("console", lambda said: trouble.append(said.text) if said.type == "error" else None)
    opened.on(
        "request", lambda asked: trouble.append(asked.url) if not asked.url.startswith((address, "data:")) else None
    )
    opened.goto(f"{address}/stream{STREAM}")
    drawn(opened)
    assert opened.get_by_text("higher since about").first.is_visible()

    # A phone folds the limits under their heading.
    if width == 390:
        press_to(opened, "#page details.fold-narrow:has(input[value='set baseline']) > summary")
        opened.keyboard.press("Enter")
    press_to(opened, "#page details:not(.fold-narrow):has(input[value='set baseline']) > summary")
    opened.keyboard.press("Enter")
    press_to(opened, "input[name=day]")
    year, month, date = CHANGED.split("-")
    # A browser of this language takes the month first; the field takes no longer a year than four digits.
    opened.keyboard.type(f"{month}{date}{year}")
    assert opened.locator("#page details[open]:not(.fold-narrow) input[name=day]").input_value() == CHANGED
    opened.keyboard.press("Enter")

    opened.get_by_role("heading", name="Start a new baseline of Alder Film MB-10, shielding energy").wait_for()
    drawn(opened)
    assert opened.get_by_text("from 24 lots; then 11.4 nJ to 14.8 nJ").is_visible()
    assert opened.locator("#page .figure").count() == 2
    assert opened.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    press_to(opened, "input[name=who]")
    opened.keyboard.type("A. Specialist")
    press_to(opened, "input[name=reason]")
    opened.keyboard.type("new laminator since week 23")
    press_to(opened, "button[value='set baseline']")
    opened.keyboard.press("Enter")

    # Nothing is open any more; the last lot of the lab is a year old.
    opened.get_by_role("heading", name="MB-10, shielding energy: no lot for a long time.").wait_for()
    drawn(opened)
    if width == 390:
        press_to(opened, "#page details.fold-narrow:has(input[value='set baseline']) > summary")
        opened.keyboard.press("Enter")
    assert opened.get_by_role("cell", name="A. Specialist").get_by_text("new laminator since week 23").is_visible()
    assert opened.get_by_text("new baseline", exact=True).count() == 1
    assert opened.get_by_text("No alert so far.").is_visible()
    assert opened.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    opened.get_by_role("link", name="undo").click()
    opened.get_by_role("heading", name="Undo the new baseline").wait_for()
    opened.close()
    assert trouble == []
