"""A number stays on one line with its unit, in texts, on pages and on papers."""

from __future__ import annotations

import pytest
from dash import html

from dashboard.components.typesetting import typeset
from dashboard.paper.html_page import render, render_paper
from dashboard.text.no_break import unbroken, unbroken_data


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("under 20.0 nJ; 14.2 nJ", "under 20.0~nJ; 14.2~nJ"),
        ("3.16 × 10⁹ Ω, > 10¹² Ω", "3.16~×~10⁹~Ω, >~10¹²~Ω"),
        ("12.0 ± 3 % RH for 48 h", "12.0~±~3~%~RH for 48~h"),
        ("since 3 Aug 2026, under 1 %", "since 3~Aug 2026, under 1~%"),
        ("22.8 °C, 1 kV, 8.3 nC", "22.8~°C, 1~kV, 8.3~nC"),
        # Not a unit: the beginning of a word.
        ("3 hours, 4 suppliers, 6 bags", "3 hours, 4 suppliers, 6 bags"),
        ("lot 12 May be held", "lot 12~May be held"),
    ],
)
def test_quantities_and_days_do_not_break(text: str, shown: str) -> None:
    assert unbroken(text).replace("\u00a0", "~") == shown


def test_data_of_a_paper_is_set_but_not_its_pictures() -> None:
    picture = '<svg width="3 h"></svg>'

    assert unbroken_data({"rows": [["20.0 nJ", 3]], "chart": picture}) == {
        "rows": [["20.0\u00a0nJ", 3]],
        "chart": picture,
    }


def test_a_page_of_paper_is_set_but_a_form_keeps_what_was_written() -> None:
    week = {
        "title": "Shelf", "headline": "20.0 nJ", "advice": "", "caution": "", "heads": ["lot"], "rows": [["12 % RH"]], "lab": "",
    }  # fmt: skip
    paper = render_paper("paper/shelf_list.html", **week)
    form = render(
        "web/templates/entry_error.html", heading="x", line="", action="", hidden=[("value", "20 nJ")], fields=[], what="",
        back="/",
    )  # fmt: skip

    assert "<h1>20.0\u00a0nJ</h1>" in paper
    assert "12\u00a0%\u00a0RH" in paper
    # The style sheet is no prose.
    assert "\u00a0" not in paper.partition("</style>")[0]
    assert 'value="20 nJ"' in form


def test_a_page_is_set_but_not_what_a_program_reads() -> None:
    page = typeset(html.Div([html.P("20.0 nJ"), html.Code("limit = 20 nJ"), html.Select(html.Option("20 nJ"))]))

    paragraph, code, choice = page.children
    assert paragraph.children == "20.0\u00a0nJ"
    assert code.children == "limit = 20 nJ"
    assert choice.children.children == "20 nJ"


def test_a_heading_keeps_a_short_name_with_a_hyphen_whole() -> None:
    heading = typeset(html.H1("3 suppliers to call: Umberfold (UM-9 first), likely 9 to 21 weeks"))

    before, name, after = heading.children
    assert (name.children, name.className) == ("UM-9", "whole")
    assert before + name.children + after == "3 suppliers to call: Umberfold (UM-9 first), likely 9 to 21 weeks"
    # A name that a phone could not hold has to wrap.
    assert isinstance(typeset(html.H1("SP-a-very-long-name-of-a-product-of-many-parts")).children, str)
