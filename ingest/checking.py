"""Read everything, store nothing: what a round would refuse, and how a file would be read."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from ingest.drops import Find, find
from ingest.feeds import FileRefused, read_climate, read_tests
from ingest.lab import Lab

__all__ = ["Report", "check"]


@dataclass(slots=True)
class Report:
    """What a check found: a document as `lotdrift check --json` prints it, and lines for what stands in the way."""

    files: list[dict[str, Any]] = field(default_factory=list)
    refusals: list[dict[str, Any]] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)

    @property
    def document(self) -> dict[str, Any]:
        """The JSON document."""
        return {"files": self.files, "refusals": self.refusals}

    @property
    def refused_something(self) -> bool:
        """Whether a round would refuse a row, a file or a folder."""
        return bool(self.problems or self.refusals) or any(file["state"] == "refused" for file in self.files)


def check(lab: Lab, now: datetime) -> Report:
    """Read every drop as a round would."""
    report = Report()
    for item in find(lab, now, report.problems):
        _check_file(report, lab, item, now)
    return report


def _check_file(report: Report, lab: Lab, item: Find, now: datetime) -> None:
    read = read_tests if item.source.kind == "tests" else read_climate
    name = item.path.name
    try:
        parsed = read(item.path, item.source, lab, now)
    except OSError as error:
        parsed = FileRefused(f"{name}: can't be read ({error.strerror})")
    if isinstance(parsed, FileRefused):
        report.files.append(_file(item, "refused", 0, 0, parsed.reason))
        return
    report.files.append(_file(item, "readable", parsed.data_rows, len(parsed.refusals), None))
    report.refusals += [{"file": name, "line": refusal.line, "reason": refusal.reason} for refusal in parsed.refusals]


def _file(item: Find, state: str, rows: int, refused: int, reason: str | None) -> dict[str, Any]:
    return {
        "name": item.path.name,
        "kind": item.source.kind,
        "state": state,
        "rows": rows,
        "refused": refused,
        "reason": reason,
    }
