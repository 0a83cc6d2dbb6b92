"""Episodes: group the signals of one cause, so that one cause raises one alert.

A signal means that the evidence was complete at one lot. Signals of one kind and direction that follow each other
belong to one cause: the first opens the alert and later ones update it. After `QUIET_LOTS` lots without a signal, the
next one opens a new alert. The result depends on the signals in test order only, so a whole history and its growing
parts give the same episodes.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from spc.vocabulary.signal import SIGNAL_COLUMNS, Signal

__all__ = ["QUIET_LOTS", "SIGNAL_COLUMNS", "Episode", "episodes"]

QUIET_LOTS = 8
"""Lots without a signal after which the next signal opens a new episode."""


@dataclass(frozen=True, slots=True)
class Episode:
    """Signals of one cause.

    `opened` is the position of the lot that completed the evidence, `latest` that of the last lot with a signal, `lots`
    the number of lots with a signal, and `strength` the largest of their strengths. `start`, `start_low` and
    `start_high` are the position of the last lot before the change and its interval, as estimated when the evidence was
    complete; nan where a kind has none.
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
    """Group signals into episodes.

    Parameters
    ----------
    signals : iterable of Signal
        In any order; `at` counts the charted lots of one stream.

    Returns
    -------
    list of Episode
        In the order in which they opened.

    Examples
    --------
    Drift at lots 3, 4 and 20: the gap of 16 lots splits it into two episodes.

    >>> nan = float("nan")
    >>> drift = [Signal(at, "drift", 1, "look", "step", 1.2, at - 2.0, nan, nan) for at in (3, 4, 20)]
    >>> [(episode.opened, episode.latest, episode.lots) for episode in episodes(drift)]
    [(3, 4, 2), (20, 20, 1)]
    """
    groups: list[list[Signal]] = []
    open_group: dict[tuple[str, int], list[Signal]] = {}
    for signal in sorted(signals, key=lambda each: each.at):
        cause = (signal.kind, signal.direction)
        group = open_group.get(cause)
        if group is None or int(signal.at) - int(group[-1].at) > QUIET_LOTS:
            group = open_group[cause] = []
            groups.append(group)
        group.append(signal)
    opened = [
        Episode(
            kind=group[0].kind,
            direction=group[0].direction,
            grade=group[0].grade,
            name=group[0].name,
            opened=int(group[0].at),
            latest=int(group[-1].at),
            lots=len({signal.at for signal in group}),
            strength=max(signal.strength for signal in group),
            start=group[0].start,
            start_low=group[0].start_low,
            start_high=group[0].start_high,
        )
        for group in groups
    ]
    return sorted(opened, key=lambda episode: (episode.opened, episode.kind, episode.direction))
