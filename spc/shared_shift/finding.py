"""A shared shift as a finding, and how much of the measured levels it explains."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from spc.kernels.validation import Floats
from spc.shared_shift.effect import Size
from spc.shared_shift.lot_points import SOURCES, on_label

__all__ = ["MOST", "SETTLE_WEEKS", "Finding", "Size", "as_of", "explain", "names_of", "size_of"]

SETTLE_WEEKS = 4.0
"""Weeks in which later lots still refine a finding's source, start and size."""
MOST = 1.645
"""Standard errors that the bench may have added beyond the likeliest size: one in twenty lies beyond (normal law)."""

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Finding:
    """A shared shift.

    `suspect_kind` is a key of `SOURCES`, `suspect` the name of the source, `quantity` what it moves ("" for all);
    `first_named` the kind and names of the source on the day of detection. Times in weeks: `since` with its interval,
    `completed_at` the test that completed the evidence, `until` the first test after the return (inf while it lasts), at the
    latest `until_high`, and `returned_at` the test that showed it. `sizes` holds for each quantity the shift in the charted
    scale; `sigmas` is it in standard deviations of a lot. `score` is the agreement of the suppliers, standard normal by
    chance, `check_score` that of the check standards (nan without one). `alternatives` are sources with almost the same
    lots: the data cannot separate them. `rivals` are kind and names of the competing candidates, which explain the lots almost
    as well. `streams_agreeing` of the `streams` on the source moved the same way. One that is `withdrawn` ended because later
    lots did not show it.
    """

    suspect_kind: str
    suspect: str
    quantity: str
    first_named: tuple[str, ...]
    direction: int
    since: float
    since_low: float
    since_high: float
    completed_at: float
    until: float
    until_high: float
    returned_at: float
    sizes: dict[str, Size]
    sigmas: float
    sigmas_se: float
    suppliers: int
    agreeing: int
    score: float
    check_score: float
    apart: tuple[str, ...]
    explained: tuple[int, ...]
    alternatives: tuple[str, ...]
    rivals: tuple[tuple[str, ...], ...]
    streams_agreeing: int = 0
    streams: int = 0
    withdrawn: bool = False

    @property
    def chance(self) -> float:
        """Two-sided chance of the suppliers' agreement, at one look."""
        return float(2.0 * special.ndtr(-abs(self.score)))


def names_of(finding: Finding) -> tuple[str, ...]:
    """The names of its source, the quantity last where the kind has one.

    Examples
    --------
    A chamber has its name alone; a chamber that moves one quantity has both:

    >>> finding = Finding(
    ...     suspect_kind="chamber and quantity", suspect="north", quantity="energy", direction=1, since=18.0,
    ...     first_named=("chamber and quantity", "north", "energy"), since_low=18.0, since_high=18.0, completed_at=20.0,
    ...     until=np.inf, until_high=np.inf, returned_at=np.inf, sizes={}, sigmas=2.0, sigmas_se=0.3, suppliers=5, agreeing=5,
    ...     score=6.0, check_score=np.nan, apart=(), explained=(), alternatives=(), rivals=(),
    ... )
    >>> names_of(finding), names_of(replace(finding, suspect_kind="chamber"))
    (('north', 'energy'), ('north',))
    """
    return (finding.suspect, finding.quantity) if len(SOURCES[finding.suspect_kind]) > 1 else (finding.suspect,)


def size_of(finding: Finding, quantity: str) -> tuple[float, float]:
    """The shift of the films and that of the check standards.

    Examples
    --------
    The films moved by 0.2; without a check standard, one would be expected to move as far:

    >>> finding = Finding(
    ...     suspect_kind="chamber", suspect="north", quantity="", first_named=("chamber", "north"), direction=1, since=18.0,
    ...     since_low=18.0, since_high=18.0, completed_at=20.0, until=np.inf, until_high=np.inf, returned_at=np.inf,
    ...     sizes={"energy": Size(0.2, 0.03, 0.2, 0.03, np.nan, np.nan)}, sigmas=2.0, sigmas_se=0.3, suppliers=5, agreeing=5,
    ...     score=6.0, check_score=np.nan, apart=(), explained=(), alternatives=(), rivals=(),
    ... )
    >>> size_of(finding, "energy"), size_of(finding, "resistance")
    ((0.2, 0.2), (0.0, 0.0))
    """
    size = finding.sizes.get(quantity)
    if size is None:
        return 0.0, 0.0
    return size.size, size.size if np.isnan(size.check) else size.check


