"""The comparison of candidates on one page, for the person who buys."""

from __future__ import annotations

from dashboard.charts.comparison_chart import comparison_chart
from dashboard.paper import typeset
from dashboard.text.formatting import characteristic, counted, day
from dashboard.text.verdict import comparison_text
from ingest.documents.verdict.comparison import Comparison

__all__ = ["FILE_NAME", "as_pdf"]

FILE_NAME = "comparison.pdf"
MOST_PAIRS = 12


def as_pdf(result: Comparison, lab: str) -> bytes:
    """The paper."""
    title = f"Comparison, {characteristic(result['characteristic'])}"
    data = {
        "lab": lab,
        "document_title": title,
        "heading": f"Comparison of {day(result['drawn_up_at'])}",
        "foot_left": f"Data as of {day(result['drawn_up_at'])}.",
        "foot_right": title,
        "title": title,
        "headline": comparison_text.headline(result),
        "asked": comparison_text.asked(result),
        "cautions": comparison_text.cautions(result),
        "chart": comparison_chart(result, title, paper=True),
        "pairs": comparison_text.differences(result, MOST_PAIRS),
        "more": max(len(result["pairs"]) - MOST_PAIRS, 0),
        "rows": [
            [
                comparison_text.name(one, result["split_on"]),
                counted(len(one["lots"]), "lot"),
                comparison_text.level(result, one),
                "–"
                if one["spread"] is None or one["moves"]
                else f"{100 * one['spread']:.0f} %"
                if result["scale"] == "log"
                else f"{one['spread']:.3g}",
                "–" if one["room"] is None else comparison_text.change(result, one["room"]),
            ]
            for one in result["candidates"]
        ],
    }
    return typeset.as_pdf("dashboard.verdict_papers", "comparison.typ", data, result["drawn_up_at"])
