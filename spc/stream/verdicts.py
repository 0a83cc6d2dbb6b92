"""How a session stands against its limits: what is held against them, and the verdict.

A limit for energy reads "under 20 nJ" and is strict; a lower limit is inclusive. A bounded value is an interval and
gives a verdict only where the whole interval does.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from spc.kernels.arrays import Floats
from spc.kernels.columns import Column, Rows
from spc.vocabulary.enums import Scale, Verdict
from spc.vocabulary.finite import LARGEST, exp_all

__all__ = ["judge", "judge_rows", "to_unit"]

# Six readings of exactly 20.0 average to 19.999999999999996 on the log scale. Twelve digits are more than any meter
# gives, so a value this close to a limit is at the limit.
AT_THE_LIMIT = 1e-12


def to_unit(level: Floats, scale: str) -> Floats:
    """Levels in the charted scale as values in the unit, free of the last rounding of the logarithm.

    A level beyond the numbers, as an interval of the largest of them may have, is told as the largest there is.
    """
    if scale == Scale.LINEAR:
        return np.asarray(level, dtype=np.float64)
    # Limits are the same for most lots, and a level is often its own bounds: each number is written out once.
    values, place = np.unique(exp_all(level), return_inverse=True)
    # Through the text of 15 significant digits: multiplying by a power of ten would round once more.
    rounded = np.array([float(f"{value:.14e}") for value in values.tolist()], dtype=np.float64)
    # Rounding up the largest would leave the numbers.
    rounded = np.where(np.isfinite(values), np.minimum(rounded, LARGEST), rounded)
    return np.asarray(rounded[place].reshape(np.shape(level)))


def judge(sessions: pd.DataFrame, scale: str, judged: str, guard_percent: float) -> pd.DataFrame:
    """Verdict of each session.

    Parameters
    ----------
    sessions : DataFrame
        The columns of `spc.lots.summarise`, and `valid` (bool), `limit_lower`, `limit_upper` (in the unit; nan where
        there is none).
    scale : {"log", "linear"}
        The charted scale.
    judged : {"mean", "worst"}
        What of a lot is held against the limit: its mean (on a log scale the geometric mean) or its worst reading.
    guard_percent : float
        Measurement uncertainty kept clear of the limit, in percent of it.

    Returns
    -------
    DataFrame
        Index as `sessions`; in the unit `level_unit` (nan where every reading is bounded), `worst` (the reading nearest
        to its limit or furthest beyond) and `judged` (nan where a bounded value leaves it open); `verdict` (str),
        `breach` (bool: the judged value is certainly not inside the limit, whatever the guard).

    Notes
    -----
    Decision rule with a guard band as in JCGM 106:2012 (from memory): accept below the limit less the guard, reject
    above the limit plus the guard, else undecided.
    """
    return Rows(sessions.index.to_numpy(np.int64), judge_rows(Rows.of(sessions), scale, judged, guard_percent)).frame()


def judge_rows(sessions: Rows, scale: str, judged: str, guard_percent: float) -> dict[str, Column]:
    """Verdict of each session, as the columns of `judge`, of sessions given as rows."""
    lower, upper = sessions.floats("limit_lower"), sessions.floats("limit_upper")
    level = _in_unit(sessions, scale)
    above, below = _intervals(sessions, level, judged)
    guard, valid = guard_percent / 100.0, sessions["valid"].astype(bool)
    # Beyond the largest number a limit is inf, which no value reaches.
    with np.errstate(over="ignore"):
        inner, outer = (lower * (1 + guard), upper * (1 - guard)), (lower * (1 - guard), upper * (1 + guard))
    passes = _surely_under(above[1], inner[1]) & _surely_at_least(below[0], inner[0])
    fails = _surely_at_least(above[0], outer[1]) & ~np.isnan(upper)
    fails |= _surely_under(below[1], outer[0]) & ~np.isnan(lower)
    breach = (_surely_at_least(above[0], upper) & ~np.isnan(upper)) | (
        _surely_under(below[1], lower) & ~np.isnan(lower)
    )
    verdict = np.select(
        [~valid, np.isnan(lower) & np.isnan(upper), fails, passes],
        [Verdict.INVALID, Verdict.UNLIMITED, Verdict.FAIL, Verdict.PASS],
        Verdict.UNDECIDED,
    )
    toward_upper = _toward_upper(sessions, lower, upper)
    return {
        "level_unit": level["level"],
        "worst": np.where(toward_upper, sessions.floats("largest"), sessions.floats("smallest")),
        "judged": np.where(toward_upper, _known(above), _known(below)),
        "verdict": verdict.astype(object),
        "breach": breach & valid,
    }


def _in_unit(sessions: Rows, scale: str) -> dict[str, Floats]:
    """The level and the interval that it lies in, in the unit."""
    names = ("level", "level_low", "level_high")
    return dict(zip(names, to_unit(np.array([sessions.floats(name) for name in names]), scale), strict=True))


def _toward_upper(sessions: Rows, lower: Floats, upper: Floats) -> np.ndarray:
    """Whether the upper limit is the one that matters: the only one, or the one with less room in proportion."""
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        room_above = upper / sessions.floats("largest")
        room_below = sessions.floats("smallest") / lower
    return np.asarray(np.isnan(lower) | (~np.isnan(upper) & (room_above <= room_below)))


def _intervals(
    sessions: Rows, level: dict[str, Floats], judged: str
) -> tuple[tuple[Floats, Floats], tuple[Floats, Floats]]:
    """What is held against the upper and against the lower limit, each as an interval (low, high) in the unit."""
    if judged == "mean":
        interval = level["level_low"], level["level_high"]
        return interval, interval
    return (
        (sessions.floats("largest_low"), np.where(sessions["largest_bound"] > 0, np.inf, sessions.floats("largest"))),
        (np.where(sessions["smallest_bound"] < 0, 0.0, sessions.floats("smallest")), sessions.floats("smallest_high")),
    )


def _known(interval: tuple[Floats, Floats]) -> Floats:
    low, high = interval
    return np.where(low == high, low, np.nan)


def _surely_under(value: Floats, limit: Floats) -> np.ndarray:
    """Strictly below the limit; true where there is no limit."""
    return np.asarray(np.isnan(limit) | ((value < limit) & ~_at(value, limit)))


def _surely_at_least(value: Floats, limit: Floats) -> np.ndarray:
    """At the limit or above; true where there is no limit."""
    return np.asarray(np.isnan(limit) | (value >= limit) | _at(value, limit))


def _at(value: Floats, limit: Floats) -> np.ndarray:
    with np.errstate(invalid="ignore"):
        return np.asarray(np.isfinite(limit) & (np.abs(value - limit) <= AT_THE_LIMIT * np.abs(limit)))
