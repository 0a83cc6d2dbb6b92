"""Values that look like a slip of the pen: a unit off by a power of a thousand, or a logarithm in a column of values.

Nothing is changed here and nothing refused: a session is marked for a person to look at. The history that it is held
against is the stream's own, before it in test order, so that later lots never mark or clear an earlier one.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from spc.kernels.arrays import Flags, Floats

__all__ = ["FEWEST_SESSIONS", "Mark", "Share", "Slip", "look", "slipped"]

FEWEST_SESSIONS = 5
"""Sessions that tell what is usual; a younger stream has nothing to hold a value against."""

_WINDOW = 12
# In decades. A value is far off when it lies ten times beyond all that the window held; it is at home where it lies
# within half as much again of it.
_FAR = 1.0
_SLACK = float(np.log10(1.5))
_POWERS = (3, -3, 6, -6, 9, -9)
# Below a thousand a value and its logarithm are too near to each other to tell one from the other.
_LEAST_FOR_LOGARITHMS = 3.0


class Share(StrEnum):
    """How much of a session is off."""

    ALL = "all"
    SOME = "some"


class Slip(StrEnum):
    """What would explain it."""

    FACTOR = "factor"
    LOGARITHM = "logarithm"


@dataclass(frozen=True, slots=True)
class Mark:
    """Why a session is marked.

    `power` is the power of ten by which it reads too high (negative: too low), 0 for a logarithm. `low` and `high` span
    what the window held, in the unit: levels where all of the session is off, single readings where some of it is.
    """

    share: Share
    slip: Slip
    power: int
    low: float
    high: float


def look(
    levels: ArrayLike, smallest: ArrayLike, largest: ArrayLike, *, usable: ArrayLike, stands: ArrayLike
) -> list[Mark | None]:
    """Mark the sessions of one stream that a slip of the pen would explain.

    Parameters
    ----------
    levels, smallest, largest : array_like, shape (n,)
        Level and extremes of each session in the unit, above 0, in test order; nan where one is bounded or unknown. A
        session with an unknown extreme is never marked as a whole.
    usable : array_like of bool, shape (n,)
        Whether the session may tell what is usual: its test was valid and nobody set it aside.
    stands : array_like of bool, shape (n,)
        Whether a person said that it stands as written: its mark remains, but it tells what is usual from then on.

    Returns
    -------
    list of Mark or None
        One a session. A marked session does not tell what is usual unless it stands. The first `FEWEST_SESSIONS` usable
        ones are never marked.

    Raises
    ------
    ValueError
        Where the arrays differ in length or a value is not above 0.

    Notes
    -----
    A level (or an extreme) is marked when it lies a decade or more beyond the span of the last 12 usable sessions, and
    divided by 10^3, 10^6 or 10^9 either way, or read as a decimal logarithm, comes home to within a factor of 1.5 of
    that span; the whole session where level and extremes all do so alike. The rule is ours (common practice knows the slip, not a rule for it); `tests/test_suspicion.py` states
    how often it marks clean and heavy-tailed data. A real jump by about a thousand looks alike: hence a person settles.

    Examples
    --------
    >>> level = [10, 11, 9, 10, 12, 10_400]
    >>> found = look(level, level, level, usable=[True] * 6, stands=[False] * 6)
    >>> found[-1].share.value, found[-1].power
    ('all', 3)
    """
    level, low, high = (_decades(name, values) for name, values in _named(levels, smallest, largest))
    able, kept = np.asarray(usable, dtype=bool), np.asarray(stands, dtype=bool)
    if len({level.size, low.size, high.size, able.size, kept.size}) > 1:
        raise ValueError("levels, smallest, largest, usable and stands: expected one entry a session in each")
    known = np.concatenate([level, low, high])
    if not np.isfinite(known).any() or np.nanmax(known) - np.nanmin(known) < _FAR:
        return [None] * level.size
    return _walk(zip(level.tolist(), low.tolist(), high.tolist(), able.tolist(), kept.tolist(), strict=True))


def slipped(mark: Mark, values: ArrayLike) -> Flags:
    """Which readings of a marked session are off.

    Parameters
    ----------
    mark : Mark
        What `look` said of the session.
    values : array_like, shape (k,)
        Its readings in the unit.

    Returns
    -------
    ndarray of bool, shape (k,)
        All of them where the whole session is off.
    """
    given = np.asarray(values, dtype=np.float64)
    if mark.share == Share.ALL:
        return np.ones(given.shape, dtype=bool)
    span = (float(np.log10(mark.low)), float(np.log10(mark.high)))
    return np.array([_slip(value, span) == (mark.slip, mark.power) for value in np.log10(given).tolist()], dtype=bool)


def _named(levels: ArrayLike, smallest: ArrayLike, largest: ArrayLike) -> Iterable[tuple[str, ArrayLike]]:
    return (("levels", levels), ("smallest", smallest), ("largest", largest))


def _decades(name: str, values: ArrayLike) -> Floats:
    given = np.asarray(values, dtype=np.float64)
    if (given <= 0).any():
        raise ValueError(f"{name}: expected values above 0, got {float(given[given <= 0][0])}")
    return np.asarray(np.log10(given))


def _walk(sessions: Iterable[tuple[float, float, float, bool, bool]]) -> list[Mark | None]:
    """One look at each session with those before it that tell what is usual."""
    window: deque[tuple[float, float, float]] = deque(maxlen=_WINDOW)
    marks: list[Mark | None] = []
    for level, low, high, usable, stands in sessions:
        mark = _mark(level, low, high, window) if len(window) >= FEWEST_SESSIONS else None
        marks.append(mark)
        if usable and (mark is None or stands) and not math.isnan(level):
            window.append((level, level if math.isnan(low) else low, level if math.isnan(high) else high))
    return marks


def _mark(level: float, low: float, high: float, window: Iterable[tuple[float, float, float]]) -> Mark | None:
    levels, lows, highs = zip(*window, strict=True)
    usual, single = (min(levels), max(levels)), (min(lows), max(highs))
    whole = _slip(level, usual)
    # All of the session is off only where its extremes come home with its level: a few wild readings draw a level off too.
    if whole is not None and all(_slip(extreme, single) == whole for extreme in (low, high)):
        return _told(Share.ALL, whole, usual)
    for extreme, other in ((high, low), (low, high)):
        part = _slip(extreme, single)
        if part is not None and _at_home(other, single):
            return _told(Share.SOME, part, single)
    return None


def _told(share: Share, slip: tuple[Slip, int], span: tuple[float, float]) -> Mark:
    return Mark(share, slip[0], slip[1], 10 ** span[0], 10 ** span[1])


def _slip(value: float, span: tuple[float, float]) -> tuple[Slip, int] | None:
    """What brings a far value home, if anything does; value and span in decades."""
    low, high = span
    if not (value >= high + _FAR or value <= low - _FAR):
        return None
    for power in _POWERS:
        if _at_home(value - power, span):
            return Slip.FACTOR, power
    # Read as a logarithm, the value itself is the number of decades; no resistance has a hundred of them.
    if low >= _LEAST_FOR_LOGARITHMS and value < 2 and _at_home(10**value, span):
        return Slip.LOGARITHM, 0
    return None


def _at_home(value: float, span: tuple[float, float]) -> bool:
    return span[0] - _SLACK <= value <= span[1] + _SLACK