def as_of(findings: Sequence[Finding], weeks: float) -> tuple[list[Finding], float]:
    """The findings known before a moment, and the moment from which days must be searched again.

    Parameters
    ----------
    findings : sequence of Finding
        From points up to any time.
    weeks : float
        The first moment at which a point is new or changed.

    Returns
    -------
    known : list of Finding
    after : float
        Both for `shared_shifts`.

    Examples
    --------
    A point of week 21 is new. The finding of week 20 is still refined then, so the search goes on from the day before it:

    >>> finding = Finding(
    ...     suspect_kind="chamber", suspect="north", quantity="", first_named=("chamber", "north"), direction=1, since=18.0,
    ...     since_low=18.0, since_high=18.0, completed_at=20.0, until=np.inf, until_high=np.inf, returned_at=np.inf,
    ...     sizes={"energy": Size(0.2, 0.03, 0.2, 0.03, np.nan, np.nan)}, sigmas=2.0, sigmas_se=0.3, suppliers=5, agreeing=5,
    ...     score=6.0, check_score=np.nan, apart=(), explained=(), alternatives=(), rivals=(),
    ... )
    >>> known, after = as_of([finding], 21.0)
    >>> len(known), round(float(after), 6)
    (0, 20.0)

    In week 30 it is known and no longer refined:

    >>> known, after = as_of([finding], 30.0)
    >>> len(known), round(float(after), 6)
    (1, 30.0)
    """
    after = np.floor(weeks * 7.0) / 7.0
    # A finding that was still being refined then is searched again from its first day.
    for finding in sorted(findings, key=lambda one: one.completed_at, reverse=True):
        if finding.completed_at + SETTLE_WEEKS >= after:
            after = min(after, np.floor(finding.completed_at * 7.0) / 7.0)
    after = np.nextafter(after, -np.inf)
    known = [finding for finding in findings if finding.completed_at <= after]
    return [_reopened(one) if one.returned_at > after else one for one in known], after


def _reopened(finding: Finding) -> Finding:
    return replace(finding, until=np.inf, until_high=np.inf, returned_at=np.inf, withdrawn=False)


def explain(points: pd.DataFrame, findings: Sequence[Finding]) -> pd.DataFrame:
    """Attribute to each point the finding that explains it, and how much of its level.

    Parameters
    ----------
    points : DataFrame
        With `supplier`, `quantity`, `chamber`, `instrument`, `load`, `weeks`, `is_check_standard`.
    findings : sequence of Finding

    Returns
    -------
    DataFrame
        Index of `points`. `common` (float): what all of them add to the level, in the charted scale; the level without it
        is the film's own. `most` (float): the most that they may add, where the evidence leaves open that they began
        earlier, ended later, were larger (`MOST` standard errors) or came from a competing candidate. `finding` (int): place
        in `findings` of the latest one that may add something; -1 for none. A supplier that moved apart has none while the
        finding lasts: once the source is back, its own level shows whether it moved.

    Examples
    --------
    Of two lots of chamber north the later one lies after the start; the finding explains 0.2 of its level:

    >>> finding = Finding(
    ...     suspect_kind="chamber", suspect="north", quantity="", first_named=("chamber", "north"), direction=1, since=18.0,
    ...     since_low=18.0, since_high=18.0, completed_at=20.0, until=np.inf, until_high=np.inf, returned_at=np.inf,
    ...     sizes={"energy": Size(0.2, 0.03, 0.2, 0.03, np.nan, np.nan)}, sigmas=2.0, sigmas_se=0.3, suppliers=5, agreeing=5,
    ...     score=6.0, check_score=np.nan, apart=(), explained=(), alternatives=(), rivals=(),
    ... )
    >>> points = pd.DataFrame(
    ...     {"supplier": "A", "quantity": "energy", "chamber": "north", "instrument": "meter", "load": "", "weeks": [16.0, 20.0],
    ...      "is_check_standard": False}
    ... )
    >>> explain(points, [finding]).round(2).values.tolist()
    [[-1.0, 0.0, 0.0], [0.0, 0.2, 0.25]]
    """
    parts = [_explained_by(points, finding) for finding in findings]
    number, zero = np.full(len(points), -1), np.zeros(len(points))
    for place, part in enumerate(parts):
        apart = findings[place].apart if np.isinf(findings[place].until) else ()
        number[part.possible & ~points["supplier"].isin(apart).to_numpy(bool)] = place
    possible = sum((part.possible * part.size for part in parts), zero)
    error = np.sqrt(sum((part.possible * part.se**2 for part in parts), zero))
    return pd.DataFrame(
        {
            "finding": number,
            "common": sum((part.certain * part.size for part in parts), zero),
            "most": possible + MOST * np.sign(possible) * error,
        },
        index=points.index,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """What one finding adds to each point: where it does for `certain`, and where the evidence leaves it `possible`."""

    certain: Flags
    possible: Flags
    size: Floats
    se: Floats


def _explained_by(points: pd.DataFrame, finding: Finding) -> _Part:
    weeks, quantity = points["weeks"].to_numpy(np.float64), points["quantity"].astype(str)
    sizes = {name: size_of(finding, name) for name in finding.sizes}
    films, check = (quantity.map({name: one[k] for name, one in sizes.items()}).to_numpy(np.float64) for k in (0, 1))
    size = np.where(points["is_check_standard"].to_numpy(bool), check, films)
    # With a start that is estimated too late the first shifted lots would look like a shift of the supplier's own.
    since = np.isfinite(size) & (weeks >= finding.since_low)
    here = _of_label(points, (finding.suspect_kind, *names_of(finding)))
    competing = np.logical_or.reduce([here, *(_of_label(points, rival) for rival in finding.rivals)])
    se = quantity.map({name: one.se for name, one in finding.sizes.items()}).to_numpy(np.float64)
    return _Part(
        certain=here & since & (weeks < finding.until),
        possible=competing & since & (weeks < finding.until_high),
        size=np.nan_to_num(size),
        se=np.nan_to_num(se),
    )


def _of_label(points: pd.DataFrame, label: tuple[str, ...]) -> Flags:
    """Points made on a source: kind and names."""
    return on_label(points, label[0], label[1], label[-1])
