"""An evaluation as stored documents: levels in the unit, times in microseconds, nan as null.

The keys are those of the JSON that the commands print; a time leaves the store as ISO 8601 (`dashboard.views`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ingest.acts import Act, left_out_standing, restarts_standing
from ingest.lab import Lab, Limits
from ingest.limit_steps import SIDES, step_document
from ingest.stamps import from_microseconds, microseconds
from ingest.suspects import SET_ASIDE, Suspect
from spc.baseline import LeftOutReason, limits
from spc.capability import Capability
from spc.evaluate import CHART_WIDTH, Evaluation, Segment
from spc.verdicts import to_unit

if TYPE_CHECKING:
    from ingest.evaluating import Stream

__all__ = ["board_row", "number", "point_documents", "sketch", "stream_document"]

Document = dict[str, Any]

WEEK_US = 7 * 24 * 3_600_000_000
YEAR_WEEKS = 52.0
# A stream is silent when no lot came for four times its usual pause, and for eight weeks at least.
SILENT_PAUSES = 4
SILENT_WEEKS = 8.0


def number(value: float | None) -> float | None:
    """A finite number, or None."""
    return None if value is None or not math.isfinite(value) else float(value)


def _unit(value: float | None, scale: str) -> float | None:
    """A level of the charted scale in the unit."""
    if value is None or not math.isfinite(value):
        return None
    return number(float(to_unit(np.array([value]), scale)[0]))


def _levels(values: np.ndarray, scale: str) -> np.ndarray:
    """Levels of the charted scale in the unit, nan where one is unknown or has no bound."""
    return np.where(np.isfinite(values), to_unit(values, scale), np.nan)


def _limits_now(lab: Lab, stream: Stream, evaluation: Evaluation) -> Limits:
    return lab.limits_at(stream.product, stream.characteristic, _time(float(evaluation.points["weeks"].iloc[-1])))


def _time(weeks: float) -> datetime:
    return from_microseconds(round(weeks * WEEK_US))


def _microseconds(weeks: float) -> int:
    return round(weeks * WEEK_US)


# Board


def board_row(lab: Lab, stream: Stream, evaluation: Evaluation) -> Document:
    """The stored part of a stream's row on the board."""
    declared = lab.characteristic(stream.characteristic)
    points, outlook = evaluation.points, evaluation.forecast
    valid = points[points["valid"]]
    bounds = _limits_now(lab, stream, evaluation)
    limited = bounds.lower is not None or bounds.upper is not None
    last = points.iloc[-1]
    return {
        "unit": declared.unit,
        "lots": int(valid["lot"].nunique()),
        "last_lot": str(last["lot"]),
        "last_tested_us": int(last["started_us"]),
        "level": _unit(_level_now(evaluation), declared.scale),
        "limit_lower": bounds.lower,
        "limit_upper": bounds.upper,
        "change_percent_per_month": number(outlook.change_percent_per_month),
        "breach_probability": number(outlook.breach_probability) if limited else None,
        "weeks_to_limit": _weeks_to_limit(evaluation) if limited else None,
        **_ppk(evaluation),
        "learning": bool(not evaluation.segments or not evaluation.segments[-1].baseline.frozen),
        "check_standard": lab.is_check_standard(stream.supplier, stream.product),
        "silent_after_us": _microseconds(_silent_after(points["weeks"].to_numpy(np.float64))),
    }


def _level_now(evaluation: Evaluation) -> float | None:
    """Where the stream stands: the forecast's level, or the last measured one while there is no forecast."""
    if evaluation.forecast.level_now is not None:
        return float(evaluation.forecast.level_now)
    measured = evaluation.points[evaluation.points["measured"]]
    return float(measured["level"].iloc[-1]) if len(measured) else None


def _believed(points: pd.DataFrame) -> pd.DataFrame:
    """The points that the outlook rests on."""
    return points[points["measured"] & ~points["doubted"]]


def _weeks_to_limit(evaluation: Evaluation) -> Document | None:
    outlook = evaluation.forecast
    if outlook.weeks_p50 is None:
        return None
    return {"p10": number(outlook.weeks_p10), "p50": number(outlook.weeks_p50), "p90": number(outlook.weeks_p90)}


def _ppk(evaluation: Evaluation) -> Document:
    found = evaluation.capability
    if not isinstance(found, Capability):
        return {"ppk": None, "ppk_lower": None}
    return {"ppk": number(found.ppk), "ppk_lower": number(found.ppk_lower)}


def _silent_after(weeks: np.ndarray) -> float:
    usual = float(np.median(np.diff(weeks))) if weeks.size > 1 else 0.0
    return max(SILENT_WEEKS, SILENT_PAUSES * usual)


