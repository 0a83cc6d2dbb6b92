"""What of a page is drawn without Dash."""

from __future__ import annotations

from typing import Any

import pytest
from dash import dcc, html

from dashboard.components.plain_elements import Plain, plain


def test_a_page_that_nothing_changes_is_one_component() -> None:
    page = html.Div([html.H1("Lots", id="lots"), "text", None, dcc.Link("QM-52", href="/stream?product=QM-52")])
    whole = plain(page, ())
    assert isinstance(whole, Plain)
    assert whole.tree == [
        "div",
        {},
        ["h1", {"id": "lots"}, "Lots"],
        "text",
        ["link", {"href": "/stream?product=QM-52"}, "QM-52"],
    ]


@pytest.mark.parametrize(
    "changing",
    [
        pytest.param(lambda: html.Output("5 bags", id="answer"), id="an element that a callback writes"),
        pytest.param(lambda: dcc.Input(name="lot"), id="an input"),
        pytest.param(lambda: html.Form([dcc.Input(name="lot")]), id="a form with an input"),
    ],
)
def test_what_changes_stays_with_dash_and_what_stands_beside_it_does_not(changing: Any) -> None:
    page = plain(html.Div([html.P(["Bags", html.B("8")]), changing()]), ("answer",))
    assert isinstance(page, html.Div)
    text, other = page.children
    assert isinstance(text, Plain)
    assert text.tree == ["p", {}, "Bags", ["b", {}, "8"]]
    assert type(other) is type(changing())


def test_attributes_reach_the_browser_as_dash_sends_them() -> None:
    cell = html.Td("12 nJ", colSpan=2, className="number", **{"aria-label": "energy", "data-lot": "A1"})
    assert plain(cell, ()).tree == [
        "td",
        {"className": "number", "colSpan": 2, "aria-label": "energy", "data-lot": "A1"},
        "12 nJ",
    ]


@pytest.mark.parametrize("text", ["Loading", 3, None])
def test_text_and_nothing_stay_what_they_are(text: object) -> None:
    assert plain(text, ()) is text
