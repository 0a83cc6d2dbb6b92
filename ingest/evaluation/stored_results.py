"""An evaluation as stored documents: levels in the unit, times in microseconds, nan as null.

The keys are those of the JSON that the commands print; `ingest.documents.served` turns times into ISO 8601.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, cast

import numpy as np

from ingest.audit.audit_log import AuditEntry, baseline_restarts, excluded_lots
from ingest.common.instants import microseconds, weeks_to_us
from ingest.common.number_format import LEAST_DIGITS, digits_for
from ingest.config.limit_history import SIDES, step_document
from ingest.documents.entries import StoredRestart, StoredSignature
from ingest.documents.fields import Direction
from ingest.documents.stream import (
    Capability as CapabilityDocument,
)
from ingest.documents.stream import (
    Components,
    Dependence,
    Detector,
    Normality,
    StoredBaselineMove,
    StoredBoardRow,
    StoredControlLimits,
    StoredFanPoint,
    StoredForecast,
    StoredLeftOutLot,
    StoredPoint,
    StoredSparkline,
    StoredSpecificationLimits,
    StoredStream,
    StoredWander,
    WeeksToLimit,
)
from ingest.evaluation.stream_context import StreamContext
from ingest.sessions.suspect_values import SET_ASIDE, Suspect
from spc.capability import Capability
from spc.kernels.columns import Rows
from spc.stream.alert_episodes import MOVES
from spc.stream.baseline import LeftOutReason, limits
from spc.stream.chart_columns import CHART_WIDTH
from spc.stream.evaluate import Evaluation, Segment
from spc.stream.verdicts import to_unit
from spc.vocabulary.enums import WANDER, Kind, Scale

__all__ = [
    "baseline_digits",
    "board_row",
    "number",
    "number_columns",
    "numbers",
    "point_documents",
    "sketch",
    "stream_digits",
    "stream_document",
]

YEAR_WEEKS = 52.0
# As Python reads them: exact.
POWERS = np.array([float(f"1e{exponent}") for exponent in range(23)])
# A chance is stated as futures of this many.
FUTURES = 100
# A stream is silent when no lot came for four times the median pause between its lots, and for at least eight weeks.
SILENT_PAUSES = 4
SILENT_WEEKS = 8.0


def number(value: float | None) -> float | None:
    """A finite number, or None."""
    return None if value is None or not math.isfinite(value) else float(value)


def numbers(values: np.ndarray, digits: int | None = None) -> list[float | None]:
    """Finite numbers, None in place of the others; with `digits` rounded to so many significant digits."""
    plain = (values if digits is None else _rounded(values, digits)).astype(object)
    plain[~np.isfinite(values)] = None
    return list(plain.tolist())


def number_columns(columns: Mapping[str, np.ndarray], digits: int | None = None) -> dict[str, list[float | None]]:
    """`numbers` of columns of one length, by name: for a few hundred lots, many columns at once cost little more than one."""
    values = np.array(list(columns.values()), dtype=np.float64)
    return dict(zip(columns, cast("list[list[float | None]]", numbers(values, digits)), strict=True))


def _rounded(values: np.ndarray, digits: int) -> np.ndarray:
    """Values rounded to so many significant digits; those outside 1e-10 to 1e20 stay as they are.

    A power of ten up to 1e22 is an exact number, so that the quotient is the number nearest to the decimal fraction: it is
    printed with no more digits than asked for.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        shift = digits - 1 - np.floor(np.log10(np.abs(values)))
    within = np.abs(shift) < POWERS.size
    power = POWERS[np.abs(np.where(within, shift, 0)).astype(np.int64)]
    up = shift > 0
    scaled = np.rint(np.where(up, values * power, values / power))
    return np.where(within, np.where(up, scaled / power, scaled * power), values)


def _unit(value: float | None, scale: str) -> float | None:
    """A level of the charted scale in the unit."""
    if value is None or not math.isfinite(value):
        return None
    return number(float(to_unit(np.array([value]), scale)[0]))


def _levels(values: np.ndarray, scale: str) -> np.ndarray:
    """Levels of the charted scale in the unit, nan where one is unknown or has no bound."""
    return np.where(np.isfinite(values), to_unit(values, scale), np.nan)


