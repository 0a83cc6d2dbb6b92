"""Points of all streams, numbered once, and the window of the latest weeks in which they are compared."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.kernels.validation import Floats
from spc.shared_shift.reference_scores import FEWEST_LOTS, FURTHEST

__all__ = [
    "LINE_WEEKS",
    "LOOKBACK",
    "SOURCES",
    "WINDOWS",
    "LotPoints",
    "SourceKind",
    "Window",
    "inflated",
    "lot_points",
    "on_label",
    "outliers_limited",
    "stretch",
    "window",
]

WINDOWS = np.array([0.5, 0.75, 1.0, 1.25, 1.5, 1.75, 2.0, 2.5, 3.0, 4.0, 6.0])
"""Weeks that a shift may have lasted when it is detected."""
LOOKBACK = 13.0
"""Weeks of tests that are compared with each other."""
LINE_WEEKS = 26.0
"""Weeks from which the line of a drifting stream is estimated."""
SOURCES: dict[str, tuple[str, ...]] = {
    "instrument": ("instrument",),
    "chamber": ("chamber",),
    "chamber and quantity": ("chamber", "quantity"),
    "load": ("load",),
    "quantity": ("quantity",),
}
"""Kinds of candidate sources and the columns that name one."""

_CHECK_CAP = 3.4  # Sigma: one reading of a check standard, however far off, may be a misreading
# Standard errors from its own start beyond which a stream counts as drifting. Low on purpose: a steady stream that is taken
# for a drifting one loses a little weight, a drifting one that is taken for steady agrees with every other drift.
_DRIFTING = 2.0
_SLOPE = 0.1  # Sigma a week: prior standard deviation of a drifting stream's slope (common practice)

Ints = NDArray[np.intp]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class SourceKind:
    """The sources of one kind.

    A cell is a stream on a source, a group a supplier on a source. `cell` (points,) is -1 where the source is unknown;
    `cell_group` and `cell_stream` (cells,); `group_source` and `group_check` (groups,); `labels` the
    names of each source.
    """

    name: str
    cell: Ints
    cell_group: Ints
    cell_stream: Ints
    group_source: Ints
    group_check: Flags
    labels: list[tuple[str, ...]]

    def source(self, part: slice) -> Ints:
        """The source that made each point, -1 where unknown."""
        cell = self.cell[part]
        source = np.full(cell.size, -1, dtype=np.intp)
        source[cell >= 0] = self.group_source[self.cell_group[cell[cell >= 0]]]
        return source

    def made_on(self, source: int, part: slice) -> Flags:
        """Points that were made on a source."""
        return np.asarray(self.source(part) == source, dtype=bool)


@dataclass(frozen=True, slots=True, eq=False)
class LotPoints:
    """All points in order of time. `stream` numbers them from 0; `stream_ids` (streams,) gives their ids back.

    `z` is in units of `sigma`, which is estimated anew at times: `rescaled` is what the level of the stream's point before loses
    by that, in the charted scale, 0 where the unit is still the same.
    `alike` is the expected correlation of a stream's neighbouring lots, as known at each point. `quantity` and
    `supplier` are numbers too; a check standard is a supplier of its own kind (`check`). A line is what a supplier makes of
    one quantity: `line` (streams,), `line_quantity` and `line_check` (lines,).
    """

    weeks: Floats
    z: Floats
    sigma: Floats
    rescaled: Floats
    alike: Floats
    stream: Ints
    stream_ids: NDArray[np.int64]
    line: Ints
    line_quantity: Ints
    line_check: Flags
    quantity: Ints
    quantities: list[str]
    supplier: Ints
    suppliers: list[str]
    check: Flags
    kinds: list[SourceKind]

    def made_on(self, kind_name: str, label: tuple[str, ...], part: slice) -> Flags:
        """Points that were made on a source, by its kind and names."""
        kind = next(one for one in self.kinds if one.name == kind_name)
        if label not in kind.labels:
            return np.zeros(part.stop - part.start, dtype=bool)
        return kind.made_on(kind.labels.index(label), part)


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """The points of the last `LOOKBACK` weeks up to a moment.

    `z` (points in `part`,) are their scores without the findings that were taken out of them and, where a stream was drifting
    before, without its own straight line, all in one unit a stream, `sigma` (streams,). `line_variance` (streams,) is what the
    error of that line adds to the variance of a shift, 0 for a stream that was not drifting. `alike` (streams,) is the correlation of neighbouring lots as known at the
    stream's last point, 0 without one.
    """

    points: LotPoints
    part: slice
    z: Floats
    sigma: Floats
    alike: Floats
    line_variance: Floats

    @property
    def now(self) -> float:
        """The time of the last point."""
        return float(self.points.weeks[self.part.stop - 1])

    @property
    def weeks(self) -> Floats:
        """Times of the points."""
        return self.points.weeks[self.part]

    @property
    def stream(self) -> Ints:
        """Streams of the points."""
        return self.points.stream[self.part]

    def made_on(self, kind_name: str, label: tuple[str, ...]) -> Flags:
        """Points that were made on a source, by its kind and names."""
        return self.points.made_on(kind_name, label, self.part)


def window(points: LotPoints, end: int, removed: Floats, steady_until: float = np.inf) -> Window:
    """Compare the points up to `end` with their streams' own past.

    Parameters
    ----------
    points : LotPoints
    end : int
        The number of points up to the moment.
    removed : ndarray
        What the findings add to the levels of the last points up to `end`, at least those of the last `LINE_WEEKS`; in the
        charted scale.
    steady_until : float
        Weeks. Later lots may be shifted and give no line; neither do those of the longest of `WINDOWS`.

    Examples
    --------
    Thirteen weeks of six streams are compared:

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
    >>> seen.now, float(seen.weeks[0]), seen.z.size
    (23.0, 11.0, 78)
    """
    now = points.weeks[end - 1]
    first, start = (int(np.searchsorted(points.weeks, now - back, side="right")) for back in (LINE_WEEKS, LOOKBACK))
    part, stream = slice(first, end), points.stream[first:end]
    sigma = _one_sigma(points, part, now - WINDOWS[-1])
    z = (_levels(points, part) - removed[removed.size - (end - first) :]) / sigma[stream]
    slope, variance = _own_lines(points, part, z, min(steady_until, now - WINDOWS[-1]))
    drifted = slope[stream] * (points.weeks[first:end] - now)
    # With lots spread evenly the centre of the lots on a source and that of the weeks before lie half the lookback apart.
    line_variance = (0.5 * LOOKBACK) ** 2 * variance
    alike = np.zeros(len(points.stream_ids))
    alike[points.stream[start:end]] = points.alike[start:end]  # Of several the last one stays
    return Window(points, slice(start, end), (z - drifted)[start - first :], sigma, alike, line_variance)


def stretch(points: LotPoints, end: int, removed: Floats, since: float) -> Window:
    """All points up to `end` since `LOOKBACK` weeks before a moment, in the units of that moment.

    Nothing is taken off for a drift: a line that is followed so far would show a shift of its own.

    Examples
    --------
    The lots of 13 weeks before week 18 and all lots since then:

    >>> points = pd.DataFrame(
    ...     {
    ...         "stream": 0, "supplier": "A", "quantity": "energy", "chamber": "north", "instrument": "meter", "load": "",
    ...         "weeks": np.arange(40.0), "z": 0.0, "sigma": 0.1, "is_check_standard": False, "alike": 0.0,
    ...     }
    ... )
    >>> seen = stretch(lot_points(points), 40, np.zeros(40), since=18.0)
    >>> float(seen.weeks[0]), seen.now
    (5.0, 39.0)
    """
    part = slice(int(np.searchsorted(points.weeks, since - LOOKBACK)), end)
    sigma, stream = _one_sigma(points, part, since), points.stream[part]
    z = (_levels(points, part) - removed[removed.size - stream.size :]) / sigma[stream]
    alike = np.zeros(len(points.stream_ids))
    alike[stream] = points.alike[part]  # Of several the last one stays
    return Window(points, part, z, sigma, alike, np.zeros(len(points.stream_ids)))


def _one_sigma(points: LotPoints, part: slice, until: float) -> Floats:
    """The unit of each stream that no shift of the longest of `WINDOWS` has widened: that of its last point before `until`."""
    sigma, stream, weeks = points.sigma[part], points.stream[part], points.weeks[part]
    chosen = np.ones(len(points.stream_ids))
    chosen[stream[::-1]] = sigma[::-1]  # Of several the first one stays, for a stream that has none before
    before = slice(0, int(np.searchsorted(weeks, until)))
    chosen[stream[before]] = sigma[before]  # Of several the last one stays
    return chosen


def _levels(points: LotPoints, part: slice) -> Floats:
    """Levels in the charted scale, from the start of each stream.

    Scores add up steps, each in the unit of its day. A shift that began in one unit and ended in another would leave a part of
    itself in the scores for good.
    """
    level, stream, rescaled = points.z[part] * points.sigma[part], points.stream[part], points.rescaled[part]
    for place in np.flatnonzero(rescaled):
        of_stream = stream == stream[place]
        if of_stream[:place].any():
            level[place:][of_stream[place:]] += rescaled[place]
    return level


def _own_lines(points: LotPoints, part: slice, z: Floats, until: float) -> tuple[Floats, Floats]:
    """The slope of each drifting film and its variance, 0 where a stream is steady.

    Least squares with a normal prior of mean 0. A film drifts where its level is away from its start, where `z` is 0.
    """
    number = int(np.searchsorted(points.weeks[part], until))
    streams, stream = len(points.stream_ids), points.stream[part][:number]
    check = points.check[part][:number]
    t, z = points.weeks[part][:number] - until, outliers_limited(stream, check, z[:number])

    def sums(values: Floats | None = None) -> Floats:
        return np.bincount(stream, weights=values, minlength=streams).astype(np.float64)

    alike = np.zeros(streams)
    alike[stream] = points.alike[part][:number]
    lots = sums()
    some, inflation = np.maximum(lots, 1.0), inflated(lots, alike)
    mean_t, mean_z = sums(t) / some, sums(z) / some
    spread = np.maximum(sums(t * t) - some * mean_t**2, 0.0)
    precision = spread / inflation + _SLOPE**-2
    slope = (sums(t * z) - some * mean_t * mean_z) / inflation / precision
    film = np.zeros(streams, dtype=bool)
    film[stream[~check]] = True
    error = np.sqrt(inflation / some + 1.0 / FEWEST_LOTS)
    drifting = film & (lots > 0) & (np.abs(mean_z) > _DRIFTING * error)
    return np.where(drifting, slope, 0.0), np.where(drifting, 1.0 / precision, 0.0)


def outliers_limited(stream: Ints, check: Flags, z: Floats) -> Floats:
    """Limit the distance of each lot from the median of its stream.

    The scatter of a stream is estimated with its outliers limited, so they are limited here too; otherwise heavy tails would
    look like a shift.

    Examples
    --------
    The third lot lies 9 standard deviations from the median of its stream and counts as one at the limit:

    >>> one_stream, film = np.zeros(5, dtype=int), np.zeros(5, dtype=bool)
    >>> outliers_limited(one_stream, film, np.array([0.1, -0.3, 9.0, 0.4, -0.1])).round(2).tolist()
    [0.1, -0.3, 3.1, 0.4, -0.1]
    """
    order = np.lexsort((z, stream))
    first = np.flatnonzero(np.diff(stream[order], prepend=-1))
    size = np.diff(first, append=order.size)
    middle = 0.5 * (z[order[first + (size - 1) // 2]] + z[order[first + size // 2]])
    median = np.empty_like(z)
    median[order] = np.repeat(middle, size)
    furthest = np.where(check, _CHECK_CAP, FURTHEST)
    return np.asarray(np.clip(z, median - furthest, median + furthest))


def inflated(lots: Floats, alike: Floats) -> Floats:
    """Variance of a mean of lots of which neighbours have the correlation `alike`, in that of independent ones.

    Of a first-order dependence r over n lots: 1 + 2 / n sum of (n - k) r^k, k from 1 to n - 1, in closed form (Box and
    Jenkins 1976, from memory; the test adds it up).

    Examples
    --------
    A mean of four lots of which neighbours have a correlation of 0.5 scatters like a mean of fewer than two independent ones:

    >>> float(inflated(np.array(4.0), np.array(0.5)))
    2.0625
    """
    n = np.maximum(lots, 1.0)
    return np.asarray(1.0 + 2.0 * alike / (1.0 - alike) * (1.0 - (1.0 - alike**n) / (n * (1.0 - alike))))


# Numbers for names


def lot_points(points: pd.DataFrame) -> LotPoints:
    """Number streams, suppliers and sources.

    Examples
    --------
    Six suppliers with a lot a week, in two chambers by turns:

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
    >>> numbered.suppliers, [kind.labels for kind in numbered.kinds if kind.name == "chamber"]
    (['A', 'B', 'C', 'D', 'E', 'F'], [[('north',), ('south',)]])
    """
    ordered = points[np.isfinite(points["z"].to_numpy(np.float64))].sort_values(["weeks", "stream"], kind="stable")
    stream, stream_ids = pd.factorize(ordered["stream"])
    supplier, suppliers = pd.factorize(
        ordered["supplier"].astype(str) + np.where(ordered["is_check_standard"], "\0", "")
    )
    check = ordered["is_check_standard"].to_numpy(bool)
    quantity, quantities = pd.factorize(ordered["quantity"].fillna("").astype(str))
    z, sigma = (ordered[name].to_numpy(np.float64) for name in ("z", "sigma"))
    _, first = np.unique(stream, return_index=True)
    line, lines = _pairs(quantity[first], supplier[first])
    line_check = np.zeros(len(lines), dtype=bool)
    line_check[line[check[first]]] = True
    return LotPoints(
        weeks=ordered["weeks"].to_numpy(np.float64),
        z=z,
        sigma=sigma,
        rescaled=_rescaled(stream, z, sigma),
        alike=ordered["alike"].to_numpy(np.float64),
        stream=stream,
        stream_ids=np.asarray(stream_ids, dtype=np.int64),
        line=line,
        line_quantity=lines[:, 0],
        line_check=line_check,
        quantity=quantity,
        quantities=[str(name) for name in quantities],
        supplier=supplier,
        check=check,
        suppliers=[str(name).rstrip("\0") for name in suppliers],
        kinds=[_kind(name, ordered[list(columns)], stream, supplier, check) for name, columns in SOURCES.items()],
    )


def _rescaled(stream: Ints, z: Floats, sigma: Floats) -> Floats:
    """What the score of each stream's point before is worth less in the unit of a point, in the charted scale."""
    order = np.argsort(stream, kind="stable")
    same = np.diff(stream[order], prepend=-1) == 0
    lost = np.zeros(z.size)
    lost[order[1:]] = z[order[:-1]] * (sigma[order[:-1]] - sigma[order[1:]])
    lost[order[~same]] = 0.0
    return lost


