"""The interactive figures of the pages: functions from documents to figures, one for each question that a page answers.

Lines are SVG and not WebGL, as SVG prints sharply and needs no graphics card. Shapes repeat the meaning of colours: a filled
circle is a lot inside its control limits, a filled square a flagged lot, a ring with a bar to each side the first of a run of
them, a hollow square a test that is not valid, a triangle a level that is only known to lie beyond its tip. Limits, centre
line and the last values are named at the right end of their lines.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any, Literal, cast

from dashboard.charts.end_labels import END_ROOM, EndLabel, add_end_labels
from dashboard.charts.flags import MOST_REASONS, Spot, first_of_runs, flag_mark, label_places, reason
from dashboard.charts.limit_lines import (
    FARTHEST_LIMIT,
    SIDES,
    Corner,
    Side,
    corners_of,
    end_of,
    forecast_end,
    left_out,
    near_ones,
    outlook,
)
from dashboard.charts.plotly_axes import GREY, Figure, around, frame, level_axis, time_axis
from dashboard.charts.svg_shapes import day_of
from dashboard.paper.palette import FIGURE
from dashboard.text.bench.bench_mark_text import short_mark
from dashboard.text.formatting import ShownEvidence, amount, counted, day, digits_of, in_unit
from dashboard.text.verdict.verdict_text import is_reading_outside
from ingest.documents.bench.bench import ChamberTrace
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
ACCENT, EDGE, WARM, LIMIT = FIGURE.accent, FIGURE.edge, FIGURE.warm, FIGURE.limit
# Shape and colour of a point by its meaning.
KINDS = {
    "usual": ("circle", ACCENT),
    "flagged": ("square", EDGE),
    "not valid": ("square-open", WARM),
    "to look at": ("diamond-open", EDGE),
    "bench off": ("circle-open", WARM),
    "above": ("triangle-up", EDGE),
    "below": ("triangle-down", ACCENT),
}
Strip = Literal["bag_spread", "reading_spread", "humidity"]
STRIPS: dict[Strip, str] = {
    "bag_spread": "variation between bags",
    "reading_spread": "variation between readings on a bag",
    "humidity": "chamber humidity at the test, % RH",
}
# The figures of a lot whose control limits are not settled.
NO_LIMITS: dict[str, None] = dict.fromkeys(("upper", "lower", "center", "bag_spread_upper", "reading_spread_upper"))
LEVEL_HEIGHT, STRIP_HEIGHT = 390, 92
# Share of the height below the levels: room for the bracket of the baseline and the title of the strip.
FIRST_GAP = 0.095
LINE_HEIGHT = 16  # Height of a line of words above a picture
# Pixels to the right of the readings of a lot, for the names of its lines.
BAG_END_ROOM = 104
TRACE_END_ROOM = 70
# Letters of a lot's name beside a point.
LONGEST_NAME = 24
# As the forecast counts months.
DAYS_A_MONTH = 365.25 / 12


def stream(
    document: StreamChart,
    start: ShownEvidence | None = None,
    span: Span | None = None,
    level: float | None = None,
    *,
    with_strips: bool = True,
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
    level : float, optional
        The level now, as the headline of the page states it; the trend estimate ends there.
    with_strips : bool
        Whether the variation is drawn below the levels.
    """
    document = {**document, "points": _with_settled_limits(document)}
    points = document["points"]
    strips = [key for key in STRIPS if with_strips and any(point[key] is not None for point in points)]
    titles = [f"lot level, {amount(1.0, document['unit']).partition(' ')[2]}", *(STRIPS[key] for key in strips)]
    shares = [LEVEL_HEIGHT, *[STRIP_HEIGHT] * len(strips)]
    figure = frame(titles, shares, height=sum(shares) + 80, right=END_ROOM, first_gap=FIRST_GAP)
    _add_control_limits(figure, points)
    ends = [label for side in SIDES for label in _add_edge(figure, document, side, span)]
    _add_fan(figure, document, span)
    _add_trend(figure, document, start, level)
    _add_levels(figure, document)
    _add_settings(figure, document)
    for number, key in enumerate(strips, start=2):
        _add_strip(figure, document, key, number)
    _add_start(figure, start, span)
    level_axis(figure["layout"]["yaxis"], drawn_levels(document, span), document["scale"])
    time_axis(figure["layout"]["xaxis"], span)
    _add_flags(figure, document, span)
    _add_bench_weeks(figure, document)
    _add_baselines(figure, document, span)
    add_end_labels(figure, [*ends, *_end_labels(document, span, level)])
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