def stream_digits(evaluation: Evaluation, scale: str) -> int:
    """Significant digits that the values of a stream need today."""
    if not evaluation.segments:
        return LEAST_DIGITS
    segment = evaluation.segments[-1]
    return baseline_digits(segment.baseline.center, segment.points.floats("level")[segment.baseline.used], scale)


def baseline_digits(center: float, levels: np.ndarray, scale: str) -> int:
    """Significant digits that the scatter from lot to lot needs, by the centre line and the levels of the baseline lots.

    The scatter is that of successive baseline lots (J. von Neumann, 1941, The mean square successive difference; from
    memory): neither a drift nor limits that are widened for dependence hide how finely the stream is measured.
    """
    steps = np.diff(levels)
    scatter = float(np.sqrt(np.mean(steps**2) / 2)) if steps.size else 0.0
    return digits_for(scatter, None if scale == Scale.LOG else center)


# Board


def board_row(context: StreamContext) -> StoredBoardRow:
    """The stored part of a stream's row on the board."""
    declared, evaluation, bounds = context.declared, context.evaluation, context.limits_now
    points, outlook = evaluation.points, evaluation.forecast
    limited, capability = bounds.lower is not None or bounds.upper is not None, _capability(evaluation)
    return {
        "unit": declared.unit,
        "digits": stream_digits(evaluation, declared.scale),
        "lots": len(set(points["lot"][points["valid"]].tolist())),
        "last_lot": str(points["lot"][-1]),
        "last_tested_us": int(points["started_us"][-1]),
        "level": _unit(_level_now(evaluation), declared.scale),
        "limit_lower": bounds.lower,
        "limit_upper": bounds.upper,
        "change_percent_per_month": number(outlook.change_percent_per_month),
        "breach_probability": number(outlook.breach_probability) if limited else None,
        "weeks_to_limit": _weeks_to_limit(evaluation) if limited else None,
        "ppk": capability["ppk"],
        "ppk_lower": capability["ppk_lower"],
        "learning": bool(not evaluation.segments or not evaluation.segments[-1].baseline.frozen),
        "check_standard": context.is_check_standard,
        "silent_after_us": weeks_to_us(_silent_after(points.floats("weeks"))),
    }


def _level_now(evaluation: Evaluation) -> float | None:
    """Where the stream stands: the forecast's level, or the last measured one while there is no forecast."""
    if evaluation.forecast.level_now is not None:
        return float(evaluation.forecast.level_now)
    measured = evaluation.points["level"][evaluation.points["measured"]]
    return float(measured[-1]) if measured.size else None


def _weeks_to_limit(evaluation: Evaluation) -> WeeksToLimit | None:
    outlook = evaluation.forecast
    if outlook.weeks_p50 is None:
        return None
    return {"p10": number(outlook.weeks_p10), "p50": number(outlook.weeks_p50), "p90": number(outlook.weeks_p90)}


def _silent_after(weeks: np.ndarray) -> float:
    pause = float(np.median(np.diff(weeks))) if weeks.size > 1 else 0.0
    return max(SILENT_WEEKS, SILENT_PAUSES * pause)


def sketch(context: StreamContext) -> StoredSparkline:
    """The last year and the outlook for the small picture, in the charted scale."""
    evaluation, bounds, scale = context.evaluation, context.limits_now, context.scale

    def charted(limit: float | None) -> float | None:
        return math.log(limit) if limit is not None and scale == "log" else limit

    points = evaluation.points
    # An outlier is a lot of the picture, though the forecast does not follow it.
    believed = np.asarray(points["measured"] & ~points["unreviewed"] & _determined(points))
    weeks, level = points.floats("weeks")[believed], points.floats("level")[believed]
    recent = weeks > weeks[-1] - YEAR_WEEKS if weeks.size else believed[believed]
    fan = evaluation.forecast.fan
    # The fan begins at the last lot that the forecast uses; the picture, at the last lot.
    used = points.floats("weeks")[evaluation.in_forecast]
    passed = float(weeks[-1] - used[-1]) if used.size and weeks.size else 0.0
    return {
        "lots": [
            (round(ago, 2), round(own, 4))
            for ago, own in zip((weeks[recent] - weeks[-1:]).tolist(), level[recent].tolist(), strict=True)
        ],
        "fan": [
            (round(ahead - passed, 4), round(p10, 4), round(p25, 4), round(p75, 4), round(p90, 4))
            for ahead, p10, p25, _, p75, p90 in fan.to_numpy().tolist()
        ],
        "usual": number(evaluation.segments[-1].baseline.center) if evaluation.segments else None,
        "lower": charted(bounds.lower),
        "upper": charted(bounds.upper),
    }


