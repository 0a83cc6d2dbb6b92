"""Episodes: group the signals of one cause, so that one cause raises one alert.

A signal means that the evidence was complete at one lot. The first signal of a cause opens an episode and later ones
update it. A drift or a wider spread lasts: its episode stays open while the level, or the spread, is away from that of
the lots before it, whether or not lots still complete the evidence. It ends when the mean of the last `LOTS` lots is
back or a person sets the baseline again. Every other kind ends after `LOTS` lots without a signal.

A stream whose level moves away and comes back time and again has no lasting place. From its third move on it is called
wandering: one episode then stands for all its moves.

Each step uses the lots up to its own only, so a whole history and its growing parts give the same episodes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from spc.distributions.autocorrelation_law import normal_interval
from spc.future_mean import mean_margin
from spc.kernels.arrays import Flags, Floats, Indices
from spc.vocabulary.enums import WANDER, Kind
from spc.vocabulary.signal import SIGNAL_COLUMNS, Signal

__all__ = [
    "LOTS",
    "MOVES",
    "SIGNAL_COLUMNS",
    "ChartedLots",
    "Episode",
    "EpisodeEnd",
    "episodes",
    "is_back",
    "runs",
    "signal_runs",
]

LOTS = 8
"""Lots that show the end of a cause: as many without a signal, or with a mean that is back."""
# Lots before a change that its level is compared with: as many as set a baseline (common practice); with fewer than three
# one lot may be chance (common practice).
MOST_BEFORE, FEWEST_BEFORE = 25, 3
# The last lots must be this many times as likely at the level before as at the level of the move (common practice), and a
# move counts as one standard deviation at least: eight lots do not show a smaller one.
ODDS, LEAST_MOVE = 20.0, 1.0
# Confidence of the difference that shows a further move, within an episode that may last for years.
STEP_CONFIDENCE = 0.998
MOVES = 3
"""Moves within one segment from which a stream wanders."""
# Confidence that successive lots of a wandering stream are correlated.
CONFIDENCE = 0.95


class EpisodeEnd(StrEnum):
    """Why an episode is over."""

    QUIET = "quiet"
    """`LOTS` lots came without a signal."""
    BACK = "back"
    """The mean of `LOTS` lots is back at the level, or the spread, before the change."""
    REVERSED = "reversed"
    """The level went past where it began, to the other side: that move is an episode of its own."""
    BASELINE = "baseline"
    """A person set the baseline again."""


@dataclass(frozen=True, slots=True)
class ChartedLots:
    """The valid lots of a stream in test order; nan where a lot has no such value.

    `level` is in the charted scale, `bag_variance` and `reading_variance` are mean squares, and `segment` counts the
    baseline restarts before each lot.
    """

    level: Floats
    bag_variance: Floats
    reading_variance: Floats
    segment: Indices


@dataclass(frozen=True, slots=True)
class Episode:
    """Signals of one cause.

    `opened` is the position of the lot that completed the evidence, `latest` that of the last lot with a signal, `lots`
    the number of lots with a signal, and `strength` the largest of their strengths. `start`, `start_low` and
    `start_high` are the position of the last lot before the change and its interval, as estimated when the evidence was
    complete; nan where a kind has none. `moved_on` is about where the level last moved on in the direction of the episode, nan where it
    did not. `until` is the position of the last lot of the cause, and `end` the reason why there is none
    after it; None while the episode is open.
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
    moved_on: float
    until: int
    end: EpisodeEnd | None


