"""What was known when a lot was tested: for each lot asked about, the bounded history that ends with it.

Every detector works on these right-aligned windows, so no detector can see a later lot, and one new lot in each of
thousands of streams is one array expression.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.kernels.validation import Floats

__all__ = ["SPAN", "Flags", "Ints", "LotSeries", "Windows", "limited_levels", "lots_counted", "windows"]

SPAN = 100
"""Lots in a window. Older lots no longer speak for the film that is delivered now."""

_WILD_SIGMAS = 6.0  # No lot of a normal law in a lifetime, and three in a thousand with the tails of t(4)
_FEWEST_LOTS = 12  # Below these a median deviation says little of the scatter
_MEDIAN_DEVIATION = 0.6745  # Of a standard normal variable

_PRIOR = ("independent", "autocorrelation", "scatter", "scatter_lots")

_CHUNK = 1500  # Rows evaluated at once: 1500 x 100 floats stay in the processor's cache

Ints = NDArray[np.intp]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class LotSeries:
    """Valid lots of one stream in order of test; every array has shape (n,).

    `weeks` are test times in weeks from any origin, not falling, ties allowed. `levels` are in the charted scale,
    `variances` (>= 0) the sampling variance of each level through its bags and readings; inf where a lot says nothing
    of its level. `bag_variance` with `bag_df`, and `reading_variance` with `reading_df`, are the mean squares of a lot
    between bags and between readings with their degrees of freedom; nan where there are none.

    The last four are the prior of the stream from the other streams of its characteristic (`PooledPrior`):
    `independent` (0 to 1) is the share of streams without autocorrelation, `autocorrelation` (0 to 0.8) the mean of the
    others, `scatter` the prior variance of a level about its stream's mean (0 where unknown), `scatter_lots` its
    degrees of freedom.
    """

    weeks: Floats
    levels: Floats
    variances: Floats
    bag_variance: Floats
    bag_df: Floats
    reading_variance: Floats
    reading_df: Floats
    independent: Floats
    autocorrelation: Floats
    scatter: Floats
    scatter_lots: Floats

    def __post_init__(self) -> None:
        shapes = {name: np.shape(getattr(self, name)) for name in self.__slots__}
        if len(set(shapes.values())) != 1 or len(shapes["weeks"]) != 1:
            raise ValueError(f"the arrays of a stream must share one shape (n,), got {shapes}")
        if not np.isfinite(self.weeks).all() or (np.diff(self.weeks) < 0).any():
            raise ValueError("weeks must be finite and must not fall: put the lots in order of test first")
        if not np.isfinite(self.levels[np.isfinite(self.variances)]).all():
            raise ValueError("levels must be finite where variances are; set the variance of an unknown level to inf")
        if not ((self.independent >= 0) & (self.independent <= 1)).all():
            raise ValueError("independent must be a share from 0 to 1")
        if not ((self.autocorrelation >= 0) & (self.autocorrelation < 1)).all():
            raise ValueError("autocorrelation must be from 0 to below 1")
        if not ((self.scatter >= 0) & (self.scatter_lots >= 0)).all():
            raise ValueError("scatter and scatter_lots must be 0 or above; set both to 0 where nothing is known")
        if not (self.variances >= 0).all():
            raise ValueError("variances must be 0 or above (inf where the level is unknown), and never nan")


@dataclass(frozen=True, slots=True, eq=False)
class Windows:
    """Histories of the asked lots, newest lot in the last column; arrays of shape (rows, SPAN).

    `known` marks lots that say something of the level (not padding, finite variance); elsewhere `levels` and
    `variances` are 0. `lots` (rows,) counts the known ones. `pace` (rows,) is weeks a lot over the last eight, the prior
    (`independent` to `scatter_lots`, (rows,)) is that of the newest lot.
    The mean squares are nan and their degrees of freedom 0 where there are none.
    """

    known: Flags
    weeks: Floats
    levels: Floats
    variances: Floats
    bag_variance: Floats
    bag_df: Floats
    reading_variance: Floats
    reading_df: Floats
    lots: Floats
    pace: Floats
    independent: Floats
    autocorrelation: Floats
    scatter: Floats
    scatter_lots: Floats

    def rows(self, which: Ints) -> Windows:
        """The histories of some rows."""
        return Windows(*(getattr(self, name)[which] for name in self.__slots__))


@dataclass(frozen=True, slots=True, eq=False)
class _Flat:
    """All streams one after the other, so that a window is one indexing."""

    starts: Ints
    columns: dict[str, Floats]


def lots_counted(stream: LotSeries) -> int:
    """Lots in the stream.

    Examples
    --------
    >>> columns = [np.zeros(12) for _ in LotSeries.__slots__]
    >>> lots_counted(LotSeries(*columns))
    12
    """
    return int(stream.weeks.shape[0])


def _flat(streams: Sequence[LotSeries]) -> _Flat:
    sizes = np.array([lots_counted(s) for s in streams], dtype=np.intp)
    columns = {name: np.concatenate([getattr(s, name) for s in streams]) for name in LotSeries.__slots__}
    return _Flat(starts=np.concatenate([[0], np.cumsum(sizes)[:-1]]), columns=columns)


def windows(streams: Sequence[LotSeries], which: Ints, lot: Ints) -> Iterator[tuple[slice, Windows]]:
    """Histories of lot `lot[i]` of stream `which[i]`, in chunks of rows.

    Parameters
    ----------
    streams : sequence of LotSeries
        At least one.
    which, lot : ndarray of int, shape (rows,)
        Position of the stream, and of the lot in it from 0.

    Yields
    ------
    slice, Windows
        The rows that the chunk answers, and their histories.

    Examples
    --------
    The histories of the fifth and the last of 40 lots, which come once a week:

    >>> weeks, zero, nothing = np.arange(40.0), np.zeros(40), np.full(40, np.nan)
    >>> stream = LotSeries(weeks, np.sin(weeks), zero, nothing, zero, nothing, zero, zero, zero, zero, zero)
    >>> rows, seen = next(windows([stream], np.array([0, 0]), np.array([4, 39])))
    >>> rows, seen.lots.tolist(), seen.weeks[:, -3:].tolist()
    (slice(0, 2, None), [5.0, 40.0], [[-2.0, -1.0, 0.0], [-2.0, -1.0, 0.0]])
    """
    flat = _flat(streams)
    for first in range(0, which.size, _CHUNK):
        rows = slice(first, min(first + _CHUNK, which.size))
        yield rows, _cut(flat, which[rows], lot[rows])


def _cut(flat: _Flat, which: Ints, lot: Ints) -> Windows:
    back = np.arange(SPAN - 1, -1, -1)
    inside = back[None, :] <= lot[:, None]
    at = np.where(inside, (flat.starts[which] + lot)[:, None] - back[None, :], 0)
    newest = {name: flat.columns[name][flat.starts[which] + lot] for name in _PRIOR}
    cut = {name: column[at] for name, column in flat.columns.items() if name not in newest}
    known = inside & np.isfinite(cut["variances"])
    bag, reading = (_mean_square(cut, part, inside) for part in ("bag", "reading"))
    return Windows(
        known=known,
        weeks=_held_back(cut["weeks"], inside),
        levels=np.where(known, cut["levels"], 0.0),
        variances=np.where(known, cut["variances"], 0.0),
        bag_variance=bag[0],
        bag_df=bag[1],
        reading_variance=reading[0],
        reading_df=reading[1],
        lots=known.sum(axis=1).astype(np.float64),
        pace=_pace(cut["weeks"], lot),
        **newest,
    )


def _held_back(weeks: Floats, inside: Flags) -> Floats:
    """Weeks before the newest lot (<= 0); padding stands at the first lot of its window."""
    past = weeks - weeks[:, -1:]
    return np.where(inside, past, np.min(np.where(inside, past, 0.0), axis=1, keepdims=True))


def _mean_square(cut: dict[str, Floats], part: str, inside: Flags) -> tuple[Floats, Floats]:
    variance, df = cut[f"{part}_variance"], cut[f"{part}_df"]
    there = inside & np.isfinite(variance) & np.isfinite(df) & (df > 0)
    return np.where(there, variance, np.nan), np.where(there, df, 0.0)


def _pace(weeks: Floats, lot: Ints) -> Floats:
    """Mean weeks a lot over the last eight: the time that the budget of this lot pays for.

    A mean of the past intervals adds up to the time that went by, so the budget holds whatever the rhythm.
    """
    back = np.minimum(lot, 8)
    rows = np.arange(lot.size)
    return np.asarray((weeks[:, -1] - weeks[rows, SPAN - 1 - back]) / np.maximum(back, 1))


def limited_levels(seen: Windows) -> Floats:
    """Levels of which a wild one is brought back to six standard deviations from the median; (rows, SPAN).

    One lot at the end of the range of a meter would stretch the scatter until every other lot looks equal, and the lot itself
    like the begin of a shift. A level that stays away loses nothing: each of its lots counts as six standard deviations.

    Examples
    --------
    >>> weeks, zero, nothing = np.arange(20.0), np.zeros(20), np.full(20, np.nan)
    >>> levels = np.where(weeks == 17, 12.0, np.sin(weeks))
    >>> stream = LotSeries(weeks, levels, zero, nothing, zero, nothing, zero, zero, zero, zero, zero)
    >>> _, seen = next(windows([stream], np.array([0]), np.array([19])))
    >>> limited_levels(seen)[0, -4:].round(1).tolist()
    [-0.3, 6.2, -0.8, 0.1]
    """
    center = _median(seen.levels, seen)
    deviation = _median(np.abs(seen.levels - center), seen) / _MEDIAN_DEVIATION
    # The scatter of the other streams keeps levels that a coarse scale makes equal from limiting the next one.
    variance = np.maximum(deviation**2, seen.scatter[:, None])
    some = (variance > 0) & (deviation > 0) & (seen.lots[:, None] >= _FEWEST_LOTS)
    reach = np.where(some, _WILD_SIGMAS * np.sqrt(variance + seen.variances), np.inf)
    return np.where(seen.known, np.clip(seen.levels, center - reach, center + reach), 0.0)


def _median(values: Floats, seen: Windows) -> Floats:
    """Median over the known lots of each window, (rows, 1)."""
    ordered = np.sort(np.where(seen.known, values, np.inf), axis=1)
    lots = np.maximum(seen.lots.astype(np.intp), 1)[:, None]
    low, high = (np.take_along_axis(ordered, place, axis=1) for place in ((lots - 1) // 2, lots // 2))
    return np.asarray(np.where(np.isfinite(low), 0.5 * (low + high), 0.0))
