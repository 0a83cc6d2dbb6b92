"""Candidate sources of a shared shift at the end of a day, and how well each explains the lots."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from spc.kernels.validation import Floats
from spc.shared_shift.lot_points import SOURCES, WINDOWS, SourceKind, Window
from spc.shared_shift.supplier_agreement import Agreement

__all__ = ["PRIOR", "WITHIN", "Candidate", "beyond_chance", "most_likely", "overlap", "same_lots"]

_YEAR_WEEKS = 365.2425 / 7
# Independent looks that daily scans of all windows amount to. Set, with _OTHERS, so that chance findings keep to the budget in
# tests/bench/bench_shared_shift.py on seeds that its reported figures do not use.
_LOOKS_A_WEEK = 1.4
_FEWEST_SUPPLIERS = 3
_CHECK_ALONE = 3.7  # More than one reading of a check standard can give
_AGREEMENT = 0.4  # More suppliers that move one way than the other, as a share of all: 7 of 10 agree
# The same for streams: three in four must have moved the same way. Suppliers that drift by themselves in some films reach
# agreement before their films do. With few streams, chance alone can hide it.
_STREAM_AGREEMENT = 0.5
_FEWEST_STREAMS = 20
# With check standards, the part of the suppliers' score that must remain without the one that moved most; without them, the
# others must show all that is needed, or a supplier that moves alone would be taken for the bench.
_OTHERS = 0.92
_SAME_LOTS = 0.5  # Two sources with this share of their lots in common made the same lots
_ALTERNATIVE = 0.9  # Two sources with this share in common are indistinguishable
# Share of the budget that each kind of source may spend, which is also its prior probability: a load is one among many.
# Common practice.
PRIOR = dict(zip(SOURCES, (0.35, 0.2, 0.25, 0.1, 0.1), strict=True))

WITHIN = 1.92
"""Log likelihood below the best that a 95 % interval reaches: half the chi-square of one parameter."""

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """A source beyond chance, in the window that explains most; `members` are its lots among those of the window."""

    kind: SourceKind
    source: int
    since: float
    since_low: float
    since_high: float
    direction: int
    size: float
    score: float
    check: float
    evidence: float
    members: Flags

    @property
    def label(self) -> tuple[str, tuple[str, ...]]:
        """Kind and names."""
        return self.kind.name, self.kind.labels[self.source]

    def alternatives(self, window: Window) -> tuple[str, ...]:
        """Other sources that made almost the same lots."""
        recent = window.weeks >= self.since
        members = self.members & recent
        names = []
        for kind in window.points.kinds:
            source = kind.source(window.part)
            for number in np.unique(source[members & (source >= 0)]):
                other = (source == number) & recent
                if (kind.name, number) != (self.kind.name, self.source) and overlap(members, other) >= _ALTERNATIVE:
                    names.append(f"{kind.name} {' '.join(kind.labels[number])}")
        return tuple(names)


def overlap(one: Flags, other: Flags) -> float:
    """Lots of both, as a share of the lots of either.

    Examples
    --------
    >>> overlap(np.array([True, True, True, False]), np.array([False, True, True, True]))
    0.5
    """
    return float((one & other).sum() / max((one | other).sum(), 1))


def same_lots(one: Flags, other: Flags, recent: Flags) -> bool:
    """Whether two sources made mostly the same of the recent lots.

    Examples
    --------
    Of the recent lots, the last three, both made two; the source with fewer made two:

    >>> recent = np.array([False, True, True, True])
    >>> same_lots(np.array([True, True, True, False]), np.array([False, True, True, True]), recent)
    True
    """
    first, second = one & recent, other & recent
    return bool((first & second).sum() >= _SAME_LOTS * max(min(first.sum(), second.sum()), 1))


def most_likely(candidates: Sequence[Candidate]) -> Candidate | None:
    """The candidate that explains most, None of none.

    Examples
    --------
    Chamber north for every quantity and for energy made the same lots; the likelier kind beforehand is named:

    >>> import pandas as pd
    >>> from spc.shared_shift.lot_points import lot_points, window
    >>> from spc.shared_shift.supplier_agreement import agreement
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
    >>> most_likely(beyond_chance(seen, agreement(seen), budget=1.0)).label
    ('chamber and quantity', ('north', 'energy'))
    """
    return max(candidates, key=lambda candidate: candidate.evidence, default=None)


def beyond_chance(window: Window, tables: Sequence[Agreement | None], budget: float) -> list[Candidate]:
    """The sources whose lots moved beyond chance in some span of weeks, each with the span that explains most.

    Examples
    --------
    Chamber north reads two standard deviations higher in the last six weeks. Every source of those lots moved beyond chance, the
    meter and the quantity less than the chamber:

    >>> import pandas as pd
    >>> from spc.shared_shift.lot_points import lot_points, window
    >>> from spc.shared_shift.supplier_agreement import agreement
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
    >>> [(one.kind.name, round(one.size, 1)) for one in beyond_chance(seen, agreement(seen), budget=1.0)]
    [('instrument', 1.0), ('chamber', 2.0), ('chamber and quantity', 2.0), ('quantity', 1.0)]
    """
    candidates: list[Candidate] = []
    for kind, table in zip(window.points.kinds, tables, strict=True):
        if table is not None:
            significant = _significant(table, budget * PRIOR[kind.name])
            candidates += [
                _candidate(window, kind, table, int(source), significant[source])
                for source in np.flatnonzero(significant.any(axis=1))
            ]
    return candidates


def _significant(table: Agreement, budget: float) -> Flags:
    """Where suppliers agree, the check standard moved, or both together are beyond the chance that the kind may take."""
    check = np.nan_to_num(table.check)
    several = table.suppliers >= _FEWEST_SUPPLIERS
    suppliers_agree = several & (np.abs(table.balance) >= _AGREEMENT * table.suppliers)
    same_way = np.sign(table.score) * table.stream_balance
    streams_agree = (table.streams < _FEWEST_STREAMS) | (same_way >= _STREAM_AGREEMENT * table.streams)
    tried = max(int((several | (check != 0)).any(axis=1).sum()), 1)
    needed = -special.ndtri(min(0.5 * budget / (_YEAR_WEEKS * _LOOKS_A_WEEK * tried), 0.25))
    together = np.where(check != 0, np.abs(table.score + check) / np.sqrt(2.0), 0.0)
    score, others = np.abs(table.score), np.abs(table.others)
    alone = (score >= needed) & (others >= needed)
    with_check = (together >= needed) & (others >= _OTHERS * np.minimum(score, needed))
    shared = suppliers_agree & streams_agree & (alone | with_check)
    return np.asarray(shared | (np.abs(check) >= max(needed, _CHECK_ALONE)), dtype=bool)


def _candidate(window: Window, kind: SourceKind, table: Agreement, source: int, significant: Flags) -> Candidate:
    check, score, size = np.nan_to_num(table.check[source]), table.score[source], table.size[source]
    # The check standard is the best evidence: it gives the direction where it moved.
    direction = np.sign(np.where(np.abs(check) > np.abs(score), check, score))
    shift = np.maximum(direction * size, 0.0) * np.sqrt(table.precision[source])
    evidence = 0.5 * (shift**2 + np.maximum(direction * check, 0.0) ** 2) + np.log(PRIOR[kind.name])
    best = int(np.argmax(np.where(significant, evidence, -np.inf)))
    number = source + table.first_source
    members = kind.made_on(number, window.part)
    near = (evidence >= evidence[best] - WITHIN) & (direction == direction[best])
    since = _first_lots(window, members)
    return Candidate(
        kind=kind,
        source=number,
        since=float(since[best]),
        since_low=float(since[near].min()),
        since_high=float(since[near].max()),
        direction=int(direction[best]),
        size=max(float(direction[best] * size[best]), 0.0),
        score=float(score[best]),
        check=float(table.check[source, best]),
        evidence=float(evidence[best]),
        members=members,
    )


def _first_lots(window: Window, members: Flags) -> Floats:
    """Time of the source's first lot in each span of weeks."""
    weeks = window.weeks[members]
    place = np.searchsorted(weeks, window.now - WINDOWS, side="right")
    return np.asarray(weeks[np.minimum(place, weeks.size - 1)], dtype=np.float64)
