"""What the rows of a file need to be read: how it is declared and laid out, and its columns under our names."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ingest.config.lab import Lab
from ingest.config.models import Source
from ingest.parsing.cells import Column, constant, encoded, filled
from ingest.parsing.columns import Layout
from ingest.parsing.csv_table import Table
from ingest.parsing.rejections import RejectedRows, Rejection
from ingest.parsing.timestamps import Clock, Stamps, read_stamps

__all__ = ["Contradicted", "Piece", "Reader", "piece_of", "spoken_by_line"]

# Why rows are refused that contradict others of their file, by line.
Contradicted = Mapping[int, Sequence[str]]


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """Some data rows of a file: typed ones, each with its `line`, and refused ones.

    Several typed rows with one line come from one data row. Rows that say again what another row of the file says are
    still among them.
    """

    rows: pd.DataFrame
    refusals: list[Rejection]
    data_rows: int


@dataclass(frozen=True, slots=True, eq=False)
class Reader:
    """All that is known of a file before its rows are read."""

    source: Source
    lab: Lab
    now: datetime
    layout: Layout
    contradicted: Contradicted

    def column(self, table: Table, name: str) -> Column:
        """Return a column; blank where the file has none and nothing is declared, declared texts filled in."""
        declared = self.source.fixed.get(name, "")
        position = self.layout.positions.get(name)
        if position is None:
            return constant(declared, len(table.lines))
        found = encoded(table.columns[position])
        return filled(found, declared) if declared else found

    def stamps(self, column: Column) -> Stamps:
        """Read the distinct texts of a column of times."""
        return read_stamps(column.texts, Clock(self.lab.zone_of(self.source), self.now, self.source.time_format))

    def refuse_contradicted(self, column: str, table: Table, refused: RejectedRows) -> None:
        """Refuse the rows that are known to contradict others of the file."""
        lines = np.array(list(self.contradicted), dtype=np.int64)
        for row in map(int, np.flatnonzero(np.isin(table.lines, lines))):
            for reason in self.contradicted[int(table.lines[row])]:
                refused.add(row, column, reason)


def piece_of(table: Table, rows: pd.DataFrame, refused: RejectedRows) -> Piece:
    """The rows of a table and what was refused of them."""
    return Piece(rows, refused.listed(table), len(table.lines) + len(table.broken))


def spoken_by_line(lines: NDArray[np.int64], reasons: Sequence[tuple[int, str]]) -> dict[int, list[str]]:
    """Reasons by position, put together by line."""
    found: dict[int, list[str]] = {}
    for position, reason in reasons:
        found.setdefault(int(lines[position]), []).append(reason)
    return found
