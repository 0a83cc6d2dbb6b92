"""What stands out in one stream, lot by lot, under a budget of false alerts. Nothing looks ahead.

Every lot is judged by the window of lots that ends with it: the level's move (`spc.evidence`), the lot's own surprise
(`spc.points`) and the scatter of its bags and readings (`spc.spread`), each against its share of the budget.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from spc import thresholds
from spc._checks import Floats
from spc.evidence import Moves, weigh
from spc.points import surprise
from spc.scores import ALONE, Prior, score
from spc.spread import Widening, widening
from spc.windows import Stream, Windows, windows
from spc.words import Grade, Kind

__all__ = ["WEEKS_A_YEAR", "Prior", "Watch", "watch"]

WEEKS_A_YEAR = 52.1775
SHARES = {Kind.POINT: 0.08, Kind.DRIFT: 0.57, Kind.SPREAD: 0.17, Kind.FORECAST: 0.05}
"""Of the budget; they add up to less than 1, since an episode can return. The forecast is asked for only where the evidence for a move is plainer still."""

_HAZARDS = (1e-6, 0.05)  # chances of a false alarm at one lot for which the thresholds are known
_SURE = 0.05  # chance left out on each side of the interval of the start

Ints = np.ndarray[tuple[int, ...], np.dtype[np.intp]]
Rows = list[tuple[object, ...]]


@dataclass(frozen=True, slots=True, eq=False)
class Watch:
    """Signals in test order.

    `signals` has a row a lot and kind whose evidence was complete: `index` (position of the lot), `kind`, `direction`,
    `grade`, `name`, `strength` (evidence over what the budget asks, above 1) and `start`, `start_low`, `start_high`
    (position of the last lot before the change with its 90 percent interval, nan where a kind has none).
    """

    signals: pd.DataFrame


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
    prior: Prior = ALONE,
) -> Watch:
    """Signals of one stream's valid lots; arrays as in `spc.windows.Stream`, the budget a stream-year."""
    unknown = ~np.isfinite(variances)
    stream = Stream(
        weeks, np.where(unknown, 0.0, levels), np.where(unknown, np.inf, variances),
        bag_variance, bag_df, reading_variance, reading_df,
    )  # fmt: skip
    lots = np.arange(start_lot - 1, levels.size, dtype=np.intp)
    rows: Rows = []
    for part, seen in windows([stream], np.zeros_like(lots), lots):
        rows += _signals(seen, lots[part], false_alerts_per_year, prior, start_lot)
    return Watch(_frame(sorted(rows, key=lambda row: row[0])))  # type: ignore[arg-type,return-value]


def _signals(seen: Windows, lots: Ints, budget: float, prior: Prior, start_lot: int) -> Rows:
    hazard = budget * seen.pace / WEEKS_A_YEAR
    sigma, dependence = (_at(value, lots) for value in (prior.lot_sigma, prior.dependence))
    enough = seen.lots >= start_lot
    moves = weigh(seen, score(seen, sigma, prior.sigma_df, dependence, prior.dependence_lots))
    found = _points(seen, lots, hazard, sigma, prior.sigma_df)
    for kind in (Kind.DRIFT, Kind.FORECAST):
        needed = thresholds.drift(seen.lots, _share(hazard, kind))
        found += _drifts(moves, lots, np.where(enough & seen.known[:, -1], needed, np.inf), kind)
    parts = [("bag_spread", seen.bag_variance, seen.bag_df), ("reading_spread", seen.reading_variance, seen.reading_df)]
    shown = sum((df > 0).any(axis=1).astype(int) for _, _, df in parts)
    for name, squares, df in parts:
        each = _share(hazard / np.maximum(shown, 1), Kind.SPREAD)
        found += _wide(widening(squares, df), lots, each, name, start_lot)
    return found


def _at(value: Floats | float, lots: Ints) -> Floats:
    return np.asarray(value)[lots] if np.ndim(value) else np.full(lots.size, float(np.asarray(value)))


def _share(hazard: Floats, kind: Kind) -> Floats:
    return np.clip(SHARES[kind] * hazard, *_HAZARDS)


def _points(seen: Windows, lots: Ints, hazard: Floats, sigma: Floats, sigma_df: float) -> Rows:
    lot = surprise(seen, sigma, sigma_df)
    allowed = _share(hazard, Kind.POINT)
    return [
        (lots[i], Kind.POINT, int(lot.direction[i]), Grade.LOOK, "far_lot",
         float(np.log(max(lot.p_value[i], 1e-300)) / np.log(allowed[i])), np.nan, np.nan, np.nan)
        for i in np.flatnonzero(lot.p_value < allowed)
    ]  # fmt: skip


def _drifts(moves: Moves, lots: Ints, needed: Floats, kind: Kind) -> Rows:
    rows: Rows = []
    for i in np.flatnonzero(moves.evidence > needed):
        factors = np.array([moves.step[i], moves.ramp[i]])
        weight = np.exp(factors - factors.max())
        weight /= weight.sum()
        lean = (weight * np.sign([moves.height[i], moves.slope[i]])).sum()
        form = "step" if weight[0].sum() >= weight[1].sum() else "ramp"
        since = _start(weight.sum(axis=0), int(lots[i]))
        rows.append((lots[i], kind, 1 if lean > 0 else -1, Grade.LOOK, form, moves.evidence[i] / needed[i], *since))
    return rows


def _wide(wide: Widening, lots: Ints, hazard: Floats, name: str, start_lot: int) -> Rows:
    needed = np.where(wide.lots >= start_lot - 2, thresholds.spread(wide.lots + 2, hazard), np.inf)
    rows: Rows = []
    for i in np.flatnonzero(wide.evidence > needed):
        weight = np.exp(wide.by_start[i] - wide.by_start[i].max())
        since = _start(weight / weight.sum(), int(lots[i]))
        rows.append((lots[i], Kind.SPREAD, 1, Grade.LOOK, name, wide.evidence[i] / needed[i], *since))
    return rows


def _start(weight: Floats, lot: int) -> tuple[float, float, float]:
    """Last lot before the change: the likeliest, and an interval, from the weights of the first changed lot."""
    before = lot - weight.size  # position of the last lot before a change in the first column
    reached = np.cumsum(weight)
    low, high = np.searchsorted(reached, [_SURE, 1.0 - _SURE])
    best = int(np.argmax(weight))
    return float(before + best), float(before + min(low, best)), float(before + max(min(high, weight.size - 1), best))


def _frame(rows: Rows) -> pd.DataFrame:
    columns = ["index", "kind", "direction", "grade", "name", "strength", "start", "start_low", "start_high"]
    frame = pd.DataFrame(rows, columns=columns)
    numbers = ["index", "strength", "start", "start_low", "start_high"]
    words = dict.fromkeys(["kind", "grade", "name"], "str")
    return frame.astype(dict.fromkeys(numbers, np.float64) | words | {"direction": int})
