"""Figures of the pages: plain functions from documents to figures, one for each question a page answers.

Lines are drawn as SVG, never WebGL: it prints sharply and needs no graphics card. Shapes tell what colours tell: a filled
circle is a lot inside its control limits, a diamond one that stands out, a hollow square a test that is not valid, a
triangle a level that is only known to lie beyond its tip.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

from dashboard.charts.limit_lines import (
    FARTHEST_LIMIT,
    SIDES,
    corners_of,
    end_of,
    left_out,
    near_ones,
    outlook,
    stretches,
)
from dashboard.charts.plotly_axes import GREY, Figure, around, frame, level_axis, time_axis
from dashboard.paper.palette import FIGURE
from dashboard.text.formatting import amount, day

__all__ = ["CONFIG", "add_adjusted_levels", "bags", "chamber_trace", "drawn_levels", "pin_notes", "stream"]

Document = Any
Span = tuple[str, str]

# No button that sends figures away, no maker's mark.
CONFIG = {
    "showSendToCloud": False,
    "plotlyServerURL": "",
    "displaylogo": False,
    "displayModeBar": False,
    "responsive": True,
    "doubleClick": False,
}
ACCENT, EDGE, WARM = FIGURE.accent, FIGURE.edge, FIGURE.warm
# What the shape of a point tells, with its colour.
KINDS = {
    "usual": ("circle", ACCENT),
    "stands out": ("diamond", EDGE),
    "not valid": ("square-open", WARM),
    "to look at": ("diamond-open", EDGE),
    "above": ("triangle-up", EDGE),
    "below": ("triangle-down", ACCENT),
}
STRIPS = {
    "bag_spread": "scatter between bags",
    "reading_spread": "scatter between readings on a bag",
    "humidity": "chamber humidity at the test, % RH",
}
LEVEL_HEIGHT, STRIP_HEIGHT = 390, 105
LINE_HEIGHT = 16  # of a line of words above a picture


def stream(
    document: Document, start: Document | None = None, span: Span | None = None, *, with_strips: bool = True
) -> Figure:
    """When and how fast did this stream move: levels with their limits, and below them, aligned in time, the scatter.

    Parameters
    ----------
    document : dict
        The document of a stream.
    start : dict, optional
        Evidence of an alert, with the estimated start of what moved and its interval.
    span : tuple of two ISO 8601 times, optional
        The time shown; all of it where it is left out.
    with_strips : bool
        Whether the scatter is drawn below the levels.
    """
    points = document["points"]
    strips = [key for key in STRIPS if with_strips and any(point[key] is not None for point in points)]
    titles = [f"lot level, {amount(1.0, document['unit']).partition(' ')[2]}", *(STRIPS[key] for key in strips)]
    shares = [LEVEL_HEIGHT, *[STRIP_HEIGHT] * len(strips)]
    figure = frame(titles, shares, height=sum(shares) + 60)
    _add_baselines(figure, document)
    _add_control_limits(figure, points)
    for side in SIDES:
        _add_edge(figure, document, side, span)
    _add_fan(figure, document)
    _add_levels(figure, document)
    _add_settings(figure, document)
    for number, key in enumerate(strips, start=2):
        _add_strip(figure, document, key, number)
    _add_start(figure, start, span)
    level_axis(figure["layout"]["yaxis"], drawn_levels(document, span), document["scale"])
    time_axis(figure["layout"]["xaxis"], span)
    return figure


def pin_notes(figure: Figure, entries: list[Document]) -> None:
    """Notes of people, as a line at their day; the pointer over its foot tells them."""
    for entry in entries:
        moment = entry["body"].get("on")
        if moment is None:
            continue
        _mark_moment(figure, moment, {"color": GREY, "width": 1.2, "dash": "longdash"})
        told = _plain(f"{entry['who']}, {day(moment)}: {entry['reason']}")
        _label(figure, moment, 0, "note", yref="y domain", yanchor="bottom", xshift=3, hovertext=told)


def add_adjusted_levels(figure: Figure, document: Document, span: Span | None = None) -> None:
    """Beside the levels as measured, which stay the record, what each lot would have read at the declared humidity."""
    # What humidity does is known within its tolerance only.
    points = [
        point for point in document["points"] if point["adjusted_level"] is not None and point["state"] == "valid"
    ]
    told = [
        f"Lot {point['lot']}, {day(point['tested_at'])}: would read {amount(point['adjusted_level'], document['unit'])} at "
        f"{document['humidity']['adjusted_to']:g} % RH; a second look, never the record"
        for point in points
    ]
    look = {
        "marker": {"color": ACCENT, "symbol": "circle-open", "size": 6},
        "line": {"color": ACCENT, "width": 1, "dash": "dot"},
    }
    _add_markers(figure, points, "adjusted_level", told, mode="lines+markers", name="second look", **look)
    levels = [*drawn_levels(document, span), *(point["adjusted_level"] for point in points)]
    level_axis(figure["layout"]["yaxis"], levels, document["scale"])


# Building


def _times(points: Iterable[Document]) -> list[str]:
    return [point["tested_at"] for point in points]


def _line(figure: Figure, points: Sequence[Document], key: str, line: Document, axis: str = "y", **more: Any) -> None:
    """A line through `key` of the points, broken where it is unknown; it answers no pointer."""
    trace = {
        "type": "scatter", "mode": "lines", "x": _times(points), "y": [point[key] for point in points], "yaxis": axis,
        "line": line, "hoverinfo": "skip",
    }  # fmt: skip
    figure["data"].append({**trace, **more})


def _mark_moment(figure: Figure, moment: str, line: Document) -> None:
    """A line from top to bottom of the levels."""
    shape = {"type": "line", "x0": moment, "x1": moment, "xref": "x", "y0": 0, "y1": 1, "yref": "y domain"}
    figure["layout"]["shapes"].append({**shape, "line": line})


def _level_line(figure: Figure, level: float, line: Document, axis: str = "y") -> None:
    """A line from left to right at a level."""
    shape = {"type": "line", "x0": 0, "x1": 1, "xref": "x domain", "y0": level, "y1": level, "yref": axis}
    figure["layout"]["shapes"].append({**shape, "line": line})


def _label(figure: Figure, x: Any, y: float, text: str, **more: Any) -> None:
    label = {"x": x, "y": y, "xref": "x", "text": text, "showarrow": False, "xanchor": "left", "font": {"size": 12}}
    figure["layout"]["annotations"].append({**label, **more})


def _plain(words: str) -> str:
    """Names come from files: plotly reads a little markup in hover text, so its signs are written out."""
    return words.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


# Limits


def _add_start(figure: Figure, start: Document | None, span: Span | None) -> None:
    """When it probably began, and between which days; told in a line of its own above what the picture shows."""
    if start is None or not start.get("since_at"):
        return
    if start.get("since_low_at") and start.get("since_high_at"):
        figure["layout"]["shapes"].append(
            {
                "type": "rect", "x0": start["since_low_at"], "x1": start["since_high_at"], "xref": "x", "y0": 0, "y1": 1,
                "yref": "y domain", "fillcolor": WARM, "opacity": 0.13, "line": {"width": 0}, "layer": "below",
            }
        )  # fmt: skip
    moment = start["since_at"]
    _mark_moment(figure, moment, {"color": WARM, "width": 1.5, "dash": "dashdot"})
    side = "left" if span is None else _side(moment, span)
    figure["layout"]["margin"]["t"] += LINE_HEIGHT
    figure["layout"]["height"] += LINE_HEIGHT
    place = {"yref": "y domain", "yanchor": "bottom", "yshift": LINE_HEIGHT, "xanchor": side}
    _label(figure, moment, 1, f"began about {day(moment)}", **place)


def _side(moment: str, span: Span) -> str:
    """Which end of a label stands at a moment, so that it stays inside the picture of a phone too."""
    begin, at, end = map(datetime.fromisoformat, (span[0], moment, span[1]))
    third = (end - begin) / 3
    return "left" if at < begin + third else "center" if at < end - third else "right"


def _add_baselines(figure: Figure, document: Document) -> None:
    """Under the levels, from which lots each set of limits was learned."""
    last = document["points"][-1]["tested_at"] if document["points"] else None
    for limits in document["limits_history"]:
        if limits["lower"] is None:
            continue
        ends = [{"tested_at": moment, **limits} for moment in (limits["from_at"], limits["frozen_at"] or last)]
        told = f"control limits learned from these {limits['from_lots']} lots"
        _line(figure, ends, "lower", {"color": GREY, "width": 5}, opacity=0.5, hoverinfo="text", text=told)


def _add_control_limits(figure: Figure, points: list[Document]) -> None:
    """The limits in force for each lot; they stop and start anew where a baseline was set again."""
    broken = _broken([point for point in points if point["upper"] is not None])
    for key in ("upper", "lower"):
        _line(figure, broken, key, {"color": GREY, "width": 1.2, "dash": "dot", "shape": "hvh"}, name="control limit")
    _line(figure, broken, "center", {"color": GREY, "width": 1.2, "shape": "hvh"}, name="usual level")


def _broken(points: list[Document]) -> list[Document]:
    """The points with a gap between two baselines."""
    gapped: list[Document] = []
    for point in points:
        if gapped and gapped[-1]["center"] != point["center"]:
            gapped.append({**point, "upper": None, "lower": None, "center": None})
        gapped.append(point)
    return gapped


def _add_edge(figure: Figure, document: Document, side: str, span: Span | None) -> None:
    """The specification limit as a step at each day on which it changed, on to the end of the outlook."""
    corners = corners_of(document, side, span)
    if all(corner["value"] is None for corner in corners):
        return
    ends = [corner["tested_at"] for corner in corners[1:]] + [end_of(document)]
    # Both ends of each step, so that a stretch without a limit leaves a gap.
    drawn = [
        {"tested_at": at, "value": corner["value"]}
        for corner, end in zip(corners, ends, strict=True)
        for at in (corner["tested_at"], end)
    ]
    _line(figure, drawn, "value", {"color": EDGE, "width": 2.5}, name="limit")
    for number, corner in enumerate(corners):
        if corner["value"] is not None:
            place = math.log10(corner["value"]) if document["scale"] == "log" else corner["value"]
            at = {"xref": "x"} if number else {"xref": "x domain"}
            _label(
                figure, corner["tested_at"] if number else 0, place, f"limit {amount(corner['value'])}", yref="y",
                yanchor="bottom", xshift=4, **at,
            )  # fmt: skip


def _add_settings(figure: Figure, document: Document) -> None:
    """The days from which people set the control limits again; the pointer over the foot tells who and why."""
    for limits in document["limits_history"]:
        setting = limits["set_by"]
        if setting is None:
            continue
        _mark_moment(figure, setting["from_at"], {"color": GREY, "width": 1.5})
        told = _plain(f"{setting['who']}, {day(setting['recorded_at'])}: {setting['reason']}")
        place = {"yref": "y domain", "yanchor": "bottom", "xshift": 3, "hovertext": told}
        _label(figure, setting["from_at"], 0, "limits set again", **place)


# Levels


def drawn_levels(document: Document, span: Span | None = None) -> list[float]:
    """Everything that has to fit into the picture of the levels."""
    values = [point["shown"] for point in document["points"] if point["shown"] is not None]
    controls = {point[key] for point in document["points"] for key in ("upper", "lower") if point[key] is not None}
    values += near_ones(document, controls)
    corners = [corner for side in SIDES for corner in corners_of(document, side, span)]
    values += [corner["value"] for corner in corners if corner["value"] is not None]
    return values + [row[key] for row in outlook(document) for key in ("p10", "p90")]


def _kind(point: Document) -> str:
    """What the shape of a point tells."""
    if point["state"] != "valid":
        return "not valid"
    if point["bound"]:
        return "above" if point["bound"] > 0 else "below"
    if point["to_look_at"]:
        return "to look at"
    return "stands out" if point["signals"] else "usual"


def _add_levels(figure: Figure, document: Document) -> None:
    smooth = {"color": ACCENT, "width": 1.6}
    for stretch in stretches(document):
        _line(figure, stretch, "ewma", smooth, name="smoothed level", connectgaps=True)
    apart = left_out(document)
    _add_rings(
        figure, [point for point in document["points"] if point["shown"] is not None and point["tested_at"] in apart]
    )
    for kind, (symbol, color) in KINDS.items():
        chosen = [point for point in document["points"] if point["shown"] is not None and _kind(point) == kind]
        if not chosen:
            continue
        size = 8 if kind == "usual" else 10
        marker = {"color": color, "symbol": symbol, "size": size, "line": {"width": 1.5, "color": color}}
        told = [_told_point(point, document["unit"], apart.get(point["tested_at"])) for point in chosen]
        _add_markers(figure, chosen, "shown", told, name=kind, marker=marker)


def _add_markers(figure: Figure, points: list[Document], key: str, told: list[str], **more: Any) -> None:
    """Points that tell their lot in a sentence and lead to it."""
    trace = {
        "type": "scatter", "mode": "markers", "x": _times(points), "y": [point[key] for point in points],
        "customdata": [point["lot"] for point in points], "text": [_plain(words) for words in told],
        "hovertemplate": "%{text}<extra></extra>",
    }  # fmt: skip
    figure["data"].append({**trace, **more})


def _add_rings(figure: Figure, points: list[Document]) -> None:
    """A ring around each lot that sets no control limits; the lot's own mark tells why."""
    if points:
        marker = {"color": GREY, "symbol": "circle-open", "size": 17, "line": {"width": 1.5}}
        _line(figure, points, "shown", {}, mode="markers", marker=marker, name="left out")


