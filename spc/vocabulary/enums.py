"""The closed sets of words in which results are told, each word explained once."""

from __future__ import annotations

from enum import StrEnum

__all__ = ["AlertState", "Answer", "Direction", "Grade", "Kind", "Scale", "StreamState", "Verdict"]


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
    """How urgent an alert is, the most urgent first: lists of alerts follow this order."""

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
    """A person, or the bench alert that explains it, has settled it."""


class StreamState(StrEnum):
    """A stream in one word, for the board, the most urgent first: the board follows this order."""

    ACT = "act"
    """An open alert of grade act."""
    LOOK = "look"
    """An open alert of grade look."""
    SILENT = "silent"
    """No lot for longer than the stream's own rhythm explains."""
    LEARNING = "learning"
    """Its limits are still being learned: fewer valid lots than the baseline asks for."""
    STEADY = "steady"
    """Nothing has moved that is not settled."""


class Answer(StrEnum):
    """Whether a corrective action was effective, as far as the lots show."""

    WORKED = "worked"
    """Effective: away from the level at the alert and consistent with the level before it."""
    NOT_YET_SHOWN = "not yet shown"
    """Not verified: too few lots, or part of the way back."""
    DID_NOT_WORK = "did not work"
    """Not effective: not back at the level before the alert, and no better than the level at the alert."""


class Direction(StrEnum):
    """Which way a level moved since the previous quarter, as far as the lots show."""

    NEARER = "nearer"
    """Towards the limit: the interval of the change lies wholly on that side."""
    AWAY = "away"
    """Away from the limit."""
    MOVED = "moved"
    """It moved, and no limit tells which way is better."""
    UNCLEAR = "unclear"
    """The interval of the change includes zero."""
    NOT_COMPARED = "not_compared"
    """Too few lots in one of the quarters."""
