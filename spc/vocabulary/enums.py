"""The closed sets of words in results, each word explained once."""

from __future__ import annotations

from enum import StrEnum

__all__ = [
    "WANDER",
    "AlertState",
    "BenchSource",
    "Direction",
    "Effectiveness",
    "Grade",
    "Kind",
    "Scale",
    "Side",
    "StreamState",
    "Verdict",
]


class Scale(StrEnum):
    """Scale in which a characteristic is charted."""

    LOG = "log"
    """Natural logarithm: for energy and resistance, which vary by factors."""
    LINEAR = "linear"
    """The unit of the characteristic."""


class Verdict(StrEnum):
    """Result of comparing a session with the specification limits in force on the day of the test."""

    PASS = "pass"
    """The judged value is inside the limits, clear of the guard band."""
    FAIL = "fail"
    """The judged value is outside a limit, clear of the guard band."""
    UNDECIDED = "undecided"
    """The judged value is inside the guard band, or a bounded reading leaves it open."""
    INVALID = "invalid"
    """The chamber log does not document the required conditioning."""
    UNLIMITED = "unlimited"
    """No limit applies."""


WANDER = "wander"
"""Form of the evidence for a level that moves away and comes back time and again, in place of a step or a ramp."""


class BenchSource(StrEnum):
    """Source of the bench part of an uncertainty: load, day, operator and tester of a whole session."""

    STANDARD = "check standard"
    """The sessions of check standards that are conditioned and measured as bags are."""
    REPEATS = "repeated lots"
    """Lots of the stream that were tested in several sessions."""
    STUDY = "gauge study"
    """A declared gauge study, in which every bag was measured in every session."""
    UNKNOWN = "not known"
    """None of these exists yet; the variation between the lots of the stream bounds it."""


class Kind(StrEnum):
    """Subject of an alert."""

    LIMIT = "limit"
    """A lot is outside its specification limit."""
    POINT = "point"
    """A lot is far from the other lots of its stream."""
    PATTERN = "pattern"
    """A run pattern."""
    DRIFT = "drift"
    """The level moved, as a step or a ramp."""
    SPREAD = "spread"
    """Variation between bags or readings increased."""
    FORECAST = "forecast"
    """A breach is likely within the horizon."""
    BENCH = "bench"
    """A chamber, instrument or load shifted, not one supplier."""
    CLIMATE = "climate"
    """Tests without valid conditioning."""
    FEED = "feed"
    """A source stopped sending or a file was refused."""


class Grade(StrEnum):
    """Urgency of an alert."""

    ACT = "act"
    """A lot is outside a specification limit, or likely to be within the horizon."""
    LOOK = "look"
    """A level or a variation changed."""
    NOTE = "note"
    """For information; outside the budget of false alerts."""


class AlertState(StrEnum):
    """State of an alert."""

    OPEN = "open"
    """Nobody has responded."""
    ACKNOWLEDGED = "acknowledged"
    """A person has acknowledged it."""
    CLOSED = "closed"
    """Closed by a person, or because its evidence ended."""


class StreamState(StrEnum):
    """State of a stream on the board, the most urgent first."""

    ACT = "act"
    """An open alert of grade act."""
    LOOK = "look"
    """An open alert of grade look."""
    SILENT = "silent"
    """No lot for longer than usual for the stream."""
    LEARNING = "learning"
    """There are fewer valid lots than the baseline needs."""
    NOTE = "note"
    """An open alert for information only, such as a move away from the limit."""
    STEADY = "steady"
    """No open alert."""


class Effectiveness(StrEnum):
    """Whether a corrective action worked, judged by the lots after it."""

    WORKED = "worked"
    """The level is back where it was before the move."""
    NOT_YET_SHOWN = "not yet shown"
    """There are too few lots, or the level is part of the way back."""
    DID_NOT_WORK = "did not work"
    """The level is not back, and no better than it was at the alert."""


class Side(StrEnum):
    """Specification limit that matters for a stream."""

    UPPER = "upper"
    """The upper limit is the only one, or the nearer."""
    LOWER = "lower"
    """The lower limit is the only one, or the nearer."""
    NONE = "none"
    """No limit applies, or there is no level."""


class Direction(StrEnum):
    """Direction of the change of a level since the quarter before."""

    NEARER = "nearer"
    """Towards the limit: the whole interval of the change is on that side."""
    AWAY = "away"
    """Away from the limit."""
    MOVED = "moved"
    """It moved, and there is no limit to compare the direction with."""
    UNCLEAR = "unclear"
    """The interval of the change contains zero."""
    NOT_COMPARED = "not_compared"
    """Too few lots in one of the quarters."""
