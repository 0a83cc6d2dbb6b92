"""The rows of one file that are not believed, and why, gathered column by column."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ingest.parsing.csv_table import Table

__all__ = ["RejectedRows", "Rejection"]


@dataclass(frozen=True, slots=True)
class Rejection:
    """One data row that is not stored: where it starts, the first column at fault, why, and its cells unchanged."""

    line: int
    column: str
    reason: str
    cells: tuple[str, ...]


class RejectedRows:
    """Reasons by row of a table; a row with any reason is refused as a whole."""

    def __init__(self, row_count: int) -> None:
        self.fine = np.ones(row_count, dtype=bool)
        self._said: dict[int, list[tuple[str, str]]] = {}

    def add(self, row: int, column: str, reason: str) -> None:
        """Refuse one row."""
        self.fine[row] = False
        self._said.setdefault(row, []).append((column, reason))

    def add_where(
        self, column: str, codes: NDArray[np.int64], reasons: Mapping[int, str], rows: NDArray[np.int64] | None = None
    ) -> None:
        """Refuse the rows whose code has a reason; `rows` are the rows of the codes where those are not all."""
        if not reasons:
            return
        for position in map(int, np.flatnonzero(np.isin(codes, list(reasons)))):
            row = position if rows is None else int(rows[position])
            self.add(row, column, reasons[int(codes[position])])

    def listed(self, table: Table) -> list[Rejection]:
        """Return all refusals of a table, its broken rows among them, by line."""
        rows = sorted(self._said)
        refused = [
            _refusal(int(table.lines[row]), self._said[row], cells)
            for row, cells in zip(rows, table.cells(rows), strict=True)
        ]
        broken = [Rejection(one.line, "", one.reason, one.cells) for one in table.broken]
        return sorted([*refused, *broken], key=lambda refusal: refusal.line)


def _refusal(line: int, said: list[tuple[str, str]], cells: tuple[str, ...]) -> Rejection:
    reasons = dict.fromkeys(f"{column}: {reason}" for column, reason in said)
    return Rejection(line, said[0][0], "; ".join(reasons), cells)
