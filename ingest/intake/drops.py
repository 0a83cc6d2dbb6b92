"""The intake of one round: archive what an earlier round left, find the files that are ready, store each."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

from ingest.common.progress import Progress, no_progress
from ingest.config.lab import Lab
from ingest.intake.archive import archive_drops
from ingest.intake.find_drops import find_drops
from ingest.intake.store_drop import Entry, IntakeContext, store_drop
from ingest.intake.unread_files import unread_files
from ingest.parsing.parse_file import PIECE_BYTES
from ingest.store.last_round import is_behind
from ingest.store.store import Store

__all__ = ["Entry", "IntakeResult", "take_in_drops"]


@dataclass(slots=True)
class IntakeResult:
    """The entries of one round, one for each file, one line for each problem, and one for each kind of unread file."""

    entries: list[Entry] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    unread: dict[str, str] = field(default_factory=dict)


def take_in_drops(
    store: Store, lab: Lab, now: datetime, progress: Progress = no_progress, piece_bytes: int = PIECE_BYTES
) -> IntakeResult:
    """Store every file that is ready, by file time, then name, reading about `piece_bytes` at a time."""
    result = IntakeResult()
    archive_drops(store, lab.folder)
    drops = find_drops(lab, now, result.problems)
    with store.reading() as connection:
        context = IntakeContext(store, lab, now, progress, piece_bytes, is_behind(connection, now))
    for number, drop in enumerate(drops):
        progress("files taken in", number, len(drops))
        entry = store_drop(context, drop)
        if entry is not None:
            result.entries.append(entry)
    result.unread = unread_files(lab)
    return result