def episodes(signals: Iterable[Signal], lots: ChartedLots) -> list[Episode]:
    """Group signals into episodes.

    Parameters
    ----------
    signals : iterable of Signal
        In any order; `at` counts the valid lots of one stream.
    lots : ChartedLots
        These lots.

    Returns
    -------
    list of Episode
        In the order in which they opened.

    Notes
    -----
    The mean of the last k lots is back where it agrees with the n lots before the change, within t(n - 1) s sqrt(1 / k +
    1 / n) on the side of the move [1]_, and is clearly nearer to them than to the lots that had moved when the episode
    opened: for a move of d standard deviations, below d / 2 - log(20) / (k d) of them, where normal lots with the
    standard deviation s are twenty times as likely at the level before [2]_.

    References
    ----------
    .. [1] G. J. Hahn (1970), Additional factors for calculating prediction intervals for samples from a normal
       distribution, Journal of the American Statistical Association 65, 668-676.
    .. [2] A. Wald (1945), Sequential tests of statistical hypotheses, Annals of Mathematical Statistics 16, 117-186
       (from memory).

    Examples
    --------
    A level that moves up by four standard deviations at lot 20 and is back from lot 40 on; signals at two lots only:

    >>> nan = np.full(60, np.nan)
    >>> level = np.tile([-1.0, 1.0], 30) + np.where((np.arange(60) >= 20) & (np.arange(60) < 40), 4.0, 0.0)
    >>> lots = ChartedLots(level, nan, nan, np.zeros(60, dtype=np.intp))
    >>> drift = [Signal(at, "drift", 1, "look", "step", 1.2, 19.0, nan[0], nan[0]) for at in (22.0, 37.0)]
    >>> [(one.opened, one.until, one.end.value) for one in episodes(drift, lots)]
    [(22, 38, 'back')]
    """
    ordered = sorted(signals, key=lambda each: each.at)
    drift = [signal for signal in ordered if signal.kind == Kind.DRIFT]
    spread = [signal for signal in ordered if signal.kind == Kind.SPREAD]
    other = [signal for signal in ordered if signal.kind not in (Kind.DRIFT, Kind.SPREAD)]
    grouped = [
        *(_Fold(_Track.of(lots.level, lots.segment), lots.segment).episodes(drift) if drift else []),
        *(_Fold(_spread_track(spread[0], lots), lots.segment).episodes(spread) if spread else []),
        *signal_runs(other, lots.segment.size),
    ]
    return sorted(grouped, key=lambda episode: (episode.opened, episode.kind, episode.direction))


def is_back(before: Floats, away: float, after: Floats) -> bool:
    """Whether a level is back from a move whose end is known from elsewhere.

    Parameters
    ----------
    before, after : ndarray
        Levels before the move, of which the last 25 count, and since its end, of which the last eight count.
    away : float
        The move, not 0.

    Returns
    -------
    bool
        By the rule of `episodes` with the lots since the end; False with fewer than three lots on either side or where the
        lots before did not scatter.

    Examples
    --------
    >>> steady = np.array([0.9, -1.1, 0.2, 1.0, -0.8, -0.2, 0.7, -0.9])
    >>> is_back(steady, 3.0, np.array([0.4, -0.5, 0.3])), is_back(steady, 3.0, np.array([2.4, 3.1, 2.8]))
    (True, False)
    """
    before, after = before[-MOST_BEFORE:], after[-LOTS:]
    if min(before.size, after.size) < FEWEST_BEFORE or before.std() == 0:
        return False
    steady = _Before(float(before.mean()), float(before.std(ddof=1)), before.size)
    return bool(np.sign(away) * (after.mean() - steady.mean) <= steady.back_below(away, after.size))


def _episode(signals: Sequence[Signal], until: int, end: EpisodeEnd | None, moved_on: float = np.nan) -> Episode:
    first = signals[0]
    return Episode(
        kind=first.kind,
        direction=first.direction,
        grade=first.grade,
        name=first.name,
        opened=int(first.at),
        latest=int(signals[-1].at),
        lots=len({signal.at for signal in signals}),
        strength=max(signal.strength for signal in signals),
        start=first.start,
        start_low=first.start_low,
        start_high=first.start_high,
        moved_on=moved_on,
        until=max(until, int(signals[-1].at)),
        end=end,
    )


def signal_runs(signals: Sequence[Signal], lots: int) -> list[Episode]:
    """Group signals of one kind and direction without a gap of more than `LOTS` lots.

    Parameters
    ----------
    signals : sequence of Signal
        In test order.
    lots : int
        Number of valid lots of the stream.

    Returns
    -------
    list of Episode
        In the order in which they opened.

    Examples
    --------
    A limit failed at lots 3, 4 and 20: the gap of 16 lots splits it into two episodes, the first of which is over.

    >>> failed = [Signal(at, "limit", 1, "act", "limit", 1.0, np.nan, np.nan, np.nan) for at in (3.0, 4.0, 20.0)]
    >>> [(one.opened, one.latest, one.end) for one in signal_runs(failed, 24)]
    [(3, 4, <EpisodeEnd.QUIET: 'quiet'>), (20, 20, None)]
    """
    groups: list[list[Signal]] = []
    open_group: dict[tuple[str, int], list[Signal]] = {}
    for signal in signals:
        cause = (signal.kind, signal.direction)
        group = open_group.get(cause)
        if group is None or int(signal.at) - int(group[-1].at) > LOTS:
            group = open_group[cause] = []
            groups.append(group)
        group.append(signal)
    return [
        _episode(group, int(group[-1].at), EpisodeEnd.QUIET if lots - 1 - int(group[-1].at) >= LOTS else None)
        for group in groups
    ]


