"""The refused rows of one file with their reasons, collected column by column."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ingest.parsing.csv_table import Table

__all__ = ["RejectedRows", "Rejection"]


@dataclass(frozen=True, slots=True)
class Rejection:
    """A data row that is not stored: its first line, the first column at fault, the reason, and its cells unchanged."""

    line: int
    column: str
    reason: str
    cells: tuple[str, ...]


class RejectedRows:
    """The reasons by row of a table; one reason refuses the whole row."""

    def __init__(self, row_count: int) -> None:
        self.fine = np.ones(row_count, dtype=bool)
        self._reasons: dict[int, list[tuple[str, str]]] = {}

    def add(self, row: int, column: str, reason: str) -> None:
        """Refuse one row."""
        self.fine[row] = False
        self._reasons.setdefault(row, []).append((column, reason))

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
        rows = sorted(self._reasons)
        refusals = [Rejection(one.line, "", one.reason, one.cells) for one in table.broken]
        for row, cells in zip(rows, table.cells(rows), strict=True):
            reasons = dict.fromkeys(f"{column}: {reason}" for column, reason in self._reasons[row])
            refusals.append(Rejection(int(table.lines[row]), self._reasons[row][0][0], "; ".join(reasons), cells))
        return sorted(refusals, key=lambda refusal: refusal.line)
