"""When a shift in common began, and which suspect explains most of it: all suspects weighed with the same starts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from spc.kernels.validation import Floats
from spc.shared_shift.candidates import SHARE, WITHIN, Candidate
from spc.shared_shift.effect import Size, fit
from spc.shared_shift.supplier_agreement import LotPoints

__all__ = ["Onset", "dated"]

_DATED_WEEKS = 1.0  # around a start in which it is looked for day by day
_ACQUITS = 4.0  # log likelihood by which a check standard that stayed where it was acquits its instrument
_FREE_SIZE = 2.0  # log likelihood that a shift of a size of its own costs against one of the films' size
_FELT_BY_CHECKS = ("instrument", "quantity")


@dataclass(frozen=True, slots=True)
class Onset:
    """When a matter seemed to begin, and when it was found."""

    since: float
    completed_at: float


def dated(here: LotPoints, part: slice, z: Floats, begun: Onset, again: Sequence[Candidate]) -> list[Candidate]:
    """The suspects with the starts that explain most, all weighed with the same starts."""
    open_ends = [end for one in again for end in (one.since_low, one.since_high)]
    starts = _starts(here.weeks[part], [begun.since, *open_ends], begun.completed_at)
    # A supplier that moves by itself as well would speak for the suspects that happen to have most of its lots.
    moved = [one.members & (here.weeks[part] >= begun.since) for one in again]
    apart = {name for on in moved for name in fit(here, z, part, on, ~on).apart}
    return [_dated(here, part, z, one, starts, tuple(apart)) for one in again]


def _starts(weeks: Floats, named: Sequence[float], completed_at: float) -> Floats:
    """The first lots of the days around the starts that were named; what was found on a day began by then."""
    around = (weeks >= min(named) - _DATED_WEEKS) & (weeks <= min(max(named) + _DATED_WEEKS, completed_at))
    own = weeks[around]
    return own[np.diff(np.floor(own * 7.0), prepend=-np.inf) > 0]


def _dated(
    here: LotPoints, part: slice, z: Floats, candidate: Candidate, starts: Floats, apart: tuple[int, ...]
) -> Candidate:
    """A candidate with the start that explains most, and the starts that explain almost as much."""
    evidence = np.array([_explains(here, part, z, candidate, since, apart) for since in starts])
    best = int(evidence.argmax())
    near = starts[evidence >= evidence[best] - WITHIN]
    return replace(
        candidate,
        since=float(starts[best]),
        since_low=float(near.min()),
        since_high=float(near.max()),
        evidence=float(evidence[best]),
    )


def _explains(
    here: LotPoints, part: slice, z: Floats, candidate: Candidate, since: float, apart: tuple[int, ...]
) -> float:
    """Log likelihood that a suspect's shift since then gains over none, with its odds before anything is seen."""
    on = candidate.members & (here.weeks[part] >= since)
    if not on.any():
        return -np.inf
    common = fit(here, z, part, on, ~on, apart)
    score = max(candidate.direction * common.sigmas / common.sigmas_se, 0.0)
    checks = sum(_checks_say(candidate, size) for size in common.sizes.values() if np.isfinite(size.check))
    return float(0.5 * score**2 + checks + np.log(SHARE[candidate.kind.name]))


def _checks_say(candidate: Candidate, size: Size) -> float:
    """Log likelihood that the check standards of one quantity add.

    What is wrong with an instrument is wrong with its check standard by as much. A chamber may move films and leave a
    check standard alone, as humidity does a resistor.
    """
    own = max(candidate.direction * size.check / size.check_se, 0.0)
    if candidate.kind.name in _FELT_BY_CHECKS and np.isfinite(size.films):
        rest = (size.check - size.films) / float(np.hypot(size.check_se, size.films_se))
        said = 0.5 * (own**2 - rest**2)
        return float(said) if said > -_ACQUITS else -np.inf
    return float(max(0.5 * own**2 - _FREE_SIZE, 0.0))