def _told_point(point: Document, unit: str, apart: str | None) -> str:
    """The lot in a sentence; `apart` says why it sets no control limits."""
    level = amount(point["shown"], unit, point["bound"])
    said = f"Lot {point['lot']}, {day(point['tested_at'])}: {level} from {point['bags']} bags, {point['n']} readings"
    if point["state"] != "valid":
        said += f"; test not valid: {point['state']}"
    if point["to_look_at"]:
        said += "; its values may be a slip of the pen"
    if apart is not None:
        said += f"; sets no control limits, {apart}"
    if point["signals"]:
        said += f"; stands out: {', '.join(name.replace('_', ' ') for name in point['signals'])}"
    return f"{said}. Click to open it."


def _add_fan(figure: Figure, document: Document) -> None:
    fan = outlook(document)
    if not fan:
        return
    for low, high, opacity in (("p10", "p90", 0.16), ("p25", "p75", 0.26)):
        there = [{"tested_at": row["tested_at"], "edge": row[high]} for row in fan]
        back = [{"tested_at": row["tested_at"], "edge": row[low]} for row in reversed(fan)]
        filled = {"fill": "toself", "fillcolor": _washed(ACCENT, opacity), "name": "outlook"}
        _line(figure, there + back, "edge", {"width": 0}, **filled)
    _line(figure, fan, "p50", {"color": ACCENT, "width": 1.2, "dash": "dash"}, name="outlook, middle")


