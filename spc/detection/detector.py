"""What stands out in a stream, lot by lot, under a budget of false alerts. Nothing looks ahead.

Each lot is judged with the lots before it and no others. What counts as plain evidence is set so that a steady stream is
falsely accused as rarely as the budget says, at the pace at which its lots come, however few they are.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pandas as pd

from spc.detection import thresholds
from spc.detection.bayes_factors import MoveFactors, averaged_evidence, move_factors
from spc.detection.dispersion import dispersion_test
from spc.detection.normal_scores import score
from spc.detection.outlier import OutlierTest, outlier_test
from spc.detection.pooled_prior import NO_POOL, PooledPrior
from spc.detection.stream_posterior import StreamPosterior, stream_posteriors
from spc.detection.windows import SPAN, Flags, Ints, LotSeries, Windows, lots_counted, windows
from spc.kernels.validation import Floats, positive
from spc.vocabulary.enums import Grade, Kind
from spc.vocabulary.signal import Signal, signal_frame, signals_in

__all__ = ["SHARES", "DetectorState", "detect", "detect_all", "detect_new", "digest", "posteriors"]

METHOD = 5
"""Raised with every change of what is said of the same lots: a stream then goes through the detector from its start."""

WEEKS_A_YEAR = 52.1775
# Parts of the budget, in false alerts. Chosen by simulation (tests/bench/bench_detection.py): most goes to drift, for which
# the tool is there; the gate of the forecast is stricter than drift, so that it adds urgency and hardly any alert.
SHARES = {Kind.POINT: 0.08, Kind.DRIFT: 0.65, Kind.SPREAD: 0.23, Kind.FORECAST: 0.04}
# Lots of one afternoon have a pace of nearly nothing, and no evidence is of use that the simulations did not reach.
LEAST_CHANCE, LARGEST_CHANCE = 1e-5, 0.03
# Of what spread may spend where a lot tells both; readings are many, so that their heavy tails cost more.
PARTS = {"bag_spread": 0.75, "reading_spread": 0.25}
# A lot less likely than this, given its history, is no evidence for a move by itself: 4.5 standard deviations with 30 lots.
WILD = 0.003
SURE = 0.9  # How sure the interval of the start is

_COLUMNS = ["stream", "index", "kind", "direction", "grade", "name", "strength", "start", "start_low", "start_high"]

Lots = tuple[Ints, Ints]
"""Stream and position in it of each lot judged."""


@dataclass(frozen=True, slots=True, eq=False)
class DetectorState:
    """What was seen in a stream.

    `seen` has a signal a completed piece of evidence, in test order: `at` (position of the lot that completed it),
    `kind`, `direction` (+1 up, -1 down), `grade`, `name` (its form), `strength` (evidence over what is needed, above 1),
    `start` with `start_low` and `start_high` (position of the last lot before the change and its 90 % interval, -1 where
    the first lot has moved already; nan where a kind has no start). `lots` were judged, and `digest` stands for all that
    they and the call said, so that later lots can go on from here.
    """

    seen: tuple[Signal, ...]
    lots: int
    digest: str

    @property
    def signals(self) -> pd.DataFrame:
        """`seen` as a frame, with `at` as `index`."""
        return signal_frame(self.seen)


def detect(
    weeks: Floats,
    levels: Floats,
    variances: Floats,
    *,
    bag_variance: Floats,
    bag_df: Floats,
    reading_variance: Floats,
    reading_df: Floats,
    false_alerts_per_year: float,
    sisters: PooledPrior = NO_POOL,
    before: DetectorState | None = None,
) -> DetectorState:
    """Signals of one stream's valid lots.

    Parameters
    ----------
    weeks : ndarray, shape (n,)
        Test times in weeks, not falling; lots of one day may tie. From any origin, or from that of `sisters`.
    levels, variances : ndarray, shape (n,)
        Levels in the charted scale and their sampling variances; inf or nan where a lot says nothing of its level.
    bag_variance, bag_df, reading_variance, reading_df : ndarray, shape (n,)
        Mean squares between a lot's bags and between readings on a bag, with their degrees of freedom; nan and 0 where
        there are none.
    false_alerts_per_year : float
        Budget of the stream, all kinds together, > 0.
    sisters : PooledPrior
        What the other streams of the characteristic said before each lot.
    before : DetectorState, optional
        What was seen when there were fewer lots. Only the lots after it are judged, if the earlier ones and the call
        say the same as then; if not, all are. The result is the same either way, to the last bit.

    Returns
    -------
    DetectorState

    Raises
    ------
    ValueError
        If shapes differ, times fall, a level with a known variance is not finite, or a number is outside its range.

    Notes
    -----
    A lot has a chance of a false signal of budget x share x years a lot, given none so far, as in [1]_ and [2]_; years a
    lot are those of the last eight intervals, which add up to the time gone by, so the budget holds per year at any
    rhythm. Kind `forecast` says no more than that a move is plain enough to ask for the forecast.

    References
    ----------
    .. [1] D. M. Hawkins, P. Qiu and C. W. Kang (2003), The changepoint model for statistical process control, Journal of
       Quality Technology 35, 355-366.
    .. [2] D. M. Margavio, M. D. Conerly, W. H. Woodall and L. G. Drake (1995), Alarm rates for quality control charts,
       Statistics and Probability Letters 24, 219-224.

    Examples
    --------
    >>> import numpy as np
    >>> rng = np.random.default_rng(1)
    >>> levels = np.where(np.arange(40) < 25, 0.0, 2.0) + rng.standard_normal(40)
    >>> none = np.full(40, np.nan)
    >>> state = detect(np.arange(40.0), levels, np.zeros(40), bag_variance=none, bag_df=np.zeros(40),
    ...              reading_variance=none, reading_df=np.zeros(40), false_alerts_per_year=0.2)
    >>> first = state.signals.iloc[0]
    >>> first["kind"], int(first["direction"]), bool(25 <= first["index"] <= 35)
    ('drift', 1, True)
    """
    stream = LotSeries(
        weeks,
        levels,
        np.where(np.isnan(variances), np.inf, variances),
        bag_variance,
        bag_df,
        reading_variance,
        reading_df,
        *sisters.at(weeks),
    )
    return detect_all([stream], [before], false_alerts_per_year)[0]


def detect_all(
    streams: Sequence[LotSeries], before: Sequence[DetectorState | None], false_alerts_per_year: float
) -> list[DetectorState]:
    """Signals of the valid lots of many streams; as `detect` gives for each, at a fraction of the cost.

    Parameters
    ----------
    streams : sequence of LotSeries
    before : sequence of DetectorState or None
        What was seen of each when it had fewer lots.
    false_alerts_per_year : float
        Budget of each stream, > 0.

    Examples
    --------
    The first stream steps up by three standard deviations at its lot 30, the second is steady:

    >>> weeks, zero, nothing = np.arange(40.0), np.zeros(40), np.full(40, np.nan)
    >>> levels = np.random.default_rng(2).standard_normal((2, 40)) + np.array([[3.0], [0.0]]) * (weeks >= 30)
    >>> streams = [LotSeries(weeks, one, zero, nothing, zero, nothing, zero, *NO_POOL.at(weeks)) for one in levels]
    >>> first, second = detect_all(streams, [None, None], false_alerts_per_year=0.2)
    >>> [(str(one.kind), one.at, one.start) for one in first.seen][:1], len(second.seen)
    ([('drift', 32.0, 29.0)], 0)

    What was seen earlier is kept, and only new lots are judged:

    >>> detect_all(streams, [first, second], false_alerts_per_year=0.2)[0].seen == first.seen
    True
    """
    told = [
        one if one is not None and one.digest == digest(stream, one.lots, false_alerts_per_year) else _UNSEEN
        for stream, one in zip(streams, before, strict=True)
    ]
    new = detect_new(streams, np.array([one.lots for one in told], dtype=np.intp), false_alerts_per_year)
    signals = signals_in(new)
    ends = np.searchsorted(new["stream"].to_numpy(), np.arange(len(streams) + 1))
    return [
        DetectorState(
            (*one.seen, *signals[start:end]),
            (count := lots_counted(stream)),
            digest(stream, count, false_alerts_per_year),
        )
        for stream, one, start, end in zip(streams, told, ends[:-1], ends[1:], strict=True)
    ]


_UNSEEN = DetectorState((), 0, "")


def detect_new(streams: Sequence[LotSeries], first: Ints, false_alerts_per_year: float) -> pd.DataFrame:
    """Signals of the newest lots of many streams, in one pass.

    Parameters
    ----------
    streams : sequence of LotSeries
    first : ndarray of int, shape (streams,)
        Position of the first lot to judge in each; the lots before it are its history.
    false_alerts_per_year : float
        Budget of each stream, > 0.

    Returns
    -------
    DataFrame
        The columns of `DetectorState.signals` and `stream`, its position in `streams`; in order of stream and lot.

    Examples
    --------
    Only the lots from number 31 on are judged; those before them are their history:

    >>> weeks, zero, nothing = np.arange(40.0), np.zeros(40), np.full(40, np.nan)
    >>> levels = np.random.default_rng(2).standard_normal(40) + 3.0 * (weeks >= 30)
    >>> stream = LotSeries(weeks, levels, zero, nothing, zero, nothing, zero, *NO_POOL.at(weeks))
    >>> new = detect_new([stream], np.array([31]), false_alerts_per_year=0.2)
    >>> new[["stream", "index", "kind", "direction", "start"]].head(1).values.tolist()
    [[0, 32.0, 'drift', 1, 29.0]]
    """
    budget = positive(false_alerts_per_year, "false_alerts_per_year") / WEEKS_A_YEAR
    which, lots = _to_judge(streams, first)
    found = []
    for rows, seen in windows(streams, which, lots):
        chance = budget * seen.pace
        here = which[rows], lots[rows]
        moves = _doubted(seen, chance)
        lot = outlier_test(seen)
        points = _points(lot, here, chance)
        found += [points, *_moved(moves, seen, here, chance, lot.p_value > WILD), *_wider(seen, here, chance)]
    return _joined(found)


def posteriors(streams: Sequence[LotSeries]) -> list[StreamPosterior]:
    """What is known of the autocorrelation and scatter of each stream at its last lot; every stream has at least one.

    Examples
    --------
    >>> import numpy as np
    >>> from spc.detection import NO_POOL
    >>> weeks = np.arange(12.0)
    >>> nothing, none = np.full(12, np.nan), np.zeros(12)
    >>> levels = np.random.default_rng(3).standard_normal(12)
    >>> short = LotSeries(weeks, levels, none, nothing, none, nothing, none, *NO_POOL.at(weeks))
    >>> posteriors([short])[0].undecided
    True
    """
    last = np.array([lots_counted(stream) - 1 for stream in streams], dtype=np.intp)
    return [one for _, seen in windows(streams, np.arange(last.size), last) for one in stream_posteriors(seen)]


def digest(stream: LotSeries, lots: int, false_alerts_per_year: float) -> str:
    """A short text that changes whenever a result about the first lots changes.

    Examples
    --------
    A later lot leaves the text of the first ten as it is; another budget changes it:

    >>> weeks, zero, nothing = np.arange(12.0), np.zeros(12), np.full(12, np.nan)
    >>> columns = [weeks, zero, zero, nothing, zero, nothing, zero, *NO_POOL.at(weeks)]
    >>> first_ten = LotSeries(*(column[:10] for column in columns))
    >>> digest(first_ten, 10, 0.2) == digest(LotSeries(*columns), 10, 0.2)
    True
    >>> digest(first_ten, 10, 0.2) == digest(first_ten, 10, 0.3)
    False
    """
    said = hashlib.sha256(f"{METHOD} {false_alerts_per_year!r} {lots}".encode())
    for name in LotSeries.__slots__:
        said.update(np.ascontiguousarray(getattr(stream, name)[:lots], dtype=np.float64).tobytes())
    return said.hexdigest()


def _to_judge(streams: Sequence[LotSeries], first: Ints) -> Lots:
    """Stream and position of every lot to judge."""
    begin = np.maximum(first, thresholds.FIRST_LOT - 1)
    count = np.maximum(np.array([lots_counted(stream) for stream in streams], dtype=np.intp) - begin, 0)
    ends = np.cumsum(count)
    which = np.repeat(np.arange(count.size), count)
    return which, np.arange(count.sum()) - (ends - count)[which] + begin[which]


def _share(chance: Floats, kind: Kind, part: Floats | float = 1.0) -> Floats:
    """Chance of a false signal at one lot that a kind may spend."""
    return np.clip(SHARES[kind] * chance * part, LEAST_CHANCE, LARGEST_CHANCE)


def _over(evidence: Floats, needed: Floats) -> Floats:
    """Evidence over what is needed, 0 where there is none or none would do."""
    there = np.isfinite(evidence) & np.isfinite(needed)
    return np.divide(evidence, needed, out=np.zeros_like(evidence), where=there)


def _points(lot: OutlierTest, lots: Lots, chance: Floats) -> pd.DataFrame:
    """Lots further out than the history lets expect of one lot."""
    # A chance below the smallest float is told as that.
    strength = np.log(np.maximum(lot.p_value, 1e-300)) / np.log(_share(chance, Kind.POINT))
    return _rows(strength > 1, lots, Kind.POINT, lot.direction, "far_lot", strength)


def _doubted(seen: Windows, chance: Floats) -> MoveFactors:
    """Evidence for a move of each window; where it would suffice, no more than autocorrelation leaves of it.

    The average over autocorrelations costs four times as much, so that only the few windows that need it have it.
    """
    scores = score(seen)
    moves = move_factors(seen, scores)
    enough = np.flatnonzero(_over(moves.evidence, _needed(seen, chance, Kind.DRIFT)) > 1)
    if not enough.size:
        return moves
    few = seen.rows(enough)
    evidence = moves.evidence.copy()
    evidence[enough] = np.minimum(evidence[enough], averaged_evidence(few, scores.rows(enough)))
    return replace(moves, evidence=evidence)


def _needed(seen: Windows, chance: Floats, kind: Kind) -> Floats:
    return thresholds.drift(seen.lots, _share(chance, kind), seen.scatter_lots)


def _moved(moves: MoveFactors, seen: Windows, lots: Lots, chance: Floats, sound: Flags) -> Iterator[pd.DataFrame]:
    """Lots that complete the evidence for a move, and those at which it is plain enough to ask for the forecast.

    A lot that is not `sound`, being wild, completes none: the next lot shows whether the level stays.
    """
    first, low, high, direction, name = _best(moves)
    places = [np.maximum(lots[1] - SPAN + column, -1) for column in (first, low, high)]
    for kind in (Kind.DRIFT, Kind.FORECAST):
        strength = _over(moves.evidence, _needed(seen, chance, kind))
        yield _rows((strength > 1) & seen.known[:, -1] & sound, lots, kind, direction, name, strength, *places)


def _best(moves: MoveFactors) -> tuple[Ints, Ints, Ints, Floats, np.ndarray]:
    """Column of the first moved lot with its interval, side and form of the move; each (rows,)."""
    both = np.logaddexp(moves.step, moves.ramp)
    first = both.argmax(axis=1)
    chance = np.exp(both - moves.evidence[:, None])
    reached = np.cumsum(chance, axis=1) / np.maximum(chance.sum(axis=1, keepdims=True), 1e-300)
    low, high = ((reached >= edge).argmax(axis=1) for edge in (0.5 - SURE / 2, 0.5 + SURE / 2))
    here = np.arange(first.size), first
    ramp = moves.ramp[here] > moves.step[here]
    direction = np.sign(np.where(ramp, moves.slope[here], moves.height[here]))
    return first, np.minimum(low, first), np.maximum(high, first), direction, np.where(ramp, "ramp", "step")


def _wider(seen: Windows, lots: Lots, chance: Floats) -> Iterator[pd.DataFrame]:
    """Lots with which bags, or readings on a bag, have come to scatter more."""
    both = (seen.bag_df[:, -1] > 0) & (seen.reading_df[:, -1] > 0)
    for name, variance, df in (
        ("bag_spread", seen.bag_variance, seen.bag_df),
        ("reading_spread", seen.reading_variance, seen.reading_df),
    ):
        allowed = _share(chance, Kind.SPREAD, np.where(both, PARTS[name], 1.0))
        seen_wider = dispersion_test(variance, df)
        counted = (df > 0).sum(axis=1).astype(np.float64)
        strength = _over(seen_wider.evidence, thresholds.spread(counted, allowed))
        first = seen_wider.by_start.argmax(axis=1)
        start = np.maximum(lots[1] - seen_wider.by_start.shape[1] + first, -1)
        yield _rows(strength > 1, lots, Kind.SPREAD, np.ones(first.size), name, strength, start)


def _rows(
    shown: np.ndarray,
    lots: Lots,
    kind: Kind,
    direction: Floats,
    name: str | np.ndarray,
    strength: Floats,
    start: Floats | float = np.nan,
    low: Floats | float = np.nan,
    high: Floats | float = np.nan,
) -> pd.DataFrame:
    """The lots marked in `shown` as rows of signals."""
    if not shown.any():  # Most of the time; a frame costs more than the arithmetic
        return pd.DataFrame()
    columns = (*lots, kind, direction, Grade.LOOK, name, strength, start, low, high)
    chosen = [np.broadcast_to(column, shown.shape)[shown] if np.ndim(column) else column for column in columns]
    return pd.DataFrame(dict(zip(_COLUMNS, chosen, strict=True)), index=range(int(shown.sum())), columns=_COLUMNS)


def _joined(found: list[pd.DataFrame]) -> pd.DataFrame:
    """Signals of several looks as one frame with its dtypes, also where there are none."""
    kept = [frame for frame in found if len(frame)]
    if not kept:
        return _nothing()
    joined = pd.concat(kept, ignore_index=True).astype(_dtypes())
    return joined.sort_values(["stream", "index"], kind="stable", ignore_index=True)


def _dtypes() -> dict[str, type]:
    words, whole = ("kind", "grade", "name"), ("stream", "direction")
    return {name: str if name in words else int if name in whole else float for name in _COLUMNS}


@cache
def _nothing() -> pd.DataFrame:
    """No signals: made once, as most looks at one stream see none."""
    return pd.DataFrame(columns=_COLUMNS).astype(_dtypes())
