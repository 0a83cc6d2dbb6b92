"""How far the suppliers on each chamber, instrument or load moved together, at one moment.

Points are numbered once; each moment is then a few sums over the last weeks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.kernels.validation import Floats
from spc.shared_shift.reference_scores import FURTHEST

__all__ = [
    "APART",
    "BEFORE",
    "LOOKBACK",
    "SUSPECTS",
    "WINDOWS",
    "Agreement",
    "LotPoints",
    "SourceKind",
    "agreement",
    "alike_by_stream",
    "inflated",
    "lot_points",
    "members",
    "moved_apart",
]  # fmt: skip

WINDOWS = np.array([0.5, 0.75, 1.0, 1.25, 1.5, 1.75, 2.0, 2.5, 3.0, 4.0, 6.0])
"""Weeks that a shift may have lasted when it is found."""

SUSPECTS: dict[str, tuple[str, ...]] = {
    "instrument": ("instrument",),
    "chamber": ("chamber",),
    "chamber and quantity": ("chamber", "quantity"),
    "load": ("load",),
    "quantity": ("quantity",),
}
"""Kinds of suspects and the columns that name one."""

LOOKBACK = 13.0
"""Weeks of tests that are held against each other."""
BEFORE = 1.0
"""Lots that the stream's own start, where z is 0, is worth beside those of the last weeks."""
APART = 3.5
"""Standard errors from the others' shift beyond which a supplier moves by itself."""

_SUPPLIER_CAP = 3.0  # what one supplier can add to the agreement
_CHECK_CAP = 3.4  # sigma

Ints = NDArray[np.intp]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class SourceKind:
    """One kind of suspect.

    A cell is a stream on a suspect, a group a supplier on a suspect: `cell` (points,) is -1 where the suspect is
    unknown; `cell_group` and `cell_stream` are per cell, `group_suspect`, `group_supplier` and `group_check` (the group
    is a check standard) per group, `labels` per suspect.
    """

    name: str
    cell: Ints
    cell_group: Ints
    cell_stream: Ints
    group_suspect: Ints
    group_supplier: Ints
    group_check: Flags
    labels: list[tuple[str, ...]]


@dataclass(frozen=True, slots=True, eq=False)
class LotPoints:
    """All points in order of time. `stream` numbers them from 0; `stream_ids` (streams,) gives their ids back.

    `alike` is the correlation of neighbouring lots to be expected of a stream, as known at each point. `quantity` and
    `supplier` are numbers too; a check standard is a supplier of its own kind (`check`). A line is what a supplier makes of
    one quantity: `line` (streams,), `line_quantity` and `line_check` (lines,).
    """

    weeks: Floats
    z: Floats
    sigma: Floats
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


@dataclass(frozen=True, slots=True, eq=False)
class Agreement:
    """One kind's suspects at one moment.

    (groups, windows) or (suspects, windows), numbered from `first_group` and `first_suspect`.

    `shift` and `weight` are each group's shift in sigma and its precision, 0 where the group has no lots in the window.
    `score` is the suppliers' agreement, standard normal by chance, `others` what it would be without the supplier that
    carries it most, `size` the common shift and `worth` its precision,
    `suppliers` their number and `balance` how many more moved up than down. `check` is the score of the check
    standards, nan without one.
    """

    shift: Floats
    weight: Floats
    score: Floats
    others: Floats
    size: Floats
    worth: Floats
    suppliers: Floats
    balance: Floats
    check: Floats
    first_group: int
    first_suspect: int


def lot_points(points: pd.DataFrame) -> LotPoints:
    """Number streams, suppliers and suspects."""
    ordered = points[np.isfinite(points["z"].to_numpy(np.float64))].sort_values(["weeks", "stream"], kind="stable")
    stream, stream_ids = pd.factorize(ordered["stream"])
    supplier, suppliers = pd.factorize(
        ordered["supplier"].astype(str) + np.where(ordered["is_check_standard"], "\0", "")
    )
    check = ordered["is_check_standard"].to_numpy(bool)
    quantity, quantities = pd.factorize(ordered["quantity"].fillna("").astype(str))
    _, first = np.unique(stream, return_index=True)
    line, lines = _pairs(quantity[first], supplier[first])
    line_check = np.zeros(len(lines), dtype=bool)
    line_check[line[check[first]]] = True
    return LotPoints(
        weeks=ordered["weeks"].to_numpy(np.float64),
        z=ordered["z"].to_numpy(np.float64),
        sigma=ordered["sigma"].to_numpy(np.float64),
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
        kinds=[_kind(name, ordered[list(columns)], stream, supplier, check) for name, columns in SUSPECTS.items()],
    )


