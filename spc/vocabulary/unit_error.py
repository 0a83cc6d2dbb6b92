"""A suspected unit or decimal error in a session: how much of it is affected, and what would explain it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["ErrorCause", "ErrorExtent", "UnitError"]


class ErrorExtent(StrEnum):
    """How much of a session is affected."""

    ALL = "all"
    """All readings."""
    SOME = "some"
    """Some readings."""


class ErrorCause(StrEnum):
    """What would explain the values."""

    FACTOR = "factor"
    """A unit that differs by a power of a thousand."""
    LOGARITHM = "logarithm"
    """Decimal logarithms in a column of values."""


@dataclass(frozen=True, slots=True)
class UnitError:
    """Why the values of a session are suspect.

    `power` is the power of ten by which the values are too high (negative: too low), 0 for logarithms. `low` and `high`
    are the range of the earlier sessions in the unit: of their levels where `extent` is all, of their single readings
    where it is some.
    """

    extent: ErrorExtent
    cause: ErrorCause
    power: int
    low: float
    high: float
