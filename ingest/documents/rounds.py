"""What a round did, what a check found, and the documents that several streams share."""

from __future__ import annotations

from typing import Literal

from typing_extensions import TypedDict

from ingest.documents.alert import Alert, RaisedAlert
from ingest.documents.fields import Count, Day, Moment
from ingest.documents.lot import RefusedRow
from ingest.documents.stream import BoardRow

__all__ = [
    "CheckDocument",
    "CheckedFile",
    "FileKind",
    "FileState",
    "ReplayDocument",
    "RoundDocument",
    "RoundFile",
    "Week",
]

FileKind = Literal["tests", "climate", "stock", "loads", "calibrations"]
FileState = Literal["stored", "seen", "refused"]


class RoundFile(TypedDict):
    """What became of one file in a round."""

    name: str
    kind: FileKind
    state: FileState
    stored: Count
    duplicate: Count
    corrected: Count
    refused: Count
    reason: str | None


class RoundDocument(TypedDict):
    """What one round did."""

    files: list[RoundFile]
    evaluated: Count
    to_look_at: Count
    raised: list[Alert]


class CheckedFile(TypedDict):
    """How a file would be read."""

    name: str
    kind: FileKind
    state: Literal["readable", "refused"]
    rows: Count
    refused: Count
    reason: str | None


class CheckDocument(TypedDict):
    """What a round would refuse."""

    files: list[CheckedFile]
    refusals: list[RefusedRow]


class ReplayDocument(TypedDict):
    """The board and the open alerts of a past day."""

    day: Day
    board: list[BoardRow]
    alerts: list[Alert]


class Week(TypedDict):
    """What came in the week before the last round."""

    since: Moment
    lots: Count
    suppliers: Count
    raised: list[RaisedAlert]