def members(points: pd.DataFrame, suspect_kind: str, suspect: str, characteristic: str) -> Flags:
    """Points that were made on a suspect."""
    wanted = dict(zip(SUSPECTS[suspect_kind], (suspect, characteristic), strict=False))
    held = np.ones(len(points), dtype=bool)
    for column, value in wanted.items():
        held &= points[column].fillna("").astype(str).to_numpy() == value
    return held


def _kind(name: str, columns: pd.DataFrame, stream: Ints, supplier: Ints, check: Flags) -> SourceKind:
    numbers, words = zip(*(_numbered(columns[column]) for column in columns), strict=True)
    known = np.logical_and.reduce([number >= 0 for number in numbers])
    # A suspect is a combination of names; combinations are numbered in the order in which they appear.
    keys = np.ravel_multi_index([number[known] for number in numbers], [max(len(word), 1) for word in words])
    suspect, found = pd.factorize(keys)
    places = np.unravel_index(np.asarray(found, dtype=np.intp), [max(len(word), 1) for word in words])
    labels = list(
        zip(*([word[at] for at in place.tolist()] for word, place in zip(words, places, strict=True)), strict=True)
    )
    group, groups = _pairs(suspect, supplier[known])
    inner, cells = _pairs(group, stream[known])
    cell = np.full(known.size, -1, dtype=np.intp)
    cell[known] = inner
    flagged = np.zeros(len(groups), dtype=bool)
    flagged[group[check[known]]] = True
    return SourceKind(
        name=name,
        cell=cell,
        cell_group=cells[:, 0],
        cell_stream=cells[:, 1],
        group_suspect=groups[:, 0],
        group_supplier=groups[:, 1],
        group_check=flagged,
        labels=labels,
    )


def _numbered(column: pd.Series) -> tuple[Ints, list[str]]:
    """Number the names of a column, -1 where none is given; the names by number."""
    number, names = pd.factorize(column)
    words = ["" if name is None else str(name) for name in names.tolist()]
    blank = np.array([word == "" for word in words] or [True])
    return np.where((number < 0) | blank[number], -1, number).astype(np.intp), words


