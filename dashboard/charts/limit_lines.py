"""The limits that the figure of a stream draws: the steps of each specification limit, and the lots outside the baseline."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal, TypedDict

from dashboard.text.formatting import day
from ingest.documents.stream import FanPoint, Point, StreamChart

__all__ = [
    "FARTHEST_LIMIT",
    "SIDES",
    "Corner",
    "Side",
    "corners_of",
    "end_of",
    "left_out",
    "near",
    "near_ones",
    "outlook",
    "stretches",
]

Span = tuple[str, str]

Side = Literal["lower", "upper"]

SIDES: tuple[Side, ...] = ("lower", "upper")
# A limit farther away than this factor would flatten the chart; a sentence gives it.
FARTHEST_LIMIT = 30.0


class Corner(TypedDict):
    """The start of a specification limit in a figure."""

    tested_at: str
    value: float | None


def near(document: StreamChart, limit: float) -> bool:
    """Whether a limit is near enough to the levels to be drawn."""
    return bool(near_ones(document, [limit]))


def near_ones(document: StreamChart, limits: Iterable[float]) -> list[float]:
    """The limits that are near enough to the levels to be drawn."""
    levels = [point["shown"] for point in document["points"] if point["shown"] is not None]
    if not levels:
        return []
    if document["scale"] != "log":
        return list(limits)
    low, high = min(levels) / FARTHEST_LIMIT, max(levels) * FARTHEST_LIMIT
    return [limit for limit in limits if low <= limit <= high]


def outlook(document: StreamChart) -> list[FanPoint]:
    """The forecast, empty if there is none."""
    return document["forecast"]["fan"] if document["forecast"] else []


def corners_of(document: StreamChart, side: Side, span: Span | None) -> list[Corner]:
    """The start of each limit in the time shown, with its value; None if it is not near enough to be drawn."""
    if not document["points"]:
        return []
    first, end = document["points"][0]["tested_at"], end_of(document)
    begin = first if span is None else max(first, span[0])
    corners: list[Corner] = []
    for step in document["specification_limits"][side]:
        at = step["from"] if step["from"] is not None and step["from"] > begin[:10] else begin
        if at[:10] > end[:10]:
            continue
        # Of the limits before the time shown only the last applies, and of two from one day the later one.
        if corners and corners[-1]["tested_at"] == at:
            corners.pop()
        value = step["value"]
        corners.append({"tested_at": at, "value": value if value is not None and near(document, value) else None})
    return corners


def end_of(document: StreamChart) -> str:
    """The end of the forecast, or the last lot if there is none."""
    fan = outlook(document)
    return fan[-1]["tested_at"] if fan else document["points"][-1]["tested_at"]


def stretches(document: StreamChart) -> list[list[Point]]:
    """The points of each baseline: the moving average starts anew with a new one."""
    starts = [limits["from_at"] or "" for limits in document["limits_history"][1:]]
    parts: list[list[Point]] = [[] for _ in range(len(starts) + 1)]
    for point in document["points"]:
        parts[sum(start <= point["tested_at"] for start in starts)].append(point)
    return parts


def left_out(document: StreamChart) -> dict[str, str]:
    """Why a lot is not in the baseline, by the time of its test."""
    reasons = {}
    for limits in document["limits_history"]:
        for out in limits["left_out"]:
            signed = f" by {out['who']}, {day(out.get('recorded_at'))}: {out.get('reason')}" if "who" in out else ""
            reasons[out["tested_at"]] = f"{LEFT_OUT[out['why']]}{signed}"
    return reasons


LEFT_OUT = {
    "by_hand": "excluded",
    "far_from_the_rest": "excluded by the robust rule: too far from the rest",
    "tells_nothing": "excluded: its readings leave its level open",
}
