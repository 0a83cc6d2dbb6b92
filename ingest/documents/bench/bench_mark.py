"""What a finding about the bench adds to a test: the same record on chart, lot, notice, card and audit bundle."""

from __future__ import annotations

from typing_extensions import TypedDict

from ingest.documents.alert import ShownBy
from ingest.documents.fields import Microseconds, Moment

__all__ = ["BenchMark", "StoredBenchMark"]


class _MarkFigures(TypedDict):
    finding: str
    source: str
    size: float | None
    size_unit: str
    level_without: float | None
    closed: bool
    shown_by: ShownBy | None


class StoredBenchMark(_MarkFigures):
    """A test of weeks in which a source on the bench was off; see `BenchMark`."""

    off_from_us: Microseconds | None
    off_until_us: Microseconds | None


class BenchMark(_MarkFigures):
    """A test of weeks in which a source on the bench was off.

    `finding` is the id of the bench alert and `source` what it names; `size` is what the source added to the level, in percent
    or in the unit; `level_without` is the level as it would be, with the sizes of all findings on this test taken out. `shown_by`
    is the record of the bench that shows it, null where the lots do. A calibration shows what it found, and not since when:
    `off_from_at` is then the day of the last good evidence, before which the source was right. It is null for a sensor without an
    earlier check.
    """

    off_from_at: Moment | None
    off_until_at: Moment | None
