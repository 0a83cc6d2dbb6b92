"""A scorecard as XLSX: real numbers under heads that name their unit, charts, and a sheet of raw lots.

Texts are written as texts: a supplier called "=1+1" stays a name. There is no formula in the book.
"""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from dashboard.scorecard import wording
from dashboard.scorecard.csv_file import COLUMNS, stream_row
from dashboard.scorecard.xlsx_charts import draw_streams, lots_chart, near_limit

__all__ = ["as_xlsx", "overview_as_xlsx"]

Document = Any
Cells = Sequence[object]

HEADS = {
    "level": "level (unit)", "level_low": "level, from (unit)", "level_high": "level, to (unit)",
    "earlier_level": "level before (unit)", "earlier_level_low": "level before, from (unit)",
    "earlier_level_high": "level before, to (unit)", "limit_lower": "lower limit (unit)",
    "limit_upper": "upper limit (unit)", "level_now": "level now (unit)",
    "change_percent_per_month": "change now (% a month)", "breach_probability": "chance of a breach (0 to 1)",
}  # fmt: skip
LOT_HEADS = (
    "supplier", "product", "characteristic", "lot", "tested at", "bags", "readings", "level (unit)", "worst reading (unit)",
    "judged value (unit)", "unit", "verdict", "conditioning", "counts as", "limit to mind (unit)",
)  # fmt: skip
# The number of the paper size in the format (ECMA-376, part 1, section 18.3.1.63).
A4 = 9
# Width of a column of sentences in characters; height of a line in points.
SENTENCE, LINE_HEIGHT = 90, 15
# Pages side by side for the sheet of streams, which has a column a figure.
WIDE = 5
PLACES = {key: COLUMNS.index(key) for key in ("pass", "fail", "undecided", "invalid")} | {
    "first": COLUMNS.index("supplier"), "last": COLUMNS.index("characteristic"),
}  # fmt: skip
LOT_KEYS = ("lot", "tested_at", "bags", "readings", "level", "worst", "judged")
OVERVIEW_HEADS = (
    "supplier",
    "place, from",
    "place, to",
    "suppliers placed",
    "share of conforming lots (0 to 1)",
    "share, from",
    "share, to",
    "score (0 to 1)",
    "score, from",
    "score, to",
    *(words for _, words in wording.COUNTS),
    "readings",
    "streams nearer the limit",
    "streams farther",
    "notices",
    "notices answered",
    "notices open",
    "mean days to answer",
    "longest open (days)",
    "actions that worked",
)
PART_HEADS = (
    "supplier",
    "part of the score",
    "what it is",
    "weight (0 to 1)",
    "good",
    "counted",
    "pooled share (0 to 1)",
)
NOTICE_HEADS = (
    "supplier", "product", "characteristic", "alert", "asked on", "answered on", "days to answer", "days open",
    "first lot after", "whether it worked", "lots after",
)  # fmt: skip


def as_xlsx(card: Document) -> bytes:
    """The book of one supplier."""
    with _Book(card, f"Scorecard {card['quarter']}, {card['supplier']}") as book:
        _summary(book, card)
        _streams(book, [card])
        charts = book.book.add_worksheet("charts")
        _lots(book, [card])
        charts.insert_chart(0, 0, lots_chart(book.book, "streams", len(card["streams"]), PLACES))
        draw_streams(book.book, charts, card)
        _parts(book, [card])
        _notices(book, [card])
    return book.bytes()


def overview_as_xlsx(overview: Document, cards: Sequence[Document]) -> bytes:
    """The book over all suppliers: places, then every stream and lot."""
    with _Book(overview, f"Scorecards {overview['quarter']}, all suppliers") as book:
        suppliers = book.sheet("suppliers", OVERVIEW_HEADS, [_overview_row(row) for row in overview["rows"]])
        places = {key: OVERVIEW_HEADS.index(words) for key, words in wording.COUNTS} | {"first": 0, "last": 0}
        suppliers.insert_chart(
            len(overview["rows"]) + 3, 1, lots_chart(book.book, "suppliers", len(overview["rows"]), places)
        )
        _streams(book, cards)
        _lots(book, cards)
        _parts(book, cards)
        _notices(book, cards)
    return book.bytes()


