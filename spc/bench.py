"""Film or bench: a shift that suppliers share is the chamber's, the tester's or the load's, not theirs.

Every day of tests the last weeks of each suspect are held against the weeks before. Suppliers that agree, or a check
standard that moved, are one finding that names the suspect; what it explains is no supplier's fault.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from spc._agreement import LOOKBACK, SUSPECTS, Lab, agreement, lab, members
from spc._checks import Floats, positive
from spc._common import Common, Size, fit
from spc._dating import Begun, best_dated
from spc._suspicion import Candidate, likeliest, on_suspect, passing, same_matter

__all__ = ["POINT_COLUMNS", "SETTLE_WEEKS", "Finding", "Size", "as_of", "common_shifts", "explain"]

POINT_COLUMNS = (
    "stream", "supplier", "quantity", "chamber", "instrument", "load", "weeks", "z", "sigma", "is_check_standard", "alike",
)  # fmt: skip

SETTLE_WEEKS = 4.0
"""Weeks in which later lots still make a finding's suspect, start and size surer."""
_RENAME = 1.0  # log likelihood by which another suspect must explain the lots better
# Two causes that begin within weeks of each other are rarer than one, by about this (log odds; common practice).
_TWO_CAUSES = 7.0
_BACK = 0.35  # of a finding's size, from which a shift the other way ends it
_QUIET_WEEKS = 8.0  # the same lots moving the same way are the same finding for so long

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Finding:
    """A shift in common.

    `suspect_kind` is a key of `spc._agreement.SUSPECTS`, `suspect` its name, `quantity` what it moves ("" for all);
    `first_named` the kind and names of the suspect on the day it was found. Times in weeks: `since` with its interval, `completed_at` the test
    that completed the evidence, `until` the first test after the return (inf while it lasts) and `returned_at` the test
    that showed it. `sizes` holds for each quantity the shift in the charted scale; `sigmas` is it in standard deviations
    of a lot. `score` is the agreement of the suppliers, standard normal by chance, `check_score` that of the check
    standards (nan without one). `alternatives` are suspects with almost the same lots: the figures cannot tell.
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

    @property
    def chance(self) -> float:
        """Two-sided chance of the suppliers' agreement, at one look."""
        return float(2.0 * special.ndtr(-abs(self.score)))


