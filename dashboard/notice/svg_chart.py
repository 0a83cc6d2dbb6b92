"""The lots of a stream on paper: the lots of the notice marked, with the centre line and the limit."""

from __future__ import annotations

import math
from datetime import date, timedelta
from typing import Any

from dashboard.charts.svg_shapes import (
    Edges,
    Frame,
    band,
    day_of,
    diamond,
    disc,
    drawing,
    level_ticks,
    line,
    words,
)
from dashboard.paper.palette import LIGHT
from dashboard.text.formatting import amount
from spc.vocabulary.enums import Scale

__all__ = ["chart"]

Document = Any

WIDTH, HEIGHT = 520, 190
EDGES = Edges(56, WIDTH - 8, 16, HEIGHT - 20)


def chart(notice: Document, title: str) -> str:
    """The picture; it shows lots of the notice's own stream and nothing else."""
    points = [point for point in notice["points"] if point["shown"] is not None]
    if not points:
        return ""
    frame = _frame([point["shown"] for point in points], (points[0]["tested_at"], points[-1]["tested_at"]), notice)
    parts = [*level_ticks(frame, notice["unit"]), *_months(frame), *_start(frame, notice["evidence"])]
    centre = notice["evidence"].get("usual")
    if frame.holds(centre):
        parts.append(line(EDGES.left, frame.y(centre), EDGES.right, frame.y(centre), LIGHT.quiet, 1.0, dashed=True))
    for key, rule in (("limit_upper", "under"), ("limit_lower", "at least")):
        if frame.holds(limit := notice[key]):
            y = frame.y(limit)
            parts.append(line(EDGES.left, y, EDGES.right, y, LIGHT.act, 1.6))
            text = f"limit: {rule} {amount(limit, notice['unit'])}"
            parts.append(words(EDGES.left + 6, y + 10, text, "start", LIGHT.act))
    for point in points:
        x, y = frame.x(day_of(point["tested_at"])), frame.y(point["shown"])
        if point["verdict"] == "fail":
            parts.append(diamond(x, y))
        else:
            parts.append(disc(x, y, 2.8 if point["concerned"] else 2.4, filled=point["concerned"]))
    return drawing(WIDTH, HEIGHT, title, parts)


def _frame(levels: list[float], span: tuple[str, str], notice: Document) -> Frame:
    is_log = notice["scale"] == Scale.LOG
    middle = notice["evidence"].get("usual") or levels[-1]
    limits = [limit for limit in (notice["limit_lower"], notice["limit_upper"]) if limit is not None]

    def distance(limit: float) -> float:
        return abs(math.log(limit / middle)) if is_log and limit > 0 and middle > 0 else abs(limit - middle)

    # Of two limits the nearer one; the other would only flatten the picture.
    near = [min(limits, key=distance)] if limits else []
    # A few days beside the first and the last lot, as their marks have some width.
    days = day_of(span[0]) - timedelta(days=4), day_of(span[1]) + timedelta(days=4)
    return Frame.around([*levels, middle, *near], days, EDGES, is_log=is_log)


def _months(frame: Frame) -> list[str]:
    """The first days of months, as many as have room."""
    start, end = date.fromordinal(int(frame.first)), date.fromordinal(int(frame.last))
    days = (end - start).days
    step = 1 if days < 250 else 3 if days < 1100 else 12
    parts = []
    for year in range(start.year, end.year + 1):
        for month in range(1, 13, step):
            day = date(year, month, 1)
            if start <= day <= end:
                x = frame.x(day)
                parts += [line(x, EDGES.bottom, x, EDGES.bottom + 3, LIGHT.quiet)]
                parts += [words(x, HEIGHT - 6, f"{day:%b %Y}", "middle")]
    return parts


def _start(frame: Frame, evidence: Document) -> list[str]:
    """The estimated start of the shift: a line, and its interval as a band."""
    if not evidence.get("since_at"):
        return []
    x = frame.x(day_of(evidence["since_at"]))
    parts = []
    if evidence.get("since_low_at") and evidence.get("since_high_at"):
        left, right = (frame.x(day_of(evidence[key])) for key in ("since_low_at", "since_high_at"))
        parts.append(band(left, EDGES.top, right, EDGES.bottom, 0.10))
    parts.append(line(x, EDGES.top, x, EDGES.bottom, LIGHT.accent, 1.0))
    anchor = "start" if x < WIDTH / 2 else "end"
    return [*parts, words(x, EDGES.top - 5, "estimated start", anchor, LIGHT.accent)]
