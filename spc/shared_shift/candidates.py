"""Which suspects stand out at the end of a day, and which of them explains the lots best."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from spc.kernels.validation import Floats
from spc.shared_shift.supplier_agreement import SUSPECTS, WINDOWS, Agreement, LotPoints, SourceKind

__all__ = ["SHARE", "WITHIN", "Candidate", "most_likely", "on_source", "passing", "same_matter", "shared"]

_YEAR_WEEKS = 365.2425 / 7
# Independent looks that daily scans of all windows amount to. Not measured but set, with _OTHERS, so that chance findings
# keep to the budget in tests/bench/bench_shared_shift.py on seeds that its reported figures do not use.
_LOOKS_A_WEEK = 1.4
_FEWEST_SUPPLIERS = 3
_CHECK_ALONE = 3.7  # more than one reading of a check standard can give
_AGREEMENT = 0.4  # more suppliers that move one way than the other, as a share of all: 7 of 10 agree
# Where check standards tell as well, the part of the suppliers' score that must be there without the one that moved most;
# where they don't, the others must show all that is needed, or a supplier that moves alone would be called the bench's.
_OTHERS = 0.92
_SAME_LOTS = 0.5  # share of lots that makes two suspects the same matter
_LIKE = 0.9  # share of lots that makes two suspects indistinguishable
# Share of the budget that each kind of suspect may spend, which is also how likely it is before anything is seen: a load
# is one among many. Common practice.
SHARE = dict(zip(SUSPECTS, (0.35, 0.2, 0.25, 0.1, 0.1), strict=True))

WITHIN = 1.92
"""Log likelihood below the best that a 95 % interval reaches: half the chi-square of one parameter."""

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """A suspect that passes, in the window that explains most; `members` are its lots among those looked at."""

    kind: SourceKind
    suspect: int
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
        return self.kind.name, self.kind.labels[self.suspect]

    def alternatives(self, here: LotPoints, part: slice) -> tuple[str, ...]:
        """Other suspects that made almost the same lots."""
        recent = here.weeks[part] >= self.since
        held = self.members & recent
        alike = []
        for kind in here.kinds:
            suspect = _suspects(kind, part)
            for number in np.unique(suspect[held & (suspect >= 0)]):
                other = (suspect == number) & recent
                if (kind.name, number) != (self.kind.name, self.suspect) and shared(held, other) >= _LIKE:
                    alike.append(f"{kind.name} {' '.join(kind.labels[number])}")
        return tuple(alike)


def shared(one: Flags, other: Flags) -> float:
    """Lots of both, as a share of the lots of either."""
    return float((one & other).sum() / max((one | other).sum(), 1))


def same_matter(one: Flags, other: Flags, weeks: Floats, since: float) -> bool:
    """Whether two suspects made, since then, mostly the same lots."""
    recent = weeks >= since
    first, second = one & recent, other & recent
    return bool((first & second).sum() >= _SAME_LOTS * max(min(first.sum(), second.sum()), 1))


def on_source(kind: SourceKind, suspect: int, part: slice) -> Flags:
    """Points of a stretch that were made on a suspect."""
    return np.asarray(_suspects(kind, part) == suspect, dtype=bool)


def _suspects(kind: SourceKind, part: slice) -> NDArray[np.intp]:
    """The suspect that made each point, -1 where unknown."""
    cell = kind.cell[part]
    suspect = np.full(cell.size, -1, dtype=np.intp)
    suspect[cell >= 0] = kind.group_suspect[kind.cell_group[cell[cell >= 0]]]
    return suspect


def most_likely(candidates: Sequence[Candidate]) -> Candidate | None:
    """The candidate that explains most, None of none."""
    return max(candidates, key=lambda candidate: candidate.evidence, default=None)


def passing(here: LotPoints, seen: Sequence[Agreement | None], part: slice, budget: float) -> list[Candidate]:
    """The suspects that stand out in some window, each in the window that explains most."""
    found: list[Candidate] = []
    for kind, table in zip(here.kinds, seen, strict=True):
        if table is not None:
            passed = _passes(table, budget * SHARE[kind.name])
            found += [
                _candidate(here, kind, table, int(suspect), passed[suspect], part)
                for suspect in np.flatnonzero(passed.any(axis=1))
            ]
    return found


def _passes(found: Agreement, budget: float) -> Flags:
    """Where suppliers agree, the check standard moved, or both together are beyond the chance that the kind may take."""
    check = np.nan_to_num(found.check)
    enough = (found.suppliers >= _FEWEST_SUPPLIERS) & (np.abs(found.balance) >= _AGREEMENT * found.suppliers)
    tried = max(int(((found.suppliers >= _FEWEST_SUPPLIERS) | (check != 0)).any(axis=1).sum()), 1)
    needed = -special.ndtri(min(0.5 * budget / (_YEAR_WEEKS * _LOOKS_A_WEEK * tried), 0.25))
    together = np.where(check != 0, np.abs(found.score + check) / np.sqrt(2.0), 0.0)
    score, others = np.abs(found.score), np.abs(found.others)
    by_themselves = (score >= needed) & (others >= needed)
    with_checks = (together >= needed) & (others >= _OTHERS * np.minimum(score, needed))
    agreed = enough & (by_themselves | with_checks)
    return np.asarray(agreed | (np.abs(check) >= max(needed, _CHECK_ALONE)), dtype=bool)


def _candidate(
    here: LotPoints, kind: SourceKind, found: Agreement, suspect: int, passed: Flags, part: slice
) -> Candidate:
    check, score, size = np.nan_to_num(found.check[suspect]), found.score[suspect], found.size[suspect]
    # The check standard is the first witness: it gives the direction where it moved.
    way = np.sign(np.where(np.abs(check) > np.abs(score), check, score))
    moved = np.maximum(way * size, 0.0) * np.sqrt(found.worth[suspect])
    evidence = 0.5 * (moved**2 + np.maximum(way * check, 0.0) ** 2) + np.log(SHARE[kind.name])
    window = int(np.argmax(np.where(passed, evidence, -np.inf)))
    number = suspect + found.first_suspect
    held = on_source(kind, number, part)
    near = (evidence >= evidence[window] - WITHIN) & (way == way[window])
    since = _first_lots(here.weeks[part], held)
    return Candidate(
        kind=kind,
        suspect=number,
        since=float(since[window]),
        since_low=float(since[near].min()),
        since_high=float(since[near].max()),
        direction=int(way[window]),
        size=max(float(way[window] * size[window]), 0.0),
        score=float(score[window]),
        check=float(found.check[suspect, window]),
        evidence=float(evidence[window]),
        members=held,
    )


def _first_lots(weeks: Floats, held: Flags) -> Floats:
    """Time of the suspect's first lot in each window."""
    own = weeks[held]
    place = np.searchsorted(own, weeks[-1] - WINDOWS, side="right")
    return np.asarray(own[np.minimum(place, own.size - 1)], dtype=np.float64)
