"""From signals to alerts: one cause is one alert.

A signal says that the evidence was complete at one lot. Signals of one kind and direction that follow each other belong
to one cause: the first opens the alert, later ones update it, and only after eight quiet lots do they open a new one.
Everything here is a fold over the signals in test order, so one look at a long history and many looks at its growing
parts end in the same alerts.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from spc.vocabulary.signal import SIGNAL_COLUMNS, Signal

__all__ = ["QUIET_LOTS", "SIGNAL_COLUMNS", "Episode", "episodes"]

QUIET_LOTS = 8
"""Lots without the evidence after which the same evidence is news again."""


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


def episodes(signals: Iterable[Signal]) -> list[Episode]:
    """Fold signals into episodes.

    Parameters
    ----------
    signals : iterable of Signal
        `at` counts the stream's charted lots. Any order.

    Returns
    -------
    list of Episode
        In the order in which they opened.
    """
    causes: dict[tuple[str, int], list[Signal]] = {}
    for signal in sorted(signals, key=lambda one: one.at):
        causes.setdefault((signal.kind, signal.direction), []).append(signal)
    found = [_episode(part) for cause in causes.values() for part in _parts(cause)]
    return sorted(found, key=lambda episode: (episode.opened, episode.kind, episode.direction))


def _parts(cause: Sequence[Signal]) -> list[Sequence[Signal]]:
    """Cut the signals of a cause: after `QUIET_LOTS` lots without it the same evidence opens a new episode."""
    cuts = [place for place, (one, other) in enumerate(pairwise(cause), 1) if int(other.at) - int(one.at) > QUIET_LOTS]
    return [cause[start:end] for start, end in pairwise([0, *cuts, len(cause)])]


def _episode(signals: Sequence[Signal]) -> Episode:
    first, last = signals[0], signals[-1]
    return Episode(
        kind=first.kind,
        direction=first.direction,
        grade=first.grade,
        name=first.name,
        opened=int(first.at),
        latest=int(last.at),
        lots=len({signal.at for signal in signals}),
        strength=max(signal.strength for signal in signals),
        start=first.start,
        start_low=first.start_low,
        start_high=first.start_high,
    )