def on_label(points: pd.DataFrame, kind_name: str, source: str, quantity: str) -> Flags:
    """Points of a table that were made on a source.

    Examples
    --------
    >>> points = pd.DataFrame({"chamber": ["north", "south", "north"], "quantity": ["energy", "energy", "resistance"]})
    >>> on_label(points, "chamber and quantity", "north", "energy").tolist()
    [True, False, False]
    """
    wanted = dict(zip(SOURCES[kind_name], (source, quantity), strict=False))
    made = np.ones(len(points), dtype=bool)
    for column, value in wanted.items():
        made &= points[column].fillna("").astype(str).to_numpy() == value
    return made


def _kind(name: str, columns: pd.DataFrame, stream: Ints, supplier: Ints, check: Flags) -> SourceKind:
    numbers, words = zip(*(_numbered(columns[column]) for column in columns), strict=True)
    known = np.logical_and.reduce([number >= 0 for number in numbers])
    # A source is a combination of names; combinations are numbered in the order in which they appear.
    shape = [max(len(word), 1) for word in words]
    source, keys = pd.factorize(np.ravel_multi_index([number[known] for number in numbers], shape))
    places = np.unravel_index(np.asarray(keys, dtype=np.intp), shape)
    labels = list(
        zip(*([word[at] for at in place.tolist()] for word, place in zip(words, places, strict=True)), strict=True)
    )
    group, groups = _pairs(source, supplier[known])
    inner, cells = _pairs(group, stream[known])
    cell = np.full(known.size, -1, dtype=np.intp)
    cell[known] = inner
    group_check = np.zeros(len(groups), dtype=bool)
    group_check[group[check[known]]] = True
    return SourceKind(
        name=name,
        cell=cell,
        cell_group=cells[:, 0],
        cell_stream=cells[:, 1],
        group_source=groups[:, 0],
        group_check=group_check,
        labels=labels,
    )


def _numbered(column: pd.Series) -> tuple[Ints, list[str]]:
    """Number the names of a column, -1 where it is empty; the names by number."""
    number, names = pd.factorize(column)
    words = ["" if name is None else str(name) for name in names.tolist()]
    blank = np.array([word == "" for word in words] or [True])
    return np.where((number < 0) | blank[number], -1, number).astype(np.intp), words


def _pairs(first: Ints, second: Ints) -> tuple[Ints, Ints]:
    """Number pairs in the order in which they appear; the numbers, and the pairs (n, 2)."""
    width = int(second.max(initial=0)) + 1
    number, pairs = pd.factorize(first.astype(np.int64) * width + second)
    return number, np.column_stack([pairs // width, pairs % width]).astype(np.intp)