def runs(flagged: Flags) -> list[tuple[int, bool]]:
    """The position that opens each run of lots of one cause, and whether the run is over: the rule of `signal_runs`, without its signals.

    Examples
    --------
    >>> flagged = np.zeros(24, dtype=bool)
    >>> flagged[[3, 4, 20]] = True
    >>> runs(flagged)
    [(3, True), (20, False)]
    """
    places = np.flatnonzero(flagged)
    if not places.size:
        return []
    far = np.diff(places) > LOTS
    opened, last = places[np.append(True, far)], places[np.append(far, True)]
    return list(zip(opened.tolist(), (flagged.size - 1 - last >= LOTS).tolist(), strict=True))


# Causes that last


@dataclass(frozen=True, slots=True)
class _Track:
    """What a cause moves, lot by lot: the values of the lots that have one, their positions, and sums up to each."""

    value: Floats
    position: Indices
    segment: Indices
    sums: Floats

    @classmethod
    def of(cls, values: Floats, segment: Indices) -> _Track:
        measured = np.flatnonzero(np.isfinite(values))
        value = values[measured]
        # Sums about the first value keep the digits of levels that differ little.
        sums = np.concatenate([[0.0], np.cumsum(value - value[:1])])
        return cls(value, measured, segment[measured], sums)

    def place(self, position: float) -> int:
        """Number of values up to and including a lot."""
        return int(np.searchsorted(self.position, position, side="right"))

    def mean(self, start: int, stop: int) -> float:
        return float((self.sums[stop] - self.sums[start]) / (stop - start) + self.value[0])

    def first_of_segment(self, stop: int) -> int:
        return int(np.searchsorted(self.segment, self.segment[stop - 1], side="left"))


@dataclass(frozen=True, slots=True)
class _Before:
    """The lots before a change: their mean, standard deviation and number."""

    mean: float
    sd: float
    lots: int

    def margin(self, lots: int = LOTS) -> float:
        """How far from these lots the mean of so many later lots may be."""
        return mean_margin(self.sd, self.lots, lots)

    def back_below(self, away: float, lots: int = LOTS) -> float:
        """How far from these lots the mean of so many later lots may be to be back from a move by `away`."""
        size = max(abs(away) / self.sd, LEAST_MOVE)
        return float(min(self.margin(lots), self.sd * (size / 2 - np.log(ODDS) / (lots * size))))

    def step(self) -> float:
        """Difference of two means of the last lots that shows a further move."""
        return mean_margin(self.sd, self.lots, LOTS, STEP_CONFIDENCE, reference=LOTS)


@dataclass(slots=True)
class _Open:
    """An open episode: its signals, the lots before it, and the mean below which it is back, times the direction."""

    signals: list[Signal]
    before: _Before | None
    back_below: float
    looked_at: int = field(init=False)

    def __post_init__(self) -> None:
        self.looked_at = int(self.signals[0].at)


def _spread_track(first: Signal, lots: ChartedLots) -> _Track:
    """Standard deviations in logarithms, as their sampling error does not depend on their size."""
    variance = lots.reading_variance if first.name == "reading_spread" else lots.bag_variance
    positive = np.where(variance > 0, variance, np.nan)
    return _Track.of(np.log(positive) / 2, lots.segment)


