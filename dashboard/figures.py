"""Figures of the pages: plain functions from documents to plotly figures, one for each question a page answers.

Lines are drawn as SVG, never WebGL: it prints sharply and needs no graphics card. Shapes tell what colours tell: a filled
circle is a lot inside its control limits, a diamond one outside, a hollow square a lot without valid conditioning.
"""

from __future__ import annotations

from typing import Any

import plotly.graph_objects as go
from plotly.subplots import make_subplots

from dashboard.sentences import amount, day

__all__ = ["CONFIG", "bags", "chamber_trace", "stream"]

Document = dict[str, Any]

# No button that sends figures away, no maker's mark.
CONFIG = {
    "showSendToCloud": False,
    "plotlyServerURL": "",
    "displaylogo": False,
    "displayModeBar": False,
    "responsive": True,
}
ACCENT, EDGE, GREY, WARM = "#3f7fb5", "#b5452f", "#8593a1", "#b07a1a"


def stream(document: Document) -> go.Figure:
    """When and how fast did this stream move: levels with their limits, and below them, aligned in time, the scatter."""
    figure = make_subplots(
        rows=3,
        cols=1,
        shared_xaxes=True,
        row_heights=[0.62, 0.19, 0.19],
        vertical_spacing=0.05,
        subplot_titles=("Lot level", "Scatter between bags", "Scatter between readings on a bag"),
    )
    _add_limits(figure, document)
    _add_levels(figure, document)
    _add_spread(figure, document, "bag_spread", row=2)
    _add_spread(figure, document, "reading_spread", row=3)
    _add_fan(figure, document)
    scale = "log" if document["scale"] == "log" else "linear"
    figure.update_yaxes(type=scale, title=document["unit"], row=1, col=1)
    figure.update_yaxes(rangemode="tozero", tickformat=".0%" if scale == "log" else None, row=2, col=1)
    figure.update_yaxes(rangemode="tozero", tickformat=".0%" if scale == "log" else None, row=3, col=1)
    return _styled(figure, height=640)


def _styled(figure: go.Figure, height: int) -> go.Figure:
    figure.update_layout(
        height=height,
        margin={"l": 64, "r": 16, "t": 32, "b": 40},
        paper_bgcolor="rgba(0,0,0,0)",
        plot_bgcolor="rgba(0,0,0,0)",
        font={"family": "system-ui, sans-serif", "size": 13},
        hoverlabel={"bgcolor": "#ffffff", "font": {"color": "#1d2730"}},
        legend={"orientation": "h", "y": -0.08},
        hovermode="closest",
    )
    figure.update_xaxes(showline=True, linecolor=GREY)
    figure.update_yaxes(showline=True, linecolor=GREY, exponentformat="power")
    figure.update_annotations(font_size=13, x=0, xanchor="left")
    return figure


def _times(points: list[Document]) -> list[str]:
    return [point["tested_at"] for point in points]


def _add_limits(figure: go.Figure, document: Document) -> None:
    points = [point for point in document["points"] if point["upper"] is not None]
    times = _times(points)
    for key, name in (("upper", "control limits"), ("lower", "control limits")):
        figure.add_scatter(
            x=times,
            y=[point[key] for point in points],
            name=name,
            legendgroup="limits",
            showlegend=key == "upper",
            line={"color": GREY, "width": 1, "dash": "dot", "shape": "hvh"},
            hoverinfo="skip",
            row=1,
            col=1,
        )
    figure.add_scatter(
        x=times,
        y=[point["center"] for point in points],
        name="usual level",
        line={"color": GREY, "width": 1.2, "shape": "hvh"},
        hoverinfo="skip",
        row=1,
        col=1,
    )
    for key in ("limit_lower", "limit_upper"):
        _add_edge(figure, document["points"], key)


def _add_edge(figure: go.Figure, points: list[Document], key: str) -> None:
    """The specification limit as a solid line, where it is near enough to the levels to be in the picture."""
    bounded = [point for point in points if point[key] is not None]
    if not bounded or not _near(points, bounded[-1][key]):
        return
    figure.add_scatter(
        x=_times(bounded),
        y=[point[key] for point in bounded],
        name="limit" if key == "limit_upper" else "lower limit",
        line={"color": EDGE, "width": 2.5, "shape": "hv"},
        hoverinfo="skip",
        row=1,
        col=1,
    )


def _near(points: list[Document], limit: float) -> bool:
    levels = [point["level"] for point in points if point["level"] is not None]
    return bool(levels) and min(levels) / 100 <= limit <= max(levels) * 100


