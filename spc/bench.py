"""Film or bench: a shift that suppliers share is the chamber's, the tester's or the load's, not theirs.

Every day of tests the last weeks of each suspect are held against the weeks before. Suppliers that agree, or a check
standard that moved, are one finding that names the suspect; what it explains is no supplier's fault.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import special

from spc._agreement import SUSPECTS, WINDOWS, Agreement, Kind, Lab, agreement, lab, members
from spc._checks import Floats, as_points, positive

__all__ = ["FINDING_COLUMNS", "POINT_COLUMNS", "Sensitivity", "common_shifts", "explain", "humidity_sensitivity"]

POINT_COLUMNS = ("stream", "supplier", "characteristic", "chamber", "instrument", "load", "weeks", "z", "is_check_standard")  # fmt: skip
FINDING_COLUMNS = (
    "suspect_kind", "suspect", "characteristic", "direction", "size", "size_se", "since", "completed_at", "suppliers",
    "agreeing", "score", "chance", "check_standard_score", "explained", "apart", "alternatives", "returns_from",
)  # fmt: skip

_YEAR_WEEKS = 365.2425 / 7
_LOOKS_A_WEEK = 3.0  # independent looks that daily scans of all windows amount to; measured in tests/bench
_FEWEST_SUPPLIERS = 3
_FEWEST_CHECKS = 2.0  # weight of a check standard's window: one reading alone is no shift
_APART = 3.5  # standard errors from the common shift beyond which a supplier moves by itself as well
_QUIET_WEEKS = 8.0  # the same lots moving the same way are the same finding for so long
_SAME_LOTS = 0.5  # share of lots that makes two suspects the same matter
_LIKE = 0.9  # share of lots that makes two suspects indistinguishable
# Log of prior odds: a load is one among many, a characteristic rarely moves by itself. Common practice.
_LOG_PRIOR = dict(zip(SUSPECTS, (0.0, 0.0, -1.0, -2.0, -2.0), strict=True))

Flags = NDArray[np.bool_]


def common_shifts(points: pd.DataFrame, *, false_findings_per_year: float = 0.5) -> pd.DataFrame:
    """Find shifts that several suppliers, or a check standard, share on one chamber, instrument or load.

    Parameters
    ----------
    points : DataFrame
        One row a valid lot or check, of all streams, with `POINT_COLUMNS`: `stream` (int), `supplier`,
        `characteristic`, `chamber`, `instrument`, `load` (str; empty or missing where unknown), `weeks` (float, test
        time), `z` (float, the level against the stream's own limits in standard deviations of a lot; rows with nan are
        stepped over), `is_check_standard` (bool). Any order.
    false_findings_per_year : float
        Findings a year that the whole lab accepts by chance, > 0.

    Returns
    -------
    DataFrame
        `FINDING_COLUMNS`, a row a finding in order of `completed_at`: `suspect_kind` (a key of
        `spc._agreement.SUSPECTS`), `suspect` its name, `characteristic` ("" for all), `direction` (+1, -1), `size` in
        sigma with `size_se`, `since` and `completed_at` in weeks, `suppliers` that have lots there and how many are
        `agreeing`, `score` of their agreement (standard normal by chance) with its two-sided `chance`,
        `check_standard_score` (nan without one), `explained` (tuple of streams), `apart` (tuple of suppliers that moved
        by themselves as well), `alternatives` (tuple of suspects with almost the same lots), `returns_from` (number of
        the finding that this one takes back, else -1).

    Raises
    ------
    ValueError
        If a column is missing, a time is not finite or the budget is not above 0.

    Notes
    -----
    A day of tests is judged with the points up to its end and none later. In each suspect the lots of the last 1 to 8
    weeks are held against the same streams' weeks before. Each supplier gives one standard score, held to 2.5 so that
    no one or two of them can carry a finding; the scores are added with weights [1]_ and stand against the budget over
    all suspects and looks of a year. Among the suspects that pass, the likeliest is named. What is found is taken out
    of the points before the next day is judged.

    References
    ----------
    .. [1] T. Liptak (1958), On the combination of independent tests, Magyar Tud. Akad. Mat. Kutato Int. Kozl. 3,
       171-197.
    """
    positive(false_findings_per_year, "false_findings_per_year")
    here = lab(_checked(points))
    z = here.z.copy()
    found: list[dict[str, object]] = []
    past: list[_Candidate] = []
    for end in np.flatnonzero(np.diff(np.floor(here.weeks * 7.0), append=np.inf)) + 1:
        best = _best(here, z, int(end), false_findings_per_year, past)
        if best is None:
            continue
        found.append(_finding(here, best, past))
        past.append(best)
        z -= best.shift_of_points(here)
    return pd.DataFrame(found, columns=list(FINDING_COLUMNS))


def explain(points: pd.DataFrame, findings: pd.DataFrame) -> pd.DataFrame:
    """Say of each point which finding explains its distance, and how much of it.

    Parameters
    ----------
    points, findings : DataFrame
        What `common_shifts` took and gave.

    Returns
    -------
    DataFrame
        Index of `points`; `finding` (int, number of the latest finding whose suspect made the point, between its start
        and its return; -1 for none, or where the supplier moved apart) and `common` (sigma, what all of them add to
        `z`): `z - common` is the film's own.
    """
    number = np.full(len(points), -1)
    common = np.zeros(len(points))
    weeks, supplier = points["weeks"].to_numpy(np.float64), points["supplier"].astype(str).to_numpy()
    check = points["is_check_standard"].to_numpy(bool)
    for place, finding in enumerate(findings.to_dict("records")):
        if finding["returns_from"] >= 0:
            continue
        back = findings.loc[findings["returns_from"] == place, "since"]
        until = float(back.iloc[0]) if len(back) else np.inf
        held = members(points, finding["suspect_kind"], finding["suspect"], finding["characteristic"])
        held &= (weeks >= finding["since"]) & (weeks < until)
        common[held & ~check] += finding["direction"] * finding["size"]
        number[held & ~np.isin(supplier, finding["apart"])] = place
    return pd.DataFrame({"finding": number, "common": common}, index=points.index)


# Input


def _checked(points: pd.DataFrame) -> pd.DataFrame:
    missing = [column for column in POINT_COLUMNS if column not in points.columns]
    if missing:
        raise ValueError(f"points: the columns {', '.join(missing)} are missing; give all of {', '.join(POINT_COLUMNS)}")
    if not np.isfinite(points["weeks"].to_numpy(np.float64)).all():
        raise ValueError("points: weeks must be finite; leave out points without a test time")
    return points


# The likeliest suspect of a day


@dataclass(frozen=True, slots=True, eq=False)
class _Candidate:
    """A suspect that passes in one window, with its kind, what was seen of it and when."""

    kind: Kind
    seen: Agreement
    suspect: int
    window: int
    end: int
    since: float
    now: float
    direction: int
    size: float
    evidence: float
    members: Flags

    def groups(self) -> tuple[NDArray[np.intp], Floats, Floats]:
        """Groups on the suspect with lots in the window, their shift and its precision."""
        weight = self.seen.weight[:, self.window]
        place = np.arange(weight.size) + self.seen.first_group
        there = (self.kind.group_suspect[place] == self.suspect) & (weight > 0)
        return place[there], self.seen.shift[there, self.window], weight[there]

    def at(self, values: Floats) -> float:
        """One of the suspect's figures."""
        return float(values[self.suspect - self.seen.first_suspect, self.window])

    def shift_of_points(self, here: Lab) -> Floats:
        """What the finding adds to each point: the common shift, and to a check standard its own."""
        shift = np.where(self.members & (here.weeks >= self.since), self.direction * self.size, 0.0)
        group = self.kind.cell_group[self.kind.cell]
        for place, own, _ in zip(*self.groups(), strict=True):
            if self.kind.group_check[place]:
                shift[(shift != 0.0) & (group == place)] = own
        return shift


