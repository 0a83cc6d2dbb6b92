"""The comparison of candidates on one page, for the person who buys."""

from __future__ import annotations

from dashboard.charts.comparison_chart import comparison_chart
from dashboard.paper import typeset
from dashboard.text import comparison_text
from dashboard.text.formatting import amount, characteristic, counted, day
from ingest.documents.comparison import Comparison

__all__ = ["FILE_NAME", "as_pdf"]

FILE_NAME = "comparison.pdf"
MOST_PAIRS = 12


def as_pdf(found: Comparison, lab: str) -> bytes:
    """The paper."""
    title = f"Comparison, {characteristic(found['characteristic'])}"
    pairs = found["pairs"][:MOST_PAIRS]
    data = {
        "lab": lab,
        "document_title": title,
        "heading": f"Comparison of {day(found['drawn_up_at'])}",
        "foot_left": f"Data as of {day(found['drawn_up_at'])}.",
        "foot_right": title,
        "title": title,
        "headline": comparison_text.headline(found),
        "asked": comparison_text.asked(found),
        "cautions": comparison_text.cautions(found),
        "chart": comparison_chart(found, title, paper=True),
        "pairs": [
            f"{comparison_text.pair_sentence(found, pair)} {comparison_text.next_step(found, pair)}".strip()
            for pair in pairs
        ],
        "more": len(found["pairs"]) - len(pairs),
        "rows": [
            [
                comparison_text.name(one, found["split_on"]),
                counted(len(one["lots"]), "lot"),
                amount(one["level"], found["unit"]),
                "–"
                if one["spread"] is None
                else f"{100 * one['spread']:.0f} %"
                if found["scale"] == "log"
                else f"{one['spread']:.3g}",
                "–" if one["room"] is None else comparison_text.change(found, one["room"]),
            ]
            for one in found["candidates"]
        ],
    }
    return typeset.as_pdf("dashboard.verdict_papers", "comparison.typ", data, found["drawn_up_at"])
