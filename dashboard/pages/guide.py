"""The reference guide: the Markdown files in `dashboard/guide/` as a page of the dashboard, without a network.

GitHub renders the same files. Each Markdown token becomes a component of the page; raw HTML in a file is shown as text,
and a token without a component is an error, so that nothing reaches a browser unescaped.
"""

from __future__ import annotations

import re
from functools import lru_cache
from pathlib import Path

from dash import dcc, html
from markdown_it import MarkdownIt
from markdown_it.tree import SyntaxTreeNode

from dashboard.queries.lab_reader import LabReader
from dashboard.text.urls import GUIDE, with_query

__all__ = ["PARTS", "heading_anchor", "layout", "with_guide_link"]

FOLDER = Path(__file__).parents[1] / "guide"
# The order of the contents list.
PARTS = (
    "start",
    "lab-toml",
    "feeds",
    "bench",
    "commands",
    "charts",
    "limits",
    "verdicts",
    "work",
    "stock",
    "suppliers",
    "sharing",
    "audit",
)
# The part that explains a page of the dashboard: (text of the link, part, anchor).
EXPLAINED_BY = {
    "/ageing": ("Guide: how a film ages", "stock", "the-shelf-life-of-a-film"),
    "/bags": ("Guide: what a number of bags proves", "verdicts", "how-many-bags"),
    "/compare": ("Guide: how lots are compared", "verdicts", "comparing"),
    "/what-if": ("Guide: another limit", "verdicts", "another-limit"),
    "/stock": ("Guide: the day to keep a lot until", "stock", ""),
    "/": ("Guide: states, forecast and the words of the board", "charts", "states-of-a-stream"),
    "/alerts": ("Guide: kinds and grades of alerts", "charts", "alerts"),
    "/loads": ("Guide: loads", "bench", "loads"),
    "/ready": ("Guide: loads and what may be tested", "bench", "what-may-be-tested"),
    "/instruments": ("Guide: calibrations and set-up checks", "bench", "instruments"),
    "/bench": ("Guide: film or bench", "charts", "film-or-bench"),
    "/cases": ("Guide: cases", "work", "cases"),
    "/find": ("Guide: find", "work", "find"),
    "/history": ("Guide: the audit log", "audit", "the-audit-log"),
    "/limits": ("Guide: setting limits", "limits", ""),
    "/lot": ("Guide: verdicts and conditioning", "charts", "verdicts"),
    "/rule": ("Guide: decision rules", "verdicts", "decision-rules"),
    "/retest": ("Guide: lots to test again", "work", "test-again"),
    "/scorecards": ("Guide: how the score is calculated", "suppliers", "the-scorecard"),
    "/stream": ("Guide: control limits and patterns", "charts", "control-limits"),
    "/supplier": ("Guide: notices and corrective actions", "suppliers", ""),
}
COMPONENTS = {
    "paragraph": html.P,
    "bullet_list": html.Ul,
    "ordered_list": html.Ol,
    "list_item": html.Li,
    "blockquote": html.Blockquote,
    "strong": html.Strong,
    "em": html.Em,
    "thead": html.Thead,
    "tbody": html.Tbody,
    "tr": html.Tr,
    "td": html.Td,
}
PART_LINK = re.compile(r"([a-z-]+)\.md(#[a-z0-9_-]+)?")


def layout(_reader: LabReader, /, part: str = "start", **_other: str) -> html.Div:
    """One part of the guide with its contents list; the first part where the address names none that exists."""
    chosen = part if part in PARTS else PARTS[0]
    return html.Div([_contents(chosen), html.Article(_body(chosen), className="guide-text")], className="guide")


def with_guide_link(page: html.Div, path: str) -> html.Div:
    """Put the link to the part of the guide that explains a page at the end of that page."""
    if path not in EXPLAINED_BY:
        return page
    text, part, anchor = EXPLAINED_BY[path]
    return html.Div([page, html.P(dcc.Link(text, href=_address(part, anchor)), className="quiet")])


