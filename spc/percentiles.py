"""How far the limits of a document stand from what skewed values do, by percentiles instead of standard deviations."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spc._checks import Floats, as_points
from spc._indices import limits_of, require_confidence
from spc._skewed import l_moments, l_moments_without_each, percentiles

__all__ = ["PercentileCapability", "percentile_capability"]


@dataclass(frozen=True, slots=True)
class PercentileCapability:
    """Performance index from percentiles, for values with a skew.

    `low`, `middle` and `high` are the percentiles 0.135, 50 and 99.865 of the fitted law, in the unit of the values;
    `pp` is None where one limit stands alone. `ppk_lower` and `ppk_upper` are an approximate interval.
    """

    pp: float | None
    ppk: float
    ppk_lower: float
    ppk_upper: float
    low: float
    middle: float
    high: float
    confidence: float


def percentile_capability(
    x: ArrayLike, lower: float | None = None, upper: float | None = None, confidence: float = 0.95
) -> PercentileCapability:
    """Capability of skewed values, by percentiles.

    The distance from the median to a limit, over the distance from the median to the extreme percentile on that side.

    Parameters
    ----------
    x : array_like, shape (n,)
        Independent values, n >= 30 (common practice: the tails of fewer are a guess).
    lower, upper : float, optional
        Limits of the document in the unit of `x`; at least one.
    confidence : float
        Of the interval, in (0, 1).

    Returns
    -------
    PercentileCapability

    Raises
    ------
    ValueError
        If fewer than 30 values, one that is not finite, no spread, no limit, or `lower` not below `upper`.

    Notes
    -----
    The definition by the percentiles 0.135, 50 and 99.865 is that of ISO 22514-2 (from memory, not read). The
    percentiles are those of a three-parameter lognormal law fitted by L-moments, which small samples bias little [1]_;
    without skewness it is the normal law. The interval is the jackknife of the index [2]_ and approximate: in
    simulation a 95 % interval held the true index in 94 to 96 % of samples of 30 to 200 with skewness 0 to 1, in 92 to
    94 % with skewness 2.3.

    References
    ----------
    .. [1] J. R. M. Hosking and J. R. Wallis (1997), Regional Frequency Analysis, Cambridge, appendix A.8.
    .. [2] R. G. Miller (1974), The jackknife - a review, Biometrika 61, 1-15.
    """
    points = as_points(x, at_least=30)
    below, above = limits_of(lower, upper)
    require_confidence(confidence)
    if not np.ptp(points) > 0:
        raise ValueError(f"x does not vary: all {points.size} values are {points[0]!r}, and no index is finite")
    low, middle, high = percentiles(l_moments(points))
    ppk = float(_percentile_index(low, middle, high, below, above))
    error = _jackknife_error(_percentile_index(*percentiles(l_moments_without_each(points)), below, above))
    half = float(-special.stdtrit(points.size - 1, (1 - confidence) / 2)) * error
    both = np.isfinite(below) and np.isfinite(above)
    pp = (above - below) / float(high - low) if both else None
    return PercentileCapability(pp, ppk, ppk - half, ppk + half, float(low), float(middle), float(high), confidence)


def _percentile_index(low: Floats, middle: Floats, high: Floats, below: float, above: float) -> Floats:
    index: Floats = np.minimum((above - middle) / (high - middle), (middle - below) / (middle - low))
    return index


def _jackknife_error(values: Floats) -> float:
    n = values.size
    return float(np.sqrt((n - 1) / n * ((values - values.mean()) ** 2).sum()))
