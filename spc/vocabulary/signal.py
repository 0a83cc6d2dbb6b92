"""A completed piece of evidence, as the detector and the limits give it and alerts are folded from it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import pandas as pd

__all__ = ["SIGNAL_COLUMNS", "Signal", "signal_frame", "signals_in"]


class Signal(NamedTuple):
    """Evidence that one lot completed.

    `at` is the position of that lot among those counted, `direction` +1 up and -1 down, `name` the form of the evidence,
    `strength` evidence over what is needed; `start` with `start_low` and `start_high` the position of the last lot before
    the change and its interval, nan where a kind has none.
    """

    at: float
    kind: str
    direction: int
    grade: str
    name: str
    strength: float
    start: float
    start_low: float
    start_high: float


SIGNAL_COLUMNS = ("index", *Signal._fields[1:])
"""The columns of a frame of signals; `index` is `at`."""

_WORDS, _WHOLE = ("kind", "grade", "name"), ("direction",)


def signal_frame(signals: Iterable[Signal]) -> pd.DataFrame:
    """Signals as a frame with `SIGNAL_COLUMNS` and their dtypes, also where there are none."""
    types = {name: str if name in _WORDS else int if name in _WHOLE else float for name in SIGNAL_COLUMNS}
    return pd.DataFrame(list(signals), columns=list(SIGNAL_COLUMNS)).astype(types)


def signals_in(frame: pd.DataFrame) -> tuple[Signal, ...]:
    """The rows of a frame with `SIGNAL_COLUMNS` as signals."""
    return tuple(Signal(*row) for row in frame[list(SIGNAL_COLUMNS)].itertuples(index=False, name=None))
