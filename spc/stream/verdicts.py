"""Verdicts: compare each session with the specification limits in force on the day of its test.

An upper limit is strict ("under 20 nJ"); a lower limit is inclusive. A bounded value is an interval, and the verdict is
pass or fail only if it holds for the whole interval.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from spc.kernels.arrays import Flags, Floats
from spc.kernels.columns import Column, Rows
from spc.vocabulary.enums import Scale, Verdict
from spc.vocabulary.finite import LARGEST, exp_all

__all__ = ["judge", "judge_rows", "to_unit"]

# Six readings of exactly 20.0 average to 19.999999999999996 on the log scale. No meter shows twelve digits, so a value
# this close to a limit counts as equal to it.
AT_THE_LIMIT = 1e-12

Interval = tuple[Floats, Floats]


def to_unit(level: Floats, scale: str) -> Floats:
    """Convert levels in the charted scale to the unit, rounded to 15 significant digits on a log scale.

    Rounding removes the error of the logarithm in the last digit: the mean of six readings of 20 nJ is 20 nJ.

    Parameters
    ----------
    level : ndarray
        Levels in the charted scale, any shape; nan and infinities stay.
    scale : {"log", "linear"}
        Charted scale.

    Returns
    -------
    ndarray of float
        Shape of `level`; a finite level beyond the range of numbers gives the largest number.

    Examples
    --------
    >>> to_unit(np.log([20.0, 12.5]), "log").tolist(), bool(to_unit(np.array([1e4]), "log")[0] == LARGEST)
    ([20.0, 12.5], True)
    """
    if scale == Scale.LINEAR:
        return np.asarray(level, dtype=np.float64)
    # Limits repeat, and a level often equals its own bounds: convert each number once.
    values, place = np.unique(exp_all(level), return_inverse=True)
    # By way of the text: multiplying by a power of ten would round a second time.
    rounded = np.array([float(f"{value:.14e}") for value in values.tolist()], dtype=np.float64)
    # Rounding the largest number up would give inf.
    rounded = np.where(np.isfinite(values), np.minimum(rounded, LARGEST), rounded)
    return np.asarray(rounded[place].reshape(np.shape(level)))


def judge(sessions: pd.DataFrame, scale: str, judged: str, guard_percent: float) -> pd.DataFrame:
    """Verdict of each session.

    Parameters
    ----------
    sessions : DataFrame
        The columns of `spc.stream.session_summary.summarise`, and `valid` (bool), `limit_lower`, `limit_upper` (in the
        unit; nan where there is none). Where a decision rule is declared, also `pass_lower`, `pass_upper`, `fail_lower` and
        `fail_upper` of `spc.stream.level_uncertainty.rule_limits`, in place of those that `guard_percent` gives.
    scale : {"log", "linear"}
        Charted scale.
    judged : {"mean", "worst"}
        Value of a lot that is compared with the limit: its mean (on a log scale the geometric mean) or its worst
        reading.
    guard_percent : float
        Measurement uncertainty kept clear of the limit, in percent of the limit, >= 0.

    Returns
    -------
    DataFrame
        Index as `sessions`; in the unit `level_unit` (nan where every reading is bounded), `worst` (the reading nearest
        to its limit or furthest beyond it) and `judged` (nan where a bounded value leaves it open); `verdict` (str);
        `breach` (bool: the judged value is certainly outside the limit, without the guard band).

    Raises
    ------
    KeyError
        If a column is missing.

    Notes
    -----
    Decision rule with a guard band [1]_, from memory: accept inside the limit less the guard band, reject outside the
    limit plus the guard band, else undecided.

    References
    ----------
    .. [1] JCGM 106:2012, Evaluation of measurement data: the role of measurement uncertainty in conformity assessment.

    Examples
    --------
    Three lots against "under 20 nJ"; the second has a mean of exactly 20 nJ, the third a reading over range:

    >>> from spc.stream.session_summary import summarise
    >>> readings = pd.DataFrame(
    ...     {
    ...         "session": [0, 0, 1, 1, 2, 2],
    ...         "specimen": [1, 2] * 3,
    ...         "value": [11.0, 13.0, 20.0, 20.0, 12.0, 50.0],
    ...         "bound": [0, 0, 0, 0, 0, 1],
    ...     }
    ... )
    >>> sessions = summarise(readings, "log").assign(valid=True, limit_lower=np.nan, limit_upper=20.0)
    >>> [str(verdict) for verdict in judge(sessions, "log", "mean", 0.0)["verdict"]]
    ['pass', 'fail', 'fail']
    >>> [str(verdict) for verdict in judge(sessions, "log", "mean", 50.0)["verdict"]]
    ['undecided', 'undecided', 'undecided']
    """
    return Rows(sessions.index.to_numpy(np.int64), judge_rows(Rows.of(sessions), scale, judged, guard_percent)).frame()


def judge_rows(sessions: Rows, scale: str, judged: str, guard_percent: float) -> dict[str, Column]:
    """Verdict columns of sessions in the form of `Rows`; parameters, columns and errors as for `judge`.

    Examples
    --------
    >>> bounds = dict.fromkeys(("smallest_bound", "largest_bound"), np.zeros(1, dtype=np.int8))
    >>> levels = dict.fromkeys(("level", "level_low", "level_high"), np.log([12.0]))
    >>> extremes = dict.fromkeys(("smallest", "smallest_high"), np.array([11.0]))
    >>> extremes |= dict.fromkeys(("largest", "largest_low"), np.array([13.0]))
    >>> limits = {"valid": np.array([True]), "limit_lower": np.array([np.nan]), "limit_upper": np.array([20.0])}
    >>> columns = judge_rows(Rows(np.arange(1), bounds | levels | extremes | limits), "log", "worst", 0.0)
    >>> columns["judged"].tolist(), str(columns["verdict"][0])
    ([13.0], 'pass')
    """
    lower, upper = sessions.floats("limit_lower"), sessions.floats("limit_upper")
    no_lower, no_upper = np.isnan(lower), np.isnan(upper)
    names = ("level", "level_low", "level_high")
    level, level_low, level_high = to_unit(np.array([sessions.floats(name) for name in names]), scale)
    smallest, largest = sessions.floats("smallest"), sessions.floats("largest")

    # The value compared with the upper limit and the one compared with the lower limit, as intervals in the unit.
    against_upper: Interval = (level_low, level_high)
    against_lower: Interval = (level_low, level_high)
    if judged != "mean":
        open_above, open_below = sessions["largest_bound"] > 0, sessions["smallest_bound"] < 0
        against_upper = (sessions.floats("largest_low"), np.where(open_above, np.inf, largest))
        against_lower = (np.where(open_below, 0.0, smallest), sessions.floats("smallest_high"))

    guard, valid = guard_percent / 100.0, sessions["valid"].astype(bool)
    if "pass_upper" in sessions.columns:
        inner = (sessions.floats("pass_lower"), sessions.floats("pass_upper"))
        outer = (sessions.floats("fail_lower"), sessions.floats("fail_upper"))
    else:
        # A limit beyond the largest number is inf, which no value reaches.
        with np.errstate(over="ignore"):
            inner, outer = (lower * (1 + guard), upper * (1 - guard)), (lower * (1 - guard), upper * (1 + guard))
    passes = _surely_under(against_upper[1], inner[1]) & _surely_at_least(against_lower[0], inner[0])
    fails = (_surely_at_least(against_upper[0], outer[1]) & ~no_upper) | (
        _surely_under(against_lower[1], outer[0]) & ~no_lower
    )
    breach = (_surely_at_least(against_upper[0], upper) & ~no_upper) | (
        _surely_under(against_lower[1], lower) & ~no_lower
    )
    verdict = np.select(
        [~valid, no_lower & no_upper, fails, passes],
        [Verdict.INVALID, Verdict.UNLIMITED, Verdict.FAIL, Verdict.PASS],
        Verdict.UNDECIDED,
    )
    # With two limits, the worst reading is on the side with the smaller margin, in proportion to the limit.
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        toward_upper = no_lower | (~no_upper & (upper / largest <= smallest / lower))
    return {
        "level_unit": level,
        "worst": np.where(toward_upper, largest, smallest),
        "judged": np.where(toward_upper, _exact(against_upper), _exact(against_lower)),
        "verdict": verdict.astype(object),
        "breach": breach & valid,
    }


def _exact(interval: Interval) -> Floats:
    """Value of an interval of one point, else nan."""
    low, high = interval
    return np.where(low == high, low, np.nan)


def _surely_under(value: Floats, limit: Floats) -> Flags:
    """Strictly below the limit; true where there is no limit."""
    return np.asarray(np.isnan(limit) | ((value < limit) & ~_equals(value, limit)))


def _surely_at_least(value: Floats, limit: Floats) -> Flags:
    """At the limit or above it; true where there is no limit."""
    return np.asarray(np.isnan(limit) | (value >= limit) | _equals(value, limit))


def _equals(value: Floats, limit: Floats) -> Flags:
    with np.errstate(invalid="ignore"):
        return np.asarray(np.isfinite(limit) & (np.abs(value - limit) <= AT_THE_LIMIT * np.abs(limit)))
