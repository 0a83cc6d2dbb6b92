"""A finding about the bench beside a test of its weeks: the value as read, the value without it, the finding and its weeks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from dashboard.text.formatting import day, in_unit, listed, signed
from ingest.common.number_format import Measured
from ingest.documents.alert import ShownBy
from ingest.documents.bench.bench_mark import BenchMark
from ingest.documents.fields import Bound
from ingest.evaluation.alert_text import off_span

__all__ = [
    "BENCH_OFF",
    "as_read_and_without",
    "faults",
    "mark_sentence",
    "off_from",
    "short_mark",
    "source_and_size",
    "tested_while",
]

BENCH_OFF = "while the bench was off"


def source_and_size(mark: BenchMark) -> str:
    """What was off, by how much and when, with the finding in brackets; no more than is known.

    "Shielding tester 1 read 12 % high from about 27 Aug 2026, normal again from 17 Sep 2026 (finding 03d9f0cf6d6a)".
    """
    first, last = (None if mark[end] is None else day(mark[end]) for end in ("off_from_at", "off_until_at"))
    span = off_span(mark["shown_by"], first, last)
    if mark["size"] is None:
        return f"{mark['source']} not known to be right {span} (finding {mark['finding']})"
    verb = "reads" if mark["off_until_at"] is None else "read"
    how = f"{abs(mark['size']):.2g} {mark['size_unit']} {'high' if mark['size'] > 0 else 'low'}"
    return f"{mark['source']} {verb} {how} {span} (finding {mark['finding']})"


def off_from(first: str | None, shown_by: ShownBy | None) -> str:
    """The first day of a finding for the cell of a table."""
    if first is None:
        return "not known"
    if shown_by == "calibration":
        return f"not known, not before {day(first)}"
    return f"about {day(first)}" if shown_by is None else day(first)


def tested_while(marks: Sequence[BenchMark]) -> str:
    """How the bench stood at a test with these marks, after "tested"."""
    if marks[0]["level_without"] is None:
        return "while the bench was not known to be right"
    return "when the bench may have been off" if _may_be(marks) else BENCH_OFF


@dataclass(slots=True)
class Fault:
    """One fault of one source on the bench, by one finding or several, and the tests of its weeks in words."""

    marks: dict[str, BenchMark] = field(default_factory=dict)
    tests: list[str] = field(default_factory=list)

    def holds(self, mark: BenchMark) -> bool:
        """Whether a mark is about this fault: the same source, in weeks that meet."""
        return any(one["source"] == mark["source"] and _meet(one, mark) for one in self.marks.values())

    def __str__(self) -> str:
        first, *others = self.marks.values()
        return listed(
            [source_and_size(first), *(source_and_size(one).removeprefix(f"{one['source']} ") for one in others)]
        )


def faults(tests: Iterable[tuple[str, Sequence[BenchMark]]]) -> list[Fault]:
    """The faults of the bench in whose weeks tests were made; a test is given in words, with its marks.

    The lots and a calibration may both show one fault: it is listed once, with both findings.
    """
    every: list[Fault] = []
    for text, marks in tests:
        for mark in marks:
            fault = next((one for one in every if mark["finding"] in one.marks or one.holds(mark)), None)
            if fault is None:
                every.append(fault := Fault())
            fault.marks.setdefault(mark["finding"], mark)
            if text not in fault.tests:
                fault.tests.append(text)
    return every


def _meet(one: BenchMark, other: BenchMark) -> bool:
    """Whether the weeks of two findings meet; one without an end goes on."""
    starts = [datetime.fromisoformat(mark["off_from_at"]) for mark in (one, other) if mark["off_from_at"]]
    ends = [datetime.fromisoformat(mark["off_until_at"]) for mark in (one, other) if mark["off_until_at"]]
    return not starts or not ends or max(starts) <= min(ends)


def mark_sentence(marks: Sequence[BenchMark], level: float | None, stream: Measured, bound: Bound = 0) -> str:
    """A sentence on a test of weeks in which the bench was off; empty for a test of other weeks."""
    if not marks:
        return ""
    sources = listed([source_and_size(mark) for mark in marks])
    tested = f"Tested {tested_while(marks)}: {sources}"
    if marks[0]["level_without"] is None:
        return f"{tested}. What it adds to the level is not known."
    return f"{tested}. The level is {as_read_and_without(in_unit(stream, level, bound), marks, stream, ' and ')}."


def as_read_and_without(read: str, marks: Sequence[BenchMark], stream: Measured, between: str = ", ") -> str:
    """A level as read, and without what the findings add to it: "14.6 nJ as read, 13.0 nJ without it"."""
    if marks[0]["level_without"] is None:
        return f"{read} as read{between}what it adds not known"
    condition = "if it was off by then" if _may_be(marks) else "without it"
    return f"{read} as read{between}{in_unit(stream, marks[0]['level_without'])} {condition}"


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
    without = in_unit(stream, marks[0]["level_without"])
    if _may_be(marks):
        return f"bench may have been off by {sizes}: {without} if it was ({findings})"
    return f"bench {sizes}: {without} without it ({findings})"


def _may_be(marks: Sequence[BenchMark]) -> bool:
    """Whether it is open that the source was off at the test already: a calibration found it off only later."""
    return any(mark["shown_by"] == "calibration" for mark in marks)
