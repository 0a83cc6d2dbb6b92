"""A scorecard as PDF: set by typst with the fonts that it brings, without a browser or system packages.

Names from files reach the paper as data and are never markup. The time in the file is that at which the card was drawn
up, so that the same store gives the same bytes.
"""

from __future__ import annotations

import json
from datetime import datetime
from importlib.resources import files
from typing import Any

from dashboard.scorecard import wording
from dashboard.scorecard.svg_chart import chart, score_bar
from dashboard.text.formatting import day

__all__ = ["as_pdf", "overview_as_pdf"]

Document = Any


def as_pdf(card: Document) -> bytes:
    """The paper of one supplier."""
    standing = card["standing"]
    return _set(
        card,
        {
            "kind": "card",
            "title": card["supplier"],
            "summary": wording.summary(card),
            "counts": [[str(card["counts"][key]), words] for key, words in wording.COUNTS if _shown(key, card)],
            "standing": [
                ["share of conforming lots", wording.share(standing)],
                ["score", wording.score(standing)],
                ["place", wording.place(standing)],
            ],
            "parts": [wording.part_heads(), wording.weight_cells(card), wording.part_cells(standing)],
            "notices": [wording.notices(card["notices"]), *wording.notice_lines(card["notices"])],
            "streams": [_stream(row, card) for row in card["streams"]],
            "alerts": [[day(alert["raised_at"]), alert["message"], _state(alert)] for alert in card["alerts"]],
        },
    )


def _shown(key: str, card: Document) -> bool:
    """The counts that everybody asks for, and of the others those that are not nought."""
    return key in ("lots", "pass", "fail", "undecided", "invalid") or card["counts"][key] > 0


def _state(alert: Document) -> str:
    return "explained by the bench" if alert["held_under"] else str(alert["state"])


def _stream(row: Document, card: Document) -> Document:
    return {"title": wording.stream_title(row), "chart": chart(row, card), "facts": wording.facts(row, card)}


def overview_as_pdf(overview: Document) -> bytes:
    """The paper over all suppliers."""
    return _set(
        overview,
        {
            "kind": "overview",
            "title": "All suppliers",
            "summary": wording.chance_moves(overview),
            "rows": [_row(row, wording.lowest_score(overview)) for row in overview["rows"]],
            "part_heads": wording.part_heads(),
            "weights": wording.weight_cells(overview),
            "parts": [
                [row["supplier"], *wording.part_cells(row["standing"]), wording.notices(row["notices"])]
                for row in overview["rows"]
            ],
            "talk": [[row["supplier"], wording.reasons(row["reasons"])] for row in overview["rows"] if row["reasons"]],
            "moved": [[row["supplier"], wording.stream_title(row), *wording.move(row)] for row in overview["moved"]],
        },
    )


def _row(row: Document, lowest: float) -> Document:
    counts, standing = row["counts"], row["standing"]
    return {
        "supplier": row["supplier"],
        "place": wording.place(standing),
        "score": wording.score(standing),
        "bar": score_bar(standing, lowest) if standing["placed"] else "",
        "counts": [str(counts[key]) for key in ("lots", "pass", "fail", "undecided", "invalid")],
        "moves": [str(row["nearer"]), str(row["away"])],
    }


def _set(document: Document, said: Document) -> bytes:
    import typst

    shared = {
        "lab": document["lab"],
        "quarter": document["quarter"],
        "span": f"{day(document['first_day'])} to {day(document['last_day'])}",
        "drawn_up": wording.drawn_up(document),
        "notes": wording.what_counts(document),
        "caution": wording.CAUTION,
    }
    return bytes(
        typst.compile(
            files("dashboard.scorecard").joinpath("scorecard.typ").read_bytes(),
            sys_inputs={"data": json.dumps({**said, **shared})},
            ignore_system_fonts=True,
            timestamp=datetime.fromisoformat(document["drawn_up_at"]).replace(microsecond=0),
        )
    )
