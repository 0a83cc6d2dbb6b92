"""The charts of a scorecard workbook; they draw the numbers of its sheets."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dashboard.paper.palette import DARK, LIGHT
from dashboard.scorecard.wording import stream_title
from ingest.documents.scorecard import CardStream, Scorecard
from spc.vocabulary.enums import Scale, Side

__all__ = ["draw_streams", "lots_chart", "near_limit"]

STANDINGS = (
    ("pass", "conform", LIGHT.steady),
    ("fail", "fail", LIGHT.act),
    ("undecided", "undecided", DARK.look),
    ("invalid", "not valid", LIGHT.hair),
)
# The columns of lot, level and limit in the sheet of lots.
LOT, LEVEL, LIMIT = 3, 7, 14
WIDTH, HEIGHT = 520, 280
PIXELS_A_LINE = 20
A4, PRINT_PERCENT, LINES_A_PAGE, MOST_PAGES = 9, 42, 104, 100
ROWS_A_CHART, COLUMNS_A_CHART, CHARTS_A_ROW = 15, 9, 2
# An axis of decades has no use for levels within one decade.
DECADES_FROM = 10
PLAIN_TO = 1e5


def lots_chart(book: Any, sheet: str, rows: int, places: Mapping[str, int]) -> Any:
    """The results of the lots as stacked bars; `places` are the columns of the counts, and of the first and the last name."""
    chart = book.add_chart({"type": "bar", "subtype": "stacked"})
    named = [sheet, 1, places["first"], rows, places["last"]]
    for key, words, colour in STANDINGS:
        values = [sheet, 1, places[key], rows, places[key]]
        chart.add_series({"name": words, "categories": named, "values": values, "fill": {"color": colour}})
    chart.set_title({"name": "Lots of the quarter"})
    chart.set_x_axis({"name": "lots", "min": 0, "major_gridlines": {"visible": True, "line": {"color": LIGHT.hair}}})
    chart.set_y_axis({"reverse": True})
    chart.set_size({"width": 760, "height": _lots_height(rows)})
    return chart


def _lots_height(rows: int) -> int:
    return 140 + 26 * rows


def _lines(pixels: int) -> int:
    """The number of sheet lines that so many pixels cover, and one to spare."""
    return pixels // PIXELS_A_LINE + 2


def near_limit(row: CardStream) -> float | None:
    """The limit that the level is nearer to."""
    if row["limit_side"] == Side.UPPER:
        return row["limit_upper"]
    return row["limit_lower"] if row["limit_side"] == Side.LOWER else None


def draw_streams(book: Any, sheet: Any, card: Scorecard) -> None:
    """A small chart a stream, in the order of the sheet of lots, below the chart of all."""
    sheet.hide_gridlines(2)
    top = _lines(_lots_height(len(card["streams"])))
    _lay_out(sheet, top)
    first = 1
    drawn = [row for row in card["streams"] if row["lot_list"]]
    for number, row in enumerate(drawn):
        last = first + len(row["lot_list"]) - 1
        line, column = divmod(number, CHARTS_A_ROW)
        sheet.insert_chart(top + line * ROWS_A_CHART, column * COLUMNS_A_CHART, _stream_chart(book, row, first, last))
        first = last + 1


def _lay_out(sheet: Any, top: int) -> None:
    """Print two charts side by side, and none across the edge of a page."""
    sheet.set_paper(A4)
    sheet.set_print_scale(PRINT_PERCENT)
    first = max(0, (LINES_A_PAGE - top) // ROWS_A_CHART)
    page = LINES_A_PAGE // ROWS_A_CHART
    sheet.set_h_pagebreaks([top + ROWS_A_CHART * (first + page * number) for number in range(MOST_PAGES)])


def _stream_chart(book: Any, row: CardStream, first: int, last: int) -> Any:
    chart = book.add_chart({"type": "line"})
    lots = ["lots", first, LOT, last, LOT]
    chart.add_series(
        {
            "name": "level of the lot",
            "categories": lots,
            "values": ["lots", first, LEVEL, last, LEVEL],
            "line": {"color": LIGHT.accent, "width": 1},
            "marker": {"type": "circle", "size": 5, "fill": {"color": LIGHT.accent}, "border": {"color": LIGHT.accent}},
        }
    )
    if near_limit(row) is not None:
        side = "lower limit" if row["limit_side"] == "lower" else "upper limit"
        values = ["lots", first, LIMIT, last, LIMIT]
        chart.add_series(
            {"name": side, "categories": lots, "values": values, "line": {"color": LIGHT.act, "width": 1.5}}
        )
    chart.set_title({"name": stream_title(row), "name_font": {"size": 11}})
    chart.set_y_axis(
        {"name": row["unit"], "major_gridlines": {"visible": True, "line": {"color": LIGHT.hair}}, **_axis(row)}
    )
    chart.set_x_axis({"num_font": {"rotation": -45, "size": 8}})
    chart.set_legend({"position": "bottom"})
    chart.set_size({"width": WIDTH, "height": HEIGHT})
    return chart


def _axis(row: CardStream) -> dict[str, object]:
    """Decades where the levels and their limit span several."""
    values = [lot["level"] for lot in row["lot_list"] if lot["level"] is not None]
    limit = near_limit(row)
    values += [] if limit is None else [limit]
    if row["scale"] != Scale.LOG or not values or max(values) < DECADES_FROM * min(values):
        return {}
    return {"log_base": 10, "num_format": "0E+0" if max(values) > PLAIN_TO else "General"}
