"""Preview how a file would be read, for a person who sets up a source. Nothing is stored and nothing is moved.

If no source of `lab.toml` reads the file, one is proposed (`ingest.parsing.proposal.proposal`); a person reviews it before pasting it.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from fnmatch import fnmatchcase
from io import BytesIO
from pathlib import Path, PurePath
from tempfile import TemporaryDirectory

import pandas as pd

from ingest.common.errors import CallError
from ingest.common.text import printable
from ingest.common.units import BLANKS
from ingest.config.lab import Lab
from ingest.config.models import Source
from ingest.parsing.columns import Layout, place, units_of
from ingest.parsing.csv_table import NotATableError, Table, open_csv
from ingest.parsing.parse_file import PIECE_BYTES, FileRefused, Parsed, format_of, read_file
from ingest.parsing.proposal.capture_proposal import columns_of_captures, propose_captures
from ingest.parsing.proposal.column_words import EXPECTED_NAMES
from ingest.parsing.proposal.proposal import PROPOSAL_BYTES, Proposal, propose
from ingest.parsing.rejections import Omissions, Rejection

__all__ = ["ColumnSeen", "Preview", "as_toml", "declared_source", "header_of", "names_in", "preview"]

FIRST_ROWS = 5
EXAMPLES = 3


@dataclass(frozen=True, slots=True)
class ColumnSeen:
    """A column of the file: its header cell, its meaning ("" for a note), its unit and its first filled cells."""

    cell: str
    ours: str
    unit: str
    examples: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Preview:
    """How one file would be read.

    `first_rows` are typed rows as in `parse_file.Parsed`; `read_with` is its declaration, `source` that as a
    `[[source]]` table to paste, `number` that of the
    source of `lab.toml` which reads the file, None if it is proposed. Captures have no `encoding` and `delimiter`: their layout is found
    in the file. `names` are the lots of the file, each with supplier and product. `doubts` are what a person has to settle, `problem` says
    why the file is refused as a whole, "" if it is not.
    """

    name: str
    kind: str
    encoding: str
    delimiter: str
    columns: list[ColumnSeen]
    first_rows: pd.DataFrame
    data_rows: int
    refusals: list[Rejection]
    omissions: Omissions
    source: str
    read_with: Source
    number: int | None
    doubts: tuple[str, ...]
    problem: str
    names: tuple[tuple[str, str, str], ...] = ()

    @property
    def refused_something(self) -> bool:
        """Whether a round would refuse the file or a row of it."""
        return bool(self.problem or self.refusals)


def preview(
    drop: Path | bytes, source: Source | None, lab: Lab, now: datetime, name: str = ""
) -> Preview | FileRefused:
    """Read a file as a round would and describe the result.

    Parameters
    ----------
    drop : Path or bytes
        The file, or its bytes.
    source : Source or None
        How it is written; None to take the source of `lab.toml` that reads it, or else to have one proposed.
    lab : Lab
        The lab whose characteristics and sources are known.
    now : datetime
        The moment of the call, aware.
    name : str
        The name of the file if `drop` are bytes.

    Raises
    ------
    OSError
        If the file can't be read.
    """
    if isinstance(drop, bytes):
        # What a file of captures belongs to may stand in its name, so bytes are put into a file of that name.
        with TemporaryDirectory() as folder:
            path = Path(folder) / _harmless(name)
            path.write_bytes(drop)
            return _preview(path, source, lab, now, printable(name))
    return _preview(drop, source, lab, now, printable(drop.name))


def _proposed(path: Path, name: str, proposal: Proposal, lab: Lab, now: datetime) -> Preview:
    """The preview with a proposal; rows below the beginning of the file may settle the order of day and month."""
    day_first = _described(path, name, proposal, lab, now)
    if proposal.month_first is None:
        return day_first
    month_first = _described(path, name, proposal.month_first, lab, now)
    lost = [(len(one.refusals), one.omissions.count) for one in (day_first, month_first)]
    if lost[1] < lost[0]:
        return month_first
    return day_first if lost[0] == lost[1] else replace(day_first, doubts=month_first.doubts)


def _harmless(name: str) -> str:
    """The name of a file without folders, and without what no file system takes."""
    plain = "".join(c for c in PurePath(name.replace("\\", "/")).name if c.isprintable() and c not in '<>:"|?*')
    return plain if 0 < len(plain.encode(errors="replace")) <= 200 and plain != ".." else "file.csv"


def _preview(path: Path, source: Source | None, lab: Lab, now: datetime, name: str) -> Preview | FileRefused:
    try:
        if source is not None:
            return _described(path, name, Proposal(source, ()), lab, now)
        index = declared_source(path, lab, now)
        if index is not None:
            return _described(path, name, Proposal(lab.declared_sources[index], ()), lab, now, index + 1)
        captures = propose_captures(path)
        if captures is not None:
            return _described(path, name, Proposal(captures[0], tuple(captures[1])), lab, now)
        return _proposed(path, name, propose(_head(path), lab, name), lab, now)
    except NotATableError as error:
        return FileRefused(f"{name}: {error}")


def header_of(data: bytes, source: Source) -> tuple[str, ...]:
    """Return the header cells of a file that is written as a source declares, whatever they mean.

    Raises
    ------
    CallError
        If the file has no such header.
    """
    form = replace(format_of(source), expected=EXPECTED_NAMES)
    try:
        with open_csv(BytesIO(data), form) as sheet:
            return tuple(cell.strip(BLANKS + "\r\n") for cell in sheet.header)
    except NotATableError as error:
        raise CallError(f"the file {error}") from error


def _head(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(PROPOSAL_BYTES)


def declared_source(path: Path, lab: Lab, now: datetime) -> int | None:
    """Return the index of the declared source that reads a file.

    It is that of its folder; for a file elsewhere, one whose pattern fits its name, else one that refuses no row, else the one whose
    layout it has and that refuses the fewest rows, less than half.
    """
    for index, source in enumerate(lab.declared_sources):
        if _is_in(path, lab.folder / source.folder) and _fits(path, source):
            return index if isinstance(read_file(path, source, lab, now), Parsed) else None
    ranks = []
    for index, source in enumerate(lab.declared_sources):
        parsed = read_file(path, source, lab, now)
        if isinstance(parsed, Parsed) and parsed.data_rows:
            is_named = source.pattern is not None and _fits(path, source)
            # A source that refuses most rows is for files of another layout.
            if is_named or len(parsed.refusals) * 2 < parsed.data_rows:
                ranks.append((not is_named, len(parsed.refusals), index))
    return min(ranks)[2] if ranks else None


def _is_in(path: Path, folder: Path) -> bool:
    return path.absolute().parent.resolve() == folder.absolute().resolve()


def _fits(path: Path, source: Source) -> bool:
    return fnmatchcase(path.name, source.pattern or "*")


def _described(
    path: Path, name: str, proposal: Proposal, lab: Lab, now: datetime, number: int | None = None
) -> Preview:
    source = proposal.source
    if source.kind == "waveforms":
        encoding = delimiter = ""
        columns = [ColumnSeen(one.cell, one.ours, one.unit, one.examples) for one in columns_of_captures(path, source)]
        lines = 0
    else:
        with path.open("rb") as file, open_csv(file, format_of(source)) as sheet:
            table = next(sheet.tables(PIECE_BYTES))
        encoding, delimiter = table.encoding, table.delimiter
        columns = _columns(table, place(table.header, source), source)
        lines = len(table.lines) + len(table.broken)
    parsed = read_file(path, source, lab, now)
    problem = ""
    if isinstance(parsed, FileRefused):
        problem = parsed.reason.partition(": ")[2]
        parsed = Parsed(pd.DataFrame(), [], 0, lines, [], "", "", Omissions())
    return Preview(
        name=name,
        kind=source.kind,
        encoding=encoding,
        delimiter=delimiter,
        columns=columns,
        first_rows=parsed.rows.head(FIRST_ROWS),
        data_rows=parsed.data_rows,
        refusals=parsed.refusals,
        omissions=parsed.omissions,
        source=as_toml(source),
        read_with=source,
        number=number,
        doubts=proposal.doubts,
        problem=problem,
        names=names_in(parsed.rows),
    )


def names_in(rows: pd.DataFrame) -> tuple[tuple[str, str, str], ...]:
    """The lots of typed rows, each with supplier and product; none where the rows name no lot by its product."""
    columns = ["supplier", "product", "lot"]
    if not {*columns} <= {*rows}:
        return ()
    lots = rows[columns].astype(object).drop_duplicates().itertuples(index=False, name=None)
    return tuple((lot[0], lot[1], lot[2]) for lot in lots if lot[2])


def _columns(table: Table, layout: Layout, source: Source) -> list[ColumnSeen]:
    ours = {position: name for name, position in layout.positions.items()}
    ours |= {column.index: f"reading {column.reading}" for column in layout.readings if column.name in source.readings}
    ours |= {column.index: column.characteristic for column in layout.readings if column.characteristic}
    if layout.time is not None:
        ours[layout.time] = "time of day"
    units = {column.index: column.unit or units_of(source, column.name) for column in layout.readings}
    units |= {
        position: layout.units.get(name, "") or source.units.get(name, "")
        for name, position in layout.positions.items()
        if position not in units
    }
    return [
        ColumnSeen(cell, ours.get(index, ""), units.get(index, ""), _examples(table, index))
        for index, cell in enumerate(table.header)
    ]


def _examples(table: Table, index: int) -> tuple[str, ...]:
    cells = [text for text in table.columns[index].slice(0, 100).to_pylist() if text.strip(BLANKS)]
    return tuple(dict.fromkeys(cells))[:EXAMPLES]


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