def common_shifts(
    points: pd.DataFrame,
    *,
    false_findings_per_year: float = 1.0,
    known: Sequence[Finding] = (),
    after: float = -np.inf,
) -> list[Finding]:
    """Find shifts that several suppliers, or a check standard, share on one chamber, instrument or load.

    Parameters
    ----------
    points : DataFrame
        One row a valid lot or check, of all streams, with `POINT_COLUMNS`: `stream` (int), `supplier`, `quantity`,
        `chamber`, `instrument`, `load` (str; empty or missing where unknown), `weeks` (float, test time), `z` and
        `sigma` (float, `spc.ownscores`; rows with nan are stepped over), `is_check_standard` (bool), `alike` (float,
        correlation of neighbouring lots to be expected of the stream as known then, from 0 to below 1). Any order.
    false_findings_per_year : float
        Findings a year that the whole lab accepts by chance, > 0.
    known : sequence of Finding
        What was found up to `after` (see `as_of`): only later days are looked at. `points` must then reach back 60
        weeks before `after`.
    after : float
        Weeks; the days of tests up to that moment are known.

    Returns
    -------
    list of Finding
        In order of `completed_at`, `known` first.

    Raises
    ------
    ValueError
        If a column is missing, a time is not finite or the budget is not above 0.

    Notes
    -----
    A day of tests is judged with the points up to its end and none later. In each suspect the lots of the last half
    week to six weeks are held against the same streams' weeks before. Each supplier gives one standard score, held to 3 so
    that no one or two of them can carry a finding, and seven in ten must agree; the scores are added with weights [1]_ and
    stand against the budget over all suspects and looks of a year, without a check standard also when the supplier that
    moved most is left out. Among the suspects that pass, the likeliest is named, and for four weeks named again as lots
    come in. What is found is taken out of the points before anything else is looked for; a shift back by as much on the
    same lots ends it.

    References
    ----------
    .. [1] T. Liptak (1958), On the combination of independent tests, Magyar Tud. Akad. Mat. Kutato Int. Kozl. 3,
       171-197; from memory.
    """
    positive(false_findings_per_year, "false_findings_per_year")
    here = lab(_checked(points))
    found = list(known)
    day = np.floor(here.weeks * 7.0)
    for end in np.flatnonzero(np.diff(day, append=np.inf)) + 1:
        if here.weeks[end - 1] > after:
            start = np.searchsorted(here.weeks, here.weeks[end - 1] - LOOKBACK, side="right")
            found = _judged(here, slice(int(start), int(end)), found, false_findings_per_year)
    return found


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
    return [replace(one, until=np.inf, returned_at=np.inf) if one.returned_at > after else one for one in known], after


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
        Index of `points`; `finding` (int, place in `found` of the latest one on whose suspect the point was made while it
        lasted, from the earliest start that the evidence leaves open; -1 for none or where the supplier moved apart),
        `common` (float, what all of them add to the level, in the charted scale): the level without it is the film's own;
        and `common_se` (float), its standard error.
    """
    number, common, variance = np.full(len(points), -1), np.zeros(len(points)), np.zeros(len(points))
    weeks, quantity = points["weeks"].to_numpy(np.float64), points["quantity"].astype(str)
    check, supplier = points["is_check_standard"].to_numpy(bool), points["supplier"].astype(str)
    for place, finding in enumerate(found):
        held = members(points, finding.suspect_kind, finding.suspect, finding.quantity)
        # A start told too late would leave the first shifted lots to the supplier, and they alone can accuse it.
        held &= (weeks >= finding.since_low) & (weeks < finding.until)
        own = {name: _own_size(finding, name) for name in finding.sizes}
        size = np.where(
            check,
            quantity.map({name: one[1] for name, one in own.items()}).to_numpy(np.float64),
            quantity.map({name: one[0] for name, one in own.items()}).to_numpy(np.float64),
        )
        held &= np.isfinite(size)
        common[held] += size[held]
        errors = quantity.map({name: one.se for name, one in finding.sizes.items()}).to_numpy(np.float64)
        variance[held] += np.nan_to_num(errors[held]) ** 2
        number[held & ~supplier.isin(finding.apart).to_numpy(bool)] = place
    return pd.DataFrame({"finding": number, "common": common, "common_se": np.sqrt(variance)}, index=points.index)


def _checked(points: pd.DataFrame) -> pd.DataFrame:
    missing = [column for column in POINT_COLUMNS if column not in points.columns]
    if missing:
        raise ValueError(
            f"points: the columns {', '.join(missing)} are missing; give all of {', '.join(POINT_COLUMNS)}"
        )
    if not np.isfinite(points["weeks"].to_numpy(np.float64)).all():
        raise ValueError("points: weeks must be finite; leave out points without a test time")
    alike = points["alike"].to_numpy(np.float64)
    if not ((alike >= 0) & (alike < 1)).all():
        raise ValueError("points: alike must be a correlation from 0 to below 1")
    return points


# One day


def _judged(here: Lab, part: slice, found: list[Finding], budget: float) -> list[Finding]:
    """What is known at the end of a day."""
    found = _with_new(here, part, found, budget)
    # After what is new: or a fresh finding would be stretched over a second cause.
    return [_settled(here, part, found, place, budget) for place in range(len(found))]


def _with_new(here: Lab, part: slice, found: list[Finding], budget: float) -> list[Finding]:
    z, now = here.z[part] - _removed(here, part, found), float(here.weeks[part.stop - 1])
    candidates = passing(here, agreement(here, z, part), part, budget)
    best = likeliest([one for one in candidates if not _tail(here, part, one, found)])
    if best is None:
        return found
    again = _on_same_lots(here, part, best.members, best.direction, candidates)
    best = best_dated(here, part, z, Begun(best.since, now), again) or best
    if best.evidence < 0:  # a check standard that stayed where it was acquits
        return found
    back = _returns(here, part, best, found)
    if back is not None:
        return [_ended(here, part, found, one, best.since) if one is back else one for one in found]
    for place in range(len(found)):
        one = _one_cause(here, part, found, place, best, budget)
        if one is not None:
            return [*found[:place], one, *found[place + 1 :]]
    return [*found, _finding(here, part, z, best)]


def _ended(here: Lab, part: slice, found: list[Finding], finding: Finding, until: float) -> Finding:
    """A finding that came back, its size from the lots in between."""
    ended = replace(finding, until=until, returned_at=float(here.weeks[part.stop - 1]))
    weeks = here.weeks[part]
    on = _members(here, part, finding) & (weeks >= finding.since) & (weeks < until)
    if not on.any():
        return ended
    z = here.z[part] - _removed(here, part, [one for one in found if one is not finding])
    return replace(ended, **_sized(here, fit(here, z, part, on)))


def _settled(here: Lab, part: slice, found: list[Finding], place: int, budget: float) -> Finding:
    """A fresh finding with the suspect, start and size that today's lots tell."""
    finding = found[place]
    z, again = _seen_again(here, part, found, place, budget)
    begun = Begun(finding.since, finding.completed_at)
    best = best_dated(here, part, z, begun, again)
    if best is None or best.evidence < 0:
        return finding
    kept = best_dated(here, part, z, begun, again, only=_label(finding))
    if kept is not None and best.evidence <= kept.evidence + _RENAME:
        best = kept
    return _renamed(finding, _finding(here, part, z, best))


