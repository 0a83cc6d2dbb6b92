"""The kinds of field that documents share; each carries the constraints that the published schemas state.

The store keeps a time in microseconds under a key that ends in `_us`. A document that leaves it holds ISO 8601 under a key
that ends in `_at`; `ingest.documents.served` does the change.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

__all__ = [
    "Bound",
    "ConditioningState",
    "Count",
    "Day",
    "Digits",
    "Direction",
    "JudgedBy",
    "Microseconds",
    "Moment",
    "PointState",
    "Probability",
    "QuarterName",
    "Rank",
    "Side",
    "Standing",
]

Microseconds = int
"""A time in the store: UTC microseconds since 1970."""
Moment = Annotated[
    str,
    # Most validators leave `format` unchecked, so the pattern says it too.
    Field(
        pattern=r"^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]+)?[+-][0-9]{2}:[0-9]{2}$",
        json_schema_extra={"format": "date-time"},
    ),
]
"""A time as ISO 8601 with the offset of the lab's zone."""
Day = Annotated[str, Field(json_schema_extra={"format": "date"})]
QuarterName = Annotated[str, Field(pattern="^[0-9]{4}-Q[1-4]$")]
Count = Annotated[int, Field(ge=0)]
Digits = Annotated[int, Field(ge=3, le=9)]
"""Significant digits with which the values of a stream show a difference within its scatter."""
Rank = Annotated[int, Field(ge=1)]
Probability = Annotated[float, Field(ge=0, le=1)]
Bound = Literal[-1, 0, 1]
"""Which side of a value is open: -1 where the true value lies below it, 1 where above, 0 where it is exact."""
Direction = Literal[-1, 0, 1]
Side = Literal["upper", "lower"]
JudgedBy = Literal["mean", "worst"]
ConditioningState = Literal["valid", "short", "humid", "dry", "warm", "cold", "unlogged", "instrument"]
PointState = Literal["valid", "short", "humid", "dry", "warm", "cold", "unlogged", "instrument", "set aside"]
Standing = Literal["fail", "undecided", "invalid", "set_aside", "pass", "unlimited", "retested"]
"""How a lot counts in a quarter."""
