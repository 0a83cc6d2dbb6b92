"""Film or bench: a shift that suppliers share comes from the chamber, the tester or the load, not from them.

Every day of tests the last weeks of each candidate source are compared with the weeks before. Suppliers that agree, or a
check standard that moved, make one finding that names the source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.kernels.validation import Floats, positive
from spc.shared_shift.candidates import WITHIN, Candidate, beyond_chance, most_likely, overlap, same_lots
from spc.shared_shift.effect import SharedEffect, fit
from spc.shared_shift.finding import SETTLE_WEEKS, Finding, names_of, size_of
from spc.shared_shift.lot_points import LINE_WEEKS, LOOKBACK, SOURCES, LotPoints, Window, lot_points, stretch, window
from spc.shared_shift.onset import FELT_BY_CHECKS, Onset, with_best_start
from spc.shared_shift.supplier_agreement import agreement

__all__ = ["POINT_COLUMNS", "shared_shifts"]

POINT_COLUMNS = (
    "stream", "supplier", "quantity", "chamber", "instrument", "load", "weeks", "z", "sigma", "is_check_standard", "alike",
)  # fmt: skip

_RENAME = 1.0  # Log likelihood by which another source must explain the lots better
# Two causes that begin within weeks of each other are rarer than one, by about this (log odds; common practice).
_TWO_CAUSES = 7.0
_BACK = 0.35  # Share of a finding's size: a shift back by this much ends the finding
# Share of the lots of both that a way back must have been made on: half where the bench moved an instrument and a chamber
# on it was named, a third where a chamber was named by chance and then an instrument moves.
_BACK_LOTS = 0.4
# Later lots withdraw a finding where they show none of it and the upper 95 % end of what they may show is below this share.
_LEFT = 0.5
_END = 1.96
# A shift below this many standard deviations between lots changes no verdict and no chart (common practice).
_LEAST_SIGMAS = 0.25
_FEWEST_BESIDE = 3  # Lots of a stream off the source with which its lots on the source can be compared
# As long as a finding is tested again: its weeks before and all since are among the 60 weeks of points that a round reads.
_TESTED_WEEKS = 46.0
_QUIET_WEEKS = 8.0  # The same lots moving the same way are the same finding for so long

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
        `sigma` (float, of `reference_scores`; rows with nan are skipped), `is_check_standard` (bool), `alike` (float, expected
        correlation of the stream's neighbouring lots as known then, from 0 to below 1). Any order.
    false_findings_per_year : float
        Findings a year that the whole lab accepts by chance, > 0.
    known : sequence of Finding
        Findings up to `after` (see `as_of`): only later days are searched. `points` must then reach back 60 weeks before
        `after`.
    after : float
        Weeks; the days of tests up to that moment have been searched.

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
    A day of tests is judged with the points up to its end and none later. On each source the lots of the last half
    week to six weeks are compared with the same streams' weeks before. A film whose level is away from its start counts by the
    step beyond its own straight line, or streams that drift for reasons of their own would agree. Each supplier gives one
    standard score, limited to 3 so that no one or two of them can make a finding; seven in ten suppliers must agree, and where
    there are 20 streams three in four of them. A supplier that moved apart from the others of its quantity, wherever its lots
    were made, is not counted. The scores are added with weights [1]_ and compared with the budget over all sources and looks
    of a year, without a check standard also when the supplier that moved most is left out. Of the candidates beyond chance
    the likeliest is named, and for four weeks named again as lots come in. A finding is taken out of the points before
    anything else is searched; a shift back by as much on the same lots ends it, and later lots that do not show it withdraw it.

    References
    ----------
    .. [1] T. Liptak (1958), On the combination of independent tests, Magyar Tud. Akad. Mat. Kutato Int. Kozl. 3,
       171-197; from memory.

    Examples
    --------
    Six suppliers share two chambers. From week 18 on chamber north reads two standard deviations higher:

    >>> weeks, stream = np.tile(np.arange(24.0), 6), np.repeat(range(6), 24)
    >>> north = (weeks + stream) % 2 == 0
    >>> points = pd.DataFrame(
    ...     {
    ...         "stream": stream, "supplier": np.repeat(list("ABCDEF"), 24), "quantity": "energy",
    ...         "chamber": np.where(north, "north", "south"), "instrument": "meter", "load": "", "weeks": weeks,
    ...         "z": np.where(north & (weeks >= 18), 2.0, 0.0), "sigma": 0.1, "is_check_standard": False, "alike": 0.0,
    ...     }
    ... )
    >>> found = shared_shifts(points)
    >>> [(one.suspect_kind, one.suspect, one.since, round(one.sizes["energy"].size, 2), one.agreeing) for one in found]
    [('chamber and quantity', 'north', 18.0, 0.2, 6)]
    """
    positive(false_findings_per_year, "false_findings_per_year")
    numbered = lot_points(_checked(points))
    findings = list(known)
    day = np.floor(numbered.weeks * 7.0)
    for end in np.flatnonzero(np.diff(day, append=np.inf)) + 1:
        if numbered.weeks[end - 1] > after:
            findings = _Day(numbered, int(end), false_findings_per_year).searched(findings)
    return findings


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