# Stream


def stream_document(context: StreamContext) -> StoredStream:
    """The stored part of `lotdrift stream`, without the points."""
    declared, evaluation, entries = context.declared, context.evaluation, context.entries
    history = [_segment(context, segment) for segment in evaluation.segments]
    return {
        "unit": declared.unit,
        "digits": stream_digits(evaluation, declared.scale),
        "scale": Scale(declared.scale),
        "limits": history[-1] if history else _no_limits(),
        "limits_history": history,
        "specification_limits": _specification_limits(context),
        "baseline_moving": _baseline_moving(evaluation),
        "components": _components(evaluation),
        "forecast": _forecast(evaluation, declared.scale),
        "wander": _wander(evaluation),
        "capability": _capability(evaluation),
        "dependence": _dependence(evaluation),
        "detector": _detector(evaluation),
        "normality": _normality(evaluation),
        "pattern_price": {
            "patterns": list(evaluation.pattern_run_length.patterns),
            "lots_a_false_mark": float(evaluation.pattern_run_length.lots),
            "weeks_a_false_mark": number(evaluation.pattern_run_length.weeks),
        },
        "settings": [{"from_us": from_us, **_signed(entry)} for from_us, entry in baseline_restarts(entries).items()],
        "acts": [
            {
                "recorded_us": microseconds(entry.at),
                "who": entry.who,
                "what": entry.what,
                "reason": entry.reason,
                **entry.body,
            }
            for entry in entries
        ],
    }


def _specification_limits(context: StreamContext) -> StoredSpecificationLimits:
    stream = context.stream
    lower, upper = (
        [step_document(step) for step in context.lab.limit_steps(stream.product, stream.characteristic, side)]
        for side in SIDES
    )
    return {"lower": lower, "upper": upper}


def _no_limits() -> StoredControlLimits:
    return {
        "center": None,
        "lower": None,
        "upper": None,
        "from_lots": 0,
        "lots": [],
        "frozen_us": None,
        "settled": False,
        "seen_lower": None,
        "seen_upper": None,
        "widened_for_dependence": None,
        "from_us": None,
        "left_out": [],
        "set_by": None,
    }


def _segment(context: StreamContext, segment: Segment) -> StoredControlLimits:
    """The control limits for a lot of typical size, the lots that set them, and since when they hold."""
    usual, points, scale, entries = segment.baseline, segment.points, context.scale, context.entries
    typical = float(np.median(points.floats("variance")))
    lower, upper = limits(usual, [typical], CHART_WIDTH)
    rho = None if segment.dependence is None or not segment.widened else segment.dependence.rho
    levels = points.floats("level")[usual.used]
    return {
        "center": _unit(usual.center, scale),
        "lower": None if segment.withheld else _unit(float(lower[0]), scale),
        "upper": None if segment.withheld else _unit(float(upper[0]), scale),
        "settled": segment.settled,
        "seen_lower": _unit(float(levels.min()), scale),
        "seen_upper": _unit(float(levels.max()), scale),
        "from_lots": int(usual.used.sum()),
        "lots": [str(lot) for lot in points["lot"][usual.used]],
        "frozen_us": int(points["started_us"][usual.used][-1]) if usual.frozen else None,
        "from_us": int(points["started_us"][0]),
        "widened_for_dependence": rho,
        "left_out": [
            _left_out(
                str(points["lot"][one.index]),
                int(points["started_us"][one.index]),
                one.reason,
                entries,
                context.marked.get(int(points.index[one.index])),
            )
            for one in usual.left_out
        ],
        "set_by": _set_by(int(points["started_us"][0]), entries),
    }