class _Book:
    """A workbook in memory whose own stamps come from the data, so that the same store gives the same bytes."""

    def __init__(self, document: Document, title: str) -> None:
        import xlsxwriter

        self._out = io.BytesIO()
        self.book = xlsxwriter.Workbook(self._out, {"in_memory": True})
        created = datetime.fromisoformat(document["drawn_up_at"]).replace(tzinfo=None, microsecond=0)
        self.book.set_properties({"title": title, "author": document["lab"], "created": created})
        self._look = self.book.add_format({"bold": True, "text_wrap": True, "valign": "top", "bottom": 1})
        self.wrapped = self.book.add_format({"text_wrap": True, "valign": "top", "align": "left"})

    def __enter__(self) -> _Book:
        return self

    def __exit__(self, *_trouble: object) -> None:
        self.book.close()

    def bytes(self) -> bytes:
        """The closed book."""
        return self._out.getvalue()

    def sheet(self, name: str, heads: Sequence[str], rows: Sequence[Cells], *, fits: bool = True) -> Any:
        """A sheet with a frozen head that prints on every page; it prints as wide as a page where that `fits`."""
        sheet = self.book.add_worksheet(name)
        sheet.freeze_panes(1, 0)
        sheet.set_row(0, 32)
        sheet.set_landscape()
        sheet.set_paper(A4)
        sheet.fit_to_pages(1 if fits else WIDE, 0)
        sheet.repeat_rows(0)
        for column, head in enumerate(heads):
            sheet.write_string(0, column, head, self._look)
            longest = max((len(str(row[column])) for row in rows if isinstance(row[column], str)), default=0)
            widest_word = max(len(word) for word in head.split())
            sheet.set_column(column, column, min(max(11, longest + 1, widest_word + 2), 40))
        for line, row in enumerate(rows, start=1):
            for column, value in enumerate(row):
                _write(sheet, line, column, value)
        return sheet


def _write(sheet: Any, line: int, column: int, value: object) -> None:
    if isinstance(value, int | float) and not isinstance(value, bool):
        sheet.write_number(line, column, value)
    elif value is not None:
        sheet.write_string(line, column, str(value))


def _summary(book: _Book, card: Document) -> None:
    standing = card["standing"]
    lines: list[Cells] = [
        ("lab", card["lab"]),
        ("supplier", card["supplier"]),
        ("quarter", f"{card['quarter']}, {card['first_day']} to {card['last_day']}"),
        ("drawn up", wording.drawn_up(card)),
        *((words, card["counts"][key]) for key, words in wording.COUNTS),
        ("readings", card["counts"]["readings"]),
        ("share of conforming lots (0 to 1)", standing["share"]),
        ("share, from", standing["share_low"]),
        ("share, to", standing["share_high"]),
        ("score (0 to 1)", standing["score"]),
        ("score, from", standing["score_low"]),
        ("score, to", standing["score_high"]),
        ("place", wording.place(standing)),
        ("notices", wording.notices(card["notices"])),
        *(("what counts", sentence) for sentence in wording.what_counts(card)),
        ("caution", wording.CAUTION),
    ]
    sheet = book.sheet("scorecard", ("what", "figure"), lines)
    sheet.set_column(0, 0, 34, book.wrapped)
    sheet.set_column(1, 1, SENTENCE, book.wrapped)
    for line, (_, told) in enumerate(lines, start=1):
        # Not every program works out by itself how high a wrapped text is.
        sheet.set_row(line, LINE_HEIGHT * math.ceil(len(str(told)) / SENTENCE))


def _streams(book: _Book, cards: Sequence[Document]) -> Any:
    rows = [stream_row(row, card) for card in cards for row in card["streams"]]
    heads = [HEADS.get(name, name.replace("_", " ")) for name in COLUMNS]
    sheet = book.sheet("streams", heads, rows, fits=False)
    sheet.freeze_panes(1, 3)
    sheet.repeat_columns(0, 2)
    return sheet


def _lots(book: _Book, cards: Sequence[Document]) -> None:
    rows: list[Cells] = [
        (
            *(row[name] for name in ("supplier", "product", "characteristic")),
            *(lot[key] for key in LOT_KEYS),
            row["unit"],
            *(lot[key] for key in ("verdict", "conditioning", "standing")),
            near_limit(row),
        )
        for card in cards
        for row in card["streams"]
        for lot in row["lot_list"]
    ]
    sheet = book.sheet("lots", LOT_HEADS, rows)
    sheet.autofilter(0, 0, max(len(rows), 1), len(LOT_HEADS) - 1)


def _parts(book: _Book, cards: Sequence[Document]) -> None:
    """The parts of each supplier's score, and what they weigh."""
    rows: list[Cells] = [
        (
            card["supplier"],
            *wording.PARTS[part["part"]],
            *(part[key] for key in ("weight", "good", "decided", "share")),
        )
        for card in cards
        for part in card["standing"]["parts"]
    ]
    book.sheet("score", PART_HEADS, rows)


def _notices(book: _Book, cards: Sequence[Document]) -> None:
    keys = (
        "supplier", "product", "characteristic", "alert", "asked_on", "answered_on", "days_to_answer", "days_open",
        "first_lot", "answer", "lots",
    )  # fmt: skip
    rows: list[Cells] = [[one[key] for key in keys] for card in cards for one in card["notices"]["list"]]
    book.sheet("notices", NOTICE_HEADS, rows)


def _overview_row(row: Document) -> Cells:
    standing, counts = row["standing"], row["counts"]
    keys = (
        "place_first",
        "place_last",
        "placed",
        "share",
        "share_low",
        "share_high",
        "score",
        "score_low",
        "score_high",
    )
    asked = ("asked", "answered", "open", "mean_days_to_answer", "longest_days_open", "worked")
    return [
        row["supplier"],
        *(standing[key] for key in keys),
        *(counts[key] for key, _ in wording.COUNTS),
        counts["readings"],
        row["nearer"],
        row["away"],
        *(row["notices"][key] for key in asked),
    ]