@dataclass(frozen=True, slots=True, eq=False)
class _Day:
    """The points up to the end of a day of tests, and the findings a year that may be false."""

    points: LotPoints
    end: int
    budget: float

    def without(self, findings: Sequence[Finding], steady_until: float = np.inf) -> Window:
        """The window of that day, with findings taken out."""
        now = self.points.weeks[self.end - 1]
        first = int(np.searchsorted(self.points.weeks, now - LINE_WEEKS, side="right"))
        return window(self.points, self.end, _removed(self.points, slice(first, self.end), findings), steady_until)

    def searched(self, findings: list[Finding]) -> list[Finding]:
        """The findings at the end of the day."""
        findings = self._with_new(findings)
        # After a new one: or a fresh finding would be stretched over a second cause.
        findings = [self._refined(findings, place) for place in range(len(findings))]
        for place in range(len(findings)):
            findings = [*findings[:place], self._tested_again(findings, place), *findings[place + 1 :]]
        return findings

    def _with_new(self, findings: list[Finding]) -> list[Finding]:
        view = self.without(findings)
        candidates = beyond_chance(view, agreement(view), self.budget)
        best = most_likely([one for one in candidates if not _remainder(view, one, findings)])
        if best is None:
            return findings
        competing = _on_same_lots(view, best.members, best.direction, candidates)
        dated = with_best_start(view, Onset(best.since, view.now), competing)
        best = most_likely(dated) or best
        if best.evidence < 0:  # a check standard that stayed in place excludes the source
            return findings
        for place in range(len(findings)):
            one = self._one_cause(findings, place, best)
            if one is not None:
                return [*findings[:place], one, *findings[place + 1 :]]
        returned = _taken_back(view, best, findings)
        if returned is not None:
            return [self._ended(findings, one, best) if one is returned else one for one in findings]
        new = _finding(view, best, dated)
        return findings if _is_negligible(view, new) else [*findings, new]

    def _ended(self, findings: list[Finding], finding: Finding, back: Candidate) -> Finding:
        """A finding that ended, its size and its streams from the lots in between.

        Lots that may lie on either side of the return are left out.
        """
        view = self.without([one for one in findings if one is not finding], finding.since)
        ended = replace(finding, until=back.since, until_high=back.since_high, returned_at=view.now)
        members, lasted = _members(view, finding), view.weeks >= finding.since
        on = members & lasted & (view.weeks < back.since)
        off = ~members | ~lasted | (view.weeks >= back.since_high)
        return replace(ended, **_shown(view, on, fit(view, on, off))) if on.any() else ended

    def _refined(self, findings: list[Finding], place: int) -> Finding:
        """A fresh finding with the source, start and size of today's lots."""
        finding = findings[place]
        if not self._is_fresh(finding):
            return finding
        view, competing = self._again(findings, place)
        dated = with_best_start(view, Onset(finding.since, finding.completed_at), competing) if competing else []
        best, kept = most_likely(dated), _same_name(dated, finding)
        if best is None or best.evidence < 0:
            return finding
        if kept is not None and best.evidence <= kept.evidence + _RENAME:
            best = kept
        return _renamed(finding, _finding(view, best, dated))

    def _tested_again(self, findings: list[Finding], place: int) -> Finding:
        """A finding that lasts, or ended where the lots since it was made do not show it.

        Only lots that came after it was made decide: the lots that made it are those that chance picked.
        """
        finding, now = findings[place], float(self.points.weeks[self.end - 1])
        age = now - finding.since
        if np.isfinite(finding.until) or age > _TESTED_WEEKS or now <= finding.completed_at + SETTLE_WEEKS:
            return finding
        first = int(np.searchsorted(self.points.weeks, finding.since - LOOKBACK))
        removed = _removed(self.points, slice(first, self.end), findings[:place] + findings[place + 1 :])
        view = stretch(self.points, self.end, removed, finding.since)
        later = _members(view, finding) & (view.weeks > finding.completed_at)
        if not later.any() or not _contradicted(view, finding, later):
            return finding
        until, until_high = _last_shown(view, finding)
        return replace(finding, until=until, until_high=until_high, returned_at=now, withdrawn=True)

    def _one_cause(self, findings: list[Finding], place: int, new: Candidate) -> Finding | None:
        """One source in place of a fresh finding and a new one beside it, where it explains both about as well.

        A new one in the other direction says that a part of the finding's lots did not move: of two instruments only one.
        """
        finding = findings[place]
        if not self._is_fresh(finding):
            return None
        view, competing = self._again(findings, place)
        dated = with_best_start(view, Onset(finding.since, finding.completed_at), competing) if competing else []
        same_way, recent = new.direction == finding.direction, view.weeks >= new.since
        joint = [one for one in dated if same_lots(new.members, one.members, recent) == same_way]
        kept, both = _same_name(dated, finding), most_likely(joint)
        # With the lots since, its own source may no longer be beyond chance.
        of_two = new.evidence + (kept.evidence if kept is not None else 0.0)
        if both is None or both.evidence + _TWO_CAUSES < of_two:
            return None
        return _renamed(finding, _finding(view, both, joint))

    def _is_fresh(self, finding: Finding) -> bool:
        age = float(self.points.weeks[self.end - 1]) - finding.completed_at
        return age <= SETTLE_WEEKS and not np.isfinite(finding.until)

    def _again(self, findings: list[Finding], place: int) -> tuple[Window, list[Candidate]]:
        """The window with only the other findings taken out, and the candidates on a fresh finding's lots in its direction."""
        finding = findings[place]
        view = self.without(findings[:place] + findings[place + 1 :], finding.since_low)
        # Not by way of a source in between to one that has no lot of the first.
        first = view.made_on(finding.first_named[0], finding.first_named[1:])
        candidates = beyond_chance(view, agreement(view), self.budget)
        near = _on_same_lots(view, first, finding.direction, candidates)
        return view, _on_same_lots(view, _members(view, finding), finding.direction, near)