def _place(level: float, document: StreamChart) -> float:
    """Where a label at a level stands: plotly takes the exponent on a log axis."""
    return math.log10(level) if document["scale"] == "log" and level > 0 else level


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
                "yref": "y domain", "fillcolor": GREY, "opacity": 0.13, "line": {"width": 0}, "layer": "below",
                "name": "start",
            }
        )  # fmt: skip
    _mark_moment(figure, moment, {"color": GREY, "width": 1.5, "dash": "dashdot"})
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


def _add_baselines(figure: Figure, document: StreamChart, span: Span | None) -> None:
    """A bracket under the time axis over the baseline lots of each set of limits, with their number."""
    last = document["points"][-1]["tested_at"] if document["points"] else None
    for limits in document["limits_history"]:
        begin, end = limits["from_at"], limits["frozen_at"] or last
        if limits["lower"] is None or not begin or not end:
            continue
        if span is not None:
            begin, end = max(begin, span[0]), min(end, span[1])
        if begin >= end:
            continue
        # Without strips below, the dates stand right under the levels: the bracket then lies inside.
        down = -0.03 if "yaxis2" in figure["layout"] else 0.02
        for x0, x1, y0 in ((begin, end, down), (begin, begin, down + 0.022), (end, end, down + 0.022)):
            figure["layout"]["shapes"].append(
                {
                    "type": "line", "x0": x0, "x1": x1, "xref": "x", "y0": y0, "y1": down, "yref": "y domain",
                    "line": {"color": GREY, "width": 1.5}, "name": "baseline",
                }
            )  # fmt: skip
        words = f"baseline, {counted(limits['from_lots'], 'lot')}"
        place = {"yref": "y domain", "yanchor": "top" if down < 0 else "bottom", "xanchor": "left"}
        _label(figure, begin, down, words, **place)


def _end_labels(document: StreamChart, span: Span | None, level: float | None) -> list[EndLabel]:
    """The names of the control limits and the centre line that are in force, and of the last values."""
    points = [point for point in document["points"] if point["shown"] is not None and point["state"] == "valid"]
    if not points:
        return []
    last, digits = points[-1], digits_of(document)
    # Under a set of limits of long ago, or far away, nothing is drawn at the end.
    named = ((last["upper"], "upper"), (last["center"], "centre"), (last["lower"], "lower"))
    near_values = near_ones(document, [value for value, _ in named if value is not None])
    labels = [
        EndLabel(value, f"{name} {amount(value, digits=digits)}")
        for value, name in named
        if value is not None and value in near_values
    ]
    shown = last["shown"]
    if shown is not None:
        labels.append(EndLabel(shown, f"last lot {amount(shown, '', last['bound'], digits)}", strong=True))
    if level is not None and in_unit(document, level) != in_unit(document, shown):
        labels.append(EndLabel(level, f"now {amount(level, digits=digits)}", strong=True))
    if span is not None and span[1] < last["tested_at"]:
        # The end of the time shown lies before the last lot: only what is drawn there is named.
        return []
    return labels


def _add_trend(figure: Figure, document: StreamChart, start: ShownEvidence | None, level: float | None) -> None:
    """The trend estimate that the headline states: to the level now, with its change a month, from the start of the move on."""
    forecast, since = document["forecast"], None if start is None else start.get("since_at")
    if forecast is None or level is None or not since or not document["points"] or document["scale"] != "log":
        return
    change, end = forecast["change_percent_per_month"], document["points"][-1]["tested_at"]
    if change is None or since >= end:
        return
    months = (day_of(end) - day_of(since)).days / DAYS_A_MONTH
    ends: list[Row] = [
        {"tested_at": since, "level": level / (1 + change / 100) ** months},
        {"tested_at": end, "level": level},
    ]
    _line(figure, ends, "level", {"color": EDGE, "width": 2}, name="trend")


