"""Whether lots made after a corrective action are back where they used to be, or still where they had moved to.

The mean of the next lots is held against two places at once: the usual one before the move, and the one it had moved
to. Few lots can be in keeping with both; then the answer is that nothing is shown yet.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spc.kernels.validation import Floats, as_points
from spc.vocabulary.enums import Answer

__all__ = ["CONFIDENCE", "FEWEST", "MOST", "Remedy", "compare"]

CONFIDENCE = 0.95
FEWEST = 3
"""Lots that an answer rests on at least, and lots that a usual place rests on: common practice, one lot may be a chance."""
MOST = 8
"""Lots after the action that are looked at: later ones may move for reasons of their own."""


@dataclass(frozen=True, slots=True)
class Remedy:
    """The answer and what it rests on; levels in the charted scale, nan where unknown.

    `mean` is that of the `lots` after the action. `back_within` is the farthest mean of so many lots that is still in
    keeping with `usual`, and `left_beyond` the nearest one that can still belong to `moved`, both on the side to which
    the stream had moved.
    """

    answer: Answer
    lots: int
    mean: float
    usual: float
    moved: float
    back_within: float
    left_beyond: float
    reason: str


def compare(
    before: ArrayLike, moved: ArrayLike, after: ArrayLike, direction: int, confidence: float = CONFIDENCE
) -> Remedy:
    """Hold the lots after an action against the lots before the move and those that had moved.

    Parameters
    ----------
    before, moved, after : array_like, shape (n,), (m,), (k,)
        Lot levels in the charted scale (natural log for a log characteristic), in order of test: before the move, from
        its estimated start to the action, and from the first lot after the action. Any may be empty. Of `after` the
        first `MOST` are used; the usual place is the mean of `before`, the moved place that of the last `MOST` of
        `moved`, since a drift goes on.
    direction : int
        The sign of the move, +1 up or -1 down.
    confidence : float
        Of each two-sided interval, in (0, 1).

    Returns
    -------
    Remedy

    Raises
    ------
    ValueError
        If a level is not finite, `direction` is neither 1 nor -1, or `confidence` is not in (0, 1).

    Notes
    -----
    With s and mean of n earlier lots, the mean of k future lots of the same kind lies within
    mean ± t(n - 1) s sqrt(1 / k + 1 / n) [1]_. The same s, that of the steady lots, gives the interval for the difference
    to the m lots that had moved, t(n - 1) s sqrt(1 / k + 1 / m): a two-sample comparison [2]_ whose scatter does not take
    the drift itself for scatter. Lots are taken as independent and normal in the charted scale.

    References
    ----------
    .. [1] G. J. Hahn (1970), Additional factors for calculating prediction intervals for samples from a normal
       distribution, Journal of the American Statistical Association 65, 1668-1676.
    .. [2] NIST/SEMATECH e-Handbook of Statistical Methods, section 7.3.1.

    Examples
    --------
    >>> found = compare([10.0, 10.2, 9.9, 10.1], [11.9, 12.1, 12.0], [10.1, 10.0, 10.2], direction=1)
    >>> str(found.answer), found.lots
    ('worked', 3)
    """
    steady, gone, next_lots = (
        as_points(x, name, at_least=0) for x, name in ((before, "before"), (moved, "moved"), (after, "after"))
    )
    if direction not in (1, -1):
        raise ValueError(f"direction must be 1 (up) or -1 (down), got {direction!r}")
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must be in (0, 1), got {confidence!r}")
    gone, next_lots = gone[-MOST:], next_lots[:MOST]
    k = next_lots.size
    places = (_mean(next_lots), _mean(steady), _mean(gone))
    short = _too_few(steady.size, gone.size, k)
    if short:
        return Remedy(Answer.NOT_YET_SHOWN, k, *places, np.nan, np.nan, short)
    mean, usual, drifted = places
    unit = float(special.stdtrit(steady.size - 1, (1 + confidence) / 2)) * float(steady.std(ddof=1))
    back_within = usual + direction * unit * float(np.sqrt(1 / k + 1 / steady.size))
    left_beyond = drifted - direction * unit * float(np.sqrt(1 / k + 1 / gone.size))
    is_back, has_left = direction * (mean - back_within) <= 0, direction * (mean - left_beyond) < 0
    answer = _answered(is_back, has_left)
    return Remedy(answer, k, mean, usual, drifted, back_within, left_beyond, REASONS[is_back, has_left])


def _mean(x: Floats) -> float:
    return float(x.mean()) if x.size else np.nan


def _too_few(steady: int, gone: int, after: int) -> str:
    """Why nothing can be said yet; empty where something can."""
    if steady < FEWEST:
        return f"fewer than {FEWEST} lots before the move"
    if not gone:
        return "no lot with a level while it had moved"
    return "" if after >= FEWEST else f"fewer than {FEWEST} lots after the action"


REASONS = {
    (True, True): "in keeping with what was usual before, and clearly away from where it had moved to",
    (True, False): "in keeping with both what was usual before and where it had moved to",
    (False, True): "clearly away from where it had moved to, and clearly not back at what was usual before",
    (False, False): "clearly not back at what was usual before, and not clearly away from where it had moved to",
}


def _answered(is_back: bool, has_left: bool) -> Answer:
    if is_back and has_left:
        return Answer.WORKED
    return Answer.NOT_YET_SHOWN if is_back or has_left else Answer.DID_NOT_WORK
