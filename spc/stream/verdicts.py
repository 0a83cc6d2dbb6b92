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

# Powers of ten up to this one are exact as floating point numbers.
_EXACT_POWER = 22
_POWERS = np.array([10.0**power for power in range(_EXACT_POWER + 1)])

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
    values = exp_all(level)
    rounded = _to_15_digits(values.ravel()).reshape(values.shape)
    # Rounding the largest number up would give inf.
    return np.where(np.isfinite(values), np.minimum(rounded, LARGEST), rounded)


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
    charted = sessions.floats("level")
    level = to_unit(charted, scale)
    level_low, level_high = (
        _bound(sessions.floats(name), charted, level, scale) for name in ("level_low", "level_high")
    )
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


def _bound(bound: Floats, charted: Floats, level: Floats, scale: str) -> Floats:
    """Bound of each level in the unit; nearly always it is the level itself, in the unit as `level`."""
    other = bound != charted
    if not other.any():
        return level
    result = level.copy()
    result[other] = to_unit(bound[other], scale)
    return result


def _to_15_digits(values: Floats) -> Floats:
    """Round to 15 significant digits exactly as a decimal text does; multiplying by a power of ten alone would round a second time.

    A number becomes 15 digits before the point by a power of ten that is exact, with the error of the product by Dekker's splitting (1971,
    from memory). Whole numbers below 2**53 divided by such a power are rounded once, as the text is. What is too near to a half, or out of
    the range of these powers, goes by way of the text.
    """
    with np.errstate(all="ignore"):
        power = 14.0 - np.floor(np.log10(values))
        exact = (power >= 0) & (power <= _EXACT_POWER)
        scale = _POWERS[np.where(exact, power, 0.0).astype(np.int64)]
        product = values * scale
        (high, low), (scale_high, scale_low) = _halves(values), _halves(scale)
        error = ((high * scale_high - product) + high * scale_low + low * scale_high) + low * scale_low
        whole = np.rint(product)
        rest = (product - whole) + error
        # The error may carry the product over a half.
        whole += np.where(rest > 0.5, 1.0, np.where(rest < -0.5, -1.0, 0.0))
        sure = exact & (np.abs(np.abs(rest) - 0.5) > 1e-6) & (product >= 1e14) & (whole < 1e15)
        result = np.asarray(whole / scale)
    if not sure.all():
        rare, place = np.unique(values[~sure], return_inverse=True)
        result[~sure] = np.array([float(f"{value:.14e}") for value in rare.tolist()], dtype=np.float64)[place]
    return result


def _halves(values: Floats) -> tuple[Floats, Floats]:
    """Numbers as sums of two with half the bits each, so that the products of these are exact."""
    wide = 134217729.0 * values
    high = wide - (wide - values)
    return high, values - high


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