def _one_cause(
    here: Lab, part: slice, found: list[Finding], place: int, new: Candidate, budget: float
) -> Finding | None:
    """One suspect in place of a fresh finding and a new one beside it, where it explains both about as well."""
    finding = found[place]
    if new.direction != finding.direction:
        return None
    z, again = _seen_again(here, part, found, place, budget)
    begun = Begun(finding.since, finding.completed_at)
    kept = best_dated(here, part, z, begun, again, only=_label(finding))
    joint = [one for one in again if same_matter(new.members, one.members, here.weeks[part], new.since)]
    both = best_dated(here, part, z, begun, joint)
    if kept is None or both is None or both.evidence + _TWO_CAUSES < kept.evidence + new.evidence:
        return None
    return _renamed(finding, _finding(here, part, z, both))


def _seen_again(
    here: Lab, part: slice, found: list[Finding], place: int, budget: float
) -> tuple[Floats, list[Candidate]]:
    """The scores with only the other findings taken out, and what passes on a fresh finding's lots in its direction."""
    finding, now = found[place], float(here.weeks[part.stop - 1])
    if now - finding.completed_at > SETTLE_WEEKS or np.isfinite(finding.until):
        return here.z[part], []
    z = here.z[part] - _removed(here, part, found[:place] + found[place + 1 :])
    own = _members(here, part, finding)
    # Not by way of a suspect in between to one that has no lot of the first.
    first = _made_on(here, part, finding.first_named[0], finding.first_named[1:])
    passed = passing(here, agreement(here, z, part), part, budget)
    near = _on_same_lots(here, part, first, finding.direction, passed)
    return z, _on_same_lots(here, part, own, finding.direction, near)


def _on_same_lots(here: Lab, part: slice, own: Flags, direction: int, passed: Sequence[Candidate]) -> list[Candidate]:
    """Those in the same direction on mostly the same lots."""
    weeks = here.weeks[part]
    return [one for one in passed if one.direction == direction and same_matter(own, one.members, weeks, one.since)]


def _renamed(finding: Finding, again: Finding) -> Finding:
    return replace(again, first_named=finding.first_named, completed_at=finding.completed_at)


def _tail(here: Lab, part: slice, candidate: Candidate, found: Sequence[Finding]) -> bool:
    """Whether it is the rest of what was found in the last weeks, or a small shift back after too large an estimate."""
    now = float(here.weeks[part.stop - 1])
    for finding in found:
        age = now - finding.completed_at
        if age > _QUIET_WEEKS + LOOKBACK or not _same(here, part, candidate, finding):
            continue
        # As long as the lots of its start are looked at, a small rest is the error of its size.
        rest = candidate.size < _BACK * abs(finding.sigmas)
        if rest or (candidate.direction == finding.direction and age <= _QUIET_WEEKS):
            return True
    return False


def _same(here: Lab, part: slice, candidate: Candidate, finding: Finding) -> bool:
    own = _members(here, part, finding)
    return same_matter(own, candidate.members, here.weeks[part], candidate.since)