def _left_out(
    lot: str, tested_us: int, why: LeftOutReason, entries: list[AuditEntry], suspect: Suspect | None
) -> StoredLeftOutLot:
    """A lot that sets no limits, and who left it out where a person did."""
    entry = excluded_lots(entries).get(lot) if why == LeftOutReason.BY_HAND else None
    unsettled = suspect is not None and not suspect.settled and entry is None
    found: StoredLeftOutLot = {
        "lot": lot,
        "tested_us": tested_us,
        # The members of `LeftOutReason` are the other words of this key.
        "why": "to_be_looked_at" if unsettled else cast(Any, str(why)),
    }
    return found if entry is None else {**found, **_signed(entry)}


def _set_by(first_us: int, entries: list[AuditEntry]) -> StoredRestart | None:
    """Who set the limits again before this lot, and from when on; None where they are the stream's first."""
    before = [(from_us, entry) for from_us, entry in baseline_restarts(entries).items() if from_us <= first_us]
    return {"from_us": before[-1][0], **_signed(before[-1][1])} if before else None


def _signed(entry: AuditEntry) -> StoredSignature:
    return {"who": entry.who, "recorded_us": microseconds(entry.at), "reason": entry.reason}


def _components(evaluation: Evaluation) -> Components:
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


def _forecast(evaluation: Evaluation, scale: str) -> StoredForecast | None:
    outlook = evaluation.forecast
    if outlook.level_now is None or outlook.fan.empty:
        return None
    start = float(evaluation.points["weeks"][evaluation.in_forecast][-1])
    points, names = evaluation.points, ("p10", "p25", "p50", "p75", "p90")
    believed = np.asarray(points["measured"] & ~points["unreviewed"])
    weeks, *quantiles = outlook.fan.to_numpy().T
    levels = number_columns(dict(zip(names, _levels(np.array(quantiles), scale), strict=True)))
    fan: list[StoredFanPoint] = [
        {"tested_us": weeks_to_us(start + ahead), "p10": p10, "p25": p25, "p50": p50, "p75": p75, "p90": p90}
        for ahead, p10, p25, p50, p75, p90 in zip(weeks.tolist(), *levels.values(), strict=True)
    ]
    return {
        "breach_probability": number(outlook.breach_probability),
        "weeks_to_limit": _weeks_to_limit(evaluation),
        "change_percent_per_month": number(outlook.change_percent_per_month),
        "futures_with_breach": None
        if outlook.breach_probability is None
        else round(FUTURES * outlook.breach_probability),
        "futures": FUTURES,
        "lots_low": fan[-1]["p10"],
        "lots_high": fan[-1]["p90"],
        "outliers": [
            str(lot)
            for lot, used, known in zip(
                points["lot"].tolist(), evaluation.in_forecast.tolist(), believed.tolist(), strict=True
            )
            if known and not used
        ],
        "fan": fan,
    }


def _capability(evaluation: Evaluation) -> CapabilityDocument:
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


def _wander(evaluation: Evaluation) -> StoredWander | None:
    moves = [one for one in evaluation.episodes if one.kind == Kind.DRIFT]
    if not moves or moves[-1].name != WANDER or moves[-1].end is not None:
        return None
    points = evaluation.points.take(evaluation.points["valid"])
    return {"since_us": int(points["started_us"][moves[-MOVES].opened]), "moves": MOVES}


def _dependence(evaluation: Evaluation) -> Dependence | None:
    found = evaluation.segments[-1].dependence if evaluation.segments else None
    if found is None:
        return None
    return {"rho": found.rho, "low": found.lower, "high": found.upper, "told": str(found.neighbours).replace("_", " ")}


def _detector(evaluation: Evaluation) -> Detector | None:
    known = evaluation.posterior
    if known is None:
        return None
    return {
        "autocorrelation": known.autocorrelation,
        "low": known.low,
        "high": known.high,
        "undecided": known.undecided,
        "scatter_from_others": known.scatter_from_others,
    }


def _baseline_moving(evaluation: Evaluation) -> StoredBaselineMove | None:
    move = evaluation.baseline_move
    if move is None:
        return None
    points = evaluation.segments[-1].points
    return {
        "lot": str(points["lot"][move.since]),
        "since_us": int(points["started_us"][move.since]),
        "direction": cast(Direction, move.direction),
        "lots": move.lots,
    }


def _normality(evaluation: Evaluation) -> Normality | None:
    found = evaluation.segments[-1].normality if evaluation.segments else None
    if found is None:
        return None
    return {"p_value": found.p_value, "correlation": found.correlation, "told": str(found.shape).replace("_", " ")}


