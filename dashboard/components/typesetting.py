"""The last step of a page: quantities, days and names with a hyphen stay on one line."""

from __future__ import annotations

import re
from typing import Any

from dash import dcc, html
from dash.development.base_component import Component

from dashboard.text.no_break import unbroken

__all__ = ["typeset"]

# Text that is read by a program, or that has to stay as its author wrote it.
AS_WRITTEN = (html.Code, html.Pre, html.Option, html.Textarea, dcc.Store, dcc.Graph, dcc.Markdown)
# A longer name has to wrap on a phone.
HYPHENATED = re.compile(r"(?<![\w-])\w{1,12}(?:-\w{1,12}){1,2}(?![\w-])")


def typeset(part: Any) -> Any:
    """A page, or a part of one, with no-break spaces inside quantities; headings also keep names such as UM-9 whole.

    The components are changed in place, as each page is built afresh.
    """
    if isinstance(part, str):
        return unbroken(part)
    if isinstance(part, (list, tuple)):
        return [typeset(one) for one in part]
    if isinstance(part, Component) and not isinstance(part, AS_WRITTEN) and getattr(part, "children", None) is not None:
        children = typeset(part.children)
        part.children = _with_whole_names(children) if _is_headline(part) else children
    return part


def _is_headline(part: Component) -> bool:
    return isinstance(part, html.H1) or "lead" in str(getattr(part, "className", "")).split()


def _with_whole_names(children: Any) -> Any:
    parts = children if isinstance(children, list) else [children]
    found = [piece for part in parts for piece in (_pieces(part) if isinstance(part, str) else [part])]
    return found if len(found) > 1 else children


def _pieces(text: str) -> list[Any]:
    """The text cut at its names with a hyphen; the style sheet keeps each name on one line."""
    pieces: list[Any] = []
    end = 0
    for name in HYPHENATED.finditer(text):
        pieces += [text[end : name.start()], html.Span(name[0], className="whole")]
        end = name.end()
    return [piece for piece in (*pieces, text[end:]) if piece != ""]
