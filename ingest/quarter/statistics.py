"""The figures of one stream's quarter as flat keys, in the unit: from lots by `spc.quarters`, nan as null.

On a log scale a change is told in percent, a scatter in percent (its natural-log standard deviation), and room as the
factor by which the level may still move; on a linear scale all are in the unit.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from ingest.quarter.lots import QuarterLot
from spc.supplier import quarter
from spc.supplier.quarter import Estimate
from spc.vocabulary.enums import Scale, Side
from spc.vocabulary.finite import exp, percent_change

__all__ = ["figures"]

Document = dict[str, Any]
Telling = Callable[[float], float]

# The scatters that are told, each with the columns of a lot's variance and of its degrees of freedom.
WITHIN = {"bag": ("bag_variance", "bags", 1), "reading": ("reading_variance", "reading_df", 0)}


def figures(lots: Sequence[QuarterLot], earlier: Sequence[QuarterLot], unit: str, scale: str) -> Document:
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
    as_unit: Telling = exp if is_log else float
    return {
        **_interval("level", found, as_unit),
        "level_lots": len(now),
        **_interval("earlier_level", was, as_unit),
        "earlier_lots": len(before),
        **_interval("change", moved, percent_change if is_log else float),
        "change_in": "%" if is_log else unit,
        "direction": str(quarter.direction(moved, side)),
        **limits,
        "limit_side": str(side),
        **_interval("room", left, as_unit),
        **_interval("earlier_room", _room_on(side, was, _charted(_limits(earlier), is_log)), as_unit),
        "room_in": "times" if is_log else unit,
        **_spreads(now, before, is_log),
        "spread_in": "%" if is_log else unit,
    }


def _measured(lots: Sequence[QuarterLot]) -> list[QuarterLot]:
    return [lot for lot in lots if lot.measured]


def _levels(lots: Sequence[QuarterLot]) -> list[float]:
    return [lot.session["level"] for lot in lots]


def _limits(lots: Sequence[QuarterLot]) -> Document:
    """The specification limits that the last lot was held against."""
    judged = [json.loads(lot.session["point"]) for lot in lots if lot.session["point"] is not None]
    last = judged[-1] if judged else {}
    return {key: last.get(key) for key in ("limit_lower", "limit_upper")}


def _charted(limits: Document, is_log: bool) -> list[float | None]:
    """The lower and the upper limit in the charted scale."""
    found = (limits["limit_lower"], limits["limit_upper"])
    return [math.log(limit) if limit is not None and is_log else limit for limit in found]


def _room_on(side: Side, found: Estimate, limits: Sequence[float | None]) -> Estimate:
    """The room on one side, so that two quarters are told by the same limit, each with its value of then."""
    lower, upper = limits
    on_side = (lower if side == Side.LOWER else None, upper if side == Side.UPPER else None)
    return quarter.margin(found, *on_side)[1]


def _interval(name: str, found: Estimate, told: Telling) -> Document:
    """An estimate as three keys."""
    values = {name: found.value, f"{name}_low": found.low, f"{name}_high": found.high}
    return {key: told(value) if math.isfinite(value) else None for key, value in values.items()}


def _spreads(now: Sequence[QuarterLot], before: Sequence[QuarterLot], is_log: bool) -> Document:
    told: Telling = (lambda sd: 100.0 * sd) if is_log else float
    document: Document = {}
    for name in ("lot", *WITHIN):
        found, was = _spread(name, now), _spread(name, before)
        document |= _interval(f"{name}_spread", found, told)
        document |= _interval(f"earlier_{name}_spread", was, told)
        document |= _interval(f"{name}_spread_ratio", quarter.ratio(found, was), float)
    return document


def _spread(name: str, lots: Sequence[QuarterLot]) -> Estimate:
    """Scatter of the lot levels, of the bags within a lot, or of the readings on a bag."""
    if name == "lot":
        levels = np.array(_levels(lots))
        return quarter.spread([levels.var(ddof=1)] if len(lots) > 1 else [], [len(lots) - 1] if len(lots) > 1 else [])
    variance, size, less = WITHIN[name]
    rows = [lot.session for lot in lots]
    return quarter.spread(
        np.array([row[variance] for row in rows], dtype=np.float64), [row[size] - less for row in rows]
    )
