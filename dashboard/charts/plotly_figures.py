"""The interactive figures of the pages: functions from documents to figures, one for each question that a page answers.

Lines are SVG and not WebGL, as SVG prints sharply and needs no graphics card. Shapes repeat the meaning of colours: a filled
circle is a lot inside its control limits, a diamond a flagged lot, a hollow square a test that is not valid, a triangle a
level that is only known to lie beyond its tip.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any, Literal, cast

from dashboard.charts.limit_lines import (
    FARTHEST_LIMIT,
    SIDES,
    Corner,
    Side,
    corners_of,
    end_of,
    left_out,
    near_ones,
    outlook,
    stretches,
)
from dashboard.charts.plotly_axes import GREY, Figure, around, frame, level_axis, time_axis
from dashboard.paper.palette import FIGURE
from dashboard.text.bench_mark_text import short_mark
from dashboard.text.formatting import ShownEvidence, amount, counted, day, digits_of, in_unit
from ingest.documents.bench import ChamberTrace
from ingest.documents.entries import SubjectEntry
from ingest.documents.lot import Reading, Session
from ingest.documents.stream import Point, StoredControlLimits, StreamChart, StreamDocument

__all__ = ["CONFIG", "add_adjusted_levels", "bags", "chamber_trace", "drawn_levels", "pin_notes", "stream"]

Span = tuple[str, str]
Row = Mapping[str, object]

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
# Shape and colour of a point by its meaning.
KINDS = {
    "usual": ("circle", ACCENT),
    "stands out": ("diamond", EDGE),
    "not valid": ("square-open", WARM),
    "to look at": ("diamond-open", EDGE),
    "above": ("triangle-up", EDGE),
    "below": ("triangle-down", ACCENT),
}
Strip = Literal["bag_spread", "reading_spread", "humidity"]
STRIPS: dict[Strip, str] = {
    "bag_spread": "variation between bags",
    "reading_spread": "variation between readings on a bag",
    "humidity": "chamber humidity at the test, % RH",
}
LEVEL_HEIGHT, STRIP_HEIGHT = 390, 105
LINE_HEIGHT = 16  # of a line of words above a picture


def stream(
    document: StreamChart, start: ShownEvidence | None = None, span: Span | None = None, *, with_strips: bool = True
) -> Figure:
    """When and how fast did this stream move: levels with their limits, and below them on the same time axis the variation.

    Parameters
    ----------
    document : StreamChart
        The document of a stream.
    start : ShownEvidence, optional
        Evidence of an alert, with the estimated start of the shift and its interval.
    span : tuple of two ISO 8601 times, optional
        The time shown; all of it by default.
    with_strips : bool
        Whether the variation is drawn below the levels.
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


def pin_notes(figure: Figure, entries: Sequence[SubjectEntry]) -> None:
    """Notes of people as a line at their day; the pointer over its foot shows the text."""
    for entry in entries:
        moment = entry["body"].get("on")
        if moment is None:
            continue
        _mark_moment(figure, moment, {"color": GREY, "width": 1.2, "dash": "longdash"})
        words = _plain(f"{entry['who']}, {day(moment)}: {entry['reason']}")
        _label(figure, moment, 0, "note", yref="y domain", yanchor="bottom", xshift=3, hovertext=words)


def add_adjusted_levels(figure: Figure, document: StreamDocument, span: Span | None = None) -> None:
    """Add the levels adjusted to the declared humidity; the measured levels stay the record."""
    effect = document["humidity"]
    if effect is None:
        return
    # The effect of humidity is known within its tolerance only.
    points = [
        point for point in document["points"] if point["adjusted_level"] is not None and point["state"] == "valid"
    ]
    words = [
        f"Lot {point['lot']}, {day(point['tested_at'])}: would read {in_unit(document, point['adjusted_level'])} at "
        f"{effect['adjusted_to']:g} % RH; for information only, the measured value is the record"
        for point in points
    ]
    look = {
        "marker": {"color": ACCENT, "symbol": "circle-open", "size": 6},
        "line": {"color": ACCENT, "width": 1, "dash": "dot"},
    }
    _add_markers(figure, points, "adjusted_level", words, mode="lines+markers", name="adjusted level", **look)
    adjusted = [point["adjusted_level"] for point in points if point["adjusted_level"] is not None]
    levels = [*drawn_levels(document, span), *adjusted]
    level_axis(figure["layout"]["yaxis"], levels, document["scale"])


