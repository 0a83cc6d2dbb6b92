"""The bar of a score, on a page and on paper."""

from __future__ import annotations

from dashboard.paper.palette import DARK, LIGHT
from dashboard.scorecard.svg_chart import score_bar

STANDING = {"score": 0.93, "score_low": 0.82, "score_high": 1.0}


def test_the_bar_follows_the_scheme_of_the_page_and_stays_light_on_paper() -> None:
    on_page, on_paper = score_bar(STANDING, 0.7), score_bar(STANDING, 0.7, paper=True)

    assert f".score{{fill:{LIGHT.accent}}}" in on_page
    assert f".score{{fill:{DARK.accent}}}" in on_page.partition("@media (prefers-color-scheme:dark)")[2]
    assert DARK.accent not in on_paper
    assert LIGHT.accent in on_paper


def test_without_a_score_there_is_no_bar() -> None:
    assert score_bar({**STANDING, "score": None}, 0.7) == ""
