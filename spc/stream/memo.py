"""Figures worked out once: a figure that rests on the same numbers as before is taken over, not worked out again."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from typing import TypeVar, cast

import numpy as np

__all__ = ["Memo", "digest"]

METHOD = 2
"""Raised with every change of what a recalled figure is for the same numbers: all are then worked out anew."""

T = TypeVar("T")


class Memo:
    """What was worked out before, by the digest of all that it rests on; `asked` is what was asked for this time."""

    def __init__(self, before: Mapping[str, object]) -> None:
        self._before = before
        self.asked: dict[str, object] = {}

    def figure(self, key: str, work_out: Callable[[], T]) -> T:
        """Give the figure of a key, worked out where nobody has yet."""
        if key not in self.asked:
            self.asked[key] = self._before[key] if key in self._before else work_out()
        return cast("T", self.asked[key])


def digest(what: str, *rests_on: object) -> str:
    """A short text that changes with any of the arrays, numbers and words that a figure rests on."""
    said = hashlib.sha256(f"{METHOD} {what}".encode())
    for one in rests_on:
        if isinstance(one, np.ndarray):
            said.update(f"{one.shape}".encode())
            said.update(np.ascontiguousarray(one, dtype=np.float64).tobytes())
        else:
            # Numbers in their shortest text, which tells all floats apart.
            said.update(f"{one!r};".encode())
    return f"{what} {said.hexdigest()[:32]}"
