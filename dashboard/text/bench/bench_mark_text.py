"""A finding about the bench beside a test of its weeks: the value as read, the value without it, the finding and its weeks."""

from __future__ import annotations

from collections.abc import Sequence

from dashboard.text.formatting import day, in_unit, listed, signed
from ingest.common.number_format import Measured
from ingest.documents.bench.bench_mark import BenchMark
from ingest.documents.fields import Bound

__all__ = ["mark_sentence", "short_mark", "source_and_size"]


def source_and_size(mark: BenchMark) -> str:
    """What was off and when: "shielding tester 1 read 12 % high from 27 Aug 2026, normal again from 17 Sep 2026 (finding 03d9f0cf6d6a)"."""
    size, since = mark["size"], day(mark["off_from_at"])
    span = (
        f"since {since}"
        if mark["off_until_at"] is None
        else f"from {since}, normal again from {day(mark['off_until_at'])}"
    )
    if size is None:
        return f"{mark['source']} not known to be right {span} (finding {mark['finding']})"
    verb = "reads" if mark["off_until_at"] is None else "read"
    how = f"{abs(size):.2g} {mark['size_unit']} {'high' if size > 0 else 'low'}"
    return f"{mark['source']} {verb} {how} {span} (finding {mark['finding']})"


def mark_sentence(marks: Sequence[BenchMark], level: float | None, stream: Measured, bound: Bound = 0) -> str:
    """A sentence on a test of weeks in which the bench was off; empty for a test of other weeks."""
    if not marks:
        return ""
    sources = listed([source_and_size(mark) for mark in marks])
    if marks[0]["level_without"] is None:
        return f"Tested while the bench was not known to be right: {sources}. What it adds to the level is not known."
    return (
        f"Tested while the bench was off: {sources}. The level is {in_unit(stream, level, bound)} as read and "
        f"{in_unit(stream, marks[0]['level_without'])} without it."
    )


def short_mark(marks: Sequence[BenchMark], stream: Measured) -> str:
    """A few words for a table: "bench +12 %: 13.0 nJ without it (03d9f0cf6d6a)"."""
    if not marks:
        return ""
    sizes = " and ".join(
        f"{signed(mark['size'], '.2g')} {mark['size_unit']}" for mark in marks if mark["size"] is not None
    )
    findings = ", ".join(mark["finding"] for mark in marks)
    if marks[0]["level_without"] is None:
        return f"bench not known to be right ({findings})"
    return f"bench {sizes}: {in_unit(stream, marks[0]['level_without'])} without it ({findings})"
