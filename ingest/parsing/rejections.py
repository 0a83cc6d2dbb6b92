"""The refused rows of one file with their reasons, collected column by column."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ingest.parsing.csv_table import Table

__all__ = ["Omissions", "RejectedRows", "Rejection"]

# The examples that a report of omitted cells gives; their number is bounded because a file's is not.
EXAMPLES = 3


@dataclass(frozen=True, slots=True)
class Rejection:
    """A data row that is not stored: its first line, the first column at fault, the reason, and its cells unchanged."""

    line: int
    column: str
    reason: str
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Omissions:
    """Optional cells of stored rows that could not be read and were left out: how many, and the first of them."""

    count: int = 0
    examples: tuple[str, ...] = ()

    def __add__(self, other: Omissions) -> Omissions:
        return Omissions(self.count + other.count, (*self.examples, *other.examples)[:EXAMPLES])

    @classmethod
    def at(cls, column: str, lines: Sequence[int], reasons: Sequence[str]) -> Omissions:
        """Return the omissions of a column."""
        examples = (f"line {line}, {column}: {reason}" for line, reason in zip(lines[:EXAMPLES], reasons, strict=False))
        return cls(len(lines), tuple(examples))

    def __str__(self) -> str:
        more = self.count - len(self.examples)
        cells = "1 cell that can't be read was" if self.count == 1 else f"{self.count:,} cells that can't be read were"
        return f"{cells} left out and the rest of the row stored: {'; '.join(self.examples)}" + (
            f"; and {more:,} more" if more else ""
        )


class RejectedRows:
    """The reasons by row of a table; one reason refuses the whole row."""

    def __init__(self, row_count: int) -> None:
        self.fine = np.ones(row_count, dtype=bool)
        self._reasons: dict[int, list[tuple[str, str]]] = {}
        self._whole: dict[int, str] = {}

    def add(self, row: int, column: str, reason: str) -> None:
        """Refuse one row."""
        self.fine[row] = False
        self._reasons.setdefault(row, []).append((column, reason))

    def add_whole(self, row: int, reason: str) -> None:
        """Refuse one row for what is wrong with its bytes; the reasons of its cells follow from that and are not given."""
        self.fine[row] = False
        self._whole[row] = reason

    def add_where(
        self, column: str, codes: NDArray[np.int64], reasons: Mapping[int, str], rows: NDArray[np.int64] | None = None
    ) -> None:
        """Refuse the rows whose code has a reason; `rows` are the rows of the codes, if not all rows."""
        if not reasons:
            return
        for position in map(int, np.flatnonzero(np.isin(codes, list(reasons)))):
            row = position if rows is None else int(rows[position])
            self.add(row, column, reasons[int(codes[position])])

    def listed(self, table: Table) -> list[Rejection]:
        """Return all refusals of a table, including its broken rows, by line."""
        rows = sorted({*self._reasons, *self._whole})
        refusals = [Rejection(one.line, "", one.reason, one.cells) for one in table.broken]
        for row, cells in zip(rows, table.cells(rows), strict=True):
            if row in self._whole:
                refusals.append(Rejection(int(table.lines[row]), "", self._whole[row], cells))
                continue
            reasons = dict.fromkeys(f"{column}: {reason}" for column, reason in self._reasons[row])
            refusals.append(Rejection(int(table.lines[row]), self._reasons[row][0][0], "; ".join(reasons), cells))
        return sorted(refusals, key=lambda refusal: refusal.line)