def _with_settled_limits(document: StreamChart) -> list[Point]:
    """The points without the control limits that more lots will move: nobody should judge a lot by them."""
    history = document["limits_history"]
    if all(limits.get("settled", True) for limits in history):
        return document["points"]
    begins = [(limits["set_by"] or limits)["from_at"] or "" for limits in history]
    points: list[Point] = []
    for point in document["points"]:
        number = max((place for place, begin in enumerate(begins) if begin <= point["tested_at"]), default=0)
        settled = history[number].get("settled", True)
        points.append(point if settled else cast("Point", {**point, **NO_LIMITS}))
    return points


def _add_control_limits(figure: Figure, points: Sequence[Point]) -> None:
    """The limits in force for each lot, with a gap at a new baseline."""
    broken = _broken([point for point in points if point["upper"] is not None])
    if not broken:
        return
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


def _add_edge(figure: Figure, document: StreamChart, side: Side, span: Span | None) -> list[EndLabel]:
    """The specification limit as steps at the days of its changes, up to the end of the forecast; the label at its end."""
    corners = corners_of(document, side, span)
    if all(corner["value"] is None for corner in corners):
        return []
    ends = [corner["tested_at"] for corner in corners[1:]] + [end_of(document, span)]
    # Both ends of each step, so that a time without a limit is a gap.
    drawn: list[Corner] = [
        {"tested_at": at, "value": corner["value"]}
        for corner, end in zip(corners, ends, strict=True)
        for at in (corner["tested_at"], end)
    ]
    _line(figure, drawn, "value", {"color": LIMIT, "width": 2.5}, name="limit")
    for number, corner in enumerate(corners[:-1]):
        if (value := corner["value"]) is not None:
            place = _place(value, document)
            at = {"xref": "x"} if number else {"xref": "x domain"}
            _label(
                figure, corner["tested_at"] if number else 0, place, f"limit {amount(value, digits=digits_of(document))}", yref="y",
                yanchor="bottom", xshift=4, **at,
            )  # fmt: skip
    last = corners[-1]["value"]
    return [] if last is None else [EndLabel(last, f"limit {amount(last, digits=digits_of(document))}", strong=True)]


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
    points = _with_settled_limits(document)
    values = [point["shown"] for point in points if point["shown"] is not None]
    values += [without for point in points if (without := _without_bench(point)) is not None]
    ends = (end for point in points for end in (point["upper"], point["lower"]))
    values += near_ones(document, {end for end in ends if end is not None})
    corners = [corner for side in SIDES for corner in corners_of(document, side, span)]
    values += [corner["value"] for corner in corners if corner["value"] is not None]
    fan = (end for row in outlook(document, span) for end in (row["p10"], row["p90"]))
    return values + [end for end in fan if end is not None]


def _kind(point: Point) -> str:
    """The meaning of the shape of a point."""
    if point["state"] != "valid":
        return "not valid"
    if point["bound"]:
        return "above" if point["bound"] > 0 else "below"
    if point["to_look_at"]:
        return "to look at"
    if point["bench_findings"]:
        return "bench off"
    return "flagged" if point["signals"] else "usual"


def _add_levels(figure: Figure, document: StreamChart) -> None:
    valid = [point for point in document["points"] if point["state"] == "valid" and not point["bound"]]
    _line(figure, valid, "shown", {"color": GREY, "width": 0.8}, name="lots joined", opacity=0.7)
    apart = left_out(document)
    _add_rings(
        figure, [point for point in document["points"] if point["shown"] is not None and point["tested_at"] in apart]
    )
    for kind, (symbol, color) in KINDS.items():
        chosen = [point for point in document["points"] if point["shown"] is not None and _kind(point) == kind]
        if not chosen:
            continue
        size = {"usual": 7, "flagged": 8}.get(kind, 10)
        marker = {"color": color, "symbol": symbol, "size": size, "line": {"width": 1.5, "color": color}}
        words = [_point_text(point, document, apart.get(point["tested_at"])) for point in chosen]
        _add_markers(figure, chosen, "shown", words, name=kind, marker=marker)


def _without_bench(point: Point) -> float | None:
    """The level as it would be without what was off on the bench; None for a lot of other weeks."""
    return point["bench_findings"][0]["level_without"] if point["bench_findings"] else None


