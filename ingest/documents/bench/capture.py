"""The captures of a test session, and what they say of the recorded figures."""

from __future__ import annotations

from typing_extensions import TypedDict

from ingest.documents.bench.waveform import CaptureFigures
from ingest.documents.fields import Bound, Count, Day
from spc.vocabulary.enums import Verdict

__all__ = ["CaptureDay", "SessionCapture", "SessionCaptures"]


class SessionCapture(CaptureFigures):
    """A captured discharge beside its recorded figure, in nJ.

    `ratio` is recorded over recomputed, null where one of the two is a bound; `is_far` marks one far from those of its instrument and day.
    `trace` holds times in ns and currents in A, for the picture.
    """

    specimen: Count
    reading: Count
    recorded: float
    recorded_bound: Bound
    ratio: float | None
    is_far: bool
    file: str
    line: Count
    trace: list[list[float]]


class CaptureDay(TypedDict):
    """Recorded over recomputed energy of one instrument on one day: the median, its relative expanded uncertainty, and set-up errors that fit."""

    day: Day
    captures: Count
    ratio: float
    uncertainty: float
    is_off: bool
    causes: list[str]


class SessionCaptures(TypedDict):
    """The captures of a session. The recorded figures stay the record.

    `readings` counts those of the session. `agreement` is that of the instrument on the day, null where no two figures can be compared. `recomputed` is the judged
    figure divided by the ratio of the session's captures, and `verdict` its side of the limits, without guard band; null where nothing can be compared.
    """

    readings: Count
    captures: list[SessionCapture]
    agreement: CaptureDay | None
    recomputed: float | None
    verdict: Verdict | None
    is_another_verdict: bool
