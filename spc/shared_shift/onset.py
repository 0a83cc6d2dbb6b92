"""When a shared shift began, and which candidate source explains most of it: all of them compared with the same starts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from spc.kernels.validation import Floats
from spc.shared_shift.candidates import PRIOR, WITHIN, Candidate
from spc.shared_shift.effect import Size, fit
from spc.shared_shift.lot_points import Window

__all__ = ["FELT_BY_CHECKS", "Onset", "with_best_start"]

_DATED_WEEKS = 1.0  # Around a start in which it is looked for day by day
_EXCLUDES = 4.0  # Log likelihood by which a check standard that stayed in place excludes its instrument
_FREE_SIZE = 2.0  # Log likelihood that a shift of its own size costs against one of the films' size
FELT_BY_CHECKS = ("instrument", "quantity")
"""Kinds of sources that shift a check standard by as much as films."""


@dataclass(frozen=True, slots=True)
class Onset:
    """When a shift seemed to begin, and when it was detected."""

    since: float
    completed_at: float


def with_best_start(window: Window, onset: Onset, candidates: Sequence[Candidate]) -> list[Candidate]:
    """The candidates with the starts that explain most, all compared with the same starts.

    Examples
    --------
    The scan of spans puts the start within some weeks, the search day by day at the first shifted lots:

    >>> import pandas as pd
    >>> from spc.shared_shift.candidates import beyond_chance
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
    >>> found = beyond_chance(seen, agreement(seen), budget=1.0)
    >>> dated = with_best_start(seen, Onset(since=17.0, completed_at=20.0), found)
    >>> [(one.kind.name, one.since) for one in dated]
    [('instrument', 18.0), ('chamber', 18.0), ('chamber and quantity', 18.0), ('quantity', 18.0)]
    """
    ends = [end for one in candidates for end in (one.since_low, one.since_high)]
    starts = _starts(window.weeks, [onset.since, *ends], onset.completed_at)
    # A supplier that moves by itself as well would favour the sources that happen to have most of its lots.
    moved = [one.members & (window.weeks >= onset.since) for one in candidates]
    apart = tuple({name for on in moved for name in fit(window, on, ~on).apart})
    return [_best_start(window, one, starts, apart) for one in candidates]


def _starts(weeks: Floats, named: Sequence[float], completed_at: float) -> Floats:
    """The first lots of the days around the starts that were named; what was detected on a day began by then."""
    around = (weeks >= min(named) - _DATED_WEEKS) & (weeks <= min(max(named) + _DATED_WEEKS, completed_at))
    near = weeks[around]
    return near[np.diff(np.floor(near * 7.0), prepend=-np.inf) > 0]


def _best_start(window: Window, candidate: Candidate, starts: Floats, apart: tuple[int, ...]) -> Candidate:
    """A candidate with the start that explains most, and the starts that explain almost as much."""
    evidence = np.array([_evidence(window, candidate, since, apart) for since in starts])
    best = int(evidence.argmax())
    near = starts[evidence >= evidence[best] - WITHIN]
    return replace(
        candidate,
        since=float(starts[best]),
        since_low=float(near.min()),
        since_high=float(near.max()),
        evidence=float(evidence[best]),
    )


def _evidence(window: Window, candidate: Candidate, since: float, apart: tuple[int, ...]) -> float:
    """Log likelihood that a source's shift since then gains over none, with its prior log odds."""
    on = candidate.members & (window.weeks >= since)
    if not on.any():
        return -np.inf
    effect = fit(window, on, ~on, apart)
    score = max(candidate.direction * effect.sigmas / effect.sigmas_se, 0.0)
    checks = sum(_of_checks(candidate, size) for size in effect.sizes.values() if np.isfinite(size.check))
    return float(0.5 * score**2 + checks + np.log(PRIOR[candidate.kind.name]))


def _of_checks(candidate: Candidate, size: Size) -> float:
    """Log likelihood that the check standards of one quantity add.

    A fault of an instrument shifts its check standard by as much as films. A chamber may shift films and leave a check
    standard alone, as humidity does a resistor.
    """
    moved = max(candidate.direction * size.check / size.check_se, 0.0)
    if candidate.kind.name in FELT_BY_CHECKS and np.isfinite(size.films):
        rest = (size.check - size.films) / float(np.hypot(size.check_se, size.films_se))
        gain = 0.5 * (moved**2 - rest**2)
        return float(gain) if gain > -_EXCLUDES else -np.inf
    return float(max(0.5 * moved**2 - _FREE_SIZE, 0.0))