def _same_name(candidates: Sequence[Candidate], finding: Finding) -> Candidate | None:
    """The candidate with the source of a finding."""
    return most_likely([one for one in candidates if one.label == _label(finding)])


def _on_same_lots(view: Window, members: Flags, direction: int, candidates: Sequence[Candidate]) -> list[Candidate]:
    """Candidates in the same direction on mostly the same lots."""
    return [
        one
        for one in candidates
        if one.direction == direction and same_lots(members, one.members, view.weeks >= one.since)
    ]


def _renamed(finding: Finding, again: Finding) -> Finding:
    return replace(again, first_named=finding.first_named, completed_at=finding.completed_at)


def _remainder(view: Window, candidate: Candidate, findings: Sequence[Finding]) -> bool:
    """Whether a candidate is the remainder of a recent finding, or a small shift back after too large an estimate."""
    for finding in findings:
        age = view.now - finding.completed_at
        same = same_lots(_members(view, finding), candidate.members, view.weeks >= candidate.since)
        if age > _QUIET_WEEKS + LOOKBACK or not same:
            continue
        # As long as the lots of its start are in the window, a small remainder is the error of its size.
        small = _share(view, candidate, finding) < _BACK
        # A shift that began after the finding ended is another one.
        lasts = candidate.direction == finding.direction and candidate.since < finding.until
        if small or (lasts and age <= _QUIET_WEEKS):
            return True
    return False


