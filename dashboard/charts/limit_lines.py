"""The limits that the figure of a stream draws: the steps of each specification limit, and the lots outside the baseline."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Literal, TypedDict

from dashboard.text.formatting import day
from ingest.documents.stream import FanPoint, StreamChart

__all__ = [
    "FARTHEST_LIMIT",
    "SIDES",
    "Corner",
    "Side",
    "corners_of",
    "end_of",
    "forecast_end",
    "left_out",
    "near",
    "near_ones",
    "outlook",
]

Span = tuple[str, str]

Side = Literal["lower", "upper"]

SIDES: tuple[Side, ...] = ("lower", "upper")
# A limit farther away than this factor would flatten the chart; a sentence gives it.
FARTHEST_LIMIT = 30.0
# Of the time of the lots shown: where the bar of a forecast begins and ends after the last lot, and the least time.
BAR = (0.07, 0.15)
LEAST_HISTORY = timedelta(days=7)


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


def outlook(document: StreamChart, span: Span | None = None) -> list[FanPoint]:
    """The forecast as it is drawn, empty if there is none: it takes at most a fifth of the width.

    Where the lots shown are too few weeks for that, the forecast is one bar beside them: its last row, over a short time.
    """
    fan = document["forecast"]["fan"] if document["forecast"] else []
    if not fan or not document["points"]:
        return fan
    last = datetime.fromisoformat(document["points"][-1]["tested_at"])
    begin = document["points"][0]["tested_at"]
    # A day without a time begins in the zone of the lots.
    first = datetime.fromisoformat(begin if span is None else max(begin, span[0]))
    first = first if first.tzinfo else first.replace(tzinfo=last.tzinfo)
    if last + (last - first) / 4 >= datetime.fromisoformat(fan[-1]["tested_at"]):
        return fan
    shown = max(last - first, LEAST_HISTORY)
    return [{**fan[-1], "tested_at": (last + shown * share).isoformat()} for share in BAR]


def forecast_end(document: StreamChart) -> str | None:
    """The end of the forecast itself, however it is drawn."""
    fan = document["forecast"]["fan"] if document["forecast"] else []
    return fan[-1]["tested_at"] if fan else None


def corners_of(document: StreamChart, side: Side, span: Span | None) -> list[Corner]:
    """The start of each limit in the time shown, with its value; None if it is not near enough to be drawn."""
    if not document["points"]:
        return []
    first, end = document["points"][0]["tested_at"], end_of(document, span)
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


def end_of(document: StreamChart, span: Span | None = None) -> str:
    """The end of the forecast as it is drawn, or the last lot if there is none."""
    fan = outlook(document, span)
    return fan[-1]["tested_at"] if fan else document["points"][-1]["tested_at"]


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
