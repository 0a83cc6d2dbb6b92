"""A shift in common as it is known, and what it explains of the levels that were measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from spc.kernels.validation import Floats
from spc.shared_shift.effect import Size
from spc.shared_shift.supplier_agreement import SUSPECTS, members

__all__ = ["MOST", "SETTLE_WEEKS", "Finding", "Size", "as_of", "explain", "names_of", "own_size"]

SETTLE_WEEKS = 4.0
"""Weeks in which later lots still make a finding's suspect, start and size surer."""
MOST = 1.645
"""Standard errors by which the bench may have added more than its likeliest: one in twenty lies beyond (normal law)."""

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Finding:
    """A shift in common.

    `suspect_kind` is a key of `spc._agreement.SUSPECTS`, `suspect` its name, `quantity` what it moves ("" for all);
    `first_named` the kind and names of the suspect on the day it was found. Times in weeks: `since` with its interval,
    `completed_at` the test that completed the evidence, `until` the first test after the return (inf while it lasts), at the
    latest `until_high`, and `returned_at` the test that showed it. `sizes` holds for each quantity the shift in the charted
    scale; `sigmas` is it in standard deviations of a lot. `score` is the agreement of the suppliers, standard normal by
    chance, `check_score` that of the check standards (nan without one). `alternatives` are suspects with almost the same
    lots: the figures cannot tell. `rivals` are kind and names of suspects that explain the lots almost as well.
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

    @property
    def chance(self) -> float:
        """Two-sided chance of the suppliers' agreement, at one look."""
        return float(2.0 * special.ndtr(-abs(self.score)))


def names_of(finding: Finding) -> tuple[str, ...]:
    """The names of its suspect, the quantity last where the kind has one."""
    return (finding.suspect, finding.quantity) if len(SUSPECTS[finding.suspect_kind]) > 1 else (finding.suspect,)


def own_size(finding: Finding, quantity: str) -> tuple[float, float]:
    """The shift of the films and that of the check standards."""
    size = finding.sizes.get(quantity)
    if size is None:
        return 0.0, 0.0
    return size.size, size.size if np.isnan(size.check) else size.check


def as_of(found: Sequence[Finding], weeks: float) -> tuple[list[Finding], float]:
    """What was known before a moment, and the moment from which days must be looked at again.

    Parameters
    ----------
    found : sequence of Finding
        Found with points up to any time.
    weeks : float
        The first moment at which a point is new or changed.

    Returns
    -------
    known : list of Finding
    after : float
        Both for `common_shifts`.
    """
    after = np.floor(weeks * 7.0) / 7.0
    # What was still settling then is found again from its first day.
    for finding in sorted(found, key=lambda one: one.completed_at, reverse=True):
        if finding.completed_at + SETTLE_WEEKS >= after:
            after = min(after, np.floor(finding.completed_at * 7.0) / 7.0)
    after = np.nextafter(after, -np.inf)
    known = [finding for finding in found if finding.completed_at <= after]
    return [_again_open(one) if one.returned_at > after else one for one in known], after


def _again_open(finding: Finding) -> Finding:
    return replace(finding, until=np.inf, until_high=np.inf, returned_at=np.inf)


def explain(points: pd.DataFrame, found: Sequence[Finding]) -> pd.DataFrame:
    """Say of each point which finding explains it, and how much of its level.

    Parameters
    ----------
    points : DataFrame
        With `supplier`, `quantity`, `chamber`, `instrument`, `load`, `weeks`, `is_check_standard`.
    found : sequence of Finding

    Returns
    -------
    DataFrame
        Index of `points`. `common` (float): what all of them add to the level, in the charted scale; the level without it
        is the film's own. `most` (float): the most that they may add, where the evidence leaves open that they began
        earlier, ended later, were larger (`MOST` standard errors) or were a rival's. `finding` (int): place in `found` of
        the latest one that may add something; -1 for none or where the supplier moved apart.
    """
    parts = [_explained_by(points, finding) for finding in found]
    number, zero = np.full(len(points), -1), np.zeros(len(points))
    for place, part in enumerate(parts):
        number[part.possible & ~points["supplier"].isin(found[place].apart).to_numpy(bool)] = place
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
    """What one finding adds to each point where it does: `certain` as told, `possible` where the evidence leaves it open."""

    certain: Flags
    possible: Flags
    size: Floats
    se: Floats


def _explained_by(points: pd.DataFrame, finding: Finding) -> _Part:
    weeks, quantity = points["weeks"].to_numpy(np.float64), points["quantity"].astype(str)
    own = {name: own_size(finding, name) for name in finding.sizes}
    films, check = (quantity.map({name: one[k] for name, one in own.items()}).to_numpy(np.float64) for k in (0, 1))
    size = np.where(points["is_check_standard"].to_numpy(bool), check, films)
    # A start told too late would leave the first shifted lots to the supplier, and they alone can accuse it.
    since = np.isfinite(size) & (weeks >= finding.since_low)
    here = _of_label(points, (finding.suspect_kind, *names_of(finding)))
    suspected = np.logical_or.reduce([here, *(_of_label(points, rival) for rival in finding.rivals)])
    se = quantity.map({name: one.se for name, one in finding.sizes.items()}).to_numpy(np.float64)
    return _Part(
        certain=here & since & (weeks < finding.until),
        possible=suspected & since & (weeks < finding.until_high),
        size=np.nan_to_num(size),
        se=np.nan_to_num(se),
    )


def _of_label(points: pd.DataFrame, label: tuple[str, ...]) -> Flags:
    """Points made on a suspect: kind and names."""
    return members(points, label[0], label[1], label[-1])