def _pairs(first: Ints, second: Ints) -> tuple[Ints, Ints]:
    """Number pairs in the order in which they appear; the numbers, and the pairs (n, 2)."""
    number, pairs = pd.factorize(first.astype(np.int64) * (int(second.max(initial=0)) + 1) + second)
    width = int(second.max(initial=0)) + 1
    return number, np.column_stack([pairs // width, pairs % width]).astype(np.intp)


def agreement(here: LotPoints, z: Floats, part: slice) -> list[Agreement | None]:
    """Agreement of every kind's suspects at the end of a stretch of points; None where a kind has none.

    Parameters
    ----------
    here : Lab
    z : ndarray, shape (points in `part`,)
        The scores, with what was found before taken out.
    part : slice
        The points of the last weeks; only they are looked at.
    """
    now = here.weeks[part.stop - 1]
    age = np.searchsorted(WINDOWS, now - here.weeks[part], side="right")
    z = _wild_held(here, part, z)
    streams, alike = len(here.stream_ids), alike_by_stream(here, part)[:, None]
    lots, total = _by_window(here.stream[part], age, z, streams)
    # What came before each window; the baseline itself counts as one lot at 0.
    lots_before, total_before = lots[:, -1:] - lots[:, :-1], total[:, -1:] - total[:, :-1]
    before = total_before / (lots_before + BEFORE)
    before_var = inflated(lots_before, alike) / (lots_before + BEFORE)
    heard = ~_by_themselves(here, *_weighed(lots[:, :-1], total[:, :-1], alike, before, before_var))
    return [_of_kind(kind, part, age, z, alike, before, before_var, heard) for kind in here.kinds]


def _weighed(lots: Floats, total: Floats, alike: Floats, before: Floats, before_var: Floats) -> tuple[Floats, Floats]:
    """Precision of each mean of lots against what came before, 0 without lots, and the shift times it."""
    some = np.maximum(lots, 1.0)
    weight = np.where(lots > 0, 1.0 / (inflated(lots, alike) / some + before_var), 0.0)
    return weight, weight * (total / some - before)


def _by_themselves(here: LotPoints, weight: Floats, weighted: Floats) -> Flags:
    """The streams of suppliers that moved otherwise than the others of their quantity, wherever their lots were made.

    On a suspect that made a few of these lots they would lend their weight to an accident of the others.
    """
    # Check standards are witnesses of their own, not held against films.
    apart = moved_apart(
        here.line_quantity, _sum_by(here.line, weight), _sum_by(here.line, weighted), known=here.line_check
    )
    return np.asarray((apart & ~here.line_check)[here.line], dtype=bool)


def moved_apart(quantity: Ints, weight: Floats, weighted: Floats, known: Flags) -> Flags:
    """Which lines moved otherwise than the others of their quantity, with those of which it is known.

    The furthest is taken out first: beside it, those that stayed would seem to have moved.

    Parameters
    ----------
    quantity, known : ndarray, shape (lines,)
    weight, weighted : ndarray, shape (lines, windows)
        Precision of each line's shift, 0 without lots, and the shift times it.
    """
    apart = known.copy()
    while True:
        off = np.where(apart, 0.0, _off(quantity, weight, weighted, ~apart))
        most = np.zeros(quantity.max() + 1)
        np.maximum.at(most, quantity, off)
        furthest = (off > APART) & (off == most[quantity])
        if not furthest.any():
            return apart
        apart |= furthest


def _off(quantity: Ints, weight: Floats, weighted: Floats, counted: Flags) -> Floats:
    """Standard errors between each line's shift and the others' of its quantity, in the window where they are most."""
    weight, weighted = weight * counted[:, None], weighted * counted[:, None]
    total, joint, lines = (_sum_by(quantity, one)[quantity] for one in (weight, weighted, (weight > 0).astype(float)))
    # Of two it cannot be told which of them moved.
    known = (weight > 0) & (lines >= 3)
    own, rest = np.where(known, weight, 1.0), np.where(known, total - weight, 1.0)
    away = np.where(known, weighted / own - (joint - weighted) / rest, 0.0)
    return np.asarray(np.max(np.abs(away) / np.sqrt(1.0 / own + 1.0 / rest), axis=1))


def alike_by_stream(here: LotPoints, part: slice) -> Floats:
    """The correlation of neighbouring lots of each stream as known at its last point of a stretch, 0 without one."""
    alike = np.zeros(len(here.stream_ids))
    alike[here.stream[part]] = here.alike[part]  # of several the last one stays
    return alike


def _wild_held(here: LotPoints, part: slice, z: Floats) -> Floats:
    """One lot far from its stream's others counts as so far and no further.

    The scatter of a stream is known with its wild lots held, so they are held here too, or tails would pass for a shift;
    one reading of a check standard, however far off, may be a misreading.
    """
    usual = _medians(here.stream[part], z)
    furthest = np.where(here.check[part], _CHECK_CAP, FURTHEST)
    return np.asarray(np.clip(z, usual - furthest, usual + furthest))


def _medians(stream: Ints, z: Floats) -> Floats:
    """For each point the median of its stream's points."""
    order = np.lexsort((z, stream))
    first = np.flatnonzero(np.diff(stream[order], prepend=-1))
    size = np.diff(first, append=order.size)
    middle = 0.5 * (z[order[first + (size - 1) // 2]] + z[order[first + size // 2]])
    found = np.empty_like(z)
    found[order] = np.repeat(middle, size)
    return found


def _by_window(key: Ints, age: Ints, z: Floats, size: int) -> tuple[Floats, Floats]:
    """Number of points and their sum, per key and window (size, windows + 1); the last column is all the weeks."""
    columns = WINDOWS.size + 1
    place = key * columns + age
    lots = np.bincount(place, minlength=size * columns).reshape(size, columns).cumsum(axis=1)
    total = np.bincount(place, weights=z, minlength=size * columns).reshape(size, columns).cumsum(axis=1)
    return lots.astype(np.float64), total


def inflated(lots: Floats, alike: Floats) -> Floats:
    """Variance of a mean of lots of which neighbours have the correlation `alike`, in that of independent ones.

    Of a first-order dependence r over n lots: 1 + 2 / n sum of (n - k) r^k, k from 1 to n - 1, in closed form (Box and
    Jenkins 1976, from memory; the test adds it up).
    """
    n = np.maximum(lots, 1.0)
    return np.asarray(1.0 + 2.0 * alike / (1.0 - alike) * (1.0 - (1.0 - alike**n) / (n * (1.0 - alike))))


def _of_kind(
    kind: SourceKind, part: slice, age: Ints, z: Floats, alike: Floats, before: Floats, before_var: Floats, heard: Flags
) -> Agreement | None:
    cell = kind.cell[part]
    known = cell >= 0
    if not known.any():
        return None
    cell = cell[known]
    first = int(cell.min())
    lots, total = _by_window(cell - first, age[known], z[known], int(cell.max()) - first + 1)
    lots, total = lots[:, :-1], total[:, :-1]
    cells = slice(first, first + lots.shape[0])
    stream, group = kind.cell_stream[cells], kind.cell_group[cells]
    weight, weighted = _weighed(lots, total, alike[stream], before[stream], before_var[stream])
    told = heard[stream][:, None]
    return _of_suspects(kind, group, weight * told, weighted * told)


def _sum_by(key: Ints, values: Floats) -> Floats:
    """Sums of rows with the same key, from the smallest key on, (keys, windows)."""
    place = key - key.min()
    size = int(place.max()) + 1
    return np.column_stack([np.bincount(place, weights=column, minlength=size) for column in values.T])


def _of_suspects(kind: SourceKind, group: Ints, weight: Floats, weighted: Floats) -> Agreement:
    first_group = int(group.min())
    weight, weighted = _sum_by(group, weight), _sum_by(group, weighted)
    groups = slice(first_group, first_group + weight.shape[0])
    suspect, check = kind.group_suspect[groups], kind.group_check[groups][:, None]
    root = np.sqrt(weight)
    score = np.divide(weighted, root, out=np.zeros_like(weighted), where=weight > 0)
    counted = np.where(check, 0.0, 1.0)
    held = counted * root * np.clip(score, -_SUPPLIER_CAP, _SUPPLIER_CAP)
    worth = _sum_by(suspect, counted * weight)
    some = np.maximum(worth, 1e-12)
    joint, suppliers = _sum_by(suspect, held), _sum_by(suspect, counted * (weight > 0))
    return Agreement(
        shift=np.divide(weighted, weight, out=np.zeros_like(weighted), where=weight > 0),
        weight=weight,
        score=joint / np.sqrt(some),
        others=_without_most(suspect, held, joint) / np.sqrt(some * (1.0 - 1.0 / np.maximum(suppliers, 2.0))),
        size=_sum_by(suspect, counted * weighted) / some,
        worth=worth,
        suppliers=suppliers,
        balance=_sum_by(suspect, counted * np.sign(weighted)),
        check=_check_score(suspect, np.where(check, score, 0.0), check & (weight > 0)),
        first_group=first_group,
        first_suspect=int(suspect.min()),
    )


def _without_most(suspect: Ints, held: Floats, joint: Floats) -> Floats:
    """The sums without the row that goes furthest in their own direction."""
    place, way = suspect - suspect.min(), np.sign(joint)
    most = np.zeros_like(joint)
    np.maximum.at(most, place, held * way[place])
    return np.asarray(joint - way * most)


def _check_score(suspect: Ints, score: Floats, there: Flags) -> Floats:
    """Score of all check standards on a suspect together, nan where there is none."""
    number = _sum_by(suspect, there.astype(np.float64))
    joint = _sum_by(suspect, score) / np.sqrt(np.maximum(number, 1.0))
    return np.where(number > 0, joint, np.nan)
