"""Type names of the arrays that all statistics take and return; other packages import them from here."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["Flags", "Floats", "Indices", "Integers"]

Floats = NDArray[np.float64]
"""Measured or calculated values; nan marks a missing value where a function allows one."""
Flags = NDArray[np.bool_]
"""One truth value an entry."""
Indices = NDArray[np.intp]
"""Positions in another array, and counts of entries."""
Integers = NDArray[np.int64]
"""Identifying numbers and counts of values."""
