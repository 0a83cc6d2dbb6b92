"""The lots of a notice: those that the alert concerns, those of its chart, those left out, and the figures that sum them up."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import fmean, geometric_mean
from typing import Literal

from sqlalchemy import RowMapping

from ingest.common.instants import WEEK_US
from ingest.documents.alert import StoredStreamEvidence
from ingest.documents.notice import NoticeBasis, NoticeLot, NoticePoint, NoticeSpans
from spc.vocabulary.enums import Kind, Scale

__all__ = ["LOT_BY_LOT", "basis", "charted", "concerned", "conditioning_shown", "difference", "left_out", "others"]

# Kinds about single lots: the lots between two of them were normal.
LOT_BY_LOT = (Kind.LIMIT, Kind.POINT, Kind.SPREAD)
CHART_WEEKS = 78


def _is_run(alert: RowMapping, evidence: StoredStreamEvidence) -> bool:
    """Whether the alert is about all lots since a start, and not about single ones."""
    if alert["kind"] == Kind.SPREAD:
        return evidence["since_us"] is not None
    return alert["kind"] not in LOT_BY_LOT


def _span(alert: RowMapping, evidence: StoredStreamEvidence) -> tuple[int, int]:
    """The time that the alert concerns."""
    start = evidence["since_us"] if _is_run(alert, evidence) else None
    return start or alert["raised_us"], evidence["latest_tested_us"]


def concerned(points: Sequence[NoticeLot], alert: RowMapping, evidence: StoredStreamEvidence) -> list[NoticeLot]:
    """The valid lots that the alert names, that have its signal, or that were tested since the shift began."""
    start, end = _span(alert, evidence)
    named = (alert["lot"], evidence["latest_lot"])
    return [
        point
        for point in points
        if point["state"] == "valid"
        and start <= point["tested_us"] <= end
        and (_is_run(alert, evidence) or point["lot"] in named or alert["kind"] in point["signals"])
    ]


def basis(
    points: Sequence[NoticeLot],
    lots: Sequence[NoticeLot],
    alert: RowMapping,
    evidence: StoredStreamEvidence,
    scale: str,
) -> NoticeBasis | None:
    """What the lots of a run show together, against the valid lots before them; None for an alert about single lots."""
    if not _is_run(alert, evidence) or not lots:
        return None
    before = [one for one in points if one["state"] == "valid" and one["tested_us"] < lots[0]["tested_us"]]
    of: Literal["level", "bag_spread", "reading_spread"] = "level"
    if alert["kind"] == Kind.SPREAD:
        of = "reading_spread" if evidence["form"] == "reading_spread" else "bag_spread"
    together = _mean_level if of == "level" else _pooled_deviation
    return {
        "of": of,
        "lots": len(lots),
        "bags": sum(lot["bags"] for lot in lots),
        "value": together(lots, of, scale),
        "lots_before": len(before),
        "value_before": together(before, of, scale),
    }


def _mean_level(lots: Sequence[NoticeLot], of: str, scale: str) -> float | None:
    """The mean of the lots' levels in the unit, geometric on a log scale."""
    levels = [lot["level"] for lot in lots if lot["level"] is not None]
    if not levels:
        return None
    return geometric_mean(levels) if scale == Scale.LOG else fmean(levels)


def _pooled_deviation(lots: Sequence[NoticeLot], of: str, scale: str) -> float | None:
    """The standard deviation within lots, each weighing by its degrees of freedom."""
    parts = [
        (max((lot["bags"] if of == "bag_spread" else lot["n"] - lot["bags"] + 1) - 1, 0), value)
        for lot in lots
        if (value := lot["bag_spread"] if of == "bag_spread" else lot["reading_spread"]) is not None
    ]
    df = sum(weight for weight, _ in parts)
    return math.sqrt(sum(weight * value**2 for weight, value in parts) / df) if df else None


def left_out(points: Sequence[NoticeLot], alert: RowMapping, evidence: StoredStreamEvidence) -> int:
    """How many lots of the same time had no valid test."""
    start, end = _span(alert, evidence)
    return sum(point["state"] != "valid" and start <= point["tested_us"] <= end for point in points)


def others(points: Sequence[NoticeLot], lots: Sequence[NoticeLot]) -> list[NoticeLot]:
    """The valid lots since the first of the `lots` that the alert does not concern, also those tested after it."""
    times = {lot["tested_us"] for lot in lots}
    return [
        point
        for point in points
        if point["state"] == "valid" and point["tested_us"] not in times and times and point["tested_us"] > min(times)
    ]


def charted(points: Sequence[NoticeLot], lots: Sequence[NoticeLot]) -> list[NoticePoint]:
    """The valid lots from well before the first of the `lots` on, with whether the alert concerns them."""
    times = {lot["tested_us"] for lot in lots}
    valid = [point for point in points if point["state"] == "valid"]
    if not valid:
        return []
    start = min([valid[-1]["tested_us"], *times]) - CHART_WEEKS * WEEK_US
    return [
        {
            "tested_at": point["tested_at"],
            "shown": point["shown"],
            "bound": point["bound"],
            "verdict": point["verdict"],
            "concerned": point["tested_us"] in times,
        }
        for point in valid
        if point["tested_us"] >= start
    ]


def difference(evidence: StoredStreamEvidence) -> tuple[float | None, float | None]:
    """How far the latest level lies from the one before, in the unit and in percent.

    None where either is unknown, or where bounded readings leave the latest open.
    """
    before, latest = evidence["usual"], evidence["latest_level"]
    if before is None or latest is None or evidence["latest_bound"]:
        return None, None
    return latest - before, 100.0 * (latest / before - 1.0) if before else None


def conditioning_shown(lots: Sequence[NoticeLot]) -> NoticeSpans | None:
    """The fewest hours and the range of humidity over all lots; None where no log gives them."""
    hours = [lot["hours"] for lot in lots if lot["hours"] is not None]
    low = [lot["humidity_min"] for lot in lots if lot["humidity_min"] is not None]
    high = [lot["humidity_max"] for lot in lots if lot["humidity_max"] is not None]
    if not (hours and low and high):
        return None
    return {"hours": min(hours), "humidity_min": min(low), "humidity_max": max(high)}