def _returns(here: Lab, part: slice, candidate: Candidate, found: Sequence[Finding]) -> Finding | None:
    """The latest finding that lasts, on the same lots, which this one takes back; what began before it takes nothing back."""
    for finding in reversed(found):
        opposite = candidate.direction == -finding.direction and np.isinf(finding.until)
        if (
            opposite
            and candidate.since > finding.since
            and candidate.size >= _BACK * abs(finding.sigmas)
            and _same(here, part, candidate, finding)
        ):
            return finding
    return None


# What is known already, taken out


def _label(finding: Finding) -> tuple[str, tuple[str, ...]]:
    names = (finding.suspect, finding.quantity) if len(SUSPECTS[finding.suspect_kind]) > 1 else (finding.suspect,)
    return finding.suspect_kind, names


def _members(here: Lab, part: slice, finding: Finding) -> Flags:
    """Lots made on the suspect, whenever."""
    return _made_on(here, part, *_label(finding))


def _made_on(here: Lab, part: slice, kind_name: str, label: tuple[str, ...]) -> Flags:
    kind = next(one for one in here.kinds if one.name == kind_name)
    if label not in kind.labels:
        return np.zeros(part.stop - part.start, dtype=bool)
    return on_suspect(kind, kind.labels.index(label), part)


def _removed(here: Lab, part: slice, found: Sequence[Finding]) -> Floats:
    """What the findings add to each score of the last weeks."""
    total = np.zeros(part.stop - part.start)
    first_week = float(here.weeks[part.start])
    for finding in found:
        # One that covers all these weeks, or none of them, moves nothing within them.
        if finding.until <= first_week or (finding.since <= first_week and np.isinf(finding.until)):
            continue
        whole = slice(int(np.searchsorted(here.weeks, finding.since)), part.stop)
        on = _members(here, whole, finding) & (here.weeks[whole] < finding.until)
        added = _added(here, whole, on, finding)
        overlap = max(whole.start, part.start)
        total[overlap - part.start :] += added[overlap - whole.start :]
    return total


def _added(here: Lab, whole: slice, on: Flags, finding: Finding) -> Floats:
    """The shift in the scale that each stream had when it began: scores add up steps, so it stays that large."""
    added = np.zeros(on.size)
    stream, first, back = np.unique(here.stream[whole][on], return_index=True, return_inverse=True)
    if stream.size:
        sizes = np.array([_own_size(finding, name) for name in here.quantities]).reshape(-1, 2)
        check = here.check[whole][on].astype(int)
        shift = sizes[here.quantity[whole][on], check]
        # Where every supplier of a quantity moved apart nothing is known of its shift, and nothing is taken out.
        added[on] = np.nan_to_num(shift / here.sigma[whole][on][first][back])
    return added


def _own_size(finding: Finding, quantity: str) -> tuple[float, float]:
    """The shift of the films and that of the check standards."""
    size = finding.sizes.get(quantity)
    if size is None:
        return 0.0, 0.0
    return size.size, size.size if np.isnan(size.check) else size.check


# A finding in figures


def _finding(here: Lab, part: slice, z: Floats, best: Candidate) -> Finding:
    on = best.members & (here.weeks[part] >= best.since)
    common = fit(here, z, part, on)
    kind, names = best.label
    apart = tuple(sorted(here.suppliers[number] for number in common.apart))
    now = float(here.weeks[part.stop - 1])
    return Finding(
        suspect_kind=kind,
        suspect=names[0],
        quantity=names[-1] if "quantity" in SUSPECTS[kind] else "",
        first_named=(kind, *names),
        direction=best.direction,
        since=best.since,
        since_low=best.since_low,
        since_high=best.since_high,
        completed_at=now,
        until=np.inf,
        returned_at=np.inf,
        **_sized(here, common),
        suppliers=common.suppliers,
        agreeing=common.agreeing,
        score=best.score,
        check_score=best.check,
        apart=apart,
        explained=_explained(here, part, on, common),
        alternatives=best.alternatives(here, part),
    )


def _sized(here: Lab, common: Common) -> dict[str, Any]:
    return {
        "sizes": {here.quantities[number]: size for number, size in common.sizes.items()},
        "sigmas": common.sigmas,
        "sigmas_se": common.sigmas_se,
    }


def _explained(here: Lab, part: slice, on: Flags, common: Common) -> tuple[int, ...]:
    kept = on & ~np.isin(here.supplier[part], common.apart)
    return tuple(sorted(int(number) for number in here.stream_ids[np.unique(here.stream[part][kept])]))