# Building


def _of(row: Row, key: str) -> float | None:
    """A number of a document by its name."""
    return cast("float | None", row[key])


def _times(points: Iterable[Row]) -> list[object]:
    return [point["tested_at"] for point in points]


def _line(figure: Figure, points: Sequence[Row], key: str, line: Row, axis: str = "y", **more: Any) -> None:
    """A line through `key` of the points, broken where it is unknown; it answers no pointer."""
    trace = {
        "type": "scatter", "mode": "lines", "x": _times(points), "y": [point[key] for point in points], "yaxis": axis,
        "line": line, "hoverinfo": "skip",
    }  # fmt: skip
    figure["data"].append({**trace, **more})


def _mark_moment(figure: Figure, moment: str, line: Row) -> None:
    """A line from top to bottom of the levels."""
    shape = {"type": "line", "x0": moment, "x1": moment, "xref": "x", "y0": 0, "y1": 1, "yref": "y domain"}
    figure["layout"]["shapes"].append({**shape, "line": line})


def _level_line(figure: Figure, level: float, line: Row, axis: str = "y") -> None:
    """A line from left to right at a level."""
    shape = {"type": "line", "x0": 0, "x1": 1, "xref": "x domain", "y0": level, "y1": level, "yref": axis}
    figure["layout"]["shapes"].append({**shape, "line": line})


def _label(figure: Figure, x: Any, y: float, text: str, **more: Any) -> None:
    label = {"x": x, "y": y, "xref": "x", "text": text, "showarrow": False, "xanchor": "left", "font": {"size": 12}}
    figure["layout"]["annotations"].append({**label, **more})


def _plain(words: str) -> str:
    """Escape names from files: plotly reads a little markup in hover text."""
    return words.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


# Limits


def _add_start(figure: Figure, start: ShownEvidence | None, span: Span | None) -> None:
    """Mark the estimated start and its interval; the label has a line of its own above the figure."""
    moment = None if start is None else start.get("since_at")
    if start is None or not moment:
        return
    low, high = start.get("since_low_at"), start.get("since_high_at")
    if low and high:
        figure["layout"]["shapes"].append(
            {
                "type": "rect", "x0": low, "x1": high, "xref": "x", "y0": 0, "y1": 1,
                "yref": "y domain", "fillcolor": WARM, "opacity": 0.13, "line": {"width": 0}, "layer": "below",
            }
        )  # fmt: skip
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


def _add_baselines(figure: Figure, document: StreamChart) -> None:
    """Mark the baseline lots of each set of limits."""
    last = document["points"][-1]["tested_at"] if document["points"] else None
    for limits in document["limits_history"]:
        if limits["lower"] is None:
            continue
        ends = [{"tested_at": moment, **limits} for moment in (limits["from_at"], limits["frozen_at"] or last)]
        words = f"baseline: {counted(limits['from_lots'], 'lot')}"
        _line(figure, ends, "lower", {"color": GREY, "width": 5}, opacity=0.5, hoverinfo="text", text=words)


def _add_control_limits(figure: Figure, points: Sequence[Point]) -> None:
    """The limits in force for each lot, with a gap at a new baseline."""
    broken = _broken([point for point in points if point["upper"] is not None])
    for key in ("upper", "lower"):
        _line(figure, broken, key, {"color": GREY, "width": 1.2, "dash": "dot", "shape": "hvh"}, name="control limit")
    _line(figure, broken, "center", {"color": GREY, "width": 1.2, "shape": "hvh"}, name="centre line")


