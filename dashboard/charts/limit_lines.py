"""What a stream's figure draws of its limits: where each specification limit begins, and which lots set no control limits."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from dashboard.text.formatting import day

__all__ = ["FARTHEST_LIMIT", "SIDES", "corners_of", "end_of", "left_out", "near", "near_ones", "outlook", "stretches"]

Document = Any
Span = tuple[str, str]

SIDES = ("lower", "upper")
# A limit farther away than this would flatten the picture; its place is told in words.
FARTHEST_LIMIT = 30.0


def near(document: Document, limit: float) -> bool:
    """Whether a limit is near enough to the levels to be in the picture."""
    return bool(near_ones(document, [limit]))


def near_ones(document: Document, limits: Iterable[float]) -> list[float]:
    """Those of these limits that are near enough to the levels to be in the picture."""
    levels = [point["shown"] for point in document["points"] if point["shown"] is not None]
    if not levels:
        return []
    if document["scale"] != "log":
        return list(limits)
    low, high = min(levels) / FARTHEST_LIMIT, max(levels) * FARTHEST_LIMIT
    return [limit for limit in limits if low <= limit <= high]


def outlook(document: Document) -> list[Document]:
    """The outlook, empty where there is none."""
    return document["forecast"]["fan"] if document["forecast"] else []


def corners_of(document: Document, side: str, span: Span | None) -> list[Document]:
    """Where each limit begins in the time shown: its time and its value, None where none is near enough to be drawn."""
    if not document["points"]:
        return []
    first, end = document["points"][0]["tested_at"], end_of(document)
    begin = first if span is None else max(first, span[0])
    corners: list[Document] = []
    for step in document["specification_limits"][side]:
        at = step["from"] if step["from"] is not None and step["from"] > begin[:10] else begin
        if at[:10] > end[:10]:
            continue
        # Of the limits from before the time shown only the last counts, and of two from one day the later one.
        if corners and corners[-1]["tested_at"] == at:
            corners.pop()
        drawn = step["value"] is not None and near(document, step["value"])
        corners.append({"tested_at": at, "value": step["value"] if drawn else None})
    return corners


def end_of(document: Document) -> str:
    """The end of the outlook, or the last lot where there is none."""
    last: str = [*document["points"][-1:], *outlook(document)[-1:]][-1]["tested_at"]
    return last


def stretches(document: Document) -> list[list[Document]]:
    """The points between two settings of the control limits: with new limits the smoothed level starts anew."""
    starts = [limits["from_at"] for limits in document["limits_history"][1:]]
    parts: list[list[Document]] = [[] for _ in range(len(starts) + 1)]
    for point in document["points"]:
        parts[sum(start <= point["tested_at"] for start in starts)].append(point)
    return parts


def left_out(document: Document) -> dict[str, str]:
    """Why a lot sets no control limits, by the time of its test."""
    found = {}
    for limits in document["limits_history"]:
        for out in limits["left_out"]:
            signed = f" by {out['who']}, {day(out['recorded_at'])}: {out['reason']}" if "who" in out else ""
            found[out["tested_at"]] = f"{LEFT_OUT[out['why']]}{signed}"
    return found


LEFT_OUT = {
    "by_hand": "left out",
    "far_from_the_rest": "left out by the robust rule: too far from the rest",
    "tells_nothing": "left out: its readings do not settle its level",
}
