"""A scorecard as XLSX: numbers and dates under heads with their unit, charts, and a sheet of lots.

Texts are written as texts: a supplier called "=1+1" stays a name. The workbook has no formula.
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
from ingest.documents.scorecard import Overview, OverviewRow, Scorecard, SupplierStanding

__all__ = ["as_xlsx", "overview_as_xlsx"]

Cells = Sequence[object]

HEADS = {
    "level": "level (unit)", "level_low": "level, from (unit)", "level_high": "level, to (unit)",
    "earlier_level": "level before (unit)", "earlier_level_low": "level before, from (unit)",
    "earlier_level_high": "level before, to (unit)", "limit_lower": "lower limit (unit)",
    "limit_upper": "upper limit (unit)", "level_now": "level now (unit)",
    "change_percent_per_month": "change now (% a month)", "breach_probability": "chance of a failing lot",
    "invalid": "not valid", "pass": "conform",
}  # fmt: skip
LOT_HEADS = (
    "supplier", "product", "characteristic", "lot", "tested at (lab time)", "bags", "readings", "level (unit)", "worst reading (unit)",
    "judged value (unit)", "unit", "verdict", "conditioning", "counts as", "nearer limit (unit)",
    "bench off: finding", "level without it (unit)", "bags outside the limit", "worst bag (unit)", "worst reading is",
)  # fmt: skip
# How numbers are shown, by their head; others are shown as they are.
SHARES = (
    "share of conforming lots", "share, from", "share, to", "weight", "weight applied", "estimated share", "chance of a failing lot",
)  # fmt: skip
DAYS = ("asked on", "answered on", "forecast as of")
SCORES = ("score (0 to 100)", "score, from", "score, to")
NUMBER_FORMATS = {
    **dict.fromkeys(SHARES, "0.0%"), **dict.fromkeys(SCORES, "0.0"), "tested at (lab time)": "yyyy-mm-dd hh:mm",
    **dict.fromkeys(DAYS, "yyyy-mm-dd"),
}  # fmt: skip
# The number of the paper size in the format (ECMA-376, part 1, section 18.3.1.63).
A4 = 9
# Width of a column of sentences in characters; height of a line in points.
SENTENCE, LINE_HEIGHT = 90, 15
# Pages side by side for the sheet of streams, which has a column a figure.
WIDE = 5
PLACES = {key: COLUMNS.index(key) for key in ("pass", "fail", "undecided", "invalid")} | {
    "first": COLUMNS.index("supplier"), "last": COLUMNS.index("characteristic"),
}  # fmt: skip
SUMMARY_HEADS = ("what", "figure")
OVERVIEW_HEADS = (
    "supplier",
    "place",
    "best place possible",
    "last place possible",
    "suppliers with a place",
    "share of conforming lots",
    "share, from",
    "share, to",
    "score (0 to 100)",
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
    "effective actions",
    "in a line",
)
PART_HEADS = (
    "supplier",
    "part of the score",
    "definition",
    "weight",
    "weight applied",
    "good",
    "counted",
    "estimated share",
)
NOTICE_HEADS = (
    "supplier", "product", "characteristic", "alert", "asked on", "answered on", "days to answer", "days open",
    "first lot after", "effectiveness", "lots after",
)  # fmt: skip


def as_xlsx(card: Scorecard) -> bytes:
    """The workbook of one supplier."""
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


def overview_as_xlsx(overview: Overview, cards: Sequence[Scorecard]) -> bytes:
    """The workbook of all suppliers: places, then every stream and lot."""
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
    """A workbook in memory. Its times are those of the data, so that the same store gives the same bytes."""

    def __init__(self, document: Scorecard | Overview, title: str) -> None:
        import xlsxwriter

        self._out = io.BytesIO()
        self.book = xlsxwriter.Workbook(self._out, {"in_memory": True})
        created = datetime.fromisoformat(document["drawn_up_at"]).replace(tzinfo=None, microsecond=0)
        self.book.set_properties({"title": title, "author": document["lab"], "created": created})
        self._head = self.book.add_format({"bold": True, "text_wrap": True, "valign": "top", "bottom": 1})
        self._formats = {name: self.book.add_format({"num_format": form}) for name, form in NUMBER_FORMATS.items()}
        self.wrapped = self.book.add_format({"text_wrap": True, "valign": "top", "align": "left"})

    def __enter__(self) -> _Book:
        return self

    def __exit__(self, *_trouble: object) -> None:
        self.book.close()

    def bytes(self) -> bytes:
        """The closed book."""
        return self._out.getvalue()

    def sheet(self, name: str, heads: Sequence[str], rows: Sequence[Cells], *, fits: bool = True) -> Any:
        """A sheet whose head stays in view and prints on every page; with `fits` it prints as wide as one page."""
        sheet = self.book.add_worksheet(name)
        sheet.freeze_panes(1, 0)
        sheet.set_row(0, 32)
        sheet.set_landscape()
        sheet.set_paper(A4)
        sheet.fit_to_pages(1 if fits else WIDE, 0)
        sheet.repeat_rows(0)
        for column, head in enumerate(heads):
            sheet.write_string(0, column, head, self._head)
            longest = max((len(str(row[column])) for row in rows if isinstance(row[column], str)), default=0)
            widest_word = max(len(word) for word in head.split())
            sheet.set_column(column, column, min(max(11, longest + 1, widest_word + 2), 40))
        for line, row in enumerate(rows, start=1):
            for column, value in enumerate(row):
                # The first sheet has names in its first column in place of heads.
                name = str(row[0]) if heads == SUMMARY_HEADS else heads[column]
                if isinstance(value, datetime):
                    sheet.write_datetime(line, column, value, self._formats[name])
                elif isinstance(value, int | float) and not isinstance(value, bool):
                    sheet.write_number(line, column, value, self._formats.get(name))
                elif value is not None:
                    sheet.write_string(line, column, str(value))
        return sheet


def _summary(book: _Book, card: Scorecard) -> None:
    standing = card["standing"]
    lines: list[Cells] = [
        ("lab", card["lab"]),
        ("supplier", card["supplier"]),
        ("quarter", f"{card['quarter']}, {card['first_day']} to {card['last_day']}"),
        ("data", wording.drawn_up(card)),
        *((words, card["counts"][key]) for key, words in wording.COUNTS),
        ("readings", card["counts"]["readings"]),
        ("share of conforming lots", standing["share"]),
        ("share, from", standing["share_low"]),
        ("share, to", standing["share_high"]),
        *zip(SCORES, _scores(standing), strict=True),
        ("place", wording.place(standing)),
        ("notices", wording.notices(card["notices"])),
        *(("what counts", sentence) for sentence in wording.what_counts(card)),
        ("caution", wording.CAUTION),
    ]
    sheet = book.sheet("scorecard", SUMMARY_HEADS, lines)
    sheet.set_column(0, 0, 34, book.wrapped)
    sheet.set_column(1, 1, SENTENCE, book.wrapped)
    for line, (_, figure) in enumerate(lines, start=1):
        # Some programs do not work out the height of a wrapped text by themselves.
        sheet.set_row(line, LINE_HEIGHT * math.ceil(len(str(figure)) / SENTENCE))


def _scores(standing: SupplierStanding) -> list[float | None]:
    """The score and its interval from 0 to 100, as on paper."""
    values = standing["score"], standing["score_low"], standing["score_high"]
    return [None if value is None else 100.0 * value for value in values]


def _streams(book: _Book, cards: Sequence[Scorecard]) -> Any:
    place = COLUMNS.index("forecast_as_of")
    rows = [stream_row(row, card) for card in cards for row in card["streams"]]
    rows = [[*row[:place], _date(str(row[place])), *row[place + 1 :]] for row in rows]
    heads = [HEADS.get(name, name.replace("_", " ")) for name in COLUMNS]
    sheet = book.sheet("streams", heads, rows, fits=False)
    sheet.freeze_panes(1, 3)
    sheet.repeat_columns(0, 2)
    return sheet


def _date(day: str | None) -> datetime | None:
    """A day as the workbook's own kind of date."""
    return None if day is None else datetime.fromisoformat(day)


