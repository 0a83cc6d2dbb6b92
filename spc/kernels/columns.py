"""Rows as columns: what a frame holds, without its cost, which for the few hundred lots of a stream is most of the work."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from spc.kernels.arrays import Floats, Integers

__all__ = ["Column", "Rows"]

Column = NDArray[Any]


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Columns of one length (n,) by name, and `index` (n,), the number of each row."""

    index: Integers
    columns: Mapping[str, Column]

    @classmethod
    def of(cls, table: pd.DataFrame | Rows) -> Rows:
        """A frame with a whole-numbered index as rows; rows as they are."""
        if isinstance(table, Rows):
            return table
        return cls(table.index.to_numpy(np.int64), {str(name): table[name].to_numpy() for name in table.columns})

    def __len__(self) -> int:
        return int(self.index.size)

    def __getitem__(self, name: str) -> Column:
        return self.columns[name]

    def floats(self, name: str) -> Floats:
        """Give a column of numbers as floats."""
        return np.asarray(self.columns[name], dtype=np.float64)

    def take(self, chosen: ArrayLike) -> Rows:
        """Give the rows at these positions, or where a column of truth values says so."""
        at = np.asarray(chosen)
        if at.dtype == np.bool_:
            at = np.flatnonzero(at)
        return Rows(self.index[at], {name: column[at] for name, column in self.columns.items()})

    def adding(self, columns: Mapping[str, Column]) -> Rows:
        """Give the rows with further columns, or with others in place of some."""
        return Rows(self.index, {**self.columns, **columns})

    def frame(self) -> pd.DataFrame:
        """Give the rows as a frame, to filter, join or show."""
        return pd.DataFrame(dict(self.columns), index=pd.Index(self.index))