def _best(here: Lab, z: Floats, end: int, budget: float, past: Sequence[_Candidate]) -> _Candidate | None:
    """The likeliest of the suspects that pass at the end of a day, None where none does."""
    seen = [(kind, found) for kind, found in zip(here.kinds, agreement(here, z, end), strict=True) if found is not None]
    tried = sum(int((found.suppliers[:, -1] >= _FEWEST_SUPPLIERS).sum()) for _, found in seen)
    checked = sum(int(np.isfinite(found.check[:, -1]).sum()) for _, found in seen)
    looks = _YEAR_WEEKS * _LOOKS_A_WEEK * max(tried + checked, 1)
    needed = float(-special.ndtri(min(0.5 * budget / looks, 0.25)))
    candidates = [
        candidate
        for kind, found in seen
        for suspect, window in np.argwhere(_passes(found, needed))
        for candidate in [_candidate(here, kind, found, int(suspect), int(window), end)]
        if not _known_already(here, candidate, past)
    ]
    return max(candidates, key=lambda candidate: candidate.evidence, default=None)


def _passes(found: Agreement, needed: float) -> Flags:
    agreed = (found.suppliers >= _FEWEST_SUPPLIERS) & (np.abs(found.score) >= needed)
    return agreed | (np.nan_to_num(np.abs(found.check)) >= needed)