def _add_levels(figure: go.Figure, document: Document) -> None:
    kinds = (
        ("lot inside its control limits", ACCENT, "circle", lambda p: p["state"] == "valid" and not p["signals"]),
        ("lot that stands out", EDGE, "diamond", lambda p: p["state"] == "valid" and p["signals"]),
        ("test not valid", WARM, "square-open", lambda p: p["state"] != "valid"),
    )
    figure.add_scatter(
        x=_times(document["points"]),
        y=[point["ewma"] for point in document["points"]],
        name="smoothed level",
        line={"color": ACCENT, "width": 2},
        hoverinfo="skip",
        connectgaps=True,
        row=1,
        col=1,
    )
    for name, color, symbol, belongs in kinds:
        chosen = [point for point in document["points"] if belongs(point) and point["shown"] is not None]
        figure.add_scatter(
            x=_times(chosen),
            y=[point["shown"] for point in chosen],
            name=name,
            mode="markers",
            marker={"color": color, "symbol": symbol, "size": 9, "line": {"width": 1.5, "color": color}},
            customdata=[point["lot"] for point in chosen],
            text=[_told_point(point, document["unit"]) for point in chosen],
            hovertemplate="%{text}<extra></extra>",
            row=1,
            col=1,
        )


def _told_point(point: Document, unit: str) -> str:
    said = f"Lot {point['lot']}, {day(point['tested_at'])}: {amount(point['shown'], unit, point['bound'])}, {point['n']} readings"
    if point["state"] != "valid":
        said += f"; test not valid ({point['state']})"
    if point["signals"]:
        said += "; " + ", ".join(name.replace("_", " ") for name in point["signals"])
    return _plain(said)


def _plain(words: str) -> str:
    """Names come from files: plotly reads a little markup in hover text, so its signs are written out."""
    return words.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def _add_fan(figure: go.Figure, document: Document) -> None:
    fan = document["forecast"]["fan"] if document["forecast"] else []
    if not fan:
        return
    times = [row["tested_at"] for row in fan]
    for low, high, opacity in (("p10", "p90", 0.14), ("p25", "p75", 0.22)):
        figure.add_scatter(
            x=times + times[::-1],
            y=[row[high] for row in fan] + [row[low] for row in fan][::-1],
            fill="toself",
            fillcolor=f"rgba(63,127,181,{opacity})",
            line={"width": 0},
            name="where the level may go (80 %)",
            showlegend=low == "p10",
            hoverinfo="skip",
            row=1,
            col=1,
        )


def _add_spread(figure: go.Figure, document: Document, key: str, row: int) -> None:
    points = [point for point in document["points"] if point[key] is not None]
    figure.add_scatter(
        x=_times(points),
        y=[point[key] for point in points],
        mode="lines+markers",
        line={"color": GREY, "width": 1},
        marker={"color": ACCENT, "size": 5},
        showlegend=False,
        customdata=[point["lot"] for point in points],
        text=[_plain(f"Lot {point['lot']}") for point in points],
        hovertemplate="%{text}: %{y}<extra></extra>",
        row=row,
        col=1,
    )
    if points and points[-1][f"{key}_upper"] is not None:
        figure.add_scatter(
            x=_times(points),
            y=[point[f"{key}_upper"] for point in points],
            line={"color": GREY, "width": 1, "dash": "dot", "shape": "hvh"},
            showlegend=False,
            hoverinfo="skip",
            row=row,
            col=1,
        )


def bags(session: Document) -> go.Figure:
    """Can I trust this lot: every reading, bag by bag, with the limits."""
    figure = go.Figure()
    for bound, name, symbol in (
        (0, "reading", "circle"),
        (1, "above the range", "triangle-up"),
        (-1, "below the floor", "triangle-down"),
    ):
        own = [reading for reading in session["readings"] if reading["bound"] == bound]
        if own:
            figure.add_scatter(
                x=[f"bag {reading['specimen']}" for reading in own],
                y=[reading["value"] for reading in own],
                name=name,
                mode="markers",
                marker={"symbol": symbol, "size": 9, "color": ACCENT, "opacity": 0.75},
                hovertemplate="%{x}: %{y}<extra></extra>",
            )
    values = [reading["value"] for reading in session["readings"]]
    for key in ("limit_lower", "limit_upper"):
        limit = session[key]
        if limit is not None and min(values) / 30 <= limit <= max(values) * 30:
            figure.add_hline(y=limit, line={"color": EDGE, "width": 2.5})
    if session["level"] is not None:
        figure.add_hline(y=session["level"], line={"color": GREY, "width": 1.2})
    figure.update_yaxes(type="log" if session["scale"] == "log" else "linear", title=session["unit"])
    return _styled(figure, height=320)


def chamber_trace(trace: Document) -> go.Figure:
    """The chamber before the test: humidity with the window it had to stay in."""
    figure = go.Figure()
    figure.add_scatter(x=trace["times"], y=trace["humidity"], name="humidity", line={"color": ACCENT, "width": 1.6})
    for edge in (trace["humidity_low"], trace["humidity_high"]):
        figure.add_hline(y=edge, line={"color": EDGE, "width": 1.5, "dash": "dot"})
    figure.add_vline(x=trace["from"], line={"color": GREY, "dash": "dot"})
    figure.add_vline(x=trace["to"], line={"color": GREY})
    figure.update_yaxes(title="% RH", rangemode="normal")
    return _styled(figure, height=240)
