"""Run patterns in a series of points, by fixed definitions.

`spc.runlength` uses the same definitions, so its average run lengths are those of the patterns found here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike

from spc.distributions.pattern_chain import CRITERIA, Criterion, Order, Window
from spc.kernels.arrays import Flags, Floats
from spc.kernels.validation import no_infinity

__all__ = ["PATTERNS", "Pattern", "find", "marks", "participants"]

_WESTERN_ELECTRIC = "Western Electric Co. (1956), Statistical Quality Control Handbook, pp. 23-28 and 180-183"
_NELSON = (
    "L. S. Nelson (1984), The Shewhart control chart - tests for special causes, Journal of Quality Technology 16, "
    "237-239; from memory"
)
_BLOCK = 1 << 17  # Points processed at once: intermediate arrays stay in the processor's cache


@dataclass(frozen=True, slots=True)
class Pattern:
    """One pattern: `criterion` in words and `tests` in figures; meeting any one of the tests completes it.

    `window` is the number of points that it covers, including the completing one. `source` is where it was published.
    """

    window: int
    criterion: str
    source: str
    tests: tuple[Criterion, ...]


def _pattern(name: str, criterion: str, source: str) -> Pattern:
    tests = CRITERIA[name]
    return Pattern(max(_window(test) for test in tests), criterion, source, tests)


def _window(test: Criterion) -> int:
    return test.of if isinstance(test, Window) else test.points


PATTERNS: Mapping[str, Pattern] = MappingProxyType(
    {
        name: _pattern(name, criterion, source)
        for name, criterion, source in (
            ("beyond_three_sigma", "one point more than three sigma from the centre line", _WESTERN_ELECTRIC),
            (
                "two_of_three_beyond_two_sigma",
                "two of three successive points more than two sigma from the centre line, on the same side",
                _WESTERN_ELECTRIC,
            ),
            (
                "four_of_five_beyond_one_sigma",
                "four of five successive points more than one sigma from the centre line, on the same side",
                _WESTERN_ELECTRIC,
            ),
            ("eight_on_one_side", "eight successive points on the same side of the centre line", _WESTERN_ELECTRIC),
            ("nine_on_one_side", "nine successive points on the same side of the centre line", _NELSON),
            (
                "six_rising_or_falling",
                "six successive points, the first counted, each above the one before, or each below it",
                _NELSON,
            ),
            ("fourteen_alternating", "fourteen successive points that go up and down in turn", _NELSON),
            (
                "fifteen_within_one_sigma",
                "fifteen successive points less than one sigma from the centre line, on either side",
                _WESTERN_ELECTRIC,
            ),
            (
                "eight_outside_one_sigma",
                "eight successive points more than one sigma from the centre line, on either side",
                _WESTERN_ELECTRIC,
            ),
        )
    }
)
"""Every pattern by its name.

