"""The frame of a figure: strips above each other over one time, levels at round numbers, days with the day first.

A figure is a plain dictionary as plotly's own library in the browser takes it: building it through the Python classes takes
ten times as long as everything else a page does. Tests have those classes check each figure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from dashboard.text.formatting import amount
from spc.vocabulary.finite import LARGEST, SMALLEST

__all__ = ["GREY", "Figure", "around", "frame", "level_axis", "round_marks", "time_axis"]

Figure = dict[str, Any]

GREY = "#7d8894"
AXIS = {"showline": True, "linecolor": GREY, "gridcolor": GREY, "zeroline": False, "fixedrange": True}
# Of the height, between two strips: room for the title of the lower one.
GAP = 0.055
# Marks a decade, from few to many; the first set that gives enough of them is taken.
DECADES: tuple[tuple[float, ...], ...] = (
    (1,), (1, 3), (1, 2, 5), (1, 1.5, 2, 3, 5, 7), (1, 1.2, 1.4, 1.6, 1.8, 2, 2.5, 3, 3.5, 4, 5, 6, 7, 8, 9),
)  # fmt: skip
ENOUGH_MARKS = 4
# Of ten, within the numbers; a little air around the largest of them reaches beyond.
LEAST_POWER, MOST_POWER = math.log10(SMALLEST), math.log10(LARGEST) - 1e-12
MOST_MARKS = 9


def frame(titles: Sequence[str], shares: Sequence[float], height: int, top: int = 28, gap: float = GAP) -> Figure:
    """An empty figure of strips from top to bottom, `shares` of the height, over one shared axis.

    The axes are `xaxis` and `yaxis`, `yaxis2` …; the wheel and the finger scroll the page and move no axis.
    """
    room = (1 - gap * (len(shares) - 1)) / sum(shares)
    layout: Figure = {
        "height": height,
        "margin": {"l": 66, "r": 12, "t": top, "b": 46},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {"family": "system-ui, sans-serif", "size": 13},
        "hoverlabel": {"bgcolor": "#ffffff", "bordercolor": GREY, "font": {"color": "#1d2730"}, "align": "left"},
        "showlegend": False,
        "hovermode": "closest",
        "dragmode": False,
        "shapes": [],
        "annotations": [],
        "xaxis": {**AXIS, "anchor": "y" if len(shares) == 1 else f"y{len(shares)}"},
    }
    upper = 1.0
    for number, (title, share) in enumerate(zip(titles, shares, strict=True), start=1):
        lower = max(0.0, upper - share * room)
        layout["yaxis" if number == 1 else f"yaxis{number}"] = {**AXIS, "domain": [lower, upper], "anchor": "x"}
        layout["annotations"].append(_title(title, upper))
        upper = lower - gap
    return {"data": [], "layout": layout}


def _title(text: str, height: float) -> dict[str, Any]:
    return {
        "text": text, "x": 0, "xref": "paper", "xanchor": "left", "y": height, "yref": "paper", "yanchor": "bottom",
        "showarrow": False, "font": {"size": 13},
    }  # fmt: skip


def level_axis(axis: dict[str, Any], values: Sequence[float], scale: str) -> None:
    """Scale the axis of levels to what is drawn; on a log axis with round marks, so that no bare "2" means 20."""
    if scale != "log" or not values:
        axis["range"] = list(around(values))
        return
    low, high = around([math.log10(value or SMALLEST) for value in values])
    marks = round_marks(10.0 ** max(low, LEAST_POWER), 10.0 ** min(high, MOST_POWER))
    axis.update(type="log", range=[low, high], tickvals=marks, ticktext=[_mark(mark) for mark in marks])


def around(values: Sequence[float]) -> tuple[float, float]:
    """A span with a little air around the values."""
    low, high = min(values, default=0.0), max(values, default=1.0)
    air = 0.07 * (high - low) or 0.1 * abs(high) or 1.0
    return low - air, high + air


def round_marks(low: float, high: float) -> list[float]:
    """Round numbers between two levels above 0, a few of them however near or far they are."""
    first, last = math.floor(math.log10(low)), min(math.ceil(math.log10(high)), math.floor(MOST_POWER))
    marks: list[float] = []
    for decade in DECADES:
        step = max(1, (last - first) // MOST_MARKS) if len(decade) == 1 else 1
        every = (mark * 10.0**power for power in range(first, last + 1, step) for mark in decade)
        marks = [mark for mark in every if low <= mark <= high]
        if len(marks) >= ENOUGH_MARKS:
            return marks
    return marks


def _mark(value: float) -> str:
    if value < 1e4:
        return f"{value:g}"
    mantissa, _, power = amount(value).partition(" × ")
    return f"{float(mantissa):g} × {power}" if power else mantissa


def time_axis(axis: dict[str, Any], span: tuple[str, str] | None) -> None:
    """Days with the day first, and no more of them than fit a phone; `span` sets the time shown."""
    day_ms = 86_400_000
    axis.update(
        type="date",
        tickangle=0,
        nticks=8,
        tickformatstops=[
            {"dtickrange": [None, day_ms - 1], "value": "%H:%M\n%-d %b"},
            {"dtickrange": [day_ms, 27 * day_ms], "value": "%-d %b\n%Y"},
            {"dtickrange": [27 * day_ms, None], "value": "%b\n%Y"},
        ],
    )
    if span is not None:
        axis["range"] = list(span)
