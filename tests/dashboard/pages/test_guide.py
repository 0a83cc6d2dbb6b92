"""The guide as the dashboard shows it: whole, linked from the pages, safe, and without a network."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from dash import dcc, html
from markdown_it.tree import SyntaxTreeNode
from playwright.sync_api import Browser, Page
from support.browser import PAGES, WIDTHS, drawn, served
from support.demolab import copy_of, demo_lab
from support.documents import GUIDE, tokens

from dashboard.pages import guide
from dashboard.queries.lab_reader import LabReader
from dashboard.web import app


def parts_of(component: Any) -> list[Any]:
    """A component and all below it, in order."""
    children = getattr(component, "children", None)
    below = children if isinstance(children, (list, tuple)) else [] if children is None else [children]
    return [component, *(one for child in below for one in parts_of(child))]


def shown_text(component: Any) -> str:
    return "".join(one for one in parts_of(component) if isinstance(one, str))


def shown(part: str) -> html.Div:
    return guide.layout(LabReader(Path()), part=part)


def squeezed(text: str) -> str:
    return re.sub(r"\s+", "", text)


@pytest.mark.parametrize("part", guide.PARTS)
def test_a_part_of_the_guide_is_shown_whole_and_in_order(part: str) -> None:
    tree = SyntaxTreeNode(tokens((GUIDE / f"{part}.md").read_text(encoding="utf-8")))
    words = "".join(node.content for node in tree.walk() if node.type in ("text", "code_inline", "fence"))

    article = next(one for one in parts_of(shown(part)) if isinstance(one, html.Article))

    assert squeezed(shown_text(article)) == squeezed(words)


@pytest.mark.parametrize("part", guide.PARTS)
def test_every_link_of_the_guide_leads_to_a_heading_that_is_there(part: str) -> None:
    for one in parts_of(shown(part)):
        target = getattr(one, "href", None)
        if target is None or target.startswith("https://"):
            continue
        address, _, anchor = target.partition("#")
        other = address.removeprefix("/guide?part=") or part
        assert other in guide.PARTS
        ids = {getattr(there, "id", None) for there in parts_of(shown(other))}
        assert not anchor or anchor in ids, target


@pytest.mark.parametrize("part", ["nowhere", "../pages/guide", "start.md", ""])
def test_a_part_that_does_not_exist_shows_the_first_one(part: str) -> None:
    assert shown_text(shown(part)) == shown_text(shown("start"))


def test_raw_html_in_a_file_is_shown_as_text(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "start.md").write_text(
        "# A\n\n<script>alert(1)</script> <b>x</b>\n\n[y](javascript:alert(1)) ![z](http://x.example/z.png)\n",
        encoding="utf-8",
    )
    monkeypatch.setattr(guide, "FOLDER", tmp_path)
    monkeypatch.setattr(guide, "PARTS", ("start",))
    guide._tree.cache_clear()
    try:
        with pytest.raises(KeyError, match="image"):
            shown("start")
        text = (tmp_path / "start.md").read_text(encoding="utf-8").partition(" ![")[0]
        (tmp_path / "start.md").write_text(text, encoding="utf-8")
        guide._tree.cache_clear()
        page = shown("start")
    finally:
        guide._tree.cache_clear()

    assert "<script>alert(1)</script> <b>x</b>" in shown_text(page)
    assert not [one for one in parts_of(page) if str(getattr(one, "href", "")).startswith("javascript")]
    assert {type(one) for one in parts_of(page)} <= {
        str, dcc.Link, html.A, html.Article, html.Div, html.H1, html.Li, html.Nav, html.P, html.Ul,
    }  # fmt: skip


def test_each_page_links_to_the_part_of_the_guide_that_explains_it(tmp_path_factory: pytest.TempPathFactory) -> None:
    reader = LabReader(demo_lab(tmp_path_factory.getbasetemp()))

    assert set(guide.EXPLAINED_BY) == set(app.PAGES) - {"/guide"}
    for path, address in PAGES.items():
        if path == "not found":
            continue
        where, _, query = address.partition("?")
        links = {str(getattr(one, "href", "")) for one in parts_of(app.page(reader, where, query))}
        assert any(link.startswith("/guide?part=") for link in links), path
    for _, part, anchor in guide.EXPLAINED_BY.values():
        ids = {getattr(one, "id", None) for one in parts_of(shown(part))}
        assert not anchor or anchor in ids, (part, anchor)


@pytest.mark.parametrize("width", WIDTHS)
def test_a_reader_goes_from_a_page_to_its_part_of_the_guide_and_on_without_a_network(
    tmp_path_factory: pytest.TempPathFactory, browser: Browser, width: int
) -> None:
    folder = copy_of(demo_lab(tmp_path_factory.getbasetemp()), tmp_path_factory.mktemp("guide") / "lab")
    with served(folder) as base:
        page = browser.new_page(viewport={"width": width, "height": 900})
        requested: list[str] = []
        problems: list[str] = []
        page.on("request", lambda request: requested.append(request.url))
        page.on("console", lambda message: problems.append(message.text) if message.type == "error" else None)
        page.goto(base + "/scorecards")
        drawn(page)

        page.get_by_role("link", name="Guide: how the score is calculated").click()
        page.get_by_role("heading", name="The scorecard").wait_for()

        assert page.evaluate("document.activeElement.id") == "the-scorecard"
        page.get_by_role("navigation", name="Contents of the guide").get_by_role("link", name="Commands").click()
        page.get_by_role("heading", name="Commands", level=1).wait_for()
        assert stays_within(page)
        assert problems == []
        assert [url for url in requested if not url.startswith((base, "data:", "blob:"))] == []
        page.close()


def stays_within(page: Page) -> bool:
    """Whether the page itself does not scroll sideways."""
    return bool(page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"))


def test_a_link_to_a_heading_with_an_underscore_stays_in_the_dashboard() -> None:
    assert guide._link("lab-toml.md#check_standard", ["check standard"]).href == "/guide?part=lab-toml#check_standard"
