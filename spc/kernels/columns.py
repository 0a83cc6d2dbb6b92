"""Table of named columns: a light DataFrame. For a few hundred lots, a DataFrame costs more than the statistics."""

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
    """Columns of one length (n,) by name, and `index` (n,), the number of each row.

    Examples
    --------
    >>> rows = Rows.of(pd.DataFrame({"level": [2.0, 2.5]}, index=[7, 9]))
    >>> len(rows), rows["level"].tolist(), rows.take([False, True]).index.tolist()
    (2, [2.0, 2.5], [9])
    >>> rows.first(1)["level"].tolist(), rows.first(1).index.tolist()
    ([2.0], [7])
    """

    index: Integers
    columns: Mapping[str, Column]

    @classmethod
    def of(cls, table: pd.DataFrame | Rows) -> Rows:
        """Convert a frame with a whole-number index; return rows unchanged."""
        if isinstance(table, Rows):
            return table
        return cls(table.index.to_numpy(np.int64), {str(name): table[name].to_numpy() for name in table.columns})

    def __len__(self) -> int:
        return int(self.index.size)

    def __getitem__(self, name: str) -> Column:
        return self.columns[name]

    def floats(self, name: str) -> Floats:
        """Return a column of numbers as floats."""
        return np.asarray(self.columns[name], dtype=np.float64)

    def take(self, chosen: ArrayLike) -> Rows:
        """Return the rows at these positions, or those for which a column of truth values is true."""
        at = np.asarray(chosen)
        if at.dtype == np.bool_:
            at = np.flatnonzero(at)
        return Rows(self.index[at], {name: column[at] for name, column in self.columns.items()})

    def first(self, count: int) -> Rows:
        """Return so many rows from the beginning, without a copy."""
        return Rows(self.index[:count], {name: column[:count] for name, column in self.columns.items()})

    def adding(self, columns: Mapping[str, Column]) -> Rows:
        """Return the rows with further or replaced columns."""
        return Rows(self.index, {**self.columns, **columns})

    def frame(self) -> pd.DataFrame:
        """Return the rows as a frame, to filter, join or show."""
        return pd.DataFrame(dict(self.columns), index=pd.Index(self.index))