def heading_anchor(text: str) -> str:
    """The anchor that GitHub gives a heading, so that one link works in both places."""
    return re.sub(r"[^\w\- ]", "", text.lower()).replace(" ", "-")


def _address(part: str, anchor: str = "") -> str:
    return with_query(GUIDE, {"part": part}) + (f"#{anchor}" if anchor else "")


@lru_cache(maxsize=len(PARTS))
def _tree(part: str) -> SyntaxTreeNode:
    markdown = MarkdownIt("commonmark", {"html": False}).enable("table")
    return SyntaxTreeNode(markdown.parse((FOLDER / f"{part}.md").read_text(encoding="utf-8")))


def _text(node: SyntaxTreeNode) -> str:
    return node.content if not node.children else "".join(_text(child) for child in node.children)


def _headings(part: str, tag: str) -> list[str]:
    return [_text(node) for node in _tree(part).children if node.type == "heading" and node.tag == tag]


def _contents(chosen: str) -> html.Nav:
    items = []
    for part in PARTS:
        link = dcc.Link(_headings(part, "h1")[0], href=_address(part), className="here" if part == chosen else "")
        sections = [
            html.Li(html.A(title, href=f"#{heading_anchor(title)}"))
            for title in (_headings(part, "h2") if part == chosen else ())
        ]
        items.append(html.Li([link, html.Ul(sections)] if sections else link))
    return html.Nav(html.Ul(items), className="guide-contents", **{"aria-label": "Contents of the guide"})


def _body(part: str) -> list[object]:
    return [component for node in _tree(part).children for component in _components(node)]


def _components(node: SyntaxTreeNode) -> list[object]:
    """What a node of the Markdown tree becomes on the page."""
    if node.type in ("text", "code_inline", "fence", "softbreak", "hardbreak"):
        return [_leaf(node)]
    children = [component for child in node.children for component in _components(child)]
    if node.type == "inline" or node.hidden:
        return children
    if node.type == "heading":
        return [getattr(html, node.tag.upper())(children, id=heading_anchor(_text(node)))]
    if node.type == "link":
        return [_link(str(node.attrs["href"]), children)]
    if node.type == "table":
        table = html.Table(children)
        return [
            html.Div(table, className="scroll cards", tabIndex=0, role="region", **{"aria-label": _text(node)[:60]})
        ]
    if node.type == "th":
        return [html.Th(children, scope="col")]
    if node.type == "td":
        return [html.Td(children, **_label(node))]
    return [COMPONENTS[node.type](children)]


def _label(cell: SyntaxTreeNode) -> dict[str, str]:
    """The head of a cell's column, which a narrow screen writes before it; the first cell of a row is its title."""
    row, table = cell.parent, cell.parent and cell.parent.parent and cell.parent.parent.parent
    assert row is not None
    assert table is not None
    place = row.children.index(cell)
    head = _text(table.children[0].children[0].children[place])
    return {"data-label": head} if place and head and cell.children else {}


def _leaf(node: SyntaxTreeNode) -> object:
    if node.type == "code_inline":
        return html.Code(node.content)
    if node.type == "fence":
        # Landmarks of a page need names of their own.
        name = f"Example: {node.content.splitlines()[0]}"
        return html.Pre(html.Code(node.content), className="scroll", tabIndex=0, role="region", **{"aria-label": name})
    if node.type == "hardbreak":
        return html.Br()
    return " " if node.type == "softbreak" else node.content


def _link(target: str, children: list[object]) -> object:
    """A link to another part of the guide stays in the dashboard; any other target is an address or an anchor."""
    other_part = PART_LINK.fullmatch(target)
    if other_part is not None:
        return dcc.Link(children, href=_address(other_part[1], (other_part[2] or "").lstrip("#")))
    return html.A(children, href=target)
