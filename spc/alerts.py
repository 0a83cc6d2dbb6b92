"""From signals to alerts: one cause is one alert.

A signal says that the evidence was complete at one lot. Signals of one kind and direction that follow each other belong
to one cause: the first opens the alert, later ones update it, and only after eight quiet lots do they open a new one.
Everything here is a fold over the signals in test order, so one look at a long history and many looks at its growing
parts end in the same alerts.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

__all__ = ["QUIET_LOTS", "SIGNAL_COLUMNS", "Episode", "episodes", "no_signals"]

QUIET_LOTS = 8
"""Lots without the evidence after which the same evidence is news again."""

SIGNAL_COLUMNS = ("index", "kind", "direction", "grade", "name", "strength", "start", "start_low", "start_high")


@dataclass(frozen=True, slots=True)
class Episode:
    """The signals of one cause.

    `opened` is the position of the lot that completed the evidence, `latest` that of the last lot with the same
    evidence, `lots` how many lots showed it. `start`, `start_low` and `start_high` are the position of the last
    lot before the change as estimated when the evidence was complete; nan where a kind has none.
    """

    kind: str
    direction: int
    grade: str
    name: str
    opened: int
    latest: int
    lots: int
    strength: float
    start: float
    start_low: float
    start_high: float


def no_signals() -> pd.DataFrame:
    """An empty frame of signals."""
    return pd.DataFrame({column: pd.Series(dtype=object) for column in SIGNAL_COLUMNS})


def episodes(signals: pd.DataFrame) -> list[Episode]:
    """Fold signals into episodes.

    Parameters
    ----------
    signals : DataFrame
        Columns `SIGNAL_COLUMNS`; `index` is the position of the lot among the stream's charted lots. Any order.

    Returns
    -------
    list of Episode
        In the order in which they opened.
    """
    found: list[Episode] = []
    for _, cause in signals.sort_values("index", kind="stable").groupby(["kind", "direction"], sort=False):
        # After `QUIET_LOTS` lots without it the same evidence opens a new episode.
        number = (cause["index"].astype("int64").diff() > QUIET_LOTS).cumsum()
        found.extend(_episode(part) for _, part in cause.groupby(number))
    return sorted(found, key=lambda episode: (episode.opened, episode.kind, episode.direction))


def _episode(signals: pd.DataFrame) -> Episode:
    first, last = signals.iloc[0], signals.iloc[-1]
    return Episode(
        kind=str(first["kind"]),
        direction=int(first["direction"]),
        grade=str(first["grade"]),
        name=str(first["name"]),
        opened=int(first["index"]),
        latest=int(last["index"]),
        lots=int(signals["index"].nunique()),
        strength=float(signals["strength"].max()),
        start=float(first["start"]),
        start_low=float(first["start_low"]),
        start_high=float(first["start_high"]),
    )
