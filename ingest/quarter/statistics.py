"""The figures of one stream's quarter as flat keys, in the unit: from lots by `spc.quarters`, nan as null.

On a log scale a change is stated in percent, a scatter in percent (its natural-log standard deviation), and room as the
factor by which the level may still move; on a linear scale all are in the unit.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Literal, cast

import numpy as np

from ingest.documents.scorecard import QuarterFigures
from ingest.quarter.lots import Limits, QuarterLot
from spc.supplier import quarter
from spc.supplier.quarter import Estimate
from spc.vocabulary.enums import Direction, Scale, Side
from spc.vocabulary.finite import exp, percent_change

__all__ = ["figures"]

Conversion = Callable[[float], float]

SPREADS = ("lot", "bag", "reading")


def figures(lots: Sequence[QuarterLot], earlier: Sequence[QuarterLot], unit: str, scale: str) -> QuarterFigures:
    """Level, change, scatter and room to the limit of one stream.

    Parameters
    ----------
    lots, earlier : sequence of QuarterLot
        Of the quarter and of the one before; those that are not `measured` are left out.
    unit, scale : str
        As declared for the characteristic.
    """
    is_log = scale == Scale.LOG
    now, before = _measured(lots), _measured(earlier)
    found, was = quarter.level(_levels(now)), quarter.level(_levels(before))
    moved = quarter.change(_levels(now), _levels(before))
    limits = _limits(lots)
    side, left = quarter.margin(found, *_charted(limits, is_log))
    as_unit: Conversion = exp if is_log else float
    # The keys of an estimate are made of its name; the published schema of the card holds them against the type.
    found_figures = {
        **_interval("level", found, as_unit),
        "level_lots": len(now),
        "open_lots": _open(lots),
        **_interval("earlier_level", was, as_unit),
        "earlier_lots": len(before),
        "earlier_open_lots": _open(earlier),
        **_interval("change", moved, percent_change if is_log else float),
        "change_in": "%" if is_log else unit,
        "direction": Direction.NOT_COMPARED
        if _may_be_reversed(moved, lots, earlier)
        else quarter.direction(moved, side),
        "limit_lower": limits[0],
        "limit_upper": limits[1],
        "limit_side": side,
        **_interval("room", left, as_unit),
        **_interval("earlier_room", _room_on(side, was, _charted(_limits(earlier), is_log)), as_unit),
        "room_in": "times" if is_log else unit,
        **_spreads(now, before, is_log),
        "spread_in": "%" if is_log else unit,
    }
    return cast(QuarterFigures, found_figures)


def _measured(lots: Sequence[QuarterLot]) -> list[QuarterLot]:
    return [lot for lot in lots if lot.measured]


def _open(lots: Sequence[QuarterLot]) -> int:
    """The lots whose level readings beyond the range of the meter leave open: they count, and the mean of the levels leaves them out."""
    return sum(lot.counts and not lot.measured for lot in lots)


def _may_be_reversed(moved: Estimate, lots: Sequence[QuarterLot], earlier: Sequence[QuarterLot]) -> bool:
    """Whether lots that the means leave out, as their level is open at one end, may reverse the change."""
    is_rise = moved.value > 0
    return any(_is_open(lot, "low" if is_rise else "high") for lot in lots) or any(
        _is_open(lot, "high" if is_rise else "low") for lot in earlier
    )


def _is_open(lot: QuarterLot, end: Literal["low", "high"]) -> bool:
    ends = lot.session["level_range"]
    return lot.counts and not lot.measured and (ends is None or ends[end] is None)


def _levels(lots: Sequence[QuarterLot]) -> list[float]:
    return [lot.session["level"] for lot in lots if lot.session["level"] is not None]


def _limits(lots: Sequence[QuarterLot]) -> Limits:
    """The lower and the upper specification limit by which the last lot was judged."""
    return next((lot.session["limits"] for lot in reversed(lots) if lot.session["limits"] is not None), (None, None))


def _charted(limits: Limits, is_log: bool) -> Limits:
    """The lower and the upper limit in the charted scale."""
    lower, upper = (math.log(limit) if limit is not None and is_log else limit for limit in limits)
    return lower, upper


def _room_on(side: Side, found: Estimate, limits: Limits) -> Estimate:
    """The room on one side, so that two quarters are compared on the same side, each with its own limit."""
    lower, upper = limits
    on_side = (lower if side == Side.LOWER else None, upper if side == Side.UPPER else None)
    return quarter.margin(found, *on_side)[1]


def _interval(name: str, found: Estimate, convert: Conversion) -> dict[str, float | None]:
    """An estimate as three keys."""
    values = {name: found.value, f"{name}_low": found.low, f"{name}_high": found.high}
    return {key: convert(value) if math.isfinite(value) else None for key, value in values.items()}


def _spreads(now: Sequence[QuarterLot], before: Sequence[QuarterLot], is_log: bool) -> dict[str, float | None]:
    convert: Conversion = (lambda sd: 100.0 * sd) if is_log else float
    document: dict[str, float | None] = {}
    for name in SPREADS:
        found, was = _spread(name, now), _spread(name, before)
        document |= _interval(f"{name}_spread", found, convert)
        document |= _interval(f"earlier_{name}_spread", was, convert)
        document |= _interval(f"{name}_spread_ratio", quarter.ratio(found, was), float)
    return document


def _spread(name: str, lots: Sequence[QuarterLot]) -> Estimate:
    """Scatter of the lot levels, of the bags within a lot, or of the readings on a bag."""
    if name == "lot":
        levels = np.array(_levels(lots))
        return quarter.spread([levels.var(ddof=1)] if len(lots) > 1 else [], [len(lots) - 1] if len(lots) > 1 else [])
    rows = [lot.session for lot in lots]
    if name == "bag":
        variances, degrees = [row["bag_variance"] for row in rows], [row["bags"] - 1.0 for row in rows]
    else:
        variances, degrees = [row["reading_variance"] for row in rows], [row["reading_df"] for row in rows]
    return quarter.spread(np.array(variances, dtype=np.float64), degrees)
