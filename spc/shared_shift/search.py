"""Film or bench: a shift that suppliers share is the chamber's, the tester's or the load's, not theirs.

Every day of tests the last weeks of each suspect are held against the weeks before. Suppliers that agree, or a check
standard that moved, are one finding that names the suspect; what it explains is no supplier's fault.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.kernels.validation import Floats, positive
from spc.shared_shift.candidates import WITHIN, Candidate, most_likely, on_source, passing, same_matter, shared
from spc.shared_shift.effect import SharedEffect, fit
from spc.shared_shift.finding import SETTLE_WEEKS, Finding, names_of, own_size
from spc.shared_shift.onset import Onset, dated
from spc.shared_shift.supplier_agreement import LOOKBACK, SUSPECTS, LotPoints, agreement, lot_points

__all__ = ["POINT_COLUMNS", "shared_shifts"]

POINT_COLUMNS = (
    "stream", "supplier", "quantity", "chamber", "instrument", "load", "weeks", "z", "sigma", "is_check_standard", "alike",
)  # fmt: skip

_RENAME = 1.0  # log likelihood by which another suspect must explain the lots better
# Two causes that begin within weeks of each other are rarer than one, by about this (log odds; common practice).
_TWO_CAUSES = 7.0
_BACK = 0.35  # of a finding's size, from which a shift the other way ends it
# Share of the lots of both that a way back must have been made on: half where the bench moved an instrument and a chamber
# on it was named, a third where a chamber was named by chance and then an instrument moves.
_BACK_LOTS = 0.4
_QUIET_WEEKS = 8.0  # the same lots moving the same way are the same finding for so long

Flags = NDArray[np.bool_]


def shared_shifts(
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
    that no one or two of them can carry a finding, and seven in ten must agree; one that moved apart from the others of its
    quantity, wherever its lots were made, gives none. The scores are added with weights [1]_ and stand against the budget
    over all suspects and looks of a year, without a check standard also when the supplier that moved most is left out.
    Among the suspects that pass, the likeliest is named, and for four weeks named again as lots come in. What is found is
    taken out of the points before anything else is looked for; a shift back by as much on the same lots ends it.

    References
    ----------
    .. [1] T. Liptak (1958), On the combination of independent tests, Magyar Tud. Akad. Mat. Kutato Int. Kozl. 3,
       171-197; from memory.
    """
    positive(false_findings_per_year, "false_findings_per_year")
    here = lot_points(_checked(points))
    found = list(known)
    day = np.floor(here.weeks * 7.0)
    for end in np.flatnonzero(np.diff(day, append=np.inf)) + 1:
        if here.weeks[end - 1] > after:
            start = np.searchsorted(here.weeks, here.weeks[end - 1] - LOOKBACK, side="right")
            found = _judged(here, slice(int(start), int(end)), found, false_findings_per_year)
    return found


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


def _judged(here: LotPoints, part: slice, found: list[Finding], budget: float) -> list[Finding]:
    """What is known at the end of a day."""
    found = _with_new(here, part, found, budget)
    # After what is new: or a fresh finding would be stretched over a second cause.
    return [_settled(here, part, found, place, budget) for place in range(len(found))]


def _with_new(here: LotPoints, part: slice, found: list[Finding], budget: float) -> list[Finding]:
    z, now = here.z[part] - _removed(here, part, found), float(here.weeks[part.stop - 1])
    candidates = passing(here, agreement(here, z, part), part, budget)
    best = most_likely([one for one in candidates if not _tail(here, part, one, found)])
    if best is None:
        return found
    again = _on_same_lots(here, part, best.members, best.direction, candidates)
    every = dated(here, part, z, Onset(best.since, now), again)
    best = most_likely(every) or best
    if best.evidence < 0:  # a check standard that stayed where it was acquits
        return found
    back = _returns(here, part, best, found)
    if back is not None:
        return [_ended(here, part, found, one, best) if one is back else one for one in found]
    for place in range(len(found)):
        one = _one_cause(here, part, found, place, best, budget)
        if one is not None:
            return [*found[:place], one, *found[place + 1 :]]
    return [*found, _finding(here, part, z, best, every)]


