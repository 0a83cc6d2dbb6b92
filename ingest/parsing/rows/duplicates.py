"""Rows of one file with the same identity: repeats if their values agree, contradictions if they differ."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

__all__ = ["Contradiction", "combined", "contradictions", "repeated"]

Ints = NDArray[np.int64]
MIXER = np.uint64(0x9E3779B97F4A7C15)


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Two positions with the same identity and different values."""

    position: int
    other: int


def combined(parts: Sequence[Ints]) -> Ints:
    """Return one code for each distinct combination of codes."""
    code = parts[0]
    for part in parts[1:]:
        code = pd.factorize(code * (int(part.max(initial=0)) + 1) + part)[0].astype(np.int64)
    return code


def contradictions(identity: Sequence[Ints], values: Sequence[NDArray[np.generic]]) -> list[Contradiction]:
    """Find all positions whose identity has a different value elsewhere.

    Parameters
    ----------
    identity, values : sequence of ndarray, shape (n,)
        The columns that identify a reading, and those of its value.
    """
    doubtful = _doubtful(identity)
    if not len(doubtful):
        return []
    frame = _frame(identity, doubtful)
    keys = list(frame.columns)
    code = combined([pd.factorize(one[doubtful])[0].astype(np.int64) for one in values])
    frame = frame.assign(code=code, position=doubtful)
    # For each identity: its first value, the position of that, and the first position with another value.
    first = frame.groupby(keys)["code"].transform("first")
    other = frame[frame["code"] != first].groupby(keys)["position"].first().rename("other")
    pairs = frame.assign(first=first, first_position=frame.groupby(keys)["position"].transform("first"))
    pairs = pairs.merge(other, how="inner", left_on=keys, right_index=True)
    opposite = np.where(pairs["code"] == pairs["first"], pairs["other"], pairs["first_position"])
    return [Contradiction(int(a), int(b)) for a, b in zip(pairs["position"], opposite, strict=True)]


def repeated(identity: Sequence[Ints]) -> NDArray[np.bool_]:
    """Mark the positions whose identity also occurs at an earlier position."""
    marks = np.zeros(len(identity[0]), dtype=bool)
    doubtful = _doubtful(identity)
    if len(doubtful):
        marks[doubtful] = _frame(identity, doubtful).duplicated().to_numpy()
    return marks


def _frame(identity: Sequence[Ints], positions: Ints) -> pd.DataFrame:
    return pd.DataFrame({str(number): part[positions] for number, part in enumerate(identity)})


def _doubtful(identity: Sequence[Ints]) -> Ints:
    """Positions whose identity may also occur elsewhere, because their hash does; found by one sort of integers."""
    mixed = np.zeros(len(identity[0]), dtype=np.uint64)
    for part in identity:
        mixed = (mixed ^ part.astype(np.uint64)) * MIXER
        mixed ^= mixed >> np.uint64(32)
    ordered = np.sort(mixed)
    twice = ordered[1:][ordered[1:] == ordered[:-1]]
    return np.flatnonzero(np.isin(mixed, twice)) if len(twice) else np.empty(0, dtype=np.int64)
