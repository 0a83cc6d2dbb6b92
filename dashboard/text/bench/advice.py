"""What the pages of the bench ask for, by urgency: each page has its own list, and the bench page leads with the most urgent of all."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import IntEnum

__all__ = ["Advice", "Urgency", "most_urgent"]


class Urgency(IntEnum):
    """How soon something is to be done; the least number comes first."""

    STOP = 0
    """A test made now would not be valid."""
    DECIDE = 1
    """Something on the bench was or may be wrong."""
    RECORD = 2
    """A record is missing that shows a test valid."""
    TEST = 3
    """A lot waits for a test."""
    TIDY = 4
    """It helps later, and nothing waits for it."""


@dataclass(frozen=True, slots=True)
class Advice:
    """One thing to do, and the page on which it is done ("" for the page on which it stands)."""

    urgency: Urgency
    text: str
    address: str = ""


def most_urgent(advice: Iterable[Advice]) -> Advice | None:
    """The first of the most urgent ones; None where nothing is asked for."""
    return min(advice, key=lambda one: one.urgency, default=None)
