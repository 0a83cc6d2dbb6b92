"""Propose a source for a file of captures: its readings follow from its columns or its name."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from ingest.common.errors import CallError
from ingest.common.text import quoted
from ingest.config.field_types import listed
from ingest.config.lab import STANDARD_FOLDERS
from ingest.config.models import Source
from ingest.parsing.captures import CaptureColumn, capture_columns
from ingest.parsing.rows.capture_rows import form_of

__all__ = ["columns_of_captures", "propose_captures"]

# What a capture can't be matched to its reading without.
NEEDED = ("supplier", "lot", "specimen")
DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")


def columns_of_captures(path: Path, source: Source) -> list[CaptureColumn]:
    """The columns of a file under a source of captures; empty where it holds none."""
    try:
        return capture_columns(path, form_of(source))
    except CallError:
        return []


def propose_captures(path: Path) -> tuple[Source, list[str]] | None:
    """A source for a file of captures with its doubts; None where the file holds no captures."""
    declared: dict[str, Any] = {"kind": "waveforms", "folder": STANDARD_FOLDERS["waveforms"]}
    plain = Source.model_validate(declared)
    columns = columns_of_captures(path, plain)
    if not columns:
        return None
    missing = [name for name in NEEDED if name not in {column.ours for column in columns}]
    if not missing:
        return plain, []
    names = _names_of(path.name)
    if names is None:
        example = "names = " + quoted("{supplier}_{lot}_{specimen}.csv")
        return plain, [
            f"no column names {listed(missing, 'and')}, and the name of the file does not show them; rename such files and declare "
            f"{example}, or declare what is the same for all in fixed"
        ]
    return Source.model_validate({**declared, "names": names}), [
        f"the readings follow from the name of the file: names = {quoted(names)} is proposed, correct it if its parts mean "
        "something else"
    ]


def _names_of(name: str) -> str | None:
    """The pattern of a name such as `Alder_A-1041_1_2.csv`: supplier, lot, bag, and a discharge or a day."""
    stem, dot, ending = name.rpartition(".")
    parts = stem.split("_")
    if not dot or len(parts) < 3 or not re.fullmatch(r"[0-9]{1,9}", parts[2]):
        return None
    fields = ["supplier", "lot", "specimen"]
    for part in parts[3:]:
        field = "day" if DAY.fullmatch(part) else "reading" if re.fullmatch(r"[0-9]{1,9}", part) else ""
        if not field or field in fields:
            return None
        fields.append(field)
    return "_".join(f"{{{field}}}" for field in fields) + f".{ending}"