def _add_bench_weeks(figure: Figure, document: StreamChart) -> None:
    """Hatch the weeks in which the bench was off, and put a foot under each lot of them at its level without the finding."""
    marked = [point for point in document["points"] if _without_bench(point) is not None and point["shown"] is not None]
    if not marked:
        return
    low, high = figure["layout"]["yaxis"]["range"]
    bottom, top = (10.0**low, 10.0**high) if document["scale"] == "log" else (low, high)
    last = document["points"][-1]["tested_at"]
    weeks = {
        one["finding"]: (one["off_from_at"], one["off_until_at"] or last)
        for point in marked
        for one in point["bench_findings"]
    }
    for begin, end in sorted(set(weeks.values())):
        corners: list[Row] = [
            {"tested_at": at, "edge": edge} for at, edge in ((begin, bottom), (begin, top), (end, top), (end, bottom))
        ]
        hatch = {"shape": "/", "size": 9, "solidity": 0.12, "fgcolor": WARM, "bgcolor": "rgba(0,0,0,0)"}
        _line(figure, corners, "edge", {"width": 0}, fill="toself", fillpattern=hatch, name="bench weeks")
    feet: list[Row] = []
    for point in marked:
        at = point["tested_at"]
        feet += [{"tested_at": at, "edge": end} for end in (point["shown"], _without_bench(point), None)]
    _line(figure, feet, "edge", {"color": WARM, "width": 1.2}, name="foot")
    ends: list[Row] = [{"tested_at": point["tested_at"], "edge": _without_bench(point)} for point in marked]
    tick = {"symbol": "line-ew-open", "size": 9, "color": WARM, "line": {"width": 1.5, "color": WARM}}
    _line(figure, ends, "edge", {}, mode="markers", marker=tick, name="without the finding")


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
        text += f"; {short_mark(point['bench_findings'], document)}"
    if apart is not None:
        text += f"; not in the baseline, {apart}"
    if point["signals"]:
        text += f"; flagged: {', '.join(name.replace('_', ' ') for name in point['signals'])}"
    return f"{text}. Click to open it."


def _add_flags(figure: Figure, document: StreamChart, span: Span | None) -> None:
    """The mark of a flag on the first lot of each run of flagged lots, with the reason beside the newest ones."""
    shown = [point for point in document["points"] if span is None or span[0] <= point["tested_at"] <= span[1]]
    firsts = first_of_runs(shown)
    figure["layout"]["shapes"] += [flag_mark(point, EDGE) for point in firsts]
    named = [point for point in firsts[-MOST_REASONS:] if point["shown"] is not None]
    if not named:
        return
    layout, ends = figure["layout"], span or (shown[0]["tested_at"], end_of(document, span))
    low, high = layout["yaxis"]["range"]
    share = layout["yaxis"]["domain"][1] - layout["yaxis"]["domain"][0]
    height = share * (layout["height"] - layout["margin"]["t"] - layout["margin"]["b"])
    first, last = (datetime.fromisoformat(end).timestamp() for end in ends)

    def spot(point: Point) -> Spot:
        at = datetime.fromisoformat(point["tested_at"]).timestamp()
        up = (_place(cast("float", point["shown"]), document) - low) / ((high - low) or 1.0)
        return Spot((at - first) / ((last - first) or 1.0), up * height)

    flagged = [(spot(point), f"{_brief(point['lot'])} {reason(point)}") for point in named]
    places = label_places(flagged, [spot(point) for point in shown if point["shown"] is not None], height)
    for point, place in zip(named, places, strict=True):
        layout["annotations"].append(
            {
                "x": point["tested_at"], "xref": "x", "y": _place(cast("float", point["shown"]), document), "yref": "y", "ax": 0,
                "ay": place.below, "showarrow": True, "arrowhead": 0, "arrowwidth": 1, "arrowcolor": GREY, "standoff": 9,
                "xanchor": place.side, "align": place.side,
                "text": f"<b>{_plain(_brief(point['lot']))}</b> {_plain(reason(point))}", "font": {"size": 12}, "name": "reason",
            }
        )  # fmt: skip


def _brief(name: str) -> str:
    """A name that fits beside a point."""
    return name if len(name) <= LONGEST_NAME else f"{name[: LONGEST_NAME - 1]}…"


