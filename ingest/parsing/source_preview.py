"""Preview how a file would be read, for a person who sets up a source. Nothing is stored and nothing is moved.

If no source is declared for a file, one is proposed from its header; a person reviews it before pasting it.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import pandas as pd

from ingest.common.units import BLANKS
from ingest.config.lab import STANDARD_FOLDERS, Lab
from ingest.config.models import CLIMATE_COLUMNS, TEST_COLUMNS, Source
from ingest.parsing.columns import Layout, expected_names, lay_out
from ingest.parsing.csv_table import HEAD_BYTES, FileFormat, NotATableError, Table, open_csv, read_table
from ingest.parsing.parse_file import PIECE_BYTES, FileRefused, read_climate, read_tests
from ingest.parsing.rejections import Rejection

__all__ = ["ColumnSeen", "Preview", "as_toml", "preview", "proposed"]

FIRST_ROWS = 5
EXAMPLES = 3
TITLE_LINES = 30
# The beginning of a file, from which a source is proposed; it must contain the header.
PROPOSAL_BYTES = 2 * HEAD_BYTES

# Common names of our columns in exports; they are only proposed, never assumed.
OTHER_WORDS = {
    "tested_at": ("tested", "test time", "time of test", "date time", "datetime", "timestamp", "date", "time"),
    "logged_at": ("logged", "log time", "date time", "datetime", "timestamp", "date", "time"),
    "supplier": ("vendor", "maker", "manufacturer"),
    "product": ("part", "part number", "item", "article", "material"),
    "lot": ("batch", "lot number", "lot no", "lot id", "batch number"),
    "specimen": ("bag", "sample", "bag no", "specimen no", "piece"),
    "reading": ("discharge", "pulse", "shot", "repeat", "measurement"),
    "characteristic": ("test", "property", "parameter"),
    "value": ("result", "measured", "measured value"),
    "unit": ("units",),
    "chamber": ("cabinet", "room"),
    "instrument": ("meter", "tester", "device"),
    "operator": ("tested by", "user", "technician"),
    "received_on": ("received", "receipt date"),
    "made_on": ("made", "production date", "manufactured"),
    "load": ("chamber load", "conditioning load", "run"),
    "humidity_percent": ("humidity", "relative humidity", "rh", "r.h.", "% rh"),
    "temperature_c": ("temperature", "temp"),
}
EXPECTED_NAMES = {*TEST_COLUMNS, *CLIMATE_COLUMNS, *(word for words in OTHER_WORDS.values() for word in words)}


@dataclass(frozen=True, slots=True)
class ColumnSeen:
    """A column of the file: its header cell, our name for it ("" for a note), its unit and its first filled cells."""

    cell: str
    ours: str
    unit: str
    examples: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Preview:
    """How one file would be read.

    `first_rows` are typed rows as in `parse_file.Parsed`; `source` is the `[[source]]` table to paste.
    """

    name: str
    kind: str
    encoding: str
    delimiter: str
    columns: list[ColumnSeen]
    first_rows: pd.DataFrame
    data_rows: int
    refusals: list[Rejection]
    source: str


def preview(path: Path, source: Source | None, lab: Lab, now: datetime) -> Preview | FileRefused:
    """Read a file as a round would and describe the result.

    Parameters
    ----------
    path : Path
        The file.
    source : Source or None
        How it is declared to be written; None to have a source proposed.
    lab : Lab
        The lab whose characteristics are known.
    now : datetime
        The moment of the call, aware.

    Raises
    ------
    OSError
        If the file can't be read.
    """
    try:
        with path.open("rb") as file:
            declared_or_proposed = source or proposed(file.read(PROPOSAL_BYTES))
            file.seek(0)
            form = FileFormat(
                declared_or_proposed.encoding,
                declared_or_proposed.delimiter,
                declared_or_proposed.skip_rows,
                expected_names(declared_or_proposed),
            )
            with open_csv(file, form) as sheet:
                table = next(sheet.tables(PIECE_BYTES))
        layout = lay_out(table.header, declared_or_proposed)
    except NotATableError as error:
        return FileRefused(f"{path.name}: {error}")
    parsed = (read_tests if declared_or_proposed.kind == "tests" else read_climate)(
        path, declared_or_proposed, lab, now
    )
    if isinstance(parsed, FileRefused):
        return parsed
    return Preview(
        name=path.name,
        kind=declared_or_proposed.kind,
        encoding=parsed.encoding,
        delimiter=parsed.delimiter,
        columns=_columns(table, layout, declared_or_proposed),
        first_rows=parsed.rows.head(FIRST_ROWS),
        data_rows=parsed.data_rows,
        refusals=parsed.refusals,
        source=as_toml(declared_or_proposed),
    )


def _columns(table: Table, layout: Layout, source: Source) -> list[ColumnSeen]:
    ours = {position: name for name, position in layout.positions.items()}
    ours |= {column.index: f"reading {column.reading}" for column in layout.readings if column.reading is not None}
    units = {column.index: column.unit for column in layout.readings}
    units |= {position: layout.units.get(name, "") for name, position in layout.positions.items()}
    return [
        ColumnSeen(
            cell=cell,
            ours=ours.get(index, ""),
            unit=units.get(index, "") or source.units.get(ours.get(index, ""), ""),
            examples=_examples(table, index),
        )
        for index, cell in enumerate(table.header)
    ]


def _examples(table: Table, index: int) -> tuple[str, ...]:
    cells = [text for text in table.columns[index].slice(0, 100).to_pylist() if text.strip(BLANKS)]
    return tuple(dict.fromkeys(cells))[:EXAMPLES]


# A proposal


def proposed(head: bytes) -> Source:
    """Propose a source from the header of a file, given its beginning.

    Raises
    ------
    NotATableError
        If no header is found.
    """
    skip_rows = _title_lines(head)
    table = read_table(head, FileFormat(skip_rows=skip_rows, expected=EXPECTED_NAMES))
    cells = [cell.strip(BLANKS) for cell in table.header]
    kind = max(("tests", "climate"), key=lambda one: len(_matches(cells, one)))
    matches = _matches(cells, kind)
    declared: dict[str, Any] = {
        "kind": kind,
        "folder": STANDARD_FOLDERS[kind],
        "columns": {ours: theirs for ours, theirs in matches.items() if ours != theirs.casefold()},
        "skip_rows": skip_rows,
        "encoding": None if table.encoding.startswith("utf") else table.encoding,
        "readings": _numbered(cells) if kind == "tests" and "value" not in matches else [],
    }
    return Source.model_validate(declared)


def _title_lines(data: bytes) -> int:
    """The number of lines above the line that is most like a header."""
    best, best_score = 0, 0
    for skip_rows in range(TITLE_LINES):
        try:
            header = read_table(data[: 1 << 16], FileFormat(skip_rows=skip_rows, expected=EXPECTED_NAMES)).header
        except NotATableError:
            break
        score = sum(_bare(cell) in EXPECTED_NAMES for cell in header)
        if score > best_score:
            best, best_score = skip_rows, score
    return best


def _bare(cell: str) -> str:
    """A header cell in lower case, without a unit in brackets, with single spaces unless it is one of our names."""
    plain = re.sub(r"\s*[\[(][^\])]*[\])]\s*$", "", cell.strip(BLANKS)).casefold()
    return plain if plain in TEST_COLUMNS or plain in CLIMATE_COLUMNS else re.sub(r"[_\s]+", " ", plain)


def _matches(cells: Sequence[str], kind: str) -> dict[str, str]:
    """The header cell for each of our columns that can be recognised; each cell is used once."""
    columns = TEST_COLUMNS if kind == "tests" else CLIMATE_COLUMNS
    left = {_bare(cell): cell for cell in cells if cell}
    matches = {ours: left.pop(ours) for ours in columns if ours in left}
    for ours in columns:
        near = next((word for word in OTHER_WORDS[ours] if word in left), None) if ours not in matches else None
        if near is not None:
            matches[ours] = left.pop(near)
    for ours in columns:
        close = get_close_matches(ours, list(left), n=1, cutoff=0.75) if ours not in matches else []
        if close:
            matches[ours] = left.pop(close[0])
    return matches


def _numbered(cells: Sequence[str]) -> list[str]:
    """The longest series of cells that differ only in a number, such as d1 … d6."""
    series: dict[str, list[str]] = {}
    for cell in cells:
        match = re.fullmatch(r"(.*?)[ _-]?[0-9]+", cell)
        if match:
            series.setdefault(match[1].casefold(), []).append(cell)
    longest = max(series.values(), key=len, default=[])
    return longest if len(longest) > 1 else []


# The table to paste


def as_toml(source: Source) -> str:
    """Write a source as a `[[source]]` table of `lab.toml`, without defaults."""
    declared = source.model_dump(exclude_defaults=True)
    return "\n".join(["[[source]]", *(f"{key} = {_toml(value)}" for key, value in declared.items())]) + "\n"


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_toml_key(str(key))} = {_toml(one)}" for key, one in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_toml(one) for one in value) + "]"
    # A JSON string is a basic string of TOML, except that TOML also requires DEL to be escaped.
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f") if isinstance(value, str) else str(value)


def _toml_key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else _toml(key)
