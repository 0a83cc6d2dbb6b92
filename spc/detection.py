"""What stands out in one stream, lot by lot, under a budget of false alerts. Nothing looks ahead.

Each lot is compared with the lots before it (self-starting, D. M. Hawkins 1987, The Statistician 36, 295-299): in a
steady normal stream the scores are independent and standard normal however short the history, so that the exact run
lengths of `spc.runlength` set the decision values.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd
from scipy import special
from scipy.optimize import brentq

from spc import changepoint, runlength
from spc._checks import Floats
from spc.words import Grade, Kind

__all__ = ["Watch", "watch"]

ALLOWANCE = 0.25
WEEKS_A_YEAR = 52.1775
# Scores against a frozen baseline are not quite independent: its error stays. Simulated on 250 steady normal streams of 130
# weekly lots with these shares: 0.10 drift, 0.04 spread and 0.03 point episodes a stream-year at a budget of 0.2, and 0.05
# at which the forecast is asked for, which alone raises nothing (standard error 0.02 in all).
SHARES = {Kind.POINT: 0.2, Kind.DRIFT: 0.12, Kind.SPREAD: 0.2, Kind.FORECAST: 0.02}
# One wild lot says little of drift: a score speaks up to here.
WINSOR = 2.5


@dataclass(frozen=True, slots=True, eq=False)
class Watch:
    """Signals in test order."""

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
    baseline_lots: int = 25,
    start_lot: int = 8,
) -> Watch:
    """Signals of one stream's valid lots."""
    scores = _scores(levels, baseline_lots)
    bags = _spread_scores(bag_variance, bag_df, baseline_lots)
    repeats = _spread_scores(reading_variance, reading_df, baseline_lots)
    if levels.size < start_lot:
        return Watch(_frame([]))
    hazard = false_alerts_per_year / _lots_a_year(weeks[:start_lot])
    rows = _points(scores, hazard * SHARES[Kind.POINT], start_lot)
    rows += _drifts(scores, hazard * SHARES[Kind.DRIFT], Kind.DRIFT, start_lot)
    rows += _drifts(scores, hazard * SHARES[Kind.FORECAST], Kind.FORECAST, start_lot)
    for score, name in ((bags, "bag_spread"), (repeats, "reading_spread")):
        rows += _wide(score, hazard * SHARES[Kind.SPREAD] / 2, name, start_lot)
    return Watch(_frame(rows))


def _lots_a_year(weeks: Floats) -> float:
    span = weeks[-1] - weeks[0]
    return float(np.clip((weeks.size - 1) / max(span, 1e-9) * WEEKS_A_YEAR, 1.0, 2000.0))


def _scores(levels: Floats, baseline_lots: int) -> Floats:
    scores = np.zeros(levels.size)
    for t in range(3, levels.size):
        history = levels[: min(t, baseline_lots)]
        sd = history.std(ddof=1) * np.sqrt(1 + 1 / history.size)
        if sd > 0:
            p = special.stdtr(history.size - 1, (levels[t] - history.mean()) / sd)
            scores[t] = special.ndtri(np.clip(p, 1e-15, 1 - 1e-15))
    return scores


def _spread_scores(variance: Floats, df: Floats, baseline_lots: int) -> Floats:
    scores = np.zeros(variance.size)
    known = np.isfinite(variance) & (df > 0)
    for t in range(3, variance.size):
        before = np.flatnonzero(known[:t])[:baseline_lots]
        total = df[before].sum()
        if known[t] and total > 5:
            pooled = (variance[before] * df[before]).sum() / total
            if pooled > 0:
                p = special.fdtrc(df[t], total, variance[t] / pooled)
                scores[t] = -special.ndtri(np.clip(p, 1e-15, 1 - 1e-15))
    return scores


def _points(scores: Floats, hazard: float, start_lot: int) -> list[tuple[object, ...]]:
    far = -special.ndtri(hazard / 2)
    return [
        (t, Kind.POINT, int(np.sign(scores[t])), Grade.LOOK, "far_lot", abs(scores[t]) / far, np.nan, np.nan, np.nan)
        for t in range(start_lot - 1, scores.size)
        if abs(scores[t]) > far
    ]


def _drifts(scores: Floats, hazard: float, kind: Kind, start_lot: int) -> list[tuple[object, ...]]:
    decision = _decision(round(float(np.log2(1 / hazard)) * 4) / 4)
    rows: list[tuple[object, ...]] = []
    high = low = 0.0
    for t in range(start_lot - 1, scores.size):
        score = float(np.clip(scores[t], -WINSOR, WINSOR))
        high, low = max(0.0, high + score - ALLOWANCE), max(0.0, low - score - ALLOWANCE)
        if max(high, low) > decision:
            since = changepoint.step(scores[: t + 1], 0.0, 1.0)
            direction = 1 if high > low else -1
            rows.append(
                (t, kind, direction, Grade.LOOK, "step", max(high, low) / decision, since.index, *since.interval)
            )
    return rows


@lru_cache(maxsize=256)
def _decision(log2_length: float) -> float:
    length = 2.0**log2_length
    return float(brentq(lambda h: np.log(runlength.cusum(0.0, ALLOWANCE, h) / length), 0.5, 40.0, xtol=1e-3))


def _wide(scores: Floats, hazard: float, name: str, start_lot: int) -> list[tuple[object, ...]]:
    far = -special.ndtri(hazard)
    return [
        (t, Kind.SPREAD, 1, Grade.LOOK, name, scores[t] / far, np.nan, np.nan, np.nan)
        for t in range(start_lot - 1, scores.size)
        if scores[t] > far
    ]


def _frame(rows: list[tuple[object, ...]]) -> pd.DataFrame:
    columns = ["index", "kind", "direction", "grade", "name", "strength", "start", "start_low", "start_high"]
    frame = pd.DataFrame(rows, columns=columns)
    numbers = ["index", "strength", "start", "start_low", "start_high"]
    return frame.astype(dict.fromkeys(numbers, np.float64) | {"direction": int})