def _washed(colour: str, opacity: float) -> str:
    """A colour as a transparent fill: the line of the same trace stays opaque."""
    return f"rgba({','.join(map(str, bytes.fromhex(colour[1:])))},{opacity})"


# The strips below


def _add_strip(figure: Figure, document: Document, key: str, number: int) -> None:
    """One strip under the levels, with its control limit where it has one."""
    points = [point for point in document["points"] if point[key] is not None]
    kinds = [KINDS["usual" if point["state"] == "valid" else "not valid"] for point in points]
    marker = {"color": [color for _, color in kinds], "symbol": [symbol for symbol, _ in kinds], "size": 5}
    look = {"mode": "lines+markers", "line": {"color": GREY, "width": 1}, "marker": marker, "yaxis": f"y{number}"}
    _add_markers(figure, points, key, [_told_strip(point, key, document) for point in points], name=key, **look)
    axis = figure["layout"][f"yaxis{number}"]
    axis["nticks"] = 4
    if key == "humidity":
        return
    limit = {"color": GREY, "width": 1.2, "dash": "dot", "shape": "hvh"}
    _line(figure, points, f"{key}_upper", limit, axis=f"y{number}", name="control limit", connectgaps=True)
    axis["rangemode"] = "tozero"
    if document["scale"] == "log":
        axis["tickformat"] = ".0%"


