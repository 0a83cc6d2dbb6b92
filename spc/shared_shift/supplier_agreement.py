"""How far the suppliers on each chamber, instrument or load moved together, at one moment."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from spc.kernels.validation import Floats
from spc.shared_shift.lot_points import WINDOWS, SourceKind, Window, inflated, outliers_limited

__all__ = ["APART", "Agreement", "agreement", "level_before", "moved_apart"]

APART = 3.5
"""Standard errors from the others' shift beyond which a supplier moves by itself."""

_SUPPLIER_CAP = 3.0  # What one supplier can add to the agreement

Ints = NDArray[np.intp]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Agreement:
    """One kind's sources at one moment: (groups, windows) or (sources, windows), numbered from `first_source`.

    `score` is the suppliers' agreement, standard normal by chance, `others` what it would be without the supplier that
    contributes most, `size` the common shift and `precision` its precision. `suppliers` and `streams` are their numbers,
    `balance` and `stream_balance` how many more moved up than down. `check` is the score of the check standards, nan without
    one.
    """

    score: Floats
    others: Floats
    size: Floats
    precision: Floats
    suppliers: Floats
    balance: Floats
    streams: Floats
    stream_balance: Floats
    check: Floats
    first_source: int


def agreement(window: Window) -> list[Agreement | None]:
    """Agreement of every kind's sources at the end of a window; None where a kind has none.

    Examples
    --------
    Chamber north reads two standard deviations higher in the last six weeks; all six suppliers show it, the other chamber does not:

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
    >>> chambers = agreement(seen)[1]
    >>> chambers.size[:, -1].round(1).tolist(), chambers.suppliers[:, -1].tolist(), chambers.score[:, -1].round(1).tolist()
    ([2.0, 0.0], [6.0, 6.0], [7.1, 0.0])
    """
    points, alike = window.points, window.alike[:, None]
    age = np.searchsorted(WINDOWS, window.now - window.weeks, side="right")
    z = outliers_limited(window.stream, points.check[window.part], window.z)
    lots, total = _by_window(window.stream, age, z, len(points.stream_ids))
    before, before_var = level_before(
        lots[:, -1:] - lots[:, :-1], total[:, -1:] - total[:, :-1], alike, window.line_variance[:, None]
    )
    weight, weighted = _shifts(lots[:, :-1], total[:, :-1], alike, before, before_var)
    # Check standards are reference evidence, not compared with films.
    apart = moved_apart(
        points.line_quantity, _sum_by(points.line, weight), _sum_by(points.line, weighted), points.line_check
    )
    # On a source that made a few of its lots, a supplier that moved alone would lend its weight to an accident of the others.
    counted = ~(apart & ~points.line_check)[points.line]
    return [_of_kind(kind, replace(window, z=z), age, before, before_var, counted) for kind in points.kinds]


def level_before(lots: Floats, total: Floats, alike: Floats, line_variance: Floats) -> tuple[Floats, Floats]:
    """The level of streams before a shift, from the number and the sum of their lots, and its variance.

    A stream without a lot is taken at its start, where the score is 0, with the variance of one lot. Beside other lots its
    start counts for nothing: a stream that moved long ago would seem to go on moving.

    Examples
    --------
    Four lots that add up to 2, and a stream without a lot before the shift:

    >>> level, variance = level_before(np.array([4.0, 0.0]), np.array([2.0, 0.0]), np.zeros(2), np.zeros(2))
    >>> level.tolist(), variance.tolist()
    ([0.5, 0.0], [0.25, 1.0])
    """
    some = np.maximum(lots, 1.0)
    return total / some, inflated(lots, alike) / some + line_variance


def _shifts(lots: Floats, total: Floats, alike: Floats, before: Floats, before_var: Floats) -> tuple[Floats, Floats]:
    """Precision of each mean of lots against the level before, 0 without lots, and the shift times it."""
    some = np.maximum(lots, 1.0)
    weight = np.where(lots > 0, 1.0 / (inflated(lots, alike) / some + before_var), 0.0)
    return weight, weight * (total / some - before)


def moved_apart(quantity: Ints, weight: Floats, weighted: Floats, excluded: Flags) -> Flags:
    """Which lines moved otherwise than the others of their quantity, with those that were excluded before.

    The furthest is excluded first: beside it, those that stayed would seem to have moved.

    Parameters
    ----------
    quantity, excluded : ndarray, shape (lines,)
    weight, weighted : ndarray, shape (lines, windows)
        Precision of each line's shift, 0 without lots, and the shift times it.

    Examples
    --------
    Four suppliers of one quantity, shifts with a precision of 25; the last moved by 3 standard deviations, the others hardly:

    >>> shift, precision = np.array([[0.1], [0.0], [-0.1], [3.0]]), np.full((4, 1), 25.0)
    >>> moved_apart(np.zeros(4, dtype=int), precision, precision * shift, np.zeros(4, dtype=bool)).tolist()
    [False, False, False, True]
    """
    apart = excluded.copy()
    while True:
        off = np.where(apart, 0.0, _distance(quantity, weight, weighted, ~apart))
        most = np.zeros(quantity.max() + 1)
        np.maximum.at(most, quantity, off)
        furthest = (off > APART) & (off == most[quantity])
        if not furthest.any():
            return apart
        apart |= furthest


