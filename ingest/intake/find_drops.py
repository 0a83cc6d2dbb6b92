"""Find the files in the drop folders that are complete and ready to be read."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from fnmatch import fnmatchcase
from pathlib import Path

from ingest.common.text import printable
from ingest.config.lab import Lab, Source
from ingest.intake.open_files import size_and_time, still_written

__all__ = ["NOT_UTF8", "FoundDrop", "find_drops"]

NOT_UTF8 = "its name is not UTF-8 text; it stays where it is, rename it"


@dataclass(frozen=True, slots=True)
class FoundDrop:
    """A file in a drop folder, the source that declares how to read it, and its size and time when found."""

    path: Path
    source: Source
    size: int
    modified_ns: int

    @property
    def has_text_name(self) -> bool:
        """Whether the file name can be stored: a file system may return bytes that are not text."""
        return not any("\ud800" <= c <= "\udfff" for c in self.path.name)

    @property
    def name(self) -> str:
        """The file name; printable where it is not text."""
        return self.path.name if self.has_text_name else printable(self.path.name)

    def is_unchanged(self) -> bool:
        """Whether the file is still as it was found."""
        status = _regular_file_status(self.path, self.path.parent)
        return status is not None and size_and_time(status) == (self.size, self.modified_ns)


def find_drops(lab: Lab, now: datetime, problems: list[str]) -> list[FoundDrop]:
    """Return the files that are ready, in the order in which to read them; append a line to `problems` for a bad folder."""
    drops: dict[Path, FoundDrop] = {}
    # A source with a pattern is more specific, so it chooses first.
    for source in sorted(lab.sources, key=lambda source: source.pattern is None):
        try:
            for drop in _in_folder(lab.folder / source.folder, source):
                drops.setdefault(drop.path, drop)
        except FileNotFoundError:
            problems.append(
                f"{source.folder}: the drop folder does not exist; make it, or correct [[source]] folder in lab.toml"
            )
        except OSError as error:
            problems.append(
                f"{source.folder}: the drop folder can't be read ({error.strerror}); give this account the right to"
            )
    unfinished = still_written(
        {drop.path: (drop.size, drop.modified_ns) for drop in drops.values()}, int(now.timestamp() * 1e9)
    )
    ready = [drop for path, drop in drops.items() if path not in unfinished]
    return sorted(ready, key=lambda drop: (drop.modified_ns, drop.path.name))


def _in_folder(folder: Path, source: Source) -> Iterator[FoundDrop]:
    with os.scandir(folder) as listing:
        for entry in listing:
            # Not hidden, not a lock, a backup or another program's temporary file.
            is_csv = entry.name.lower().endswith(".csv") and not entry.name.startswith((".", "~$"))
            if is_csv and fnmatchcase(entry.name, source.pattern or "*"):
                status = _regular_file_status(Path(entry.path), folder)
                if status is not None:
                    yield FoundDrop(Path(entry.path), source, *size_and_time(status))


def _regular_file_status(path: Path, folder: Path) -> os.stat_result | None:
    """The status of a regular file; None for folders, pipes, broken links and links that lead out of the folder."""
    try:
        status = path.stat()
        if path.is_symlink() and not _real(path).is_relative_to(_real(folder)):
            return None
    except OSError:
        return None
    return status if stat.S_ISREG(status.st_mode) else None


def _real(path: Path) -> Path:
    # Path.resolve raises a different error for circular links in each version of Python.
    return Path(os.path.realpath(path, strict=True))