def _told_strip(point: Document, key: str, document: Document) -> str:
    if key == "humidity":
        return f"Lot {point['lot']}, chamber {point['chamber'] or 'not named'}: {point['humidity']:.1f} % RH"
    if document["scale"] == "log":
        return f"Lot {point['lot']}: {100 * point[key]:.1f} %"
    return f"Lot {point['lot']}: {amount(point[key], document['unit'])}"


# One lot


def bags(session: Document, usual: Document | None = None) -> Figure:
    """Can I trust this lot: every reading, bag by bag, with the limits and what is usual for the level of a lot."""
    figure = frame([""], [1], height=270, top=12)
    values = [reading["value"] for reading in session["readings"]]
    for limit in (session["limit_lower"], session["limit_upper"]):
        if limit is not None and min(values) / FARTHEST_LIMIT <= limit <= max(values) * FARTHEST_LIMIT:
            _level_line(figure, limit, {"color": EDGE, "width": 2.5})
            values.append(limit)
    if usual is not None and usual["lower"] is not None:
        values += _add_usual(figure, usual)
    if session["level"] is not None:
        _level_line(figure, session["level"], {"color": ACCENT, "width": 1.4, "dash": "dash"})
    _add_readings(figure, session["readings"])
    numbers = sorted({reading["specimen"] for reading in session["readings"]})
    names = [f"bag {number}" for number in numbers]
    figure["layout"]["xaxis"].update(type="category", categoryorder="array", categoryarray=names, showgrid=False)
    level_axis(figure["layout"]["yaxis"], values, session["scale"])
    return figure