def _distance(quantity: Ints, weight: Floats, weighted: Floats, counted: Flags) -> Floats:
    """Standard errors between each line's shift and the others' of its quantity, in the window where they are most."""
    weight, weighted = weight * counted[:, None], weighted * counted[:, None]
    total, joint, lines = (_sum_by(quantity, one)[quantity] for one in (weight, weighted, (weight > 0).astype(float)))
    # Of two lines the data cannot show which one moved.
    known = (weight > 0) & (lines >= 3)
    one, rest = np.where(known, weight, 1.0), np.where(known, total - weight, 1.0)
    away = np.where(known, weighted / one - (joint - weighted) / rest, 0.0)
    return np.asarray(np.max(np.abs(away) / np.sqrt(1.0 / one + 1.0 / rest), axis=1))


def _by_window(key: Ints, age: Ints, z: Floats, size: int) -> tuple[Floats, Floats]:
    """Number of points and their sum, per key and window (size, windows + 1); the last column is all the weeks."""
    columns = WINDOWS.size + 1
    place = key * columns + age
    lots = np.bincount(place, minlength=size * columns).reshape(size, columns).cumsum(axis=1)
    total = np.bincount(place, weights=z, minlength=size * columns).reshape(size, columns).cumsum(axis=1)
    return lots.astype(np.float64), total


def _sum_by(key: Ints, values: Floats | Flags) -> Floats:
    """Sums of rows with the same key, from the smallest key on, (keys, windows)."""
    place = key - key.min()
    size = int(place.max()) + 1
    return np.column_stack([np.bincount(place, weights=column, minlength=size) for column in values.T])


def _of_kind(
    kind: SourceKind, window: Window, age: Ints, before: Floats, before_var: Floats, counted: Flags
) -> Agreement | None:
    """Agreement of the sources of one kind, by way of their streams and then their suppliers."""
    cell = kind.cell[window.part]
    known = cell >= 0
    if not known.any():
        return None
    cell = cell[known]
    first = int(cell.min())
    lots, total = _by_window(cell - first, age[known], window.z[known], int(cell.max()) - first + 1)
    cells = slice(first, first + lots.shape[0])
    stream, group = kind.cell_stream[cells], kind.cell_group[cells]
    weight, weighted = _shifts(
        lots[:, :-1], total[:, :-1], window.alike[stream][:, None], before[stream], before_var[stream]
    )
    weight, weighted = weight * counted[stream][:, None], weighted * counted[stream][:, None]
    film = ~kind.group_check[group][:, None]
    streams, stream_balance = _sum_by(group, film * (weight > 0)), _sum_by(group, film * np.sign(weighted))
    first_group = int(group.min())
    weight, weighted = _sum_by(group, weight), _sum_by(group, weighted)
    groups = slice(first_group, first_group + weight.shape[0])
    source, check = kind.group_source[groups], kind.group_check[groups][:, None]
    score = np.divide(weighted, np.sqrt(weight), out=np.zeros_like(weighted), where=weight > 0)
    limited = ~check * np.sqrt(weight) * np.clip(score, -_SUPPLIER_CAP, _SUPPLIER_CAP)
    precision = _sum_by(source, ~check * weight)
    some = np.maximum(precision, 1e-12)
    joint, suppliers = _sum_by(source, limited), _sum_by(source, ~check * (weight > 0))
    return Agreement(
        score=joint / np.sqrt(some),
        others=_without_most(source, limited, joint) / np.sqrt(some * (1.0 - 1.0 / np.maximum(suppliers, 2.0))),
        size=_sum_by(source, ~check * weighted) / some,
        precision=precision,
        suppliers=suppliers,
        balance=_sum_by(source, ~check * np.sign(weighted)),
        streams=_sum_by(source, streams),
        stream_balance=_sum_by(source, stream_balance),
        check=_check_score(source, np.where(check, score, 0.0), check & (weight > 0)),
        first_source=int(source.min()),
    )


def _without_most(source: Ints, limited: Floats, joint: Floats) -> Floats:
    """The sums without the row that goes furthest in their own direction."""
    place, direction = source - source.min(), np.sign(joint)
    most = np.zeros_like(joint)
    np.maximum.at(most, place, limited * direction[place])
    return np.asarray(joint - direction * most)


def _check_score(source: Ints, score: Floats, present: Flags) -> Floats:
    """Score of all check standards on a source together, nan where there is none."""
    number = _sum_by(source, present.astype(np.float64))
    joint = _sum_by(source, score) / np.sqrt(np.maximum(number, 1.0))
    return np.where(number > 0, joint, np.nan)
