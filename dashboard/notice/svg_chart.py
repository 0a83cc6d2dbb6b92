"""The picture of a notice: one stream's lots over time, those concerned marked, with the usual level and the limit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Any

from dashboard.charts.svg_shapes import EDGE, HAIR, INK, MEAN, QUIET, Frame, diamond, disc, drawing, line, words
from dashboard.text.formatting import amount
from spc.vocabulary.enums import Scale
from spc.vocabulary.finite import LARGEST, SMALLEST, exp

__all__ = ["chart"]

Document = dict[str, Any]

WIDTH, HEIGHT = 520, 190
LEFT, RIGHT, TOP, BOTTOM = 56, 8, 16, 20


def chart(notice: Document, title: str) -> str:
    """The picture; it shows lots of the notice's own stream and nothing else."""
    points = [point for point in notice["points"] if point["shown"] is not None]
    if not points:
        return ""
    frame = _frame(points, notice)
    parts = [*_axes(frame, notice), *_since(frame, notice), *_usual(frame, notice), *_limits(frame, notice)]
    return drawing(WIDTH, HEIGHT, title, [*parts, *[_lot(frame, point) for point in points]])


def _day(stamp: str) -> date:
    return datetime.fromisoformat(stamp).date()


def _frame(points: Sequence[Document], notice: Document) -> Frame:
    is_log = notice["scale"] == Scale.LOG
    start, end = _day(points[0]["tested_at"]), _day(points[-1]["tested_at"])
    shown = [point["shown"] for point in points]
    middle = notice["evidence"].get("usual") or shown[-1]
    # Of two limits the nearer one; the other would only flatten the picture.
    limits = [limit for limit in (notice["limit_lower"], notice["limit_upper"]) if limit is not None]
    near = [min(limits, key=lambda limit: abs(_scaled(limit, is_log) - _scaled(middle, is_log)))] if limits else []
    heights = [_scaled(value, is_log) for value in [*shown, middle, *near] if value > 0 or not is_log]
    margin = 0.07 * (max(heights) - min(heights)) or 0.5
    low, high = min(heights) - margin, max(heights) + margin
    # A little room beside the first and the last lot, which are marks of some width.
    edges = LEFT + 4, WIDTH - RIGHT - 4, TOP, HEIGHT - BOTTOM
    return Frame(*edges, start, max((end - start).days, 1), low, high, is_log)


def _scaled(value: float, is_log: bool) -> float:
    return math.log(value) if is_log and value > 0 else value


def _axes(frame: Frame, notice: Document) -> list[str]:
    base = HEIGHT - BOTTOM
    ticks = _ticks(frame)
    marks = [line(LEFT, frame.y(tick), WIDTH - RIGHT, frame.y(tick), HAIR, 0.4) for tick in ticks]
    said = [words(LEFT - 4, frame.y(tick) + 3, amount(tick, notice["unit"]), "end") for tick in ticks]
    return [line(LEFT, base, WIDTH - RIGHT, base, HAIR), *marks, *said, *_months(frame)]


def _ticks(frame: Frame) -> list[float]:
    """Round values inside the picture, at most five."""
    low, high = ((exp(end) if frame.is_log else end) for end in (frame.low, frame.high))
    found: list[float] = []
    for mantissas in (
        (1,),
        (1, 3),
        (1, 2, 5),
        (1, 1.5, 2, 3, 5, 7),
        (1, 1.2, 1.4, 1.6, 1.8, 2, 2.5, 3, 4, 5, 6, 7, 8, 9),
    ):
        first, last = math.floor(math.log10(max(low, SMALLEST))), math.ceil(math.log10(max(high, SMALLEST)))
        decades = range(first, min(last, math.floor(math.log10(LARGEST))) + 1)
        fitting = [value for decade in decades for m in mantissas if low <= (value := m * 10.0**decade) <= high]
        if len(fitting) > 5 and found:
            break
        found = fitting[:: -(-len(fitting) // 5)] if fitting else found
    return found or [low, high]


def _months(frame: Frame) -> list[str]:
    """First days of months, as many as have room."""
    step = 1 if frame.days < 250 else 3 if frame.days < 1100 else 12
    end, parts = frame.start + timedelta(days=frame.days), []
    for year in range(frame.start.year, end.year + 1):
        for month in range(1, 13, step):
            day = date(year, month, 1)
            if frame.start <= day <= end:
                parts.append(line(frame.x(day), HEIGHT - BOTTOM, frame.x(day), HEIGHT - BOTTOM + 3, QUIET))
                parts.append(words(frame.x(day), HEIGHT - 6, f"{day:%b %Y}", "middle"))
    return parts


def _since(frame: Frame, notice: Document) -> list[str]:
    """When the move began: a line, and its interval as a band."""
    evidence = notice["evidence"]
    if not evidence.get("since_at"):
        return []
    parts = []
    if evidence.get("since_low_at") and evidence.get("since_high_at"):
        left, right = (frame.x(_day(evidence[key])) for key in ("since_low_at", "since_high_at"))
        place = f'x="{left:.1f}" y="{TOP}" width="{max(right - left, 1):.1f}" height="{HEIGHT - TOP - BOTTOM}"'
        parts.append(f'<rect {place} fill="{MEAN}" opacity="0.10"/>')
    x = frame.x(_day(evidence["since_at"]))
    anchor = "start" if x < WIDTH / 2 else "end"
    return [*parts, line(x, TOP, x, HEIGHT - BOTTOM, MEAN, 1.0), words(x, TOP - 5, "began about here", anchor, MEAN)]


def _usual(frame: Frame, notice: Document) -> list[str]:
    usual = notice["evidence"].get("usual")
    if not frame.holds(usual):
        return []
    y = frame.y(usual)
    return [line(LEFT, y, WIDTH - RIGHT, y, QUIET, 1.0, dashed=True)]


def _limits(frame: Frame, notice: Document) -> list[str]:
    parts = []
    for key, told in (("limit_upper", "under"), ("limit_lower", "at least")):
        limit = notice[key]
        if frame.holds(limit):
            y = frame.y(limit)
            parts.append(line(LEFT, y, WIDTH - RIGHT, y, EDGE, 1.6))
            parts.append(words(LEFT + 6, y + 10, f"limit: {told} {amount(limit, notice['unit'])}", "start", EDGE))
    return parts


def _lot(frame: Frame, point: Document) -> str:
    """One lot: filled where concerned, open where not; a diamond fails."""
    x, y = frame.x(_day(point["tested_at"])), frame.y(point["shown"])
    if point["verdict"] == "fail":
        return diamond(x, y, f'fill="{EDGE}"')
    return disc(x, y, 2.8) if point["concerned"] else disc(x, y, 2.4, f'fill="#fff" stroke="{INK}"')