def _add_fan(figure: Figure, document: StreamChart, span: Span | None) -> None:
    fan = outlook(document, span)
    if not fan:
        return
    for low, high, opacity in (("p10", "p90", 0.16), ("p25", "p75", 0.26)):
        there: list[Row] = [{"tested_at": row["tested_at"], "edge": _of(row, high)} for row in fan]
        back: list[Row] = [{"tested_at": row["tested_at"], "edge": _of(row, low)} for row in reversed(fan)]
        filled = {"fill": "toself", "fillcolor": _washed(ACCENT, opacity), "name": "forecast"}
        _line(figure, there + back, "edge", {"width": 0}, **filled)
    _line(figure, fan, "p50", {"color": ACCENT, "width": 1.2, "dash": "dash"}, name="forecast, middle")
    whole = fan[-1]["tested_at"] == forecast_end(document)
    place = {"yref": "y domain", "yanchor": "bottom", "xanchor": "left" if whole else "center"}
    at = fan[0]["tested_at"] if whole else fan[-1]["tested_at"]
    _label(figure, at, 1, "forecast" if whole else f"to {day(forecast_end(document))}", **place)


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
    axis["rangemode"] = "tozero"
    if any(_of(point, f"{key}_upper") is not None for point in points):
        limit = {"color": GREY, "width": 1.2, "dash": "dot", "shape": "hvh"}
        _line(figure, points, f"{key}_upper", limit, axis=f"y{number}", name="control limit", connectgaps=True)
    last = points[-1]
    if (end := last[cast("Literal['bag_spread_upper', 'reading_spread_upper']", f"{key}_upper")]) is not None:
        words = (
            f"upper {100 * end:.0f} %"
            if document["scale"] == "log"
            else f"upper {amount(end, digits=digits_of(document))}"
        )
        place = {"xref": "x domain", "yref": f"y{number}", "yanchor": "middle", "xshift": 7}
        _label(figure, 1, end, words, **place)
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


def bags(session: Session, usual: StoredControlLimits | None = None, beside: Sequence[Session] = ()) -> Figure:
    """Can I trust this lot: every reading, bag by bag, with the limits and the control limits of lot levels.

    All figures of this kind have the same size, so that those of a lot line up. Bags outside the limit are marked.
    `beside` are sessions that share its scale: the retests of the same characteristic.
    """
    figure = frame([""], [1], height=230, top=14, right=BAG_END_ROOM)
    values = [reading["value"] for one in [session, *beside] for reading in one["readings"]]
    low, high = min(values) / FARTHEST_LIMIT, max(values) * FARTHEST_LIMIT
    limits = (session["limit_lower"], session["limit_upper"])
    near_limits = [limit for limit in limits if limit is not None and low <= limit <= high]
    for limit in near_limits:
        _level_line(figure, limit, {"color": LIMIT, "width": 2.5})
    values += near_limits
    digits = digits_of(session)
    labels = [EndLabel(limit, f"limit {amount(limit, digits=digits)}", strong=True) for limit in near_limits]
    settled = usual is not None and usual.get("settled", True)
    if usual is not None and settled and usual["lower"] is not None and usual["upper"] is not None:
        values += _add_usual(figure, usual["lower"], usual["upper"])
        labels.append(EndLabel(usual["upper"], f"upper {amount(usual['upper'], digits=digits)}"))
    # Where bounded readings leave the level open, its known ends are drawn.
    ends = session["level_range"] or {"low": session["level"], "high": None}
    sign = {"low": "≥ ", "high": "≤ "} if session["level_range"] else {"low": "", "high": ""}
    for side, level in (("low", ends["low"]), ("high", ends["high"])):
        if level is not None:
            _level_line(figure, level, {"color": ACCENT, "width": 1.4, "dash": "dash"})
            labels.append(EndLabel(level, f"lot {sign[side]}{amount(level, digits=digits)}", strong=True))
    _add_readings(figure, session)
    numbers = sorted({reading["specimen"] for reading in session["readings"]})
    names = [f"bag {number}" for number in numbers]
    figure["layout"]["xaxis"].update(type="category", categoryorder="array", categoryarray=names, showgrid=False)
    figure["layout"]["xaxis"].update(
        tickvals=names, ticktext=[str(number) for number in numbers], nticks=12, tickangle=0
    )
    figure["layout"]["margin"]["b"] = 26
    level_axis(figure["layout"]["yaxis"], values, session["scale"])
    add_end_labels(figure, labels)
    return figure


