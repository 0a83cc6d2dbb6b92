"""Suspected unit and decimal errors: values off by a power of a thousand, and logarithms in a column of values.

The check changes and refuses nothing; it flags a session so that a person reviews it. A session is compared only with
earlier sessions of its stream, so that later lots never flag or clear it.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable

import numpy as np
from numpy.typing import ArrayLike

from spc.kernels.arrays import Flags, Floats
from spc.vocabulary.unit_error import ErrorCause, ErrorExtent, UnitError

__all__ = ["FEWEST_SESSIONS", "affected_readings", "find_unit_errors"]

FEWEST_SESSIONS = 5
"""Earlier sessions that a comparison needs."""

_WINDOW = 12
# In decades. A value is far off ten times beyond the range of the window; a corrected value fits within a factor of 1.5.
_FAR = 1.0
_SLACK = float(np.log10(1.5))
_POWERS = (3, -3, 6, -6, 9, -9)
# Below a thousand, a value and its logarithm are too close to tell one from the other.
_LEAST_FOR_LOGARITHMS = 3.0

Range = tuple[float, float]


def find_unit_errors(
    levels: ArrayLike, smallest: ArrayLike, largest: ArrayLike, *, usable: ArrayLike, accepted: ArrayLike
) -> list[UnitError | None]:
    """Flag the sessions of one stream that a unit or decimal error would explain.

    Parameters
    ----------
    levels, smallest, largest : array_like, shape (n,)
        Level and extremes of each session in the unit, above 0, in test order; nan where one is bounded or unknown. A
        session with an unknown extreme is never flagged as a whole.
    usable : array_like of bool, shape (n,)
        Whether later sessions may be compared with the session: its test was valid and nobody excluded it.
    accepted : array_like of bool, shape (n,)
        Whether a person accepted the values as written. The session stays flagged, but later sessions are compared
        with it.

    Returns
    -------
    list of UnitError or None
        One a session, None where it is not flagged. The first `FEWEST_SESSIONS` usable sessions are never flagged.

    Raises
    ------
    ValueError
        If the arrays differ in length or a value is not above 0.

    Notes
    -----
    A level (or an extreme) is flagged if it is a factor of ten or more outside the range of the last 12 usable sessions
    and, divided by 10^3, 10^6 or 10^9 either way or read as a decimal logarithm, is within a factor of 1.5 of that
    range. The whole session is flagged where level and extremes all agree. The rule is our own: the error is common
    practice, a rule for it is not published. `tests/spc/stream/test_unit_errors.py` states how often the rule flags
    clean and heavy-tailed data. A real change by a factor near a thousand looks the same, so a person decides.

    Examples
    --------
    >>> level = [10, 11, 9, 10, 12, 10_400]
    >>> error = find_unit_errors(level, level, level, usable=[True] * 6, accepted=[False] * 6)[-1]
    >>> error.extent.value, error.cause.value, error.power
    ('all', 'factor', 3)
    """
    level, low, high = (
        _decades(name, values) for name, values in (("levels", levels), ("smallest", smallest), ("largest", largest))
    )
    use, accept = np.asarray(usable, dtype=bool), np.asarray(accepted, dtype=bool)
    if len({level.size, low.size, high.size, use.size, accept.size}) > 1:
        raise ValueError("levels, smallest, largest, usable and accepted: expected one entry a session in each")
    values = np.concatenate([level, low, high])
    if not np.isfinite(values).any() or np.nanmax(values) - np.nanmin(values) < _FAR:
        return [None] * level.size

    window: deque[tuple[float, float, float]] = deque(maxlen=_WINDOW)
    errors: list[UnitError | None] = []
    sessions = zip(level.tolist(), low.tolist(), high.tolist(), use.tolist(), accept.tolist(), strict=True)
    for middle, least, most, is_usable, is_accepted in sessions:
        error = _error_of(middle, least, most, window) if len(window) >= FEWEST_SESSIONS else None
        errors.append(error)
        if is_usable and (error is None or is_accepted) and not math.isnan(middle):
            window.append((middle, middle if math.isnan(least) else least, middle if math.isnan(most) else most))
    return errors


def affected_readings(error: UnitError, values: ArrayLike) -> Flags:
    """Which readings of a flagged session the error affects.

    Parameters
    ----------
    error : UnitError
        From `find_unit_errors`.
    values : array_like, shape (k,)
        Readings of the session in the unit, above 0.

    Returns
    -------
    ndarray of bool, shape (k,)
        True throughout where the whole session is affected.

    Examples
    --------
    >>> error = UnitError(ErrorExtent.SOME, ErrorCause.FACTOR, 3, low=9.0, high=12.0)
    >>> affected_readings(error, [10.0, 11_000.0, 9.5])
    array([False,  True, False])
    """
    readings = np.asarray(values, dtype=np.float64)
    if error.extent == ErrorExtent.ALL:
        return np.ones(readings.shape, dtype=bool)
    span = (float(np.log10(error.low)), float(np.log10(error.high)))
    causes = [_cause_of(value, span) for value in np.log10(readings).tolist()]
    return np.array([cause == (error.cause, error.power) for cause in causes], dtype=bool)


def _decades(name: str, values: ArrayLike) -> Floats:
    numbers = np.asarray(values, dtype=np.float64)
    if (numbers <= 0).any():
        raise ValueError(f"{name}: expected values above 0, got {float(numbers[numbers <= 0][0])}")
    return np.asarray(np.log10(numbers))


def _error_of(level: float, low: float, high: float, window: Iterable[tuple[float, float, float]]) -> UnitError | None:
    """Compare a session with the window; all values in decades."""
    levels, lows, highs = zip(*window, strict=True)
    level_range, reading_range = (min(levels), max(levels)), (min(lows), max(highs))
    cause = _cause_of(level, level_range)
    # The extremes must agree with the level: a few wild readings alone also move the level.
    if cause is not None and all(_cause_of(extreme, reading_range) == cause for extreme in (low, high)):
        return UnitError(ErrorExtent.ALL, *cause, 10 ** level_range[0], 10 ** level_range[1])
    for extreme, other in ((high, low), (low, high)):
        cause = _cause_of(extreme, reading_range)
        if cause is not None and _fits(other, reading_range):
            return UnitError(ErrorExtent.SOME, *cause, 10 ** reading_range[0], 10 ** reading_range[1])
    return None


def _cause_of(value: float, span: Range) -> tuple[ErrorCause, int] | None:
    """What would bring a far value into the range, with its power of ten; None for a value that is not far off."""
    low, high = span
    if not (value >= high + _FAR or value <= low - _FAR):
        return None
    for power in _POWERS:
        if _fits(value - power, span):
            return ErrorCause.FACTOR, power
    # Taken as a logarithm, the value itself is the number of decades; no resistance has a hundred of them.
    if low >= _LEAST_FOR_LOGARITHMS and value < 2 and _fits(10**value, span):
        return ErrorCause.LOGARITHM, 0
    return None


def _fits(value: float, span: Range) -> bool:
    return span[0] - _SLACK <= value <= span[1] + _SLACK
