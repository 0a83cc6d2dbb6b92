"""What stands out in one stream, lot by lot, under a budget of false alerts. Nothing looks ahead.

Each lot is judged with the lots before it and no others. What counts as plain evidence is set so that a steady stream is
falsely accused as rarely as the budget says, at the pace at which its lots come, however few they are.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from spc._checks import Floats, positive, whole
from spc.detection import thresholds
from spc.detection.evidence import Moves, weigh
from spc.detection.points import surprise
from spc.detection.scores import score
from spc.detection.spread import widening
from spc.detection.windows import SPAN, Ints, Stream, Windows, lots_counted, windows
from spc.words import Grade, Kind

__all__ = ["SHARES", "Watch", "watch"]

WEEKS_A_YEAR = 52.1775
# Parts of the budget, in false alerts. Chosen by simulation (tests/bench/bench_detection.py): most goes to drift, for which
# the tool is there; the gate of the forecast is stricter than drift, so that it adds urgency and hardly any alert.
SHARES = {Kind.POINT: 0.1, Kind.DRIFT: 0.56, Kind.SPREAD: 0.24, Kind.FORECAST: 0.1}
# Lots of one afternoon have a pace of nearly nothing, and no evidence is of use that the simulations did not reach.
LEAST_CHANCE, LARGEST_CHANCE = 1e-5, 0.03
# Of what spread may spend where a lot tells both; readings are many, so that their heavy tails cost more.
PARTS = {"bag_spread": 0.7, "reading_spread": 0.3}
SURE = 0.9  # how sure the interval of the start is

_COLUMNS = ["index", "kind", "direction", "grade", "name", "strength", "start", "start_low", "start_high"]


@dataclass(frozen=True, slots=True, eq=False)
class Watch:
    """What was seen in a stream.

    `signals` has a row a completed piece of evidence, in test order: `index` (position of the lot that completed it),
    `kind`, `direction` (+1 up, -1 down), `grade`, `name` (its form), `strength` (evidence over what is needed, above 1),
    `start` with `start_low` and `start_high` (position of the last lot before the change and its 90 % interval, -1 where
    the first lot has moved already; nan where a kind has no start). `evidence` (n,) is the evidence for a moved level
    over what is needed, nan before the first lot judged.
    """

    signals: pd.DataFrame
    evidence: Floats


def watch(
    weeks: Floats,
    levels: Floats,
    variances: Floats,
    *,
    bag_variance: Floats,
    bag_df: Floats,
    reading_variance: Floats,
    reading_df: Floats,
    false_alerts_per_year: float,
    start_lot: int = 8,
) -> Watch:
    """Signals of one stream's valid lots.

    Parameters
    ----------
    weeks : ndarray, shape (n,)
        Test times in weeks from any origin, not falling; lots of one day may tie.
    levels, variances : ndarray, shape (n,)
        Levels in the charted scale and their sampling variances; inf or nan where a lot says nothing of its level.
    bag_variance, bag_df, reading_variance, reading_df : ndarray, shape (n,)
        Mean squares between a lot's bags and between readings on a bag, with their degrees of freedom; nan and 0 where
        there are none.
    false_alerts_per_year : float
        Budget of the stream, all kinds together, > 0.
    start_lot : int
        Lots from which on a stream is judged, at least 8.

    Returns
    -------
    Watch

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
    >>> seen = watch(np.arange(40.0), levels, np.zeros(40), bag_variance=none, bag_df=np.zeros(40),
    ...              reading_variance=none, reading_df=np.zeros(40), false_alerts_per_year=0.2)
    >>> first = seen.signals.iloc[0]
    >>> first["kind"], int(first["direction"]), bool(25 <= first["index"] <= 35)
    ('drift', 1, True)
    """
    stream = Stream(
        weeks,
        levels,
        np.where(np.isnan(variances), np.inf, variances),
        bag_variance,
        bag_df,
        reading_variance,
        reading_df,
    )
    budget = positive(false_alerts_per_year, "false_alerts_per_year") / WEEKS_A_YEAR
    lots = np.arange(whole(start_lot, "start_lot", thresholds.FIRST_LOT) - 1, lots_counted(stream))
    evidence = np.full(lots_counted(stream), np.nan)
    found = []
    for rows, seen in windows([stream], np.zeros_like(lots), lots):
        chance = budget * seen.pace
        moves = weigh(seen, score(seen))
        evidence[lots[rows]] = _over(moves.evidence, thresholds.drift(seen.lots, _share(chance, Kind.DRIFT)))
        found += [_points(seen, lots[rows], chance), *_moved(moves, seen, lots[rows], chance)]
        found += _wider(seen, lots[rows], chance)
    return Watch(_in_order(found), evidence)


def _share(chance: Floats, kind: Kind, part: Floats | float = 1.0) -> Floats:
    """Chance of a false signal at one lot that a kind may spend."""
    return np.clip(SHARES[kind] * chance * part, LEAST_CHANCE, LARGEST_CHANCE)


def _over(evidence: Floats, needed: Floats) -> Floats:
    """Evidence over what is needed, 0 where there is none or none would do."""
    there = np.isfinite(evidence) & np.isfinite(needed)
    return np.divide(evidence, needed, out=np.zeros_like(evidence), where=there)


def _points(seen: Windows, lots: Ints, chance: Floats) -> pd.DataFrame:
    """Lots further out than the history lets expect of one lot."""
    lot = surprise(seen)
    # A chance below the smallest float is told as that.
    strength = np.log(np.maximum(lot.p_value, 1e-300)) / np.log(_share(chance, Kind.POINT))
    return _rows(strength > 1, lots, Kind.POINT, lot.direction, "far_lot", strength)


def _moved(moves: Moves, seen: Windows, lots: Ints, chance: Floats) -> Iterator[pd.DataFrame]:
    """Lots that complete the evidence for a move, and those at which it is plain enough to ask for the forecast."""
    first, low, high, direction, name = _best(moves)
    places = [np.maximum(lots - SPAN + column, -1) for column in (first, low, high)]
    for kind in (Kind.DRIFT, Kind.FORECAST):
        strength = _over(moves.evidence, thresholds.drift(seen.lots, _share(chance, kind)))
        yield _rows((strength > 1) & seen.known[:, -1], lots, kind, direction, name, strength, *places)


def _best(moves: Moves) -> tuple[Ints, Ints, Ints, Floats, np.ndarray]:
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


def _wider(seen: Windows, lots: Ints, chance: Floats) -> Iterator[pd.DataFrame]:
    """Lots with which bags, or readings on a bag, have come to scatter more."""
    both = (seen.bag_df[:, -1] > 0) & (seen.reading_df[:, -1] > 0)
    for name, variance, df in (
        ("bag_spread", seen.bag_variance, seen.bag_df),
        ("reading_spread", seen.reading_variance, seen.reading_df),
    ):
        allowed = _share(chance, Kind.SPREAD, np.where(both, PARTS[name], 1.0))
        seen_wider = widening(variance, df)
        counted = (df > 0).sum(axis=1).astype(np.float64)
        strength = _over(seen_wider.evidence, thresholds.spread(counted, allowed))
        first = seen_wider.by_start.argmax(axis=1)
        start = np.maximum(lots - seen_wider.by_start.shape[1] + first, -1)
        yield _rows(strength > 1, lots, Kind.SPREAD, np.ones(lots.size), name, strength, start)


def _rows(
    shown: np.ndarray,
    lots: Ints,
    kind: Kind,
    direction: Floats,
    name: str | np.ndarray,
    strength: Floats,
    start: Floats | float = np.nan,
    low: Floats | float = np.nan,
    high: Floats | float = np.nan,
) -> pd.DataFrame:
    """The lots marked in `shown` as rows of signals."""
    if not shown.any():  # most of the time; a frame costs more than the arithmetic
        return pd.DataFrame()
    columns = (lots, kind, direction, Grade.LOOK, name, strength, start, low, high)
    chosen = [np.broadcast_to(column, lots.shape)[shown] if np.ndim(column) else column for column in columns]
    return pd.DataFrame(dict(zip(_COLUMNS, chosen, strict=True)), index=range(int(shown.sum())), columns=_COLUMNS)


def _in_order(found: list[pd.DataFrame]) -> pd.DataFrame:
    kept = [frame for frame in found if len(frame)]
    signals = pd.concat(kept, ignore_index=True) if kept else pd.DataFrame(columns=_COLUMNS)
    numbers = dict.fromkeys(["index", "strength", "start", "start_low", "start_high"], np.float64)
    words = dict.fromkeys(["kind", "grade", "name"], str)
    return signals.astype(numbers | words | {"direction": int}).sort_values("index", kind="stable", ignore_index=True)