def _ended(here: LotPoints, part: slice, found: list[Finding], finding: Finding, back: Candidate) -> Finding:
    """A finding that came back, its size from the lots in between; what may lie on either side of the return tells nothing."""
    now = float(here.weeks[part.stop - 1])
    ended = replace(finding, until=back.since, until_high=back.since_high, returned_at=now)
    weeks = here.weeks[part]
    own, lasted = _members(here, part, finding), weeks >= finding.since
    on, off = own & lasted & (weeks < back.since), ~own | ~lasted | (weeks >= back.since_high)
    if not on.any():
        return ended
    z = here.z[part] - _removed(here, part, [one for one in found if one is not finding])
    return replace(ended, **_sized(here, fit(here, z, part, on, off)))


def _settled(here: LotPoints, part: slice, found: list[Finding], place: int, budget: float) -> Finding:
    """A fresh finding with the suspect, start and size that today's lots tell."""
    finding = found[place]
    z, again = _seen_again(here, part, found, place, budget)
    every = dated(here, part, z, Onset(finding.since, finding.completed_at), again)
    best, kept = most_likely(every), _named_so(every, finding)
    if best is None or best.evidence < 0:
        return finding
    if kept is not None and best.evidence <= kept.evidence + _RENAME:
        best = kept
    return _renamed(finding, _finding(here, part, z, best, every))


def _one_cause(
    here: LotPoints, part: slice, found: list[Finding], place: int, new: Candidate, budget: float
) -> Finding | None:
    """One suspect in place of a fresh finding and a new one beside it, where it explains both about as well."""
    finding = found[place]
    if new.direction != finding.direction:
        return None
    z, again = _seen_again(here, part, found, place, budget)
    begun = Onset(finding.since, finding.completed_at)
    every = dated(here, part, z, begun, again)
    joint = [one for one in every if same_matter(new.members, one.members, here.weeks[part], new.since)]
    kept, both = _named_so(every, finding), most_likely(joint)
    if kept is None or both is None or both.evidence + _TWO_CAUSES < kept.evidence + new.evidence:
        return None
    return _renamed(finding, _finding(here, part, z, both, joint))


def _named_so(every: Sequence[Candidate], finding: Finding) -> Candidate | None:
    """The one with the suspect of a finding."""
    return most_likely([one for one in every if one.label == _label(finding)])