All inequalities are strict: a point on the centre line is on neither side, a point at exactly three sigma is not beyond
it, and two equal successive points neither rise nor fall.
"""


def find(z: ArrayLike, patterns: Iterable[str] = tuple(PATTERNS)) -> list[tuple[str, int]]:
    """Find each point that completes a pattern.

    Parameters
    ----------
    z : array_like, shape (lots,)
        Distance of each point from the centre line in sigma of the plotted statistic, in test order. Nan is a point
        without a valid value.
    patterns : iterable of str, optional
        Names of `PATTERNS`, all by default. To choose a set for alerts, see `spc.runlength.shewhart` for its average
        run length in control.

    Returns
    -------
    list of (str, int)
        Name and index of the completing point, in order of index, then of `PATTERNS`. A point completes a pattern if
        the window that ends with it meets the criterion and the point itself counts towards it. Each further point of a
        long run completes the pattern again; the odd point of two of three or four of five does not.

    Raises
    ------
    ValueError
        If `z` has another shape or an infinite value, or a name is unknown.
    TypeError
        If `patterns` is one string.

    Notes
    -----
    A nan is no point: it neither counts nor breaks a run. The result is the same as with the nan left out.

    References
    ----------
    .. [1] Western Electric Co. (1956), Statistical Quality Control Handbook, pages 23 to 28 and 180 to 183.
    .. [2] L. S. Nelson (1984), The Shewhart control chart - tests for special causes, Journal of Quality Technology 16,
       237-239.

    Examples
    --------
    >>> find([0.4, 3.2, 2.1], ["beyond_three_sigma", "two_of_three_beyond_two_sigma"])
    [('beyond_three_sigma', 1), ('two_of_three_beyond_two_sigma', 2)]
    """
    names = _in_order(patterns)
    completed = marks(_one_stream(z), names)[:, :, 0]
    return [(names[which], int(index)) for index, which in np.argwhere(completed.T)]


def marks(z: ArrayLike, patterns: Iterable[str] = tuple(PATTERNS)) -> Flags:
    """Mark the points that complete a pattern, for many streams at once.

    Parameters
    ----------
    z : array_like, shape (lots, streams)
        As for `find`, a column a stream; nan is padding, a missing lot or a point without a valid value.
    patterns : iterable of str, optional
        As for `find`.

    Returns
    -------
    ndarray of bool, shape (patterns, lots, streams)
        The patterns of the set, in the order of `PATTERNS`.

    Raises
    ------
    ValueError, TypeError
        As for `find`.

    Examples
    --------
    >>> z = [[0.4, 0.1], [3.2, 0.2], [2.1, -3.5]]
    >>> marks(z, ["beyond_three_sigma"])[0].tolist()
    [[False, False], [True, False], [False, True]]
    """
    names = _in_order(patterns)
    points = np.asarray(z, dtype=np.float64)
    if points.ndim != 2:
        raise ValueError(f"z must be two-dimensional, a column a stream; got shape {points.shape}; use find for one")
    no_infinity(points, "z")
    out = np.zeros((len(names), *points.shape), dtype=bool)
    columns = max(1, _BLOCK // max(1, points.shape[0]))
    for first in range(0, points.shape[1], columns):
        block = slice(first, first + columns)
        _mark_block(points[:, block], names, out[:, :, block])
    return out


def participants(name: str, z: ArrayLike, index: int) -> list[int]:
    """Return the points that form a pattern found by `find`.

    Parameters
    ----------
    name : str
        One name of `PATTERNS`.
    z : array_like, shape (lots,)
        As for `find`.
    index : int
        The completing point.

    Returns
    -------
    list of int
        Indices into `z` in rising order, the last one `index`: the points of the window that meet the criterion, or all
        points of a trend or an alternation.

    Raises
    ------
    ValueError
        If `index` does not complete the pattern; otherwise as for `find`.

    Examples
    --------
    >>> participants("two_of_three_beyond_two_sigma", [0.0, 2.4, 0.3, 2.1], 3)
    [1, 3]
    """
    (name,) = _in_order([name])
    column = _one_stream(z)
    there = np.flatnonzero(~np.isnan(column[:, 0]))
    present = column[there]
    place = np.flatnonzero(there == index)
    for test in PATTERNS[name].tests:
        if place.size and _completed(present, test)[place[0], 0]:
            window = np.arange(max(0, place[0] + 1 - _window(test)), place[0] + 1)
            meets = _inside(present[window, 0], test) if isinstance(test, Window) else np.ones(window.size, dtype=bool)
            return [int(point) for point in there[window[meets]]]
    raise ValueError(f"index must be a point that completes {name}, got {index!r}; take it from spc.patterns.find")


# Input


def _in_order(patterns: Iterable[str]) -> list[str]:
    """Sort names into the order of `PATTERNS`, each once; ValueError for an unknown name."""
    if isinstance(patterns, str):
        raise TypeError(f"patterns must be several names, got the one string {patterns!r}; put it in a list")
    names = set(patterns)
    unknown = sorted(names - PATTERNS.keys())
    if unknown:
        raise ValueError(f"patterns must be of {', '.join(PATTERNS)}; got {', '.join(map(repr, unknown))}")
    return [name for name in PATTERNS if name in names]


def _one_stream(z: ArrayLike) -> Floats:
    column = np.asarray(z, dtype=np.float64)
    if column.ndim != 1:
        raise ValueError(f"z must be one-dimensional, one value a point in time order; got shape {column.shape}")
    no_infinity(column, "z")
    return column[:, None]


# Search


def _mark_block(z: Floats, names: list[str], out: Flags) -> None:
    """Mark the points of a block of streams; streams with gaps are searched with the gaps closed."""
    for which, name in enumerate(names):
        for test in PATTERNS[name].tests:
            out[which] |= _completed(z, test)
    there = ~np.isnan(z)
    if there.all():
        return
    gaps = np.flatnonzero((there[1:] & ~there[:-1]).sum(axis=0) + there[:1].sum(axis=0) > 1)
    if gaps.size:
        out[:, :, gaps] = _with_gaps_closed(z[:, gaps], names)


def _with_gaps_closed(z: Floats, names: list[str]) -> Flags:
    """Close the gaps of each stream, search, and put the marks back in place."""
    order = np.argsort(np.isnan(z), axis=0, kind="stable")
    closed = np.take_along_axis(z, order, axis=0)
    completed = np.zeros((len(names), *z.shape), dtype=bool)
    back = np.zeros_like(completed)
    for which, name in enumerate(names):
        for test in PATTERNS[name].tests:
            completed[which] |= _completed(closed, test)
        np.put_along_axis(back[which], order, completed[which], axis=0)
    return back


def _completed(z: Floats, test: Criterion) -> Flags:
    """Whether each point completes `test`; successive rows are successive points; shape of `z`."""
    if isinstance(test, Order):
        return _ordered(z, test)
    inside = _inside(z, test)
    return _all_of_last(inside, test.of) if test.hits == test.of else _most_of_last(inside, test.hits, test.of)


def _inside(z: Floats, test: Window) -> Flags:
    """Whether each point is in one of the open intervals of `test`; false for nan."""
    inside: Flags = np.zeros(z.shape, dtype=bool)
    for lower, upper in test.region:
        if np.isinf(lower):
            inside |= z < upper
        elif np.isinf(upper):
            inside |= z > lower
        else:
            inside |= (z > lower) & (z < upper)
    return inside


def _all_of_last(inside: Flags, length: int) -> Flags:
    """Whether a point and the `length` - 1 before it are all inside, by doubling the covered length."""
    covered = 1
    while covered < length:
        step = min(covered, length - covered)
        longer = np.zeros_like(inside)
        np.logical_and(inside[step:], inside[:-step], out=longer[step:])
        inside, covered = longer, covered + step
    return inside


def _most_of_last(inside: Flags, hits: int, of: int) -> Flags:
    """Whether a point is inside and at least `hits` of the last `of` points are, itself included."""
    count = inside.astype(np.uint8)
    for back in range(1, min(of, inside.shape[0])):
        count[back:] += inside[:-back]
    return inside & (count >= hits)


def _ordered(z: Floats, test: Order) -> Flags:
    """Whether a point ends `test.points` successive points that all rise, all fall, or alternate."""
    rises, falls = np.zeros((2, *z.shape), dtype=bool)
    np.greater(z[1:], z[:-1], out=rises[1:])
    np.less(z[1:], z[:-1], out=falls[1:])
    if not test.alternating:
        return _all_of_last(rises, test.points - 1) | _all_of_last(falls, test.points - 1)
    turns = np.zeros_like(rises)
    turns[1:] = (rises[1:] & falls[:-1]) | (falls[1:] & rises[:-1])
    return _all_of_last(turns, test.points - 2)
