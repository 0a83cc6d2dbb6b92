"""Effectiveness of a corrective action: whether later lots are back at the level before the move.

The mean of the lots after the action is compared with two levels: that before the move, and that of the lots that had
moved. With few lots it can agree with both; the result is then "not yet shown".
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.future_mean import mean_margin
from spc.kernels.validation import as_points
from spc.vocabulary.enums import Effectiveness

__all__ = ["CONFIDENCE", "FEWEST", "MOST", "Comparison", "compare"]

CONFIDENCE = 0.95
FEWEST = 3
"""Fewest lots before the move and after the action. Common practice: one lot may be chance."""
MOST = 8
"""Number of lots after the action that count: later ones may move for other reasons."""


# By whether the mean agrees with the level before the move, and whether it differs from the level of the moved lots.
_RESULTS = {
    (True, True): (
        Effectiveness.WORKED,
        "agrees with the level before the move and clearly differs from the level at the alert",
    ),
    (True, False): (
        Effectiveness.NOT_YET_SHOWN,
        "agrees with both the level before the move and the level at the alert",
    ),
    (False, True): (
        Effectiveness.NOT_YET_SHOWN,
        "clearly differs from both the level at the alert and the level before the move",
    ),
    (False, False): (
        Effectiveness.DID_NOT_WORK,
        "clearly differs from the level before the move, but not from the level at the alert",
    ),
}


@dataclass(frozen=True, slots=True)
class Comparison:
    """Effectiveness of an action and the levels behind it, in the charted scale; nan where unknown.

    `mean` is that of the `lots` after the action, `before` that of the lots before the move, and `moved` that of the
    lots that had moved. `back_within` is the farthest mean of so many lots that still agrees with `before`, and
    `left_beyond` the nearest mean that still agrees with `moved`, both on the side to which the stream had moved.
    `reason` explains the result in words.
    """

    answer: Effectiveness
    lots: int
    mean: float
    before: float
    moved: float
    back_within: float
    left_beyond: float
    reason: str


def compare(
    before: ArrayLike, moved: ArrayLike, after: ArrayLike, direction: int, confidence: float = CONFIDENCE
) -> Comparison:
    """Compare the lots after an action with those before the move and those that had moved.

    Parameters
    ----------
    before, moved, after : array_like, shape (n,), (m,), (k,)
        Lot levels in the charted scale (natural log for a log characteristic), in order of test: before the move, from
        its estimated start to the action, and from the first lot after the action. Any may be empty. The first `MOST`
        of `after` count. The level before the move is the mean of `before`; the level after it is the mean of the last
        `MOST` of `moved`, because a drift continues.
    direction : int
        Sign of the move, +1 up or -1 down.
    confidence : float
        Of each two-sided interval, in (0, 1).

    Returns
    -------
    Comparison

    Raises
    ------
    ValueError
        If a level is not finite, `direction` is neither 1 nor -1, or `confidence` is not in (0, 1).

    Notes
    -----
    With mean and standard deviation s of n earlier lots, the mean of k future lots of the same kind is within mean ±
    t(n - 1) s sqrt(1 / k + 1 / n) [1]_. The same s gives the interval of the difference to the m lots that had moved,
    t(n - 1) s sqrt(1 / k + 1 / m). This is a two-sample comparison [2]_ whose standard deviation does not include the
    drift. Lots are taken as independent and normal in the charted scale.

    References
    ----------
    .. [1] G. J. Hahn (1970), Additional factors for calculating prediction intervals for samples from a normal
       distribution, Journal of the American Statistical Association 65, 1668-1676.
    .. [2] NIST/SEMATECH e-Handbook of Statistical Methods, section 7.3.1.

    Examples
    --------
    >>> result = compare([10.0, 10.2, 9.9, 10.1], [11.9, 12.1, 12.0], [10.1, 10.0, 10.2], direction=1)
    >>> str(result.answer), result.lots
    ('worked', 3)
    """
    steady, shifted, later = (
        as_points(x, name, at_least=0) for x, name in ((before, "before"), (moved, "moved"), (after, "after"))
    )
    if direction not in (1, -1):
        raise ValueError(f"direction must be 1 (up) or -1 (down), got {direction!r}")
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must be in (0, 1), got {confidence!r}")
    shifted, later = shifted[-MOST:], later[:MOST]
    k = later.size
    mean, level_before, level_moved = (float(x.mean()) if x.size else np.nan for x in (later, steady, shifted))
    missing = ""
    if steady.size < FEWEST:
        missing = f"fewer than {FEWEST} lots before the move"
    elif not shifted.size:
        missing = "no lot with a level between the move and the action"
    elif k < FEWEST:
        missing = f"fewer than {FEWEST} lots after the action"
    if missing:
        return Comparison(Effectiveness.NOT_YET_SHOWN, k, mean, level_before, level_moved, np.nan, np.nan, missing)
    sd = float(steady.std(ddof=1))
    back_within = level_before + direction * mean_margin(sd, steady.size, k, confidence)
    left_beyond = level_moved - direction * mean_margin(sd, steady.size, k, confidence, reference=shifted.size)
    is_back, has_left = direction * (mean - back_within) <= 0, direction * (mean - left_beyond) < 0
    answer, reason = _RESULTS[is_back, has_left]
    return Comparison(answer, k, mean, level_before, level_moved, back_within, left_beyond, reason)
