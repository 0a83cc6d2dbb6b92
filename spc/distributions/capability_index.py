"""Performance indices of many streams at once, with their intervals; arrays have shape (streams,)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spc.distributions.noncentral import WEIGHTS, chi_ratio, roots
from spc.kernels.arrays import Floats
from spc.kernels.validation import finite_number, no_infinity

__all__ = [
    "Margins",
    "df_at",
    "fraction_beyond",
    "index_interval",
    "limits_of",
    "require_confidence",
    "spread_interval",
]

_CLOSE = 1e-12  # Tolerance of a root, relative to the range of the search
_LEAST_DF, _MOST_DF = 0.3, 1e6
_BLOCK = 200  # Streams processed together: they fit the processor's cache


@dataclass(frozen=True, slots=True, eq=False)
class Margins:
    """Distances to the limits (inf where there is none) and standard error of the mean, in estimated sigma.

    `df_low` and `df_high` are the degrees of freedom of the variance at the lower and at the upper end of its interval;
    they differ where it is a sum of several variances.
    """

    below: Floats
    above: Floats
    center_se: Floats
    df_low: Floats
    df_high: Floats

    @property
    def nearest(self) -> Floats:
        """Distance to the nearer limit."""
        return np.minimum(self.below, self.above)

    @property
    def two_sided(self) -> np.ndarray:
        """Whether there are two limits."""
        return np.isfinite(self.below) & np.isfinite(self.above)

    @property
    def offset(self) -> Floats:
        """Distance of the mean from the middle of the limits, corrected for the error of the mean; inf with one limit."""
        both = self.two_sided
        apart = np.where(both, self.below, 0.0) - np.where(both, self.above, 0.0)
        return np.where(both, np.sqrt(np.maximum(0.25 * apart**2 - self.center_se**2, 0.0)), np.inf)

    def part(self, rows: slice) -> Margins:
        """Margins of some of the streams."""
        return Margins(self.below[rows], self.above[rows], self.center_se[rows], self.df_low[rows], self.df_high[rows])


def index_interval(margins: Margins, confidence: float) -> tuple[Floats, Floats]:
    """Interval of the index: the indices at which an estimate as high, or as low, has the probability of one tail.

    The lower end ignores the farther limit, which is on the safe side. The upper end takes the distance of the mean
    from the middle of the limits as estimated.

    Examples
    --------
    >>> margins = Margins(*(np.array([value]) for value in (np.inf, 4.0, 0.2, 20.0, 20.0)))
    >>> [end.round(2).tolist() for end in index_interval(margins, 0.95)]
    [[0.9], [1.76]]
    """
    starts = range(0, margins.center_se.size, _BLOCK)
    parts = [_ends(margins.part(slice(start, start + _BLOCK)), confidence) for start in starts]
    if not parts:
        return np.empty(0), np.empty(0)
    return np.concatenate([low for low, _ in parts]), np.concatenate([high for _, high in parts])


def _ends(margins: Margins, confidence: float) -> tuple[Floats, Floats]:
    center_se, no_far_limit = np.maximum(margins.center_se, 1e-12), np.full(margins.center_se.shape, np.inf)

    def exceeded(index: Floats, estimated: Floats, offset: Floats) -> Floats:
        near = special.ndtr((3 * index - estimated) / center_se)
        if np.isposinf(offset).all():
            # Without a second limit nothing is beyond it.
            one_sided: Floats = WEIGHTS @ near
            return one_sided
        far = special.ndtr((estimated - 3 * index - 2 * offset) / center_se)
        chance: Floats = WEIGHTS @ np.maximum(near - far, 0.0)
        return chance

    reach = 10 * (1 + np.abs(margins.nearest) + margins.center_se)
    tail = (1 - confidence) / 2
    # The index is low where the variance is high, and high where it is low.
    wide, narrow = margins.nearest * _chi_ratios(margins.df_high), margins.nearest * _chi_ratios(margins.df_low)
    lower = roots(lambda index: exceeded(index, wide, no_far_limit) - tail, -reach, reach, _CLOSE * reach)
    upper = roots(lambda index: exceeded(index, narrow, margins.offset) - (1 - tail), -reach, reach, _CLOSE * reach)
    return lower, upper


def _chi_ratios(df: Floats) -> Floats:
    """Estimated standard deviation divided by the true one at each normal score; shape (scores, streams)."""
    sizes, which = np.unique(df, return_inverse=True)
    return np.stack([chi_ratio(float(size)) for size in sizes], axis=1)[:, which]


def df_at(share: Floats, tail: float) -> Floats:
    """Degrees of freedom at which the chi-square bound of a variance is `share` times its estimate.

    `tail` is the upper tail of the chi-square quantile: above one half it gives an upper bound (`share` above 1), below
    one half a lower bound (`share` below 1). The result is between 0.3 and a million.

    Examples
    --------
    A mean square with 9 degrees of freedom has its 97.5 % bound at 9 / 2.70 times the estimate:

    >>> df_at(np.array([9 / 2.7003895]), 0.975).round(4)
    array([9.])
    """
    least, most = np.full(share.shape, np.log(_LEAST_DF)), np.full(share.shape, np.log(_MOST_DF))
    side = -1.0 if tail > 0.5 else 1.0

    def nearer(log_df: Floats) -> Floats:
        df = np.exp(log_df)
        return side * (df / special.chdtri(df, tail) - share)

    return np.exp(roots(nearer, least, most, 1e-9))


def spread_interval(margins: Margins, confidence: float) -> tuple[Floats, Floats, Floats]:
    """Index of the spread (Pp) with its interval, by chi-square; nan where a limit is missing.

    Examples
    --------
    >>> margins = Margins(*(np.array([value]) for value in (4.0, 5.0, 0.2, 20.0, 20.0)))
    >>> [value.round(2).tolist() for value in spread_interval(margins, 0.95)]
    [[1.5], [1.04], [1.96]]
    """
    pp, tail = np.where(margins.two_sided, (margins.below + margins.above) / 6, np.nan), (1 - confidence) / 2
    low, high = special.chdtri(margins.df_high, 1 - tail), special.chdtri(margins.df_low, tail)
    return pp, pp * np.sqrt(low / margins.df_high), pp * np.sqrt(high / margins.df_low)


def fraction_beyond(margins: Margins, index: Floats) -> Floats:
    """Fraction of values beyond the limits for an index; distance of the mean from the middle as estimated.

    Examples
    --------
    >>> margins = Margins(*(np.array([value]) for value in (np.inf, 3.0, 0.0, 20.0, 20.0)))
    >>> fraction_beyond(margins, margins.nearest / 3).round(5)
    array([0.00135])
    """
    beyond: Floats = special.ndtr(-3 * index) + special.ndtr(-3 * index - 2 * margins.offset)
    return beyond


def limits_of(lower: float | None, upper: float | None) -> tuple[float, float]:
    """Both specification limits, infinite where one is missing; ValueError where both are.

    Examples
    --------
    >>> limits_of(None, 2.5)
    (-inf, 2.5)
    """
    if lower is None and upper is None:
        raise ValueError("no limit is given; give lower, upper or both")
    below = -np.inf if lower is None else finite_number(lower, "lower")
    above = np.inf if upper is None else finite_number(upper, "upper")
    if not below < above:
        raise ValueError(f"lower must be below upper, got {lower!r} and {upper!r}")
    return below, above


def require_confidence(value: float) -> None:
    """Raise ValueError unless the confidence is in (0, 1).

    Examples
    --------
    >>> require_confidence(0.95)
    """
    if not 0 < value < 1:
        raise ValueError(f"confidence must be in (0, 1), got {value!r}")


def limits_of_each(lower: ArrayLike | None, upper: ArrayLike | None, streams: int) -> tuple[Floats, Floats]:
    """Both limits of each stream (streams,), infinite where one is missing (nan, or None for all)."""
    below, above = _limit(lower, "lower", streams, -np.inf), _limit(upper, "upper", streams, np.inf)
    if not (below < above).all():
        stream = int(np.argmin(below < above))
        raise ValueError(f"lower must be below upper, got {below[stream]!r} and {above[stream]!r} at stream {stream}")
    return below, above


def finite_or_nan(value: ArrayLike, name: str) -> Floats:
    """Convert to a float array; ValueError for an infinite value."""
    values = np.asarray(value, dtype=np.float64)
    no_infinity(values, name)
    return values


def _limit(value: ArrayLike | None, name: str, streams: int, none: float) -> Floats:
    values = np.full(streams, np.nan) if value is None else finite_or_nan(value, name)
    if values.shape not in ((), (streams,)):
        raise ValueError(f"{name} must be one number, or one a stream ({streams}); got shape {values.shape}")
    return np.broadcast_to(np.where(np.isnan(values), none, values), (streams,))
