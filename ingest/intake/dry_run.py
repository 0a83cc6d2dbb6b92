"""Read everything, store nothing: what a round would refuse, and how a file would be read."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

from ingest.common.text import printable
from ingest.config.lab import Lab
from ingest.documents.lot import RefusedRow
from ingest.documents.rounds import CheckDocument, CheckedFile
from ingest.intake.drops import NAMELESS, FoundDrop, find_drops, is_text, why_unfit
from ingest.parsing.parse_file import FileRefused, Parsed, read_climate, read_tests

__all__ = ["Report", "check"]


@dataclass(slots=True)
class Report:
    """What a check found: a document as `lotdrift check --json` prints it, and lines for what stands in the way."""

    files: list[CheckedFile] = field(default_factory=list)
    refusals: list[RefusedRow] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)

    @property
    def document(self) -> CheckDocument:
        """The JSON document."""
        return {"files": self.files, "refusals": self.refusals}

    @property
    def refused_something(self) -> bool:
        """Whether a round would refuse a row, a file or a folder."""
        return bool(self.problems or self.refusals) or any(file["state"] == "refused" for file in self.files)


def check(lab: Lab, now: datetime) -> Report:
    """Read every drop as a round would."""
    report = Report()
    for item in find_drops(lab, now, report.problems):
        _check_file(report, lab, item, now)
    return report


def _check_file(report: Report, lab: Lab, item: FoundDrop, now: datetime) -> None:
    parsed = _parsed(lab, item, now)
    if isinstance(parsed, FileRefused):
        report.files.append(_file(item, "refused", 0, 0, printable(parsed.reason)))
        return
    report.files.append(_file(item, "readable", parsed.data_rows, len(parsed.refusals), None))
    report.refusals += [
        {"file": item.path.name, "line": refusal.line, "reason": printable(refusal.reason)}
        for refusal in parsed.refusals
    ]


def _parsed(lab: Lab, item: FoundDrop, now: datetime) -> Parsed | FileRefused:
    name = item.path.name
    if not is_text(name):
        return FileRefused(f"{name}: {NAMELESS}")
    read = read_tests if item.source.kind == "tests" else read_climate
    try:
        return read(item.path, item.source, lab, now)
    except OSError as error:
        return FileRefused(f"{name}: can't be read ({error.strerror})")
    except Exception as error:  # noqa: BLE001  (as a round, which puts such a file aside)
        return FileRefused(f"{name}: {why_unfit(error)}")


def _file(
    item: FoundDrop, state: Literal["readable", "refused"], rows: int, refused: int, reason: str | None
) -> CheckedFile:
    return {
        "name": item.path.name if is_text(item.path.name) else printable(item.path.name),
        "kind": item.source.kind,
        "state": state,
        "rows": rows,
        "refused": refused,
        "reason": reason,
    }
