"""Signals: completed evidence of a change, from which alerts are formed."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import pandas as pd

__all__ = ["SIGNAL_COLUMNS", "Signal", "signal_frame", "signals_in"]


class Signal(NamedTuple):
    """Evidence that one lot completed.

    `at` is the position of that lot. `direction` is +1 for up and -1 for down, `name` the form of the evidence, and
    `strength` the evidence divided by the threshold. `start`, `start_low` and `start_high` are the position of the last
    lot before the change and its interval, nan where a kind has none.
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
"""Columns of a frame of signals; `index` is `at`."""

_WORDS, _WHOLE = ("kind", "grade", "name"), ("direction",)


def signal_frame(signals: Iterable[Signal]) -> pd.DataFrame:
    """Convert signals to a frame.

    Parameters
    ----------
    signals : iterable of Signal
        May be empty.

    Returns
    -------
    DataFrame
        A row a signal with the columns `SIGNAL_COLUMNS`; the dtypes are the same for an empty frame.

    Examples
    --------
    >>> signal_frame([Signal(4.0, "drift", 1, "look", "step", 1.2, 2.0, 1.0, 3.0)])[["index", "kind", "start"]].values.tolist()
    [[4.0, 'drift', 2.0]]
    """
    types = {name: str if name in _WORDS else int if name in _WHOLE else float for name in SIGNAL_COLUMNS}
    return pd.DataFrame(list(signals), columns=list(SIGNAL_COLUMNS)).astype(types)


def signals_in(frame: pd.DataFrame) -> tuple[Signal, ...]:
    """Convert a frame back to signals.

    Parameters
    ----------
    frame : DataFrame
        With the columns `SIGNAL_COLUMNS`.

    Returns
    -------
    tuple of Signal

    Examples
    --------
    >>> drift = Signal(4.0, "drift", 1, "look", "step", 1.2, 2.0, 1.0, 3.0)
    >>> signals_in(signal_frame([drift])) == (drift,)
    True
    """
    return tuple(Signal(*row) for row in frame[list(SIGNAL_COLUMNS)].itertuples(index=False, name=None))