def _share(view: Window, candidate: Candidate, finding: Finding) -> float:
    """The size of a candidate as a share of a finding's: that of the films, or of the check standards where theirs is larger.

    Films that drift while a tester is off hide that it was mended; a check standard shows it.
    """
    films = candidate.size / abs(finding.sigmas) if finding.sigmas else np.inf
    on = candidate.members & (view.weeks >= candidate.since)
    now, then, error = [], [], []
    for number, size in fit(view, on, ~on).sizes.items():
        known = finding.sizes.get(view.points.quantities[number])
        if known is not None and np.isfinite(size.check) and np.isfinite(known.check):
            now.append(candidate.direction * size.check)
            then.append(finding.direction * known.check)
            error.append(size.check_se)
    moved, before, weight = np.array(now), np.array(then), np.array(error) ** -2.0
    total = float(weight @ before**2)
    return max(films, float(weight @ (moved * before)) / total) if total > 0 else films


def _taken_back(view: Window, candidate: Candidate, findings: Sequence[Finding]) -> Finding | None:
    """The latest finding that lasts, on the same lots, which a candidate takes back; it must have begun later."""
    for finding in reversed(findings):
        opposite = candidate.direction == -finding.direction and np.isinf(finding.until)
        recent = view.weeks >= candidate.since
        if (
            opposite
            and candidate.since > finding.since
            and _share(view, candidate, finding) >= _BACK
            and overlap(_members(view, finding) & recent, candidate.members & recent) >= _BACK_LOTS
        ):
            return finding
    return None


# Findings tested again


def _contradicted(view: Window, finding: Finding, later: Flags) -> bool:
    """Whether the films of later lots, each against its own lots before, or check standards of them show no shift."""
    effect = fit(view, later, _compared(view, finding, later))
    error = effect.sigmas_se * effect.scatter
    films = effect.suppliers > len(effect.apart) and _is_gone(
        finding.direction * effect.sigmas, error, abs(finding.sigmas)
    )
    if finding.suspect_kind not in FELT_BY_CHECKS:
        return films
    stated = {number: finding.sizes.get(view.points.quantities[number]) for number in effect.sizes}
    checks = [
        _is_gone(finding.direction * size.check, size.check_se, abs(known.size))
        for number, size in effect.sizes.items()
        if (known := stated[number]) is not None and np.isfinite(size.check)
    ]
    # A check standard shows the whole of what its instrument does: where there is one, it decides.
    return all(checks) if checks else films


def _compared(view: Window, finding: Finding, later: Flags) -> Flags:
    """Lots to compare later ones with: those of the same weeks off the source, of streams that have some, else those before.

    In half a year films move by themselves. Lots of the same weeks have moved as well, and the difference shows the source alone.
    """
    beside = ~_members(view, finding) & (view.weeks > finding.completed_at)
    have = np.bincount(view.stream[beside], minlength=view.sigma.size) >= _FEWEST_BESIDE
    return np.where(have[view.stream], beside, view.weeks < finding.since_low)


def _is_gone(left: float, error: float, stated: float) -> bool:
    """Whether a shift is not beyond 0 and its upper end is well below the stated size."""
    return left - _END * error <= 0.0 and left + _END * error < _LEFT * stated


def _last_shown(view: Window, finding: Finding) -> tuple[float, float]:
    """The end that explains the lots best, and the last one that explains them almost as well."""
    members, before = _members(view, finding), view.weeks < finding.since_low
    later = view.weeks[members & (view.weeks > finding.completed_at)]
    ends = later[np.diff(np.floor(later * 7.0), prepend=-np.inf) > 0]
    gained = []
    for end in ends:
        on = members & (view.weeks >= finding.since) & (view.weeks < end)
        effect = fit(view, on, before | (members & (view.weeks >= end)))
        gained.append(0.5 * max(finding.direction * effect.sigmas / effect.sigmas_se, 0.0) ** 2)
    best = np.array(gained)
    return float(ends[best.argmax()]), float(ends[best >= best.max() - WITHIN].max())