def _broken(points: Sequence[Point]) -> list[Point]:
    """The points with a gap between two baselines."""
    gapped: list[Point] = []
    for point in points:
        if gapped and gapped[-1]["center"] != point["center"]:
            gapped.append({**point, "upper": None, "lower": None, "center": None})
        gapped.append(point)
    return gapped


def _add_edge(figure: Figure, document: StreamChart, side: Side, span: Span | None) -> None:
    """The specification limit as steps at the days of its changes, up to the end of the forecast."""
    corners = corners_of(document, side, span)
    if all(corner["value"] is None for corner in corners):
        return
    ends = [corner["tested_at"] for corner in corners[1:]] + [end_of(document)]
    # Both ends of each step, so that a time without a limit is a gap.
    drawn: list[Corner] = [
        {"tested_at": at, "value": corner["value"]}
        for corner, end in zip(corners, ends, strict=True)
        for at in (corner["tested_at"], end)
    ]
    _line(figure, drawn, "value", {"color": EDGE, "width": 2.5}, name="limit")
    for number, corner in enumerate(corners):
        if (value := corner["value"]) is not None:
            place = math.log10(value) if document["scale"] == "log" else value
            at = {"xref": "x"} if number else {"xref": "x domain"}
            _label(
                figure, corner["tested_at"] if number else 0, place, f"limit {amount(value, digits=digits_of(document))}", yref="y",
                yanchor="bottom", xshift=4, **at,
            )  # fmt: skip


def _add_settings(figure: Figure, document: StreamChart) -> None:
    """The days of new baselines; the pointer over the foot shows who started it and why."""
    for limits in document["limits_history"]:
        setting = limits["set_by"]
        if setting is None:
            continue
        _mark_moment(figure, setting["from_at"], {"color": GREY, "width": 1.5})
        words = _plain(f"{setting['who']}, {day(setting['recorded_at'])}: {setting['reason']}")
        place = {"yref": "y domain", "yanchor": "bottom", "xshift": 3, "hovertext": words}
        _label(figure, setting["from_at"], 0, "new baseline", **place)


# Levels


def drawn_levels(document: StreamChart, span: Span | None = None) -> list[float]:
    """All values that the level axis has to include."""
    values = [point["shown"] for point in document["points"] if point["shown"] is not None]
    ends = (end for point in document["points"] for end in (point["upper"], point["lower"]))
    values += near_ones(document, {end for end in ends if end is not None})
    corners = [corner for side in SIDES for corner in corners_of(document, side, span)]
    values += [corner["value"] for corner in corners if corner["value"] is not None]
    fan = (end for row in outlook(document) for end in (row["p10"], row["p90"]))
    return values + [end for end in fan if end is not None]


def _kind(point: Point) -> str:
    """The meaning of the shape of a point."""
    if point["state"] != "valid":
        return "not valid"
    if point["bound"]:
        return "above" if point["bound"] > 0 else "below"
    if point["to_look_at"]:
        return "to look at"
    return "stands out" if point["signals"] else "usual"


def _add_levels(figure: Figure, document: StreamChart) -> None:
    smooth = {"color": ACCENT, "width": 1.6}
    for stretch in stretches(document):
        _line(figure, stretch, "ewma", smooth, name="moving average of the lots", connectgaps=True)
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
        words = [_point_text(point, document, apart.get(point["tested_at"])) for point in chosen]
        _add_markers(figure, chosen, "shown", words, name=kind, marker=marker)


def _add_markers(figure: Figure, points: Sequence[Point], key: str, texts: list[str], **more: Any) -> None:
    """Add points that show their lot in a sentence and lead to its page."""
    trace = {
        "type": "scatter", "mode": "markers", "x": _times(points), "y": [_of(point, key) for point in points],
        "customdata": [point["lot"] for point in points], "text": [_plain(text) for text in texts],
        "hovertemplate": "%{text}<extra></extra>",
    }  # fmt: skip
    figure["data"].append({**trace, **more})


