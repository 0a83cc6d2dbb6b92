"""A source as the meaning of each column, as a person chooses it on a page, and back.

Pure. The meanings are our column names, `reading` for a value of a series, a characteristic after `value of `, `time of day`,
and "" for a note.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import ValidationError

from ingest.common.errors import CallError
from ingest.common.text import quoted
from ingest.config.lab import Lab
from ingest.config.models import COLUMNS, Source
from ingest.parsing.columns import place
from ingest.parsing.proposal.column_words import needs_mapping

__all__ = ["SERIES", "TIME_OF_DAY", "VALUE_OF", "choices", "meanings_of", "source_of"]

SERIES = "reading of a series"
TIME_OF_DAY = "time of day"
VALUE_OF = "value of "


def choices(kind: str, lab: Lab) -> list[str]:
    """What a column may mean; a note is not listed."""
    # A count has a day and no time, and the columns of captures are found in the file.
    time = [] if kind in ("stock", "waveforms") else [TIME_OF_DAY]
    values = [SERIES, *(f"{VALUE_OF}{one.name}" for one in lab.characteristics)] if kind == "tests" else []
    return [*COLUMNS[kind], *time, *values]


def meanings_of(header: Sequence[str], source: Source) -> list[str]:
    """The meaning of each column of a file under a source."""
    layout = place(header, source)
    meanings = [""] * len(header)
    for name, index in layout.positions.items():
        meanings[index] = name
    for column in layout.readings:
        if column.name in source.readings:
            meanings[column.index] = SERIES
        elif column.characteristic:
            meanings[column.index] = f"{VALUE_OF}{column.characteristic}"
    if layout.time is not None:
        meanings[layout.time] = TIME_OF_DAY
    return meanings


def source_of(header: Sequence[str], meanings: Sequence[str], declared: Mapping[str, Any]) -> Source:
    """The source in which each column has its meaning.

    Parameters
    ----------
    header : sequence of str
        The header cells of the file.
    meanings : sequence of str
        The meaning of each.
    declared : mapping
        All other keys of the source.

    Raises
    ------
    CallError
        If a meaning is given twice, or the keys are not those of a source.
    """
    columns: dict[str, str] = {}
    readings: list[str] = []
    values: dict[str, str] = {}
    time_column = None
    for cell, meaning in zip(header, meanings, strict=False):
        if meaning == SERIES:
            readings.append(cell)
        elif meaning.startswith(VALUE_OF):
            values[cell] = meaning.removeprefix(VALUE_OF)
        elif meaning == TIME_OF_DAY:
            time_column = cell
        elif meaning in columns:
            raise CallError(f"{meaning} is chosen for {quoted(columns[meaning])} and {quoted(cell)}; choose it once")
        elif meaning:
            columns[meaning] = cell
    columns = {name: cell for name, cell in columns.items() if needs_mapping(name, cell)}
    table = {**declared, "columns": columns, "readings": readings, "values": values, "time_column": time_column}
    try:
        return Source.model_validate(table)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(str(step) for step in first["loc"])
        raise CallError(f"{where}: {first['msg']}" if where else str(first["msg"])) from error
