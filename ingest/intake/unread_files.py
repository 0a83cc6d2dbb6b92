"""Files in the drop folders that no round reads, each kind with what to do about it.

They stay where they are. Names by which programs mark what is unfinished or their own are passed over in silence.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from fnmatch import fnmatchcase
from pathlib import Path

from ingest.common.text import counted_lines, printable
from ingest.config.lab import Lab

__all__ = ["unread_files"]

UNFINISHED = (".part", ".tmp", "~", ".swp", ".crdownload", ".download", ".filepart", ".lock", ".bak")
OF_THE_SYSTEM = ("thumbs.db", "desktop.ini")
WORKBOOKS = (".xlsx", ".xls", ".xlsm", ".xlsb", ".ods", ".numbers")
PLAIN_TABLES = (".txt", ".tsv", ".tab", ".dat", ".asc", ".prn", ".log")

WORKBOOK = "is a workbook, which is not read; open it, save its sheet as CSV, and drop that file"
PLAIN_TABLE = "is not read for its name; if it is a table with a header row, let its name end in .csv"
OTHER = "is not read; export the readings as CSV, or take the file out of the drop folder"
NO_SOURCE = "fits the pattern of no [[source]] of its folder; rename it, or correct pattern in lab.toml"


def unread_files(lab: Lab) -> dict[str, str]:
    """Return one line for each kind of unread file by the folder and the kind; an unreadable folder has none."""
    lines: dict[str, str] = {}
    for folder in dict.fromkeys(source.folder for source in lab.sources):
        patterns = [source.pattern or "*" for source in lab.sources if source.folder == folder]
        try:
            names = sorted(_regular_names(lab.folder / folder))
        except OSError:
            continue  # The search for drops reports the folder.
        unread = [(f"{folder}/{printable(name)}", why) for name in names if (why := _why_unread(name, patterns))]
        for kind in dict.fromkeys(why for _, why in unread):
            (lines[f"{folder}: {kind}"],) = counted_lines(one for one in unread if one[1] == kind)
    return lines


def _regular_names(folder: Path) -> Iterator[str]:
    with os.scandir(folder) as listing:
        yield from (entry.name for entry in listing if entry.is_file(follow_symlinks=False))


def _why_unread(name: str, patterns: list[str]) -> str:
    plain = name.lower()
    if plain.startswith((".", "~$")) or plain.endswith(UNFINISHED) or plain in OF_THE_SYSTEM:
        return ""
    if plain.endswith(".csv"):
        return "" if any(fnmatchcase(name, pattern) for pattern in patterns) else NO_SOURCE
    if plain.endswith(WORKBOOKS):
        return WORKBOOK
    return PLAIN_TABLE if plain.endswith(PLAIN_TABLES) else OTHER
