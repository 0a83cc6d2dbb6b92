"""The context for reading the rows of a file: its declaration, its layout, and its columns under our names."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import pandas as pd
import pyarrow.compute as pc
from numpy.typing import NDArray

from ingest.common.units import BLANKS
from ingest.config.lab import Lab
from ingest.config.models import Source
from ingest.parsing.cells import NOT_TEXT, Column, constant, encoded, filled
from ingest.parsing.columns import Layout
from ingest.parsing.csv_table import Table
from ingest.parsing.rejections import Omissions, RejectedRows, Rejection
from ingest.parsing.timestamps import Clock, Stamps, read_stamps

__all__ = ["Contradicted", "Piece", "Reader", "piece_of", "reasons_by_line"]

# The reasons to refuse rows that contradict others of their file, by line.
Contradicted = Mapping[int, Sequence[str]]
NONE_OMITTED = Omissions()
# The columns that a time of day in a column of its own belongs to.
STAMPS = ("tested_at", "logged_at", "at", "done_at")


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """Some data rows of a file: typed ones, each with its `line`, and refused ones.

    Several typed rows with one line come from one data row. Repeats of other rows are still included. `omissions` are the
    optional cells that could not be read.
    """

    rows: pd.DataFrame
    refusals: list[Rejection]
    data_rows: int
    omissions: Omissions = NONE_OMITTED


@dataclass(frozen=True, slots=True, eq=False)
class Reader:
    """What is known of a file before its rows are read."""

    source: Source
    lab: Lab
    now: datetime
    layout: Layout
    contradicted: Contradicted

    def column(self, table: Table, name: str) -> Column:
        """Return a column with declared texts filled in; blank if the file has none and nothing is declared."""
        declared = self.source.fixed.get(name, "")
        position = self.layout.positions.get(name)
        if position is None:
            return constant(declared, len(table.lines))
        cells = table.columns[position]
        if self.layout.time is not None and name in STAMPS:
            day, time = (pc.utf8_trim(one, characters=BLANKS) for one in (cells, table.columns[self.layout.time]))
            cells = pc.binary_join_element_wise(day, time, " ")
        column = encoded(cells)
        return filled(column, declared) if declared else column

    def stamps(self, column: Column, ahead: timedelta = timedelta(0)) -> Stamps:
        """Read the distinct texts of a column of times, which may lie ahead of the round by so much."""
        clock = Clock(self.lab.zone_of(self.source), self.now + ahead, self.source.time_format)
        return read_stamps(column.texts, clock)

    def refuse_foreign(self, table: Table, optional: Collection[str], refused: RejectedRows) -> None:
        """Refuse the rows with bytes that are not text in another column than a note or an `optional` one."""
        spared = {index for index, _ in self.layout.notes}
        spared |= {index for name, index in self.layout.positions.items() if name in optional}
        for row in map(int, np.flatnonzero(np.isin(table.lines, np.array(table.foreign, dtype=np.int64)))):
            at_fault = [at for index, at in table.foreign_bytes(row).items() if index not in spared]
            if at_fault:
                refused.add_whole(row, f"row: byte {at_fault[0]} of the line {NOT_TEXT}")

    def refuse_contradicted(self, column: str, table: Table, refused: RejectedRows) -> None:
        """Refuse the rows that contradict others of the file."""
        lines = np.array(list(self.contradicted), dtype=np.int64)
        for row in map(int, np.flatnonzero(np.isin(table.lines, lines))):
            for reason in self.contradicted[int(table.lines[row])]:
                refused.add(row, column, reason)


def piece_of(table: Table, rows: pd.DataFrame, refused: RejectedRows, omissions: Omissions = NONE_OMITTED) -> Piece:
    """Return the typed and the refused rows of a table as a piece."""
    return Piece(rows, refused.listed(table), len(table.lines) + len(table.broken), omissions)


def reasons_by_line(lines: NDArray[np.int64], reasons: Sequence[tuple[int, str]]) -> dict[int, list[str]]:
    """Group reasons, which are by position, by line."""
    by_line: dict[int, list[str]] = {}
    for position, reason in reasons:
        by_line.setdefault(int(lines[position]), []).append(reason)
    return by_line