def _candidate(here: Lab, kind: Kind, found: Agreement, suspect: int, window: int, end: int) -> _Candidate:
    now = float(here.weeks[end - 1])
    check = float(np.nan_to_num(found.check[suspect, window]))
    score, size = float(found.score[suspect, window]), float(found.size[suspect, window])
    # The check standard is the first witness: it gives the direction where it moved.
    direction = int(np.sign(check if abs(check) > abs(score) else score))
    moved = max(direction * size, 0.0) * np.sqrt(found.worth[suspect, window])
    held = np.zeros(here.weeks.size, dtype=bool)
    known = kind.cell >= 0
    held[known] = kind.group_suspect[kind.cell_group[kind.cell[known]]] == suspect + found.first_suspect
    inside = held[:end] & (now - here.weeks[:end] < WINDOWS[window])
    return _Candidate(
        kind=kind,
        seen=found,
        suspect=suspect + found.first_suspect,
        window=window,
        end=end,
        since=float(here.weeks[np.argmax(inside)]),
        now=now,
        direction=direction,
        size=max(direction * size, 0.0),
        evidence=0.5 * (moved**2 + max(direction * check, 0.0) ** 2) + _LOG_PRIOR[kind.name],
        members=held,
    )


def _overlap(here: Lab, one: _Candidate, other: _Candidate, end: int, since: float) -> float:
    """Share of the lots of either suspect that both made, from `since` to `end`."""
    recent = slice(int(np.searchsorted(here.weeks, since)), end)
    first, second = one.members[recent], other.members[recent]
    return float((first & second).sum() / max(min(first.sum(), second.sum()), 1))


def _known_already(here: Lab, candidate: _Candidate, past: Sequence[_Candidate]) -> bool:
    """Whether it is the tail, or the overshoot, of what was found in the last weeks."""
    for found in past:
        if candidate.now - found.now > _QUIET_WEEKS or _overlap(here, candidate, found, candidate.end, candidate.since) < _SAME_LOTS:
            continue
        if candidate.direction == found.direction or candidate.size < 0.5 * found.size:
            return True
    return False


# A finding in words and figures


def _finding(here: Lab, best: _Candidate, past: Sequence[_Candidate]) -> dict[str, object]:
    place, shift, weight = best.groups()
    film = ~best.kind.group_check[place]
    apart = film & _apart(shift, weight, film, best.direction)
    supplier = best.kind.group_supplier[place]
    score = best.at(best.seen.score)
    label = best.kind.labels[best.suspect]
    return {
        "suspect_kind": best.kind.name,
        "suspect": label[0],
        "characteristic": label[-1] if "characteristic" in SUSPECTS[best.kind.name] else "",
        "direction": best.direction,
        "size": best.size,
        "size_se": float(1.0 / np.sqrt(max(best.at(best.seen.worth), 1e-12))),
        "since": best.since,
        "completed_at": best.now,
        "suppliers": int(film.sum()),
        "agreeing": int((film & (np.sign(shift) == best.direction)).sum()),
        "score": score,
        "chance": float(2.0 * special.ndtr(-abs(score))),
        "check_standard_score": best.at(best.seen.check),
        "explained": _explained(here, best, place[apart]),
        "apart": tuple(sorted({here.suppliers[number] for number in supplier[apart]})),
        "alternatives": _alternatives(here, best),
        "returns_from": _returns_from(here, best, past),
    }


def _apart(shift: Floats, weight: Floats, film: Flags, direction: int) -> Flags:
    """Suppliers that moved further than the others explain."""
    others = np.sum(weight * film) - weight * film
    rest = (np.sum(weight * film * shift) - weight * film * shift) / np.maximum(others, 1e-12)
    error = np.sqrt(1.0 / weight + 1.0 / np.maximum(others, 1e-12))
    return np.asarray((others > 0) & (direction * (shift - rest) / error > _APART), dtype=bool)