def _add_usual(figure: Figure, lower: float, upper: float) -> list[float]:
    """Add a band for the control limits of lot levels; its edges."""
    band = {
        "type": "rect", "x0": 0, "x1": 1, "xref": "x domain", "y0": lower, "y1": upper, "yref": "y",
        "fillcolor": GREY, "opacity": 0.16, "line": {"width": 0}, "layer": "below",
    }  # fmt: skip
    figure["layout"]["shapes"].append(band)
    return [lower, upper]


def _add_readings(figure: Figure, session: Session) -> None:
    """Every reading by its bag: a disc, a square for a bag outside the limit, a triangle beyond the range of the meter.

    A reading outside the limit on a bag whose mean is inside is a hollow square.
    """

    def look(reading: Reading) -> tuple[str, str, int]:
        if reading["bound"]:
            return ("triangle-up" if reading["bound"] > 0 else "triangle-down"), EDGE, 11
        if reading["specimen"] in session["bags_outside"]:
            return "square", EDGE, 8
        return ("square-open", EDGE, 8) if is_reading_outside(session, reading) else ("circle", ACCENT, 8)

    for symbol, color, size in dict.fromkeys(map(look, session["readings"])):
        chosen = [reading for reading in session["readings"] if look(reading) == (symbol, color, size)]
        figure["data"].append(
            {
                "type": "scatter", "mode": "markers", "x": [f"bag {reading['specimen']}" for reading in chosen],
                "y": [reading["value"] for reading in chosen], "text": [_plain(_reading_text(session, one)) for one in chosen],
                "marker": {"symbol": symbol, "size": size, "color": color, "opacity": 0.8},
                "hovertemplate": "%{text}<extra></extra>",
            }
        )  # fmt: skip


def _reading_text(session: Session, reading: Reading) -> str:
    value = in_unit(session, reading["value"], reading["bound"])
    if reading["specimen"] in session["bags_outside"]:
        value += "; mean of the bag outside the limit"
    elif is_reading_outside(session, reading):
        value += "; outside the limit, the mean of the bag is not"
    return f"bag {reading['specimen']}, reading {reading['reading']}: {value}"


# One chamber


def chamber_trace(trace: ChamberTrace, beside: Sequence[ChamberTrace] = ()) -> Figure:
    """A chamber's log: humidity and temperature with their tolerances, and the required hours.

    `beside` holds the traces shown next to this one. All of them share the same scales.
    """
    figure = frame(["humidity, % RH", "temperature, °C"], [3, 2], height=290, gap=0.14, right=TRACE_END_ROOM)
    every = [trace, *beside]
    traces = (
        ("y", trace["humidity"], trace["humidity_low"], trace["humidity_high"], [one["humidity"] for one in every]),
        (
            "y2",
            trace["temperature"],
            trace["temperature_low"],
            trace["temperature_high"],
            [one["temperature"] for one in every],
        ),
    )
    for axis, values, low, high, together in traces:
        figure["data"].append(
            {
                "type": "scatter", "mode": "lines", "x": trace["times"], "y": values, "yaxis": axis,
                "line": {"color": ACCENT, "width": 1.5}, "hovertemplate": "%{x|%-d %b, %H:%M}: %{y:.1f}<extra></extra>",
            }
        )  # fmt: skip
        for edge in (low, high):
            _level_line(figure, edge, {"color": GREY, "width": 1.4, "dash": "dash"}, axis)
        logged = [value for some in together for value in some if value is not None]
        figure["layout"][f"{axis[0]}axis{axis[1:]}"].update(range=list(around([*logged, low, high])), nticks=5)
        labels = [EndLabel(high, f"upper {high:g}"), EndLabel(low, f"lower {low:g}")]
        last = next((value for value in reversed(values) if value is not None), None)
        labels += [] if last is None else [EndLabel(last, f"{last:.1f}", strong=True)]
        add_end_labels(figure, labels, axis)
    for moment in (trace["from"], trace["to"]):
        if moment is not None:
            _mark_moment(figure, moment, {"color": GREY, "width": 1.5})
    time_axis(figure["layout"]["xaxis"], None)
    figure["layout"]["xaxis"]["nticks"] = 5
    return figure
