"""What bounded readings leave open of a test: the range of its level, and the sign of its worst reading."""

from __future__ import annotations

import math
from typing import Any

from ingest.documents.fields import Bound
from ingest.documents.lot import LevelRange
from spc.vocabulary.enums import Scale

__all__ = ["determined", "level_range", "worst_bound"]


def level_range(session: Any, scale: str) -> LevelRange | None:
    """The lowest and the highest level that the readings allow, in the unit; None where they determine it.

    An end without a bound is None.
    """
    low, high = session["level_low"], session["level_high"]
    if low is not None and low == high:
        return None
    return {"low": _in_unit(low, scale), "high": _in_unit(high, scale)}


def determined(session: Any, name: str = "level") -> float | None:
    """The level of a test, or None where bounded readings leave an end of it open: nothing is put in place of one.

    The estimate from bounded readings serves the search for drifts, which weighs it; it is no figure to hand over.
    """
    ends = (session["level_low"], session["level_high"])
    value: float | None = session[name]
    return value if all(end is not None and math.isfinite(end) for end in ends) else None


def _in_unit(level: float | None, scale: str) -> float | None:
    if level is None or not math.isfinite(level):
        return None
    return math.exp(level) if scale == Scale.LOG else level


def worst_bound(session: Any) -> Bound:
    """The sign of the worst reading: 1 for "above the value", -1 for "below", 0 for a measured one."""
    for name in ("largest", "smallest"):
        if session["worst"] is not None and session["worst"] == session[name] and session[f"{name}_bound"]:
            bound: Bound = 1 if session[f"{name}_bound"] > 0 else -1
            return bound
    return 0
