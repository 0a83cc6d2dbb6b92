"""A scorecard as one HTML file: no script, no outside reference, ready to print."""

from __future__ import annotations

from dashboard.charts.sparkline import as_image_address
from dashboard.paper.html_page import render_paper
from dashboard.scorecard import wording
from dashboard.scorecard.svg_chart import chart, score_bar
from ingest.documents.scorecard import Overview, Scorecard

__all__ = ["as_html", "overview_as_html"]


def as_html(card: Scorecard) -> bytes:
    """The page of one supplier."""
    charts = [as_image_address(chart(row, card)) for row in card["streams"]]
    return render_paper(
        "scorecard/card.html", words=wording, document=card, title=card["supplier"], charts=charts
    ).encode()


def overview_as_html(overview: Overview) -> bytes:
    """The page of all suppliers."""
    lowest = wording.lowest_score(overview)
    bars = [
        as_image_address(bar) if (bar := score_bar(row["standing"], lowest, paper=True)) else ""
        for row in overview["rows"]
    ]
    page = render_paper("scorecard/overview.html", words=wording, document=overview, title="All suppliers", bars=bars)
    return page.encode()
