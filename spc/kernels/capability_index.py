"""Performance indices of many streams at once, with their intervals; every array has shape (streams,)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spc.kernels.arrays import Floats
from spc.kernels.noncentral import WEIGHTS, chi_ratio, roots
from spc.kernels.validation import finite_number, no_infinity

__all__ = [
    "Room",
    "fraction_beyond",
    "index_interval",
    "limits_of",
    "require_confidence",
    "spread_interval",
    "worth_at",
]

_CLOSE = 1e-12  # of the range that is searched
_LEAST_DF, _MOST_DF = 0.3, 1e6
_BLOCK = 200  # streams taken together: what fits a processor's cache


@dataclass(frozen=True, slots=True, eq=False)
class Room:
    """Distances to the limits (inf where there is none) and standard error of the mean, in estimated sigma.

    `df_low` and `df_high` are what the variance is worth at the lower and at the upper end of its own interval; they
    differ where it is a sum of several.
    """

    below: Floats
    above: Floats
    lean: Floats
    df_low: Floats
    df_high: Floats

    @property
    def nearest(self) -> Floats:
        """Distance to the nearer limit."""
        return np.minimum(self.below, self.above)

    @property
    def two_sided(self) -> np.ndarray:
        """Whether both limits are there."""
        return np.isfinite(self.below) & np.isfinite(self.above)

    @property
    def offset(self) -> Floats:
        """Distance of the mean from the middle of the limits, less what the error of the mean alone would show."""
        both = self.two_sided
        apart = np.where(both, self.below, 0.0) - np.where(both, self.above, 0.0)
        return np.where(both, np.sqrt(np.maximum(0.25 * apart**2 - self.lean**2, 0.0)), np.inf)

    def part(self, rows: slice) -> Room:
        """Some of the streams."""
        return Room(self.below[rows], self.above[rows], self.lean[rows], self.df_low[rows], self.df_high[rows])


def index_interval(room: Room, confidence: float) -> tuple[Floats, Floats]:
    """Find the indices under which an estimate as high, or as low, as the one seen has the chance of one tail.

    The lower end takes the farther limit as out of reach, which can only err on the safe side; the upper end takes the
    mean to lie as far from the middle as it seems to.
    """
    starts = range(0, room.lean.size, _BLOCK)
    parts = [_ends(room.part(slice(start, start + _BLOCK)), confidence) for start in starts]
    if not parts:
        return np.empty(0), np.empty(0)
    return np.concatenate([low for low, _ in parts]), np.concatenate([high for _, high in parts])


def _ends(room: Room, confidence: float) -> tuple[Floats, Floats]:
    lean, alone = np.maximum(room.lean, 1e-12), np.full(room.lean.shape, np.inf)

    def exceeded(index: Floats, seen: Floats, offset: Floats) -> Floats:
        near = special.ndtr((3 * index - seen) / lean)
        far = special.ndtr((seen - 3 * index - 2 * offset) / lean)
        chance: Floats = WEIGHTS @ np.maximum(near - far, 0.0)
        return chance

    reach = 10 * (1 + np.abs(room.nearest) + room.lean)
    tail = (1 - confidence) / 2
    # The index is low where the variance is high, and the other way round.
    wide, narrow = room.nearest * _chi_ratios(room.df_high), room.nearest * _chi_ratios(room.df_low)
    lower = roots(lambda index: exceeded(index, wide, alone) - tail, -reach, reach, _CLOSE * reach)
    upper = roots(lambda index: exceeded(index, narrow, room.offset) - (1 - tail), -reach, reach, _CLOSE * reach)
    return lower, upper


def _chi_ratios(df: Floats) -> Floats:
    """Estimated over true standard deviation at each normal score; shape (scores, streams)."""
    sizes, which = np.unique(df, return_inverse=True)
    return np.stack([chi_ratio(float(size)) for size in sizes], axis=1)[:, which]


def worth_at(share: Floats, tail: float) -> Floats:
    """Degrees of freedom at which a chi-square bound of a variance, `tail` above it, is `share` of the estimate.

    A `tail` over one half asks for an upper bound (share above 1), under one half for a lower one (below 1). Between
    0.3 and a million.
    """
    least, most = np.full(share.shape, np.log(_LEAST_DF)), np.full(share.shape, np.log(_MOST_DF))
    side = -1.0 if tail > 0.5 else 1.0

    def nearer(log_df: Floats) -> Floats:
        df = np.exp(log_df)
        return side * (df / special.chdtri(df, tail) - share)

    return np.exp(roots(nearer, least, most, 1e-9))


def spread_interval(room: Room, confidence: float) -> tuple[Floats, Floats, Floats]:
    """Index of the spread alone with its interval, by chi-square; nan where a limit is missing."""
    pp, tail = np.where(room.two_sided, (room.below + room.above) / 6, np.nan), (1 - confidence) / 2
    low, high = special.chdtri(room.df_high, 1 - tail), special.chdtri(room.df_low, tail)
    return pp, pp * np.sqrt(low / room.df_high), pp * np.sqrt(high / room.df_low)


def fraction_beyond(room: Room, index: Floats) -> Floats:
    """Fraction of values beyond the limits for an index, the mean as far from the middle as it seems to be."""
    beyond: Floats = special.ndtr(-3 * index) + special.ndtr(-3 * index - 2 * room.offset)
    return beyond


def limits_of(lower: float | None, upper: float | None) -> tuple[float, float]:
    """Both limits of a document, infinite where there is none; ValueError where there is none at all."""
    if lower is None and upper is None:
        raise ValueError("no limit is given; give lower, upper or both")
    below = -np.inf if lower is None else finite_number(lower, "lower")
    above = np.inf if upper is None else finite_number(upper, "upper")
    if not below < above:
        raise ValueError(f"lower must be below upper, got {lower!r} and {upper!r}")
    return below, above


def require_confidence(value: float) -> None:
    """ValueError unless the confidence is in (0, 1)."""
    if not 0 < value < 1:
        raise ValueError(f"confidence must be in (0, 1), got {value!r}")


def limits_of_each(lower: ArrayLike | None, upper: ArrayLike | None, streams: int) -> tuple[Floats, Floats]:
    """Both limits of each stream (streams,), infinite where there is none (nan, or None for all)."""
    below, above = _limit(lower, "lower", streams, -np.inf), _limit(upper, "upper", streams, np.inf)
    if not (below < above).all():
        stream = int(np.argmin(below < above))
        raise ValueError(f"lower must be below upper, got {below[stream]!r} and {above[stream]!r} at stream {stream}")
    return below, above


def finite_or_nan(value: ArrayLike, name: str) -> Floats:
    """A float array without infinities."""
    values = np.asarray(value, dtype=np.float64)
    no_infinity(values, name)
    return values


def _limit(value: ArrayLike | None, name: str, streams: int, none: float) -> Floats:
    values = np.full(streams, np.nan) if value is None else finite_or_nan(value, name)
    if values.shape not in ((), (streams,)):
        raise ValueError(f"{name} must be one number, or one a stream ({streams}); got shape {values.shape}")
    return np.broadcast_to(np.where(np.isnan(values), none, values), (streams,))
