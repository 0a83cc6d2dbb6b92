"""The frame of an interactive figure: strips above each other over one time axis, round levels, the day before the month.

A figure is a plain dictionary, as plotly's library in the browser takes it. Building it through the Python classes takes ten
times as long as everything else on a page; tests check each figure with those classes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from dashboard.charts.ticks import LEAST_POWER, MOST_POWER, round_ticks, tick_text
from dashboard.paper.palette import FIGURE, LIGHT
from spc.vocabulary.finite import SMALLEST

__all__ = ["GREY", "Figure", "around", "frame", "level_axis", "time_axis"]

Figure = dict[str, Any]

GREY = FIGURE.grey
AXIS = {"showline": True, "linecolor": GREY, "gridcolor": GREY, "zeroline": False, "fixedrange": True}
# Of the height, between two strips: room for the title of the lower one.
GAP = 0.055


def frame(
    titles: Sequence[str],
    shares: Sequence[float],
    height: int,
    top: int = 28,
    gap: float = GAP,
    *,
    right: int = 12,
    first_gap: float | None = None,
) -> Figure:
    """An empty figure of strips from top to bottom, each with its share of the height, over one time axis.

    The axes are `xaxis` and `yaxis`, `yaxis2` …. The wheel and the finger scroll the page and move no axis. `right` pixels
    stay free beside the strips, and `first_gap` of the height below the first one.
    """
    gaps = [gap if first_gap is None else first_gap, *[gap] * len(shares)][: len(shares) - 1]
    room = (1 - sum(gaps)) / sum(shares)
    layout: Figure = {
        "height": height,
        "margin": {"l": 56, "r": right, "t": top, "b": 46},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {
            "family": "'Segoe UI', -apple-system, 'Noto Sans', 'Liberation Sans', system-ui, sans-serif",
            "size": 13,
        },
        "hoverlabel": {"bgcolor": LIGHT.sheet, "bordercolor": GREY, "font": {"color": LIGHT.ink}, "align": "left"},
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
        upper = lower - (gaps[number - 1] if number <= len(gaps) else 0.0)
    return {"data": [], "layout": layout}


def _title(text: str, height: float) -> dict[str, Any]:
    return {
        "text": text, "x": 0, "xref": "paper", "xanchor": "left", "y": height, "yref": "paper", "yanchor": "bottom",
        "showarrow": False, "font": {"size": 13},
    }  # fmt: skip


def level_axis(axis: dict[str, Any], values: Sequence[float], scale: str) -> None:
    """Scale the level axis to the values drawn. A log axis gets round ticks with all their digits: no bare "2" means 20."""
    if scale != "log" or not values:
        axis["range"] = list(around(values))
        return
    low, high = around([math.log10(value or SMALLEST) for value in values])
    ticks = round_ticks(10.0 ** max(low, LEAST_POWER), 10.0 ** min(high, MOST_POWER))
    axis.update(type="log", range=[low, high], tickvals=ticks, ticktext=[tick_text(tick) for tick in ticks])


def around(values: Sequence[float]) -> tuple[float, float]:
    """A span with a little air around the values."""
    low, high = min(values, default=0.0), max(values, default=1.0)
    air = 0.07 * (high - low) or 0.1 * abs(high) or 1.0
    return low - air, high + air


def time_axis(axis: dict[str, Any], span: tuple[str, str] | None) -> None:
    """Dates with the day first, and no more of them than fit a phone; `span` sets the time shown."""
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
