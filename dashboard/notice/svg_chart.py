"""The lots of a stream on paper: the lots of the notice marked, with the centre line and the limit."""

from __future__ import annotations

import math
from datetime import date, timedelta

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
from dashboard.text.formatting import in_unit
from ingest.documents.alert import StreamEvidence
from ingest.documents.notice import NoticeDocument
from spc.vocabulary.enums import Scale

__all__ = ["chart"]

WIDTH, HEIGHT = 520, 190
EDGES = Edges(56, WIDTH - 8, 16, HEIGHT - 20)


def chart(notice: NoticeDocument, title: str) -> str:
    """The picture; it shows lots of the notice's own stream and nothing else."""
    points = [(point["shown"], point) for point in notice["points"] if point["shown"] is not None]
    if not points:
        return ""
    days = day_of(points[0][1]["tested_at"]), day_of(points[-1][1]["tested_at"])
    frame = _frame([level for level, _ in points], days, notice)
    parts = [*level_ticks(frame, notice["unit"]), *_months(frame), *_start(frame, notice["evidence"])]
    centre = notice["evidence"]["usual"]
    if centre is not None and frame.holds(centre):
        parts.append(line(EDGES.left, frame.y(centre), EDGES.right, frame.y(centre), LIGHT.quiet, 1.0, dashed=True))
    for limit, rule in ((notice["limit_upper"], "under"), (notice["limit_lower"], "at least")):
        if limit is not None and frame.holds(limit):
            y = frame.y(limit)
            parts.append(line(EDGES.left, y, EDGES.right, y, LIGHT.act, 1.6))
            text = f"limit: {rule} {in_unit(notice, limit)}"
            parts.append(words(EDGES.left + 6, y + 10, text, "start", LIGHT.act))
    for level, point in points:
        x, y = frame.x(day_of(point["tested_at"])), frame.y(level)
        if point["verdict"] == "fail":
            parts.append(diamond(x, y))
        else:
            parts.append(disc(x, y, 2.8 if point["concerned"] else 2.4, filled=point["concerned"]))
    return drawing(WIDTH, HEIGHT, title, parts)


def _frame(levels: list[float], days: tuple[date, date], notice: NoticeDocument) -> Frame:
    is_log = notice["scale"] == Scale.LOG
    middle = notice["evidence"]["usual"] or levels[-1]
    limits = [limit for limit in (notice["limit_lower"], notice["limit_upper"]) if limit is not None]

    def distance(limit: float) -> float:
        return abs(math.log(limit / middle)) if is_log and limit > 0 and middle > 0 else abs(limit - middle)

    # Of two limits the nearer one; the other would only flatten the picture.
    near = [min(limits, key=distance)] if limits else []
    # A few days beside the first and the last lot, as their marks have some width.
    wider = days[0] - timedelta(days=4), days[1] + timedelta(days=4)
    return Frame.around([*levels, middle, *near], wider, EDGES, is_log=is_log)


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


def _start(frame: Frame, evidence: StreamEvidence) -> list[str]:
    """The estimated start of the shift: a line, and its interval as a band."""
    if not evidence["since_at"]:
        return []
    x = frame.x(day_of(evidence["since_at"]))
    parts = []
    low, high = evidence["since_low_at"], evidence["since_high_at"]
    if low and high:
        left, right = frame.x(day_of(low)), frame.x(day_of(high))
        parts.append(band(left, EDGES.top, right, EDGES.bottom, 0.10))
    parts.append(line(x, EDGES.top, x, EDGES.bottom, LIGHT.accent, 1.0))
    anchor = "start" if x < WIDTH / 2 else "end"
    return [*parts, words(x, EDGES.top - 5, "estimated start", anchor, LIGHT.accent)]