def _add_usual(figure: Figure, usual: Document) -> list[float]:
    """A band where the level of a lot usually lies; its edges."""
    band = {
        "type": "rect", "x0": 0, "x1": 1, "xref": "x domain", "y0": usual["lower"], "y1": usual["upper"], "yref": "y",
        "fillcolor": GREY, "opacity": 0.16, "line": {"width": 0}, "layer": "below",
    }  # fmt: skip
    figure["layout"]["shapes"].append(band)
    return [usual["lower"], usual["upper"]]


def _add_readings(figure: Figure, readings: list[Document]) -> None:
    for bound, symbol, color in ((0, "circle", ACCENT), (1, "triangle-up", EDGE), (-1, "triangle-down", EDGE)):
        own = [reading for reading in readings if reading["bound"] == bound]
        if own:
            figure["data"].append(
                {
                    "type": "scatter", "mode": "markers", "x": [f"bag {reading['specimen']}" for reading in own],
                    "y": [reading["value"] for reading in own], "text": [_plain(_told_reading(one)) for one in own],
                    "marker": {"symbol": symbol, "size": 11 if bound else 9, "color": color, "opacity": 0.75},
                    "hovertemplate": "%{text}<extra></extra>",
                }
            )  # fmt: skip


def _told_reading(reading: Document) -> str:
    value = amount(reading["value"], reading["unit"], reading["bound"])
    return f"bag {reading['specimen']}, reading {reading['reading']}: {value}"


# One chamber


def chamber_trace(trace: Document) -> Figure:
    """A chamber's log: humidity and temperature, each with the window it had to stay in, and the required hours."""
    figure = frame(["humidity, % RH", "temperature, °C"], [3, 2], height=290, gap=0.14)
    for axis, name in (("y", "humidity"), ("y2", "temperature")):
        low, high = trace[f"{name}_low"], trace[f"{name}_high"]
        figure["data"].append(
            {
                "type": "scatter", "mode": "lines", "x": trace["times"], "y": trace[name], "yaxis": axis,
                "line": {"color": ACCENT, "width": 1.5}, "hovertemplate": "%{x|%-d %b, %H:%M}: %{y:.1f}<extra></extra>",
            }
        )  # fmt: skip
        for edge in (low, high):
            _level_line(figure, edge, {"color": EDGE, "width": 1.4, "dash": "dot"}, axis)
        known = [value for value in trace[name] if value is not None]
        figure["layout"][f"{axis[0]}axis{axis[1:]}"].update(range=list(around([*known, low, high])), nticks=5)
    for moment in (trace["from"], trace["to"]):
        if moment is not None:
            _mark_moment(figure, moment, {"color": GREY, "width": 1.5})
    time_axis(figure["layout"]["xaxis"], None)
    figure["layout"]["xaxis"]["nticks"] = 5
    return figure
