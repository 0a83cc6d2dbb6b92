"""The closed sets of words in which results are told, each word explained once."""

from __future__ import annotations

from enum import StrEnum

__all__ = ["AlertState", "Grade", "Kind", "Scale", "StreamState", "Verdict"]


class Scale(StrEnum):
    """The scale in which a characteristic is charted."""

    LOG = "log"
    """Natural logarithm: for energy and resistance, which spread by factors."""
    LINEAR = "linear"
    """The unit itself."""


class Verdict(StrEnum):
    """How a lot's session stands against the limits in force on the day of the test."""

    PASS = "pass"
    """The judged value is inside, clear of the guard band."""
    FAIL = "fail"
    """The judged value is outside, clear of the guard band."""
    UNDECIDED = "undecided"
    """Inside the guard band, or a bounded value that does not settle it."""
    INVALID = "invalid"
    """The chamber log does not show the conditioning: no judgement."""
    UNLIMITED = "unlimited"
    """No limit applies."""


class Kind(StrEnum):
    """What an alert is about."""

    LIMIT = "limit"
    """A lot breaches its limit."""
    POINT = "point"
    """A lot far outside what is usual for its stream."""
    PATTERN = "pattern"
    """A run pattern."""
    DRIFT = "drift"
    """The level has moved, as a step or a ramp."""
    SPREAD = "spread"
    """Bags or readings scatter more than is usual for the stream."""
    FORECAST = "forecast"
    """A breach is likely within the horizon."""
    BENCH = "bench"
    """Chamber, instrument or load moved, not one supplier."""
    CLIMATE = "climate"
    """Readings without valid conditioning."""
    FEED = "feed"
    """A source is silent or was refused."""


class Grade(StrEnum):
    """How urgent an alert is."""

    ACT = "act"
    """A limit is breached, or likely within the horizon."""
    LOOK = "look"
    """Something moved."""
    NOTE = "note"
    """Worth knowing; outside the budget of false alerts."""


class AlertState(StrEnum):
    """Where an alert stands."""

    OPEN = "open"
    """Nobody has taken it up."""
    ACKNOWLEDGED = "acknowledged"
    """A person has seen it."""
    CLOSED = "closed"
    """A person has settled it, or its evidence ended."""


class StreamState(StrEnum):
    """A stream in one word, for the board."""

    LEARNING = "learning"
    """Its limits are still being learned: fewer valid lots than the baseline asks for."""
    STEADY = "steady"
    """Nothing has moved that is not settled."""
    LOOK = "look"
    """An open alert of grade look."""
    ACT = "act"
    """An open alert of grade act."""
    SILENT = "silent"
    """No lot for longer than the stream's own rhythm explains."""