def _add_rings(figure: Figure, points: Sequence[Point]) -> None:
    """Put a ring around each lot that is not in the baseline; its own mark says why."""
    if points:
        marker = {"color": GREY, "symbol": "circle-open", "size": 17, "line": {"width": 1.5}}
        _line(figure, points, "shown", {}, mode="markers", marker=marker, name="left out")


def _point_text(point: Point, document: StreamChart, apart: str | None) -> str:
    """The lot in a sentence; `apart` is the reason why it is not in the baseline."""
    level = in_unit(document, point["shown"], point["bound"])
    text = f"Lot {point['lot']}, {day(point['tested_at'])}: {level} from {point['bags']} bags, {point['n']} readings"
    if point["state"] != "valid":
        text += f"; test not valid: {point['state']}"
    if point["to_look_at"]:
        text += "; suspect values (unit or typing error)"
    if point["bench_findings"]:
        text += f"; {short_mark(point['bench_findings'], document['unit'])}"
    if apart is not None:
        text += f"; not in the baseline, {apart}"
    if point["signals"]:
        text += f"; flagged: {', '.join(name.replace('_', ' ') for name in point['signals'])}"
    return f"{text}. Click to open it."


def _add_fan(figure: Figure, document: StreamChart) -> None:
    fan = outlook(document)
    if not fan:
        return
    for low, high, opacity in (("p10", "p90", 0.16), ("p25", "p75", 0.26)):
        there: list[Row] = [{"tested_at": row["tested_at"], "edge": _of(row, high)} for row in fan]
        back: list[Row] = [{"tested_at": row["tested_at"], "edge": _of(row, low)} for row in reversed(fan)]
        filled = {"fill": "toself", "fillcolor": _washed(ACCENT, opacity), "name": "forecast"}
        _line(figure, there + back, "edge", {"width": 0}, **filled)
    _line(figure, fan, "p50", {"color": ACCENT, "width": 1.2, "dash": "dash"}, name="forecast, middle")


def _washed(colour: str, opacity: float) -> str:
    """A colour as a transparent fill: the line of the same trace stays opaque."""
    return f"rgba({','.join(map(str, bytes.fromhex(colour[1:])))},{opacity})"


# The strips below


def _add_strip(figure: Figure, document: StreamChart, key: Strip, number: int) -> None:
    """One strip under the levels, with its control limit where it has one."""
    points = [point for point in document["points"] if point[key] is not None]
    kinds = [KINDS["usual" if point["state"] == "valid" else "not valid"] for point in points]
    marker = {"color": [color for _, color in kinds], "symbol": [symbol for symbol, _ in kinds], "size": 5}
    look = {"mode": "lines+markers", "line": {"color": GREY, "width": 1}, "marker": marker, "yaxis": f"y{number}"}
    _add_markers(figure, points, key, [_strip_text(point, key, document) for point in points], name=key, **look)
    axis = figure["layout"][f"yaxis{number}"]
    axis["nticks"] = 4
    if key == "humidity":
        return
    limit = {"color": GREY, "width": 1.2, "dash": "dot", "shape": "hvh"}
    _line(figure, points, f"{key}_upper", limit, axis=f"y{number}", name="control limit", connectgaps=True)
    axis["rangemode"] = "tozero"
    if document["scale"] == "log":
        axis["tickformat"] = ".0%"


def _strip_text(point: Point, key: Strip, document: StreamChart) -> str:
    if key == "humidity":
        return f"Lot {point['lot']}, chamber {point['chamber'] or 'not named'}: {point['humidity']:.1f} % RH"
    value = point[key]
    if document["scale"] == "log" and value is not None:
        return f"Lot {point['lot']}: {100 * value:.1f} %"
    return f"Lot {point['lot']}: {in_unit(document, value)}"


# One lot


