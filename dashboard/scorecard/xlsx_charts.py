"""The charts of a scorecard as XLSX: they draw the numbers that stand in its sheets."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dashboard.scorecard.wording import stream_title
from spc.vocabulary.enums import Scale

__all__ = ["draw_streams", "lots_chart", "near_limit"]

Document = Any

STANDINGS = (
    ("pass", "conform", "#2c6349"),
    ("fail", "fail", "#9b2c1f"),
    ("undecided", "undecided", "#c9a24b"),
    ("invalid", "not valid", "#c9c5ba"),
)
# Where lot, level and limit stand in the sheet of lots.
LOT, LEVEL, LIMIT = 3, 7, 14
WIDTH, HEIGHT = 520, 280
PIXELS_A_LINE = 20
A4, PRINT_PERCENT, LINES_A_PAGE, MOST_PAGES = 9, 42, 104, 100
ROWS_A_CHART, COLUMNS_A_CHART, CHARTS_A_ROW = 15, 9, 2
# An axis of decades says nothing of levels that lie within one.
DECADES_FROM = 10
PLAIN_TO = 1e5


def lots_chart(book: Any, sheet: str, rows: int, places: Mapping[str, int]) -> Any:
    """How the lots stand, as stacked bars; `places` are the columns of the counts, of the first and the last name."""
    chart = book.add_chart({"type": "bar", "subtype": "stacked"})
    named = [sheet, 1, places["first"], rows, places["last"]]
    for key, words, colour in STANDINGS:
        values = [sheet, 1, places[key], rows, places[key]]
        chart.add_series({"name": words, "categories": named, "values": values, "fill": {"color": colour}})
    chart.set_title({"name": "Lots of the quarter"})
    chart.set_x_axis({"name": "lots", "min": 0, "major_gridlines": {"visible": True, "line": {"color": "#dcd9d0"}}})
    chart.set_y_axis({"reverse": True})
    chart.set_size({"width": 760, "height": _lots_height(rows)})
    return chart


def _lots_height(rows: int) -> int:
    return 140 + 26 * rows


def _lines(pixels: int) -> int:
    """Lines of a sheet under which so many pixels lie, and one to spare."""
    return pixels // PIXELS_A_LINE + 2


def near_limit(row: Document) -> float | None:
    """The limit that a stream has to mind."""
    found: float | None = row[f"limit_{row['limit_side']}"] if row["limit_side"] in ("lower", "upper") else None
    return found


def draw_streams(book: Any, sheet: Any, card: Document) -> None:
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
    """Prints two charts side by side, and none over the edge of a page."""
    sheet.set_paper(A4)
    sheet.set_print_scale(PRINT_PERCENT)
    first = max(0, (LINES_A_PAGE - top) // ROWS_A_CHART)
    page = LINES_A_PAGE // ROWS_A_CHART
    sheet.set_h_pagebreaks([top + ROWS_A_CHART * (first + page * number) for number in range(MOST_PAGES)])


def _stream_chart(book: Any, row: Document, first: int, last: int) -> Any:
    chart = book.add_chart({"type": "line"})
    lots = ["lots", first, LOT, last, LOT]
    chart.add_series(
        {
            "name": "level of the lot",
            "categories": lots,
            "values": ["lots", first, LEVEL, last, LEVEL],
            "line": {"color": "#1f4e79", "width": 1},
            "marker": {"type": "circle", "size": 5, "fill": {"color": "#1f4e79"}, "border": {"color": "#1f4e79"}},
        }
    )
    if near_limit(row) is not None:
        side = "lower limit" if row["limit_side"] == "lower" else "upper limit"
        values = ["lots", first, LIMIT, last, LIMIT]
        chart.add_series(
            {"name": side, "categories": lots, "values": values, "line": {"color": "#9b2c1f", "width": 1.5}}
        )
    chart.set_title({"name": stream_title(row), "name_font": {"size": 11}})
    chart.set_y_axis(
        {"name": row["unit"], "major_gridlines": {"visible": True, "line": {"color": "#dcd9d0"}}, **_axis(row)}
    )
    chart.set_x_axis({"num_font": {"rotation": -45, "size": 8}})
    chart.set_legend({"position": "bottom"})
    chart.set_size({"width": WIDTH, "height": HEIGHT})
    return chart


def _axis(row: Document) -> Document:
    """Decades where the levels and their limit span several."""
    values = [lot["level"] for lot in row["lot_list"] if lot["level"] is not None]
    limit = near_limit(row)
    values += [] if limit is None else [limit]
    if row["scale"] != Scale.LOG or not values or max(values) < DECADES_FROM * min(values):
        return {}
    return {"log_base": 10, "num_format": "0E+0" if max(values) > PLAIN_TO else "General"}
