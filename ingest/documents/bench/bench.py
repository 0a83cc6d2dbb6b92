"""The bench page: chambers, sources, files, refused rows and rounds."""

from __future__ import annotations

from typing_extensions import TypedDict

from ingest.documents.alert import ShownBy
from ingest.documents.fields import Count, Moment, Probability
from ingest.documents.stream import StreamNames
from spc.vocabulary.enums import AlertState

__all__ = [
    "BenchDocument",
    "BenchFinding",
    "Chamber",
    "ChamberTrace",
    "FeedFile",
    "MarkedSession",
    "Refusals",
    "RoundSummary",
    "SourceFolder",
]

ChamberTrace = TypedDict(
    "ChamberTrace",
    {
        "times": list[Moment],
        "humidity": list[float | None],
        "temperature": list[float | None],
        "humidity_low": float,
        "humidity_high": float,
        "temperature_low": float,
        "temperature_high": float,
        "from": Moment | None,
        "to": Moment | None,
    },
)
"""A chamber's log with its tolerance; `from` and `to` bound the hours that the conditioning required."""


class Chamber(TypedDict):
    """One chamber over its last days."""

    name: str
    last_at: Moment
    humidity: float
    temperature_c: float
    last_inside: bool
    days: Count
    hours_outside: float
    gaps: Count
    invalid_sessions: Count
    trace: ChamberTrace


class FeedFile(TypedDict):
    """A file that a round took in."""

    name: str
    kind: str
    stored: Count
    duplicate: Count
    corrected: Count
    refused: Count
    state: str
    taken_at: Moment


class SourceFolder(TypedDict):
    """A folder of drops: how many files came, how often, and what their rows came to."""

    folder: str
    kind: str
    files: Count
    stored: Count
    refused: Count
    corrected: Count
    unreadable: Count
    last_at: Moment
    last_file_at: Moment
    days_between: float | None


class Refusals(TypedDict):
    """The refused rows of one file with one reason."""

    file: str
    reason: str
    rows: Count
    first_line: Count
    last_line: Count
    taken_at: Moment


class MarkedSession(StreamNames):
    """A test session with suspect values that nobody has cleared."""

    lot: str
    tested_at: Moment
    reason: str


class RoundSummary(TypedDict):
    """A round in figures."""

    files: Count
    stored: Count
    refused: Count
    evaluated: Count
    raised: Count
    started_at: Moment
    seconds: float


class BenchFinding(TypedDict):
    """A finding about the bench, open or closed: what was off, in which weeks, and how many tests were made in them."""

    finding: str
    message: str
    state: AlertState
    off_from_at: Moment | None
    off_until_at: Moment | None
    shown_by: ShownBy | None
    detected_at: Moment
    tests: Count
    lots: Count


class MovingStreams(TypedDict):
    """Share of the streams of films that moved by themselves within the last `weeks`, with its 95 % interval."""

    weeks: Count
    streams: Count
    moved: Count
    share: Probability
    low: Probability
    high: Probability


class AttributedAlerts(TypedDict):
    """Alerts of the last `weeks` on films, those attributed to the bench, and whether that is a large share."""

    weeks: Count
    alerts: Count
    attributed: Count
    large: bool


class BenchDocument(TypedDict):
    """The bench page."""

    findings: list[BenchFinding]
    chambers: list[Chamber]
    feeds: list[FeedFile]
    sources: list[SourceFolder]
    refusals: list[Refusals]
    to_look_at: list[MarkedSession]
    rounds: list[RoundSummary]
    clock: str
    moving: MovingStreams
    attribution: AttributedAlerts