def _lots(book: _Book, cards: Sequence[Scorecard]) -> None:
    rows: list[Cells] = [
        (
            row["supplier"], row["product"], row["characteristic"], lot["lot"],
            datetime.fromisoformat(lot["tested_at"]).replace(tzinfo=None), lot["bags"], lot["readings"],
            None if lot["level_range"] else lot["level"],
            lot["worst"], lot["judged"], row["unit"], lot["verdict"], lot["conditioning"], lot["standing"], near_limit(row),
            " ".join(mark["finding"] for mark in lot["bench_findings"]) or None,
            lot["bench_findings"][0]["level_without"] if lot["bench_findings"] else None,
            lot["bag_count"]["outside"] if lot["bag_count"] else None,
            lot["bag_count"]["worst"] if lot["bag_count"] else None,
            {-1: "below the value", 0: "measured", 1: "above the value"}[lot["worst_bound"]],
        )
        for card in cards
        for row in card["streams"]
        for lot in row["lot_list"]
    ]  # fmt: skip
    sheet = book.sheet("lots", LOT_HEADS, rows)
    sheet.autofilter(0, 0, max(len(rows), 1), len(LOT_HEADS) - 1)


def _parts(book: _Book, cards: Sequence[Scorecard]) -> None:
    """The parts of each supplier's score, and their weights."""
    rows: list[Cells] = [
        (
            card["supplier"], *wording.PARTS[part["part"]], part["weight"], part["weighs"], part["good"], part["decided"], part["share"],
        )
        for card in cards
        for part in card["standing"]["parts"]
    ]  # fmt: skip
    book.sheet("score", PART_HEADS, rows)


def _notices(book: _Book, cards: Sequence[Scorecard]) -> None:
    rows: list[Cells] = [
        (
            one["supplier"], one["product"], one["characteristic"], one["alert"], _date(one["asked_on"]), _date(one["answered_on"]),
            one["days_to_answer"], one["days_open"], one["first_lot"], one["answer"], one["lots"],
        )
        for card in cards
        for one in card["notices"]["list"]
    ]  # fmt: skip
    book.sheet("notices", NOTICE_HEADS, rows)


def _overview_row(row: OverviewRow) -> Cells:
    standing, counts, notices = row["standing"], row["counts"], row["notices"]
    return [
        row["supplier"], wording.place(standing), standing["place_first"], standing["place_last"], standing["placed"], standing["share"],
        standing["share_low"], standing["share_high"], *_scores(standing), *(counts[key] for key, _ in wording.COUNTS),
        counts["readings"], row["nearer"], row["away"], notices["asked"], notices["answered"], notices["open"],
        notices["mean_days_to_answer"], notices["longest_days_open"], notices["worked"],
        wording.purchasing_line(row),
    ]  # fmt: skip