def sketch(lab: Lab, stream: Stream, evaluation: Evaluation) -> Document:
    """The last year and the outlook for the small picture, in the charted scale."""
    bounds, scale = _limits_now(lab, stream, evaluation), lab.characteristic(stream.characteristic).scale

    def charted(limit: float | None) -> float | None:
        return math.log(limit) if limit is not None and scale == "log" else limit

    measured = _believed(evaluation.points)
    weeks = measured["weeks"].to_numpy(np.float64)
    recent = measured[weeks > weeks[-1] - YEAR_WEEKS] if weeks.size else measured
    fan = evaluation.forecast.fan
    return {
        "lots": [
            [round(float(week - weeks[-1]), 2), round(float(level), 4)]
            for week, level in zip(recent["weeks"], recent["level"], strict=True)
        ],
        "fan": [
            [round(float(value), 4) for value in row] for row in fan[["weeks", "p10", "p25", "p75", "p90"]].to_numpy()
        ],
        "usual": number(evaluation.segments[-1].baseline.center) if evaluation.segments else None,
        "lower": charted(bounds.lower),
        "upper": charted(bounds.upper),
    }


# Stream


def stream_document(
    lab: Lab, stream: Stream, evaluation: Evaluation, acts: list[Act], marked: Mapping[int, Suspect]
) -> Document:
    """The stored part of `lotdrift stream`, without the points."""
    declared = lab.characteristic(stream.characteristic)
    history = [_segment(segment, declared.scale, acts, marked) for segment in evaluation.segments]
    return {
        "unit": declared.unit,
        "scale": declared.scale,
        "limits": history[-1] if history else _no_limits(),
        "limits_history": history,
        "specification_limits": {
            side: [step_document(step) for step in lab.limit_steps(stream.product, stream.characteristic, side)]
            for side in SIDES
        },
        "components": _components(evaluation),
        "forecast": _forecast(evaluation, declared.scale),
        "capability": _capability(evaluation),
        "dependence": _dependence(evaluation),
        "normality": _normality(evaluation),
        "pattern_price": {
            "patterns": list(evaluation.pattern_price.patterns),
            "lots_a_false_mark": number(evaluation.pattern_price.lots),
            "weeks_a_false_mark": number(evaluation.pattern_price.weeks),
        },
        "settings": [{"from_us": from_us, **_signed(act)} for from_us, act in restarts_standing(acts).items()],
        "acts": [
            {"recorded_us": microseconds(act.at), "who": act.who, "what": act.what, "reason": act.reason, **act.body}
            for act in acts
        ],
    }


def _no_limits() -> Document:
    return {
        "center": None,
        "lower": None,
        "upper": None,
        "from_lots": 0,
        "lots": [],
        "frozen_us": None,
        "widened_for_dependence": None,
        "from_us": None,
        "left_out": [],
        "set_by": None,
    }


def _segment(segment: Segment, scale: str, acts: list[Act], marked: Mapping[int, Suspect]) -> Document:
    """The limits for a lot of usual size, what they rest on and since when they hold."""
    usual, points = segment.baseline, segment.points
    typical = points["variance"].median()
    lower, upper = limits(usual, [typical], CHART_WIDTH)
    lots = points.index[usual.used]
    rho = None if segment.dependence is None or not segment.widened else segment.dependence.rho
    return {
        "center": _unit(usual.center, scale),
        "lower": _unit(float(lower[0]), scale),
        "upper": _unit(float(upper[0]), scale),
        "from_lots": int(usual.used.sum()),
        "lots": [str(lot) for lot in points.loc[lots, "lot"]],
        "frozen_us": int(points.loc[lots[-1], "started_us"]) if usual.frozen else None,
        "from_us": int(points["started_us"].iloc[0]),
        "widened_for_dependence": rho,
        "left_out": [
            _left_out(points.iloc[one.index], one.reason, acts, marked.get(int(points.index[one.index])))
            for one in usual.left_out
        ],
        "set_by": _set_by(int(points["started_us"].iloc[0]), acts),
    }


def _left_out(point: pd.Series, why: LeftOutReason, acts: list[Act], suspect: Suspect | None) -> Document:
    """A lot that sets no limits, and who left it out where a person did."""
    lot = str(point["lot"])
    act = left_out_standing(acts).get(lot) if why == LeftOutReason.BY_HAND else None
    unsettled = suspect is not None and not suspect.settled and act is None
    told = "to_be_looked_at" if unsettled else str(why)
    return {"lot": lot, "tested_us": int(point["started_us"]), "why": told, **_signed(act)}


def _set_by(first_us: int, acts: list[Act]) -> Document | None:
    """Who set the limits again before this lot, and from when on; None where they are the stream's first."""
    before = [(from_us, act) for from_us, act in restarts_standing(acts).items() if from_us <= first_us]
    return {"from_us": before[-1][0], **_signed(before[-1][1])} if before else None


def _signed(act: Act | None) -> Document:
    return {} if act is None else {"who": act.who, "recorded_us": microseconds(act.at), "reason": act.reason}


