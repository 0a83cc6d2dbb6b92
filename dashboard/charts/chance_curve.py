"""The chance to pass by the true mean of a lot: the bags asked for beside today's number."""

from __future__ import annotations

import math

from dashboard.charts.plotly_axes import Figure, frame, level_axis
from dashboard.paper.palette import FIGURE
from dashboard.text.formatting import amount
from ingest.documents.verdict.bags import BagsDocument

__all__ = ["chance_curve"]


def chance_curve(result: BagsDocument) -> Figure:
    """The figure."""
    figure = frame(["chance to pass"], [1], height=360)
    levels = [one["level"] for one in result["curve"]]
    for key, line in (
        ("chance_today", {"color": FIGURE.grey, "width": 1.6, "dash": "dot"}),
        ("chance", {"color": FIGURE.accent, "width": 3}),
    ):
        chances = [100 * (one["chance"] if key == "chance" else one["chance_today"]) for one in result["curve"]]
        figure["data"].append(
            {"type": "scatter", "mode": "lines", "x": levels, "y": chances, "line": line,
             "hovertemplate": "%{y:.0f} % at %{x:.3g} " + result["unit"] + "<extra></extra>"}
        )  # fmt: skip
    figure["data"].append(
        {"type": "scatter", "mode": "markers", "x": [result["level"]], "y": [100 * result["chance"]],
         "marker": {"size": 12, "color": FIGURE.accent}, "hoverinfo": "skip"}
    )  # fmt: skip
    # A log axis takes the place of a line as a power of ten.
    edge = math.log10(result["limit"]) if result["scale"] == "log" else result["limit"]
    figure["layout"]["shapes"].append(
        {"type": "line", "x0": result["limit"], "x1": result["limit"], "xref": "x", "y0": 0, "y1": 1, "yref": "y domain",
         "line": {"color": FIGURE.limit, "width": 2.5}}
    )  # fmt: skip
    figure["layout"]["annotations"].append(
        {"x": edge, "y": 1, "xref": "x", "yref": "y domain", "xanchor": "left", "yanchor": "bottom", "showarrow": False,
         "text": f" limit {amount(result['limit'], result['unit'])}", "font": {"size": 12}}
    )  # fmt: skip
    figure["layout"]["yaxis"].update(range=[-3, 103], ticksuffix=" %", nticks=6)
    level_axis(figure["layout"]["xaxis"], levels, result["scale"])
    figure["layout"]["xaxis"].update(title={"text": f"true mean of the lot, {result['unit']}", "font": {"size": 12}})
    return figure
