"""Rows of one file that speak of the same thing: agreeing ones are repeats, others contradict each other."""

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
    """Two positions with the same identity and another value."""

    position: int
    other: int


def combined(parts: Sequence[Ints]) -> Ints:
    """One code for each distinct combination of codes."""
    code = parts[0]
    for part in parts[1:]:
        code = pd.factorize(code * (int(part.max(initial=0)) + 1) + part)[0].astype(np.int64)
    return code


def contradictions(identity: Sequence[Ints], said: Sequence[NDArray[np.generic]]) -> list[Contradiction]:
    """Find all positions whose identity is given another value elsewhere.

    Parameters
    ----------
    identity, said : sequence of ndarray, shape (n,)
        What names a reading, and what is said of it.
    """
    doubtful = _doubtful(identity)
    if not len(doubtful):
        return []
    frame = _frame(identity, doubtful)
    keys = list(frame.columns)
    told = combined([pd.factorize(one[doubtful])[0].astype(np.int64) for one in said])
    frame = frame.assign(told=told, position=doubtful)
    # The first position that says the first thing, and the first that says another.
    first = frame.groupby(keys)["told"].transform("first")
    other = frame[frame["told"] != first].groupby(keys)["position"].first().rename("other")
    found = frame.assign(first=first, first_position=frame.groupby(keys)["position"].transform("first"))
    found = found.merge(other, how="inner", left_on=keys, right_index=True)
    against = np.where(found["told"] == found["first"], found["other"], found["first_position"])
    return [Contradiction(int(a), int(b)) for a, b in zip(found["position"], against, strict=True)]


def repeated(identity: Sequence[Ints]) -> NDArray[np.bool_]:
    """Mark the positions whose identity stands at an earlier position already."""
    marks = np.zeros(len(identity[0]), dtype=bool)
    doubtful = _doubtful(identity)
    if len(doubtful):
        marks[doubtful] = _frame(identity, doubtful).duplicated().to_numpy()
    return marks


def _frame(identity: Sequence[Ints], positions: Ints) -> pd.DataFrame:
    return pd.DataFrame({str(number): part[positions] for number, part in enumerate(identity)})


def _doubtful(identity: Sequence[Ints]) -> Ints:
    """Positions whose identity may stand elsewhere too: those that share a hash, found by one sort of integers."""
    mixed = np.zeros(len(identity[0]), dtype=np.uint64)
    for part in identity:
        mixed = (mixed ^ part.astype(np.uint64)) * MIXER
        mixed ^= mixed >> np.uint64(32)
    ordered = np.sort(mixed)
    twice = ordered[1:][ordered[1:] == ordered[:-1]]
    return np.flatnonzero(np.isin(mixed, twice)) if len(twice) else np.empty(0, dtype=np.int64)
