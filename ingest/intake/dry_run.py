"""Read every drop without storing anything: which rows and files a round would refuse."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

from ingest.common.text import printable
from ingest.config.lab import Lab
from ingest.documents.lot import RefusedRow
from ingest.documents.rounds import CheckDocument, CheckedFile
from ingest.intake.find_drops import NOT_UTF8, FoundDrop, find_drops
from ingest.intake.similar_names import similar_in_file
from ingest.intake.store_drop import NO_ROW, failure_text
from ingest.intake.unread_files import unread_files
from ingest.parsing.parse_file import FileRefused, Parsed, read_file
from ingest.parsing.proposal.source_preview import names_in

__all__ = ["Report", "check"]


@dataclass(slots=True)
class Report:
    """The result of a check: a document as `lotdrift check --json` prints it, with one line for each problem and each kind of unread file."""

    files: list[CheckedFile] = field(default_factory=list)
    refusals: list[RefusedRow] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    unread: list[str] = field(default_factory=list)
    # Names that are much like others, one line each.
    similar: list[str] = field(default_factory=list)

    @property
    def document(self) -> CheckDocument:
        """The JSON document."""
        return {"files": self.files, "refusals": self.refusals, "unread": self.unread, "similar_names": self.similar}

    @property
    def refused_something(self) -> bool:
        """Whether a round would refuse a row, a file or a folder."""
        return bool(self.problems or self.refusals) or any(file["state"] == "refused" for file in self.files)


def check(lab: Lab, now: datetime) -> Report:
    """Read every drop as a round would."""
    report = Report()
    similar: list[str] = []
    for drop in find_drops(lab, now, report.problems):
        parsed = _parse(lab, drop, now)
        if isinstance(parsed, FileRefused):
            report.files.append(_file(drop, "refused", reason=printable(parsed.reason)))
        else:
            report.files.append(_file(drop, "readable", parsed))
            similar += [line for line in similar_in_file(lab, names_in(parsed.rows)) if line not in similar]
            report.refusals += [
                {"file": drop.path.name, "line": row.line, "reason": printable(row.reason)} for row in parsed.refusals
            ]
    report.unread = list(unread_files(lab).values())
    report.similar = similar
    return report


def _parse(lab: Lab, drop: FoundDrop, now: datetime) -> Parsed | FileRefused:
    name = drop.path.name
    if not drop.has_text_name:
        return FileRefused(f"{name}: {NOT_UTF8}")
    try:
        return read_file(drop.path, drop.source, lab, now)
    except OSError as error:
        return FileRefused(f"{name}: can't be read ({error.strerror})")
    except Exception as error:  # noqa: BLE001  (a round refuses such a file and goes on)
        return FileRefused(f"{name}: {failure_text(error)}")


def _file(
    drop: FoundDrop, state: Literal["readable", "refused"], parsed: Parsed | None = None, reason: str | None = None
) -> CheckedFile:
    note = None
    if parsed is not None and not parsed.data_rows:
        note = NO_ROW
    elif parsed is not None and parsed.omissions.count:
        note = str(parsed.omissions)
    return {
        "name": drop.name,
        "kind": drop.source.kind,
        "state": state,
        "rows": parsed.data_rows if parsed else 0,
        "refused": len(parsed.refusals) if parsed else 0,
        "omitted": parsed.omissions.count if parsed else 0,
        "reason": reason,
        "note": printable(f"{drop.name}: {note}") if note else None,
    }