class _Fold:
    """Signals of one kind and the lots between them, taken in test order."""

    def __init__(self, track: _Track, segment: Indices) -> None:
        self.track, self.segment = track, segment
        self.done: list[Episode] = []
        self.open: _Open | None = None
        # The lots before the last episode and where it ended: a signal whose change lies before that is about its return.
        self.last: tuple[_Before | None, int] | None = None

    def episodes(self, signals: Sequence[Signal]) -> list[Episode]:
        for signal in signals:
            self._look(int(signal.at) - 1)
            if self.last is not None and self.segment[self.last[1]] != self.segment[int(signal.at)]:
                self.last = None
            self._take(signal)
        self._look(self.segment.size - 1)
        if self.open is not None:
            self._close(self.segment.size - 1, None)
        return self.done

    def _take(self, signal: Signal) -> None:
        if self.open is None:
            inherited = self.last is not None and not signal.start >= self.last[1]
            before = self.last[0] if inherited and self.last is not None else self._before(signal)
            if not inherited or self._beyond(before, signal):
                self._begin(signal, before)
            return
        first = self.open.signals[0]
        if first.name == WANDER or signal.direction == first.direction:
            self.open.signals.append(signal)
        elif self._beyond(self.open.before, signal):
            before = self.open.before
            self._close(int(signal.at) - 1, EpisodeEnd.REVERSED)
            self._begin(signal, before)

    def _begin(self, signal: Signal, before: _Before | None) -> None:
        if self._wanders(signal):
            signal = signal._replace(name=WANDER, direction=0)
        self.open = _Open([signal], before, self._back_below(signal, before))

    def _close(self, until: int, end: EpisodeEnd | None) -> None:
        assert self.open is not None
        self.done.append(_episode(self.open.signals, until, end, self._moved_on(self.open, until)))
        self.last, self.open = (self.open.before, until), None

    def _look(self, to: int) -> None:
        """End the open episode at the first lot up to `to` where it is back or the baseline starts anew."""
        if self.open is None:
            return
        first, since = self.open.signals[0], self.open.looked_at
        opened = int(first.at)
        self.open.looked_at = to
        anew = int(np.searchsorted(self.segment, self.segment[opened], side="right"))
        if first.name != WANDER and self.open.before is not None:
            track = self.track
            begin, stop = max(track.place(opened) + LOTS, track.place(since) + 1), track.place(min(to, anew - 1))
            if begin <= stop:
                ends = np.arange(begin, stop + 1)
                means = (track.sums[ends] - track.sums[ends - LOTS]) / LOTS + track.value[0]
                back = np.flatnonzero(first.direction * (means - self.open.before.mean) <= self.open.back_below)
                if back.size:
                    last = int(ends[back[0]])
                    self._close(int(track.position[last - LOTS - 1]), EpisodeEnd.BACK)
                    self.last = (self.last[0] if self.last else None, int(track.position[last - 1]))
                    return
        if anew <= to:
            self._close(anew - 1, EpisodeEnd.BASELINE)

    def _moved_on(self, episode: _Open, until: int) -> float:
        """Where the mean of the last lots rose above the level that the episode had reached before, the last time."""
        first, before, track = episode.signals[0], episode.before, self.track
        begin, stop = track.place(first.at), track.place(until)
        if first.name == WANDER or before is None or stop < begin + LOTS:
            return np.nan
        start = min(track.place(first.start) if np.isfinite(first.start) else begin - 1, begin - 1)
        reached, step, moved_on = first.direction * track.mean(max(start, 0), begin), before.step(), np.nan
        ends = np.arange(begin + LOTS, stop + 1)
        means = first.direction * ((track.sums[ends] - track.sums[ends - LOTS]) / LOTS + track.value[0])
        for end, mean in zip(ends.tolist(), means.tolist(), strict=True):
            if mean > reached + step:
                # The middle of these lots: those before it are likely still at the level reached before.
                reached, moved_on = mean, float(track.position[end - LOTS // 2])
        return moved_on

    def _before(self, signal: Signal) -> _Before | None:
        """The lots of the segment up to the change; where they are few, the first lots of the segment."""
        stop = self.track.place(signal.at)
        if not stop:
            return None
        first = self.track.first_of_segment(stop)
        start = signal.start if np.isfinite(signal.start) else signal.at - 1
        stop = min(max(self.track.place(start), first + FEWEST_BEFORE), stop)
        first = max(first, stop - MOST_BEFORE)
        if stop - first < FEWEST_BEFORE:
            return None
        return _Before(self.track.mean(first, stop), float(self.track.value[first:stop].std(ddof=1)), stop - first)

    def _back_below(self, signal: Signal, before: _Before | None) -> float:
        """How far from the lots before the change the mean may be, on the side of the move, to be back."""
        if before is None or before.sd == 0:
            return 0.0
        stop = self.track.place(signal.at)
        moved = min(self.track.place(signal.start) if np.isfinite(signal.start) else stop - 1, stop - 1)
        return before.back_below(self.track.mean(max(moved, 0), stop) - before.mean)

    def _beyond(self, before: _Before | None, signal: Signal) -> bool:
        """Whether the last lots are away from those before the change, on the side of this signal."""
        stop = self.track.place(signal.at)
        if before is None or not stop:
            return True
        start = max(stop - LOTS, self.track.first_of_segment(stop))
        return signal.direction * (self.track.mean(start, stop) - before.mean) > before.margin()

    def _wanders(self, signal: Signal) -> bool:
        """Whether this is the third move of a level that came back from the earlier ones, and whose successive lots are correlated."""
        segment = self.segment[int(signal.at)]
        moves = [one for one in self.done if self.segment[one.opened] == segment]
        if signal.kind != Kind.DRIFT or len(moves) < MOVES - 1:
            return False
        if len({one.direction for one in moves} | {signal.direction}) < 2:
            return False
        stop = self.track.place(signal.at)
        away = self.track.value[self.track.first_of_segment(stop) : stop]
        away = away - away.mean()
        sample = float((away[1:] * away[:-1]).sum() / (away**2).sum())
        low, _ = normal_interval(np.array([sample]), np.array([float(away.size)]), (1 - CONFIDENCE) / 2)
        return bool(low[0] > 0)
