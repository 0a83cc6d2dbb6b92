"""A scorecard as PDF."""

from __future__ import annotations

from collections.abc import Mapping

from dashboard.paper import typeset
from dashboard.scorecard import wording
from dashboard.scorecard.svg_chart import chart, score_bar
from dashboard.text.formatting import day
from ingest.documents.scorecard import Overview, Scorecard

__all__ = ["as_pdf", "overview_as_pdf"]

# The counts that everybody asks for; the others are given if they are not zero.
ALWAYS = ("lots", "pass", "fail", "undecided", "invalid")


def as_pdf(card: Scorecard) -> bytes:
    """The paper of one supplier."""
    standing = card["standing"]
    counts = [
        [str(card["counts"][key]), words] for key, words in wording.COUNTS if key in ALWAYS or card["counts"][key] > 0
    ]
    data = {
        "title": card["supplier"],
        "summary": wording.summary(card),
        "counts": counts,
        "standing": [
            ["share of conforming lots", wording.share(standing)],
            ["score", wording.score(standing)],
            ["place", wording.place(standing)],
        ],
        "parts": [wording.part_heads(), wording.weight_cells(card), wording.part_cells(standing)],
        "streams": [
            {
                "title": wording.stream_title(row),
                "summary": wording.stream_summary(row, card),
                "chart": chart(row, card),
                "facts": wording.facts(row, card),
            }
            for row in card["streams"]
        ],
        "legend": wording.CHART_LEGEND,
        "alerts_note": "Each message gives the figures of its day.",
        "alerts": wording.alert_lines(card),
        "notices": [wording.notices(card["notices"]), *wording.notice_lines(card["notices"])],
    }
    return _set("card.typ", card, data)


def overview_as_pdf(overview: Overview) -> bytes:
    """The paper of all suppliers."""
    rows, lowest = overview["rows"], wording.lowest_score(overview)
    data = {
        "title": "All suppliers",
        "lines": [wording.purchasing_line(row) for row in rows],
        "summary": f"{wording.order(overview)} {wording.chance_moves(overview)}",
        "heads": wording.overview_heads(overview),
        "rows": [
            {
                "names": [row["supplier"], wording.place(row["standing"]), wording.score(row["standing"])],
                "bar": score_bar(row["standing"], lowest, paper=True),
                "counts": wording.overview_counts(row, overview),
            }
            for row in rows
        ],
        "part_heads": wording.part_heads(),
        "weights": wording.weight_cells(overview),
        "parts": [
            [row["supplier"], *wording.part_cells(row["standing"]), wording.notices(row["notices"])] for row in rows
        ],
        "topics": [[row["supplier"], wording.reasons(row["reasons"])] for row in rows if row["reasons"]],
        "nobody": wording.NOBODY,
        "moved": [[row["supplier"], wording.stream_title(row), *wording.move(row)] for row in overview["moved"]],
    }
    return _set("overview.typ", overview, data)


def _set(template: str, document: Scorecard | Overview, data: Mapping[str, object]) -> bytes:
    quarter = document["quarter"]
    shared = {
        "lab": document["lab"],
        "document_title": f"{data['title']}, {quarter}",
        "heading": f"Scorecard {quarter}, {day(document['first_day'])} to {day(document['last_day'])}",
        "foot_left": wording.drawn_up(document),
        "foot_right": f"{data['title']}, {quarter}",
        "notes": wording.what_counts(document),
        "caution": wording.CAUTION,
    }
    return typeset.as_pdf("dashboard.scorecard", template, {**data, **shared}, document["drawn_up_at"])
