"""The figure of a film that ages: lots as thin lines against age, the limit, the mean line and the bound on the lots."""

from __future__ import annotations

from typing import Any

from dashboard.charts.plotly_axes import GREY, Figure, frame, level_axis
from dashboard.paper.palette import FIGURE
from dashboard.text.formatting import amount, day, in_unit
from ingest.documents.stock import FilmAge, FilmPoint

__all__ = ["film"]

HEIGHT = 420
ACCENT, EDGE, WARM, LIMIT = FIGURE.accent, FIGURE.edge, FIGURE.warm, FIGURE.limit


def film(document: FilmAge) -> Figure:
    """Every test with an age, the lots with several tests joined by a line."""
    figure = frame([f"level, {amount(1.0, document['unit']).partition(' ')[2]}"], [1], height=HEIGHT)
    points = [one for one in document["points"] if one["age_months"] is not None and one["level"] is not None]
    by_lot: dict[str, list[FilmPoint]] = {}
    for point in points:
        if point["is_used"]:
            by_lot.setdefault(point["lot"], []).append(point)
    for lot, tests in by_lot.items():
        if len(tests) > 1:
            _line(figure, tests, lot)
    _points(figure, [one for one in points if one["is_used"]], document, {"color": ACCENT, "size": 6})
    _points(
        figure, [one for one in points if not one["is_used"]], document,
        {"color": WARM, "size": 7, "symbol": "square-open"},
    )  # fmt: skip
    line = (
        [row for row in document["bound_line"] if row[1] > 0 and row[2] > 0]
        if document["scale"] == "log"
        else document["bound_line"]
    )
    limit = document["limit"]
    levels = [one["level"] for one in points if one["level"] is not None]
    if line:
        # The lines reach to twice the tested ages; the part far beyond the limit is left out.
        near = [row for row in line if limit is None or _is_near(row[2], limit, document["side"])]
        for place, dash, width in ((1, "solid", 3), (2, "dash", 2)):
            figure["data"].append(
                {
                    "type": "scatter", "mode": "lines", "x": [row[0] for row in near], "y": [row[place] for row in near],
                    "line": {"color": GREY if place == 1 else EDGE, "width": width, "dash": dash}, "hoverinfo": "skip",
                }
            )  # fmt: skip
        levels += [row[place] for row in near for place in (1, 2)]
    if limit is not None and (document["word"] == "dated" or _is_close(limit, levels, document["scale"])):
        figure["layout"]["shapes"].append(
            {
                "type": "line", "xref": "paper", "x0": 0, "x1": 1, "y0": limit, "y1": limit,
                "line": {"color": LIMIT, "width": 2.5},
            }
        )  # fmt: skip
        levels.append(limit)
    level_axis(figure["layout"]["yaxis"], levels, document["scale"])
    figure["layout"]["xaxis"].update(
        title={"text": "age in months", "font": {"size": 13}}, rangemode="tozero", nticks=8
    )
    return figure


def _is_near(bound: float, limit: float, side: str | None) -> bool:
    return bound >= limit / 10 if side == "lower" else bound <= limit * 10


def _is_close(limit: float, levels: list[float], scale: str) -> bool:
    """Whether a limit is near enough to the levels not to press them into a corner."""
    if not levels or scale != "log":
        return True
    return min(levels) / 30 <= limit <= max(levels) * 30


def _line(figure: Figure, tests: list[FilmPoint], lot: str) -> None:
    figure["data"].append(
        {
            "type": "scatter", "mode": "lines", "x": [one["age_months"] for one in tests], "y": [one["level"] for one in tests],
            "line": {"color": ACCENT, "width": 1}, "name": lot, "hoverinfo": "skip",
        }
    )  # fmt: skip


def _points(figure: Figure, points: list[FilmPoint], document: FilmAge, marker: dict[str, Any]) -> None:
    if not points:
        return
    texts = [
        f"lot {one['lot']}, {one['age_months']:.1f} months<br>{in_unit(document, one['level'], one['bound'])}, tested {day(one['tested_at'])}"
        + (f"<br>not used: {one['why_not']}" if one["why_not"] else "")
        + ("<br>under a bench finding" if one["is_under_finding"] else "")
        for one in points
    ]
    symbols = [
        {1: "triangle-up", -1: "triangle-down"}.get(one["bound"], marker.get("symbol", "circle")) for one in points
    ]
    figure["data"].append(
        {
            "type": "scatter", "mode": "markers", "x": [one["age_months"] for one in points], "y": [one["level"] for one in points],
            "marker": {**marker, "symbol": symbols}, "text": [text.replace("<", "&lt;").replace("&lt;br>", "<br>") for text in texts],
            "hovertemplate": "%{text}<extra></extra>",
        }
    )  # fmt: skip