def _components(evaluation: Evaluation) -> Document:
    if not evaluation.segments:
        return {"lot": None, "bag": None, "reading": None, "set_to_zero": [], "intervals": {}}
    found = evaluation.segments[-1].components
    return {
        "lot": number(found.lot),
        "bag": number(found.bag),
        "reading": number(found.reading),
        "set_to_zero": list(found.negative),
        "intervals": {
            "lot": [number(found.lot_low), number(found.lot_high)],
            "bag": [number(found.bag_low), number(found.bag_high)],
            "reading": [number(found.reading_low), number(found.reading_high)],
        },
    }


def _forecast(evaluation: Evaluation, scale: str) -> Document | None:
    outlook = evaluation.forecast
    if outlook.level_now is None or outlook.fan.empty:
        return None
    start = float(_believed(evaluation.points)["weeks"].iloc[-1])
    fan = [
        {
            "tested_us": _microseconds(start + float(row["weeks"])),
            **{name: _unit(float(row[name]), scale) for name in ("p10", "p25", "p50", "p75", "p90")},
        }
        for _, row in outlook.fan.iterrows()
    ]
    return {
        "breach_probability": number(outlook.breach_probability),
        "weeks_to_limit": _weeks_to_limit(evaluation),
        "change_percent_per_month": number(outlook.change_percent_per_month),
        "fan": fan,
    }


def _capability(evaluation: Evaluation) -> Document:
    found = evaluation.capability
    if isinstance(found, Capability):
        return {
            "ppk": number(found.ppk),
            "ppk_lower": number(found.ppk_lower),
            "ppk_upper": number(found.ppk_upper),
            "pp": number(found.pp),
            "ppm": number(found.ppm),
            "why": "",
        }
    return {
        "ppk": None,
        "ppk_lower": None,
        "ppk_upper": None,
        "pp": None,
        "ppm": None,
        "why": str(found).replace("_", " "),
    }


def _dependence(evaluation: Evaluation) -> Document | None:
    found = evaluation.segments[-1].dependence if evaluation.segments else None
    if found is None:
        return None
    return {"rho": found.rho, "low": found.lower, "high": found.upper, "told": str(found.neighbours).replace("_", " ")}


def _normality(evaluation: Evaluation) -> Document | None:
    found = evaluation.segments[-1].normality if evaluation.segments else None
    if found is None:
        return None
    return {"p_value": found.p_value, "correlation": found.correlation, "told": str(found.shape).replace("_", " ")}


# Points


CHARTED = ("level", "level_low", "level_high", "center", "lower", "upper", "ewma")
"""Columns of the points that are in the charted scale."""


def point_documents(evaluation: Evaluation, scale: str, marked: Mapping[int, Suspect]) -> list[Document]:
    """One document a point, in order."""
    raised: dict[int, list[str]] = {}
    for _, signal in evaluation.signals.iterrows():
        raised.setdefault(int(signal["index"]), []).append(str(signal["kind"]))
    tracked = evaluation.points.index[evaluation.points["valid"]]
    kinds = {int(tracked[position]): names for position, names in raised.items()}
    points = evaluation.points
    levels = {name: _levels(points[name].to_numpy(np.float64), scale) for name in CHARTED}
    return [
        _point(row, sorted({*row["patterns"], *kinds.get(session, [])}), marked.get(session))
        for session, row in zip(points.index.tolist(), points.assign(**levels).to_dict("records"), strict=True)
    ]


def _point(row: Mapping[Any, Any], signals: list[str], suspect: Suspect | None) -> Document:
    """The document of one point, whose levels are in the unit."""
    shown, bound = _shown(row)
    return {
        "lot": str(row["lot"]),
        "n": int(row["readings"]),
        "bags": int(row["bags"]),
        "level": number(row["level"]),
        "shown": shown,
        "bound": bound,
        "bag_spread": _root(row["bag_variance"]),
        "bag_spread_upper": number(row["bag_spread_upper"]),
        "reading_spread": _root(row["reading_variance"]),
        "reading_spread_upper": number(row["reading_spread_upper"]),
        "center": number(row["center"]),
        "lower": number(row["lower"]),
        "upper": number(row["upper"]),
        "ewma": number(row["ewma"]),
        "limit_lower": number(row["limit_lower"]),
        "limit_upper": number(row["limit_upper"]),
        "chamber": str(row["chamber"]),
        "humidity": number(row["humidity_mean"]),
        "signals": signals,
        "state": SET_ASIDE if suspect is not None and suspect.settled == SET_ASIDE else str(row["conditioning"]),
        "to_look_at": suspect is not None and not suspect.settled,
        "verdict": str(row["verdict"]),
    }


def _root(variance: float) -> float | None:
    return None if not math.isfinite(variance) else math.sqrt(variance)


def _shown(row: Mapping[Any, Any]) -> tuple[float | None, int]:
    """What a chart draws of a point: its level, or the bound that is known of it, with the sign of the bound."""
    if math.isfinite(row["level"]):
        return number(row["level"]), 0
    if math.isfinite(row["level_low"]) and row["level_low"] > 0:
        return number(row["level_low"]), 1
    return number(row["level_high"]), -1
