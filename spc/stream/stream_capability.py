"""Capability of a stream, from its baseline and its variance components, or the reason why none is given."""

from __future__ import annotations

from enum import StrEnum

import numpy as np

from spc.capability import Capability, from_components
from spc.kernels.validation import whole
from spc.stream.baseline import Baseline

__all__ = ["Withheld", "for_stream"]


class Withheld(StrEnum):
    """Why no capability is given."""

    TOO_FEW_LOTS = "too_few_lots"
    """The interval would be too wide to act on."""
    NOT_STABLE = "not_stable"
    """The level moves: no index describes what comes next."""
    NOT_NORMAL = "not_normal"
    """The lot levels do not follow the normal law in the charted scale."""
    NO_LIMIT = "no_limit"
    """No limit applies to the stream."""
    NO_SPREAD = "no_spread"
    """All values are equal: the index would be infinite."""


def for_stream(
    baseline: Baseline,
    within_variance: float,
    worth: tuple[float, float],
    lower: float | None = None,
    upper: float | None = None,
    *,
    stable: bool,
    normal: bool = True,
    minimum: int = 10,
    confidence: float = 0.95,
) -> Capability | Withheld:
    """Capability of single readings of a stream, or the reason why none is given.

    Parameters
    ----------
    baseline : Baseline
        Level and scatter of the lots.
    within_variance : float
        Variance of one reading within a lot: bag + reading, >= 0.
    worth : tuple of float
        What the total variance, lot + bag + reading, is worth at the two ends of its interval; see `worth_of`.
    lower, upper : float, optional
        Limits of the document in the charted scale; none where no limit applies.
    stable : bool
        Nothing shows that the level moves.
    normal : bool
        Nothing shows that the lot levels depart from the normal law.
    minimum : int
        Fewer lots are too few, >= 2. Ten is common practice's compromise: at ten lots the 95 % interval of an index of
        1.33 runs from 0.69 to 1.96.
    confidence : float
        Of the equal-tailed intervals, in (0, 1).

    Returns
    -------
    Capability or Withheld
        The first reason that holds, in the order no limit, too few lots, not stable, not normal, no spread.

    Notes
    -----
    With `worth_of` the interval of the total variance [1]_ the 95 % interval of `ppk` held the true index in 93.3 to
    95.5 % of simulated streams (10 to 50 lots of 3 to 12 bags and 1 to 6 readings, 3,000 streams each, standard error
    0.4 %). What is below 94 % are ten lots of which the screening of the baseline now and then leaves out a sound one.
    One worth by Satterthwaite for both ends held it in 87 to 97 %.

    References
    ----------
    .. [1] F. A. Graybill and C.-M. Wang (1980), Confidence intervals on nonnegative linear combinations of variances,
       Journal of the American Statistical Association 75, 869-873.
    """
    whole(minimum, "minimum", 2)
    if not 0 <= within_variance < np.inf:
        raise ValueError(f"within_variance must be a number of at least 0, got {within_variance!r}")
    reason = _reason(baseline, within_variance, lower is None and upper is None, stable, normal, minimum)
    if reason is not None:
        return reason
    total_variance = baseline.sigma**2 + within_variance
    # Lots that depend on each other are worth fewer: see spc.baseline.widen.
    share = baseline.degrees_of_freedom / (baseline.count - 1)
    low, high = (end * share for end in worth)
    return from_components(baseline.center, baseline.center_se, total_variance, (low, high), lower, upper, confidence)


def _reason(
    baseline: Baseline, within: float, unlimited: bool, stable: bool, normal: bool, minimum: int
) -> Withheld | None:
    reasons = {
        Withheld.NO_LIMIT: unlimited,
        Withheld.TOO_FEW_LOTS: baseline.count < minimum,
        Withheld.NOT_STABLE: not stable,
        Withheld.NOT_NORMAL: not normal,
        Withheld.NO_SPREAD: baseline.sigma == 0 and within == 0,
    }
    return next((reason for reason, holds in reasons.items() if holds), None)