def _explained(here: Lab, best: _Candidate, apart: NDArray[np.intp]) -> tuple[int, ...]:
    inside = best.members[: best.end] & (here.weeks[: best.end] >= best.since)
    cell = best.kind.cell[: best.end][inside]
    kept = cell[~np.isin(best.kind.cell_group[cell], apart)]
    return tuple(sorted(int(number) for number in here.stream_ids[np.unique(best.kind.cell_stream[kept])]))


def _alternatives(here: Lab, best: _Candidate) -> tuple[str, ...]:
    """Other suspects that made almost the same lots: these figures cannot tell them apart."""
    recent = slice(int(np.searchsorted(here.weeks, best.since)), best.end)
    held = best.members[recent]
    alike = []
    for kind in here.kinds:
        cell = kind.cell[recent]
        suspect = np.where(cell >= 0, kind.group_suspect[kind.cell_group[cell]], -1)
        for number in np.unique(suspect[held & (suspect >= 0)]):
            other = suspect == number
            if (kind.name, number) != (best.kind.name, best.suspect) and (held & other).sum() >= _LIKE * (held | other).sum():
                alike.append(f"{kind.name} {' '.join(kind.labels[number])}")
    return tuple(alike)


def _returns_from(here: Lab, best: _Candidate, past: Sequence[_Candidate]) -> int:
    """Number of the latest finding on the same lots that moved the other way by about as much."""
    for number in reversed(range(len(past))):
        found = past[number]
        opposite = found.direction == -best.direction and abs(found.size - best.size) < 0.5 * max(found.size, best.size)
        if opposite and _overlap(here, best, found, best.end, best.since) >= _SAME_LOTS:
            return number
    return -1


# Humidity inside its tolerance


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """Change of the level per % RH with its interval and standard error, and the degrees of freedom it rests on."""

    slope: float
    lower: float
    upper: float
    se: float
    degrees_of_freedom: int


def humidity_sensitivity(
    levels: ArrayLike, humidity: ArrayLike, groups: ArrayLike, confidence: float = 0.95
) -> Sensitivity | None:
    """Estimate how much the level moves with humidity inside its tolerance, pooled within streams.

    Parameters
    ----------
    levels : array_like, shape (n,)
        Lot levels in the charted scale (natural log of a resistance).
    humidity : array_like, shape (n,)
        Mean humidity while the lot was conditioned, in % RH.
    groups : array_like, shape (n,)
        Stream of each lot: each has a level of its own, all share the slope.
    confidence : float
        Chance that the interval holds the slope, in (0, 1).

    Returns
    -------
    Sensitivity or None
        None where humidity did not vary within streams or fewer than three lots are left over.

    Raises
    ------
    ValueError
        If shapes differ, a value is not finite or `confidence` is out of range.

    Notes
    -----
    Least squares with a constant for each group, by deviations from group means [1]_.

    References
    ----------
    .. [1] Y. Mundlak (1978), On the pooling of time series and cross section data, Econometrica 46, 69-85.

    Examples
    --------
    >>> found = humidity_sensitivity([1.0, 0.9, 0.8, 5.0, 4.9, 4.7], [11, 12, 13, 11, 12, 13], [1, 1, 1, 2, 2, 2])
    >>> round(found.slope, 3), found.degrees_of_freedom
    (-0.125, 3)
    """
    y, x = as_points(levels, "levels", at_least=0), as_points(humidity, "humidity", at_least=0)
    group, found = pd.factorize(np.asarray(groups))
    if not y.shape == x.shape == group.shape:
        raise ValueError(f"levels, humidity and groups must have one shape, got {y.shape}, {x.shape} and {group.shape}")
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must be in (0, 1), got {confidence!r}")
    dy, dx = _within(y, group), _within(x, group)
    sxx, df = float(dx @ dx), y.size - len(found) - 1
    if df < 3 or sxx <= 1e-12 * max(float(x @ x), 1e-300):
        return None
    slope = float(dx @ dy) / sxx
    se = float(np.sqrt(np.sum((dy - slope * dx) ** 2) / df / sxx))
    half = float(special.stdtrit(df, 0.5 + 0.5 * confidence)) * se
    return Sensitivity(slope, slope - half, slope + half, se, df)


def _within(values: Floats, group: NDArray[np.intp]) -> Floats:
    """Deviations from group means."""
    means = np.bincount(group, weights=values) / np.maximum(np.bincount(group), 1)
    return np.asarray(values - means[group], dtype=np.float64)