def bags(session: Session, usual: StoredControlLimits | None = None) -> Figure:
    """Can I trust this lot: every reading, bag by bag, with the limits and the normal range of lot levels."""
    figure = frame([""], [1], height=270, top=12)
    values = [reading["value"] for reading in session["readings"]]
    for limit in (session["limit_lower"], session["limit_upper"]):
        if limit is not None and min(values) / FARTHEST_LIMIT <= limit <= max(values) * FARTHEST_LIMIT:
            _level_line(figure, limit, {"color": EDGE, "width": 2.5})
            values.append(limit)
    if usual is not None and usual["lower"] is not None and usual["upper"] is not None:
        values += _add_usual(figure, usual["lower"], usual["upper"])
    if session["level"] is not None:
        _level_line(figure, session["level"], {"color": ACCENT, "width": 1.4, "dash": "dash"})
    _add_readings(figure, session)
    numbers = sorted({reading["specimen"] for reading in session["readings"]})
    names = [f"bag {number}" for number in numbers]
    figure["layout"]["xaxis"].update(type="category", categoryorder="array", categoryarray=names, showgrid=False)
    level_axis(figure["layout"]["yaxis"], values, session["scale"])
    return figure


def _add_usual(figure: Figure, lower: float, upper: float) -> list[float]:
    """Add a band for the normal range of lot levels; its edges."""
    band = {
        "type": "rect", "x0": 0, "x1": 1, "xref": "x domain", "y0": lower, "y1": upper, "yref": "y",
        "fillcolor": GREY, "opacity": 0.16, "line": {"width": 0}, "layer": "below",
    }  # fmt: skip
    figure["layout"]["shapes"].append(band)
    return [lower, upper]


def _add_readings(figure: Figure, session: Session) -> None:
    for bound, symbol, color in ((0, "circle", ACCENT), (1, "triangle-up", EDGE), (-1, "triangle-down", EDGE)):
        chosen = [reading for reading in session["readings"] if reading["bound"] == bound]
        if chosen:
            figure["data"].append(
                {
                    "type": "scatter", "mode": "markers", "x": [f"bag {reading['specimen']}" for reading in chosen],
                    "y": [reading["value"] for reading in chosen],
                    "text": [_plain(_reading_text(session, one)) for one in chosen],
                    "marker": {"symbol": symbol, "size": 11 if bound else 9, "color": color, "opacity": 0.75},
                    "hovertemplate": "%{text}<extra></extra>",
                }
            )  # fmt: skip


def _reading_text(session: Session, reading: Reading) -> str:
    value = in_unit(session, reading["value"], reading["bound"])
    return f"bag {reading['specimen']}, reading {reading['reading']}: {value}"


# One chamber


def chamber_trace(trace: ChamberTrace) -> Figure:
    """A chamber's log: humidity and temperature with their tolerances, and the required hours."""
    figure = frame(["humidity, % RH", "temperature, °C"], [3, 2], height=290, gap=0.14)
    traces = (
        ("y", trace["humidity"], trace["humidity_low"], trace["humidity_high"]),
        ("y2", trace["temperature"], trace["temperature_low"], trace["temperature_high"]),
    )
    for axis, values, low, high in traces:
        figure["data"].append(
            {
                "type": "scatter", "mode": "lines", "x": trace["times"], "y": values, "yaxis": axis,
                "line": {"color": ACCENT, "width": 1.5}, "hovertemplate": "%{x|%-d %b, %H:%M}: %{y:.1f}<extra></extra>",
            }
        )  # fmt: skip
        for edge in (low, high):
            _level_line(figure, edge, {"color": EDGE, "width": 1.4, "dash": "dot"}, axis)
        logged = [value for value in values if value is not None]
        figure["layout"][f"{axis[0]}axis{axis[1:]}"].update(range=list(around([*logged, low, high])), nticks=5)
    for moment in (trace["from"], trace["to"]):
        if moment is not None:
            _mark_moment(figure, moment, {"color": GREY, "width": 1.5})
    time_axis(figure["layout"]["xaxis"], None)
    figure["layout"]["xaxis"]["nticks"] = 5
    return figure