def _seen_again(
    here: LotPoints, part: slice, found: list[Finding], place: int, budget: float
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


def _on_same_lots(
    here: LotPoints, part: slice, own: Flags, direction: int, passed: Sequence[Candidate]
) -> list[Candidate]:
    """Those in the same direction on mostly the same lots."""
    weeks = here.weeks[part]
    return [one for one in passed if one.direction == direction and same_matter(own, one.members, weeks, one.since)]


def _renamed(finding: Finding, again: Finding) -> Finding:
    return replace(again, first_named=finding.first_named, completed_at=finding.completed_at)


def _tail(here: LotPoints, part: slice, candidate: Candidate, found: Sequence[Finding]) -> bool:
    """Whether it is the rest of what was found in the last weeks, or a small shift back after too large an estimate."""
    now = float(here.weeks[part.stop - 1])
    for finding in found:
        age = now - finding.completed_at
        if age > _QUIET_WEEKS + LOOKBACK or not _same(here, part, candidate, finding):
            continue
        # As long as the lots of its start are looked at, a small rest is the error of its size.
        rest = candidate.size < _BACK * abs(finding.sigmas)
        # What began after the finding was over is none of its lots.
        lasts = candidate.direction == finding.direction and candidate.since < finding.until
        if rest or (lasts and age <= _QUIET_WEEKS):
            return True
    return False


def _same(here: LotPoints, part: slice, candidate: Candidate, finding: Finding) -> bool:
    own = _members(here, part, finding)
    return same_matter(own, candidate.members, here.weeks[part], candidate.since)


def _returns(here: LotPoints, part: slice, candidate: Candidate, found: Sequence[Finding]) -> Finding | None:
    """The latest finding that lasts, on the same lots, which this one takes back; what began before it takes nothing back."""
    for finding in reversed(found):
        opposite = candidate.direction == -finding.direction and np.isinf(finding.until)
        if (
            opposite
            and candidate.since > finding.since
            and candidate.size >= _BACK * abs(finding.sigmas)
            and _of_its_own(here, part, candidate, finding)
        ):
            return finding
    return None


def _of_its_own(here: LotPoints, part: slice, candidate: Candidate, finding: Finding) -> bool:
    """Whether two suspects made so many of the same lots that one is the other's way back, and not a cause beside it."""
    recent = here.weeks[part] >= candidate.since
    return shared(_members(here, part, finding) & recent, candidate.members & recent) >= _BACK_LOTS


# What is known already, taken out


def _label(finding: Finding) -> tuple[str, tuple[str, ...]]:
    return finding.suspect_kind, names_of(finding)


def _members(here: LotPoints, part: slice, finding: Finding) -> Flags:
    """Lots made on the suspect, whenever."""
    return _made_on(here, part, *_label(finding))


def _made_on(here: LotPoints, part: slice, kind_name: str, label: tuple[str, ...]) -> Flags:
    kind = next(one for one in here.kinds if one.name == kind_name)
    if label not in kind.labels:
        return np.zeros(part.stop - part.start, dtype=bool)
    return on_source(kind, kind.labels.index(label), part)


def _removed(here: LotPoints, part: slice, found: Sequence[Finding]) -> Floats:
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


def _added(here: LotPoints, whole: slice, on: Flags, finding: Finding) -> Floats:
    """The shift in the scale that each stream had when it began: scores add up steps, so it stays that large."""
    added = np.zeros(on.size)
    stream, first, back = np.unique(here.stream[whole][on], return_index=True, return_inverse=True)
    if stream.size:
        sizes = np.array([own_size(finding, name) for name in here.quantities]).reshape(-1, 2)
        check = here.check[whole][on].astype(int)
        shift = sizes[here.quantity[whole][on], check]
        # Where every supplier of a quantity moved apart nothing is known of its shift, and nothing is taken out.
        added[on] = np.nan_to_num(shift / here.sigma[whole][on][first][back])
    return added


# A finding in figures


def _finding(here: LotPoints, part: slice, z: Floats, best: Candidate, every: Sequence[Candidate]) -> Finding:
    on = best.members & (here.weeks[part] >= best.since)
    common = fit(here, z, part, on, ~on)
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
        until_high=np.inf,
        returned_at=np.inf,
        **_sized(here, common),
        suppliers=common.suppliers,
        agreeing=common.agreeing,
        score=best.score,
        check_score=best.check,
        apart=apart,
        explained=_explained(here, part, on, common),
        alternatives=best.alternatives(here, part),
        rivals=tuple(
            (one.label[0], *one.label[1])
            for one in every
            if one.label != best.label and one.evidence >= best.evidence - WITHIN
        ),
    )


def _sized(here: LotPoints, common: SharedEffect) -> dict[str, Any]:
    return {
        "sizes": {here.quantities[number]: size for number, size in common.sizes.items()},
        "sigmas": common.sigmas,
        "sigmas_se": common.sigmas_se,
    }


def _explained(here: LotPoints, part: slice, on: Flags, common: SharedEffect) -> tuple[int, ...]:
    kept = on & ~np.isin(here.supplier[part], common.apart)
    return tuple(sorted(int(number) for number in here.stream_ids[np.unique(here.stream[part][kept])]))