# Findings taken out of the scores


def _label(finding: Finding) -> tuple[str, tuple[str, ...]]:
    return finding.suspect_kind, names_of(finding)


def _members(view: Window, finding: Finding) -> Flags:
    """Lots made on the source, whenever."""
    return view.made_on(*_label(finding))


def _removed(points: LotPoints, part: slice, findings: Sequence[Finding]) -> Floats:
    """What the findings add to each level of a stretch of points, in the charted scale."""
    total = np.zeros(part.stop - part.start)
    weeks = points.weeks[part]
    for finding in findings:
        # One that lasts is taken out however old: its lots still differ from those of the same weeks off the source.
        if finding.until <= weeks[0]:
            continue
        on = points.made_on(*_label(finding), part) & (weeks >= finding.since) & (weeks < finding.until)
        sizes = np.array([size_of(finding, name) for name in points.quantities]).reshape(-1, 2)
        # Where every supplier of a quantity moved apart the size of its shift is unknown, and nothing is taken out.
        total[on] += np.nan_to_num(sizes[points.quantity[part][on], points.check[part][on].astype(int)])
    return total


# A finding in figures


def _finding(view: Window, best: Candidate, candidates: Sequence[Candidate]) -> Finding:
    on = best.members & (view.weeks >= best.since)
    effect = fit(view, on, ~on)
    kind, names = best.label
    return Finding(
        suspect_kind=kind,
        suspect=names[0],
        quantity=names[-1] if "quantity" in SOURCES[kind] else "",
        first_named=(kind, *names),
        direction=best.direction,
        since=best.since,
        since_low=best.since_low,
        since_high=best.since_high,
        completed_at=view.now,
        until=np.inf,
        until_high=np.inf,
        returned_at=np.inf,
        **_shown(view, on, effect),
        score=best.score,
        check_score=best.check,
        apart=tuple(sorted(view.points.suppliers[number] for number in effect.apart)),
        alternatives=best.alternatives(view),
        rivals=tuple(
            (one.label[0], *one.label[1])
            for one in candidates
            if one.label != best.label and one.evidence >= best.evidence - WITHIN
        ),
    )


def _is_negligible(view: Window, finding: Finding) -> bool:
    """Whether the shift, at the most that its error allows, is lost in the scatter of the films on the source.

    A check standard may be so much finer than a film that its own wander is plain where no lot is touched.
    """
    points, on = view.points, _members(view, finding)
    quantity, check = points.quantity[view.part][on], points.check[view.part][on]
    for name, size in finding.sizes.items():
        films = (quantity == points.quantities.index(name)) & ~check
        most = abs(size.size) + _END * size.se
        if not films.any() or most >= _LEAST_SIGMAS * float(np.median(view.sigma[view.stream[on][films]])):
            return False
    return True


def _shown(view: Window, on: Flags, effect: SharedEffect) -> dict[str, Any]:
    """What the lots on the source show: the plain sizes, who moved along, and the streams that it explains."""
    # A quantity whose interval holds 0 is neither named nor corrected beside one whose interval does not.
    named = {number: size for number, size in effect.sizes.items() if size.is_plain} or effect.sizes
    return {
        "sizes": {view.points.quantities[number]: size for number, size in named.items()},
        "sigmas": effect.sigmas,
        "sigmas_se": effect.sigmas_se,
        "suppliers": effect.suppliers,
        "agreeing": effect.agreeing,
        "streams": effect.streams,
        "streams_agreeing": effect.streams_agreeing,
        "explained": _explained(view, on, effect.apart, list(named)),
    }


def _explained(view: Window, on: Flags, apart: Sequence[int], quantities: Sequence[int]) -> tuple[int, ...]:
    of = view.points.supplier[view.part], view.points.quantity[view.part]
    kept = on & ~np.isin(of[0], apart) & np.isin(of[1], quantities)
    return tuple(sorted(int(number) for number in view.points.stream_ids[np.unique(view.stream[kept])]))
