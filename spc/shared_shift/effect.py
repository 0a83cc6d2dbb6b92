"""How large a shared shift is, and which supplier moved by itself as well.

Films and check standards are weighted separately first: a check standard that moved by as much makes the size more certain,
one that the shift does not affect (a resistor, by humidity) must not shrink it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.kernels.validation import Floats
from spc.shared_shift.lot_points import Window, inflated
from spc.shared_shift.supplier_agreement import level_before, moved_apart

__all__ = ["SharedEffect", "Size", "fit"]

_ALIKE = 3.0  # Standard errors within which films and check standards show the same shift

Ints = NDArray[np.intp]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Size:
    """A shift in the charted scale with its standard error; the films' alone and the check standards' alone (or nan)."""

    size: float
    se: float
    films: float
    films_se: float
    check: float
    check_se: float

    @property
    def is_plain(self) -> bool:
        """Whether the 95 % interval of the shift, or that of the check standards, does not hold 0."""
        return abs(self.size) > 1.96 * self.se or abs(self.check) > 1.96 * self.check_se


@dataclass(frozen=True, slots=True, eq=False)
class SharedEffect:
    """The sizes by number of the quantity, the suppliers that moved apart, those that moved along, and all there were.

    `sigmas` is the common shift in standard deviations of a lot, over all films, with its standard error. So many of the
    `streams` moved along as `streams_agreeing` says. `scatter` is how much more the shifts of the suppliers scatter than their
    errors let them, at least 1 (the ratio of Birge 1932, from memory).
    """

    sizes: dict[int, Size]
    apart: tuple[int, ...]
    agreeing: int
    suppliers: int
    streams_agreeing: int
    streams: int
    sigmas: float
    sigmas_se: float
    scatter: float


@dataclass(frozen=True, slots=True, eq=False)
class _Streams:
    """The streams with lots on the source: shift in sigma, its precision, scale and names."""

    shift: Floats
    weight: Floats
    sigma: Floats
    quantity: Ints
    supplier: Ints
    check: Flags


def fit(window: Window, on: Flags, off: Flags, apart: Sequence[int] = ()) -> SharedEffect:
    """Fit the shift of the lots `on` a source against lots of the same streams that are `off` it.

    Parameters
    ----------
    window : Window
    on, off : ndarray of bool, shape (points of the window,)
        Lots that the shift has reached, and lots that it has not; lots in neither are left out.
    apart : sequence of int
        Suppliers that are known to move by themselves.

    Examples
    --------
    Six suppliers moved by two standard deviations of a lot, of 0.1 each, in chamber north:

    >>> import pandas as pd
    >>> from spc.shared_shift.lot_points import lot_points, window
    >>> weeks, stream = np.tile(np.arange(24.0), 6), np.repeat(range(6), 24)
    >>> north = (weeks + stream) % 2 == 0
    >>> points = pd.DataFrame(
    ...     {
    ...         "stream": stream, "supplier": np.repeat(list("ABCDEF"), 24), "quantity": "energy",
    ...         "chamber": np.where(north, "north", "south"), "instrument": "meter", "load": "", "weeks": weeks,
    ...         "z": np.where(north & (weeks >= 18), 2.0, 0.0), "sigma": 0.1, "is_check_standard": False, "alike": 0.0,
    ...     }
    ... )
    >>> numbered = lot_points(points)
    >>> seen = window(numbered, len(points), np.zeros(len(points)))
    >>> on = seen.made_on("chamber", ("north",)) & (seen.weeks >= 18)
    >>> effect = fit(seen, on, ~on)
    >>> round(effect.sizes[0].size, 2), round(effect.sizes[0].se, 3), effect.agreeing, effect.suppliers
    (0.2, 0.027, 6, 6)
    """
    streams = _streams(window, on, off)
    films = ~streams.check
    alone = _apart(streams, films, apart)
    kept = films & ~np.isin(streams.supplier, alone)
    sizes = {
        int(number): _size(streams, kept & (streams.quantity == number), ~films & (streams.quantity == number))
        for number in np.unique(streams.quantity)
    }
    sigmas, weight = _pooled(streams, kept)
    names = np.unique(streams.supplier[films])
    pooled = [_pooled(streams, films & (streams.supplier == name)) for name in names]
    shifts = np.array([shift for shift, _ in pooled])
    return SharedEffect(
        sizes=sizes,
        apart=tuple(int(name) for name in alone),
        agreeing=int((np.sign(shifts) == np.sign(sigmas)).sum()),
        suppliers=names.size,
        streams_agreeing=int((np.sign(streams.shift[films]) == np.sign(sigmas)).sum()),
        streams=int(films.sum()),
        sigmas=sigmas,
        sigmas_se=float(1.0 / np.sqrt(weight)) if weight > 0 else np.inf,
        scatter=_scatter([one for name, one in zip(names, pooled, strict=True) if name not in alone], sigmas),
    )


def _scatter(suppliers: Sequence[tuple[float, float]], common: float) -> float:
    """The ratio of Birge of shifts with their precisions, at least 1."""
    squares = sum(precision * (shift - common) ** 2 for shift, precision in suppliers)
    return float(np.sqrt(max(squares / max(len(suppliers) - 1, 1), 1.0)))


def _streams(window: Window, on: Flags, off: Flags) -> _Streams:
    points, start = window.points, window.part.start
    number, first, place = np.unique(window.stream, return_index=True, return_inverse=True)
    lots, total = _sums(place, window.z, on, number.size)
    other, total_other = _sums(place, window.z, off, number.size)
    some = lots > 0
    alike, line_variance = window.alike[number[some]], window.line_variance[number[some]]
    before, before_var = level_before(other[some], total_other[some], alike, line_variance)
    variance = inflated(lots[some], alike) / lots[some] + before_var
    shift = total[some] / lots[some] - before
    kept = start + first[some]
    return _Streams(
        shift,
        1.0 / variance,
        window.sigma[number[some]],
        points.quantity[kept],
        points.supplier[kept],
        points.check[kept],
    )


def _sums(stream: Ints, z: Floats, on: Flags, size: int) -> tuple[Floats, Floats]:
    lots = np.bincount(stream[on], minlength=size).astype(np.float64)
    return lots, np.bincount(stream[on], weights=z[on], minlength=size).astype(np.float64)


def _pooled(streams: _Streams, held: Flags) -> tuple[float, float]:
    """Mean shift in sigma and its precision."""
    weight = float(streams.weight[held].sum())
    return (float(streams.weight[held] @ streams.shift[held]) / weight if weight > 0 else 0.0), weight


def _apart(streams: _Streams, films: Flags, known: Sequence[int]) -> Ints:
    """Suppliers that moved otherwise than the others, with those of which it is known."""
    names, place = np.unique(streams.supplier[films], return_inverse=True)
    if not names.size:
        return np.array(known, dtype=np.intp)
    weight, weighted = (
        np.bincount(place, weights=values[films]).astype(np.float64)[:, None]
        for values in (streams.weight, streams.weight * streams.shift)
    )
    apart = moved_apart(np.zeros(names.size, dtype=np.intp), weight, weighted, np.isin(names, known))
    return np.union1d(np.array(known, dtype=np.intp), names[apart])


def _size(streams: _Streams, films: Flags, check: Flags) -> Size:
    film, film_weight = _charted(streams, films)
    other, other_weight = _charted(streams, check)
    both = film_weight > 0 and other_weight > 0
    alike = both and abs(film - other) <= _ALIKE * np.sqrt(1.0 / film_weight + 1.0 / other_weight)
    if alike:
        weight = film_weight + other_weight
        size = (film * film_weight + other * other_weight) / weight
    else:
        size, weight = (film, film_weight) if film_weight > 0 else (other, other_weight)
    return Size(size, _se(weight), film, _se(film_weight), other, _se(other_weight))


def _charted(streams: _Streams, held: Flags) -> tuple[float, float]:
    """Mean shift in the charted scale and its precision; nan where there is no stream."""
    weight = streams.weight[held] / streams.sigma[held] ** 2
    total = float(weight.sum())
    return (float(weight @ (streams.shift[held] * streams.sigma[held])) / total if total > 0 else np.nan), total


def _se(weight: float) -> float:
    return float(1.0 / np.sqrt(weight)) if weight > 0 else float("nan")
