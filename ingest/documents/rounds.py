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
    "FileCheckDocument",
    "FileColumn",
    "FileKind",
    "FileRefusal",
    "FileRow",
    "FileState",
    "ReplayDocument",
    "RoundDocument",
    "RoundFile",
    "Week",
]

FileKind = Literal["tests", "climate", "stock", "loads", "calibrations", "waveforms"]
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
    omitted: Count
    reason: str | None
    note: str | None


class RoundDocument(TypedDict):
    """What one round did."""

    files: list[RoundFile]
    evaluated: Count
    to_look_at: Count
    raised: list[Alert]
    unread: list[str]


class CheckedFile(TypedDict):
    """How a file would be read."""

    name: str
    kind: FileKind
    state: Literal["readable", "refused"]
    rows: Count
    refused: Count
    omitted: Count
    reason: str | None
    note: str | None


class CheckDocument(TypedDict):
    """What a round would refuse."""

    files: list[CheckedFile]
    refusals: list[RefusedRow]
    unread: list[str]
    similar_names: list[str]


class FileColumn(TypedDict):
    """A column of a file: its header, its meaning (null for a note), its unit and its first cells."""

    column: str
    meaning: str | None
    unit: str | None
    examples: list[str]


class FileRow(TypedDict):
    """A reading or log entry as it would be stored, its cells by name."""

    line: Count
    cells: dict[str, str]


class FileRefusal(TypedDict):
    """A row that would be refused."""

    line: Count
    reason: str


class FileCheckDocument(TypedDict):
    """How one file would be read."""

    name: str
    kind: FileKind
    encoding: str
    delimiter: str
    columns: list[FileColumn]
    rows: Count
    first_rows: list[FileRow]
    refused: Count
    refusals: list[FileRefusal]
    omitted: Count
    problem: str | None
    doubts: list[str]
    source: str
    source_number: Count | None


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