# Points


CHARTED = ("level", "level_low", "level_high", "center", "lower", "upper", "ewma")
"""Columns of the points that are in the charted scale."""
FIGURES = (
    "level_low", "level_high", "bag_spread_upper", "reading_spread_upper", "center", "lower", "upper", "ewma",
    "limit_lower", "limit_upper",
)  # fmt: skip
"""Columns of the points that a document holds as they are."""


def point_documents(context: StreamContext) -> list[StoredPoint]:
    """One document a point, in order."""
    points, marked = context.evaluation.points, context.marked
    levels = _levels(np.array([points.floats(name) for name in CHARTED]), context.scale)
    columns = _point_columns(
        points.adding({**dict(zip(CHARTED, levels, strict=True)), "is_determined": _determined(points)})
    )
    columns["signals"] = _signals(context.evaluation)
    rows = [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]
    # `_point_columns` lists the keys of a point; the published schema holds every point against its type.
    documents = cast(list[StoredPoint], rows)
    for document, session in zip(documents, points.index.tolist(), strict=True):
        if session in marked:
            settled = marked[session].settled
            document["to_look_at"] = not settled
            if settled == SET_ASIDE:
                document["state"] = "set aside"
    return documents


def _signals(evaluation: Evaluation) -> list[list[str]]:
    """What each point completes: patterns and signals, by name."""
    points = evaluation.points
    found: list[set[str]] = [set(names) for names in points["patterns"].tolist()]
    tracked = np.flatnonzero(points["valid"]).tolist()
    for signal in evaluation.signals:
        found[tracked[int(signal.at)]].add(signal.kind)
    return [sorted(names) for names in found]


def _point_columns(points: Rows) -> dict[str, list[Any]]:
    """The columns of all documents, in the order of their keys; levels are in the unit."""
    shown, bound = _shown(points)
    count = len(points)
    figures = number_columns(
        {
            **{name: points.floats(name) for name in FIGURES},
            "level": np.where(points["is_determined"], points.floats("level"), np.nan),
            "shown": shown,
            "bag_spread": np.sqrt(points.floats("bag_variance")),
            "reading_spread": np.sqrt(points.floats("reading_variance")),
            "humidity": points.floats("humidity_mean"),
        }
    )
    return {
        "lot": points["lot"].tolist(),
        "n": points["readings"].tolist(),
        "bags": points["bags"].tolist(),
        "level": figures["level"],
        "level_low": figures["level_low"],
        "level_high": figures["level_high"],
        "shown": figures["shown"],
        "bound": bound.tolist(),
        "outside_control_limits": _outside(points).tolist(),
        "bag_spread": figures["bag_spread"],
        "bag_spread_upper": figures["bag_spread_upper"],
        "reading_spread": figures["reading_spread"],
        "reading_spread_upper": figures["reading_spread_upper"],
        **{name: figures[name] for name in ("center", "lower", "upper", "ewma", "limit_lower", "limit_upper")},
        "chamber": points["chamber"].tolist(),
        "humidity": figures["humidity"],
        "signals": [],
        "state": points["conditioning"].tolist(),
        "to_look_at": [False] * count,
        "verdict": [str(word) for word in points["verdict"].tolist()],
    }


def _outside(points: Rows) -> np.ndarray:
    """Whether the level of each point is outside its control limits; not where either is unknown."""
    level, lower, upper = (points.floats(name) for name in ("level", "lower", "upper"))
    with np.errstate(invalid="ignore"):
        return np.asarray((level < lower) | (level > upper))


def _determined(points: Rows) -> np.ndarray:
    """Whether the readings of each point leave no end of its level open; ends in the charted scale."""
    return np.asarray(np.isfinite(points.floats("level_low")) & np.isfinite(points.floats("level_high")))


def _shown(points: Rows) -> tuple[np.ndarray, np.ndarray]:
    """The value that a chart draws for each point, and the sign of its bound: the level, or its known end where one is open."""
    level, low, high = (points.floats(name) for name in ("level", "level_low", "level_high"))
    known, above = np.isfinite(level) & points["is_determined"], np.isfinite(low) & (low > 0)
    return np.where(known, level, np.where(above, low, high)), np.where(known, 0, np.where(above, 1, -1))
