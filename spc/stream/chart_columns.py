"""Chart columns of a stream: control limits, standardised distance, moving average, and limits of the variation."""

from __future__ import annotations

import numpy as np
from scipy import special

from spc import charts
from spc.kernels.arrays import Flags, Floats
from spc.kernels.columns import Rows
from spc.stream.baseline import Baseline, limits

__all__ = ["CHART_WIDTH", "EWMA_WEIGHT", "EWMA_WIDTH", "chart_of", "is_bounded"]

# Weight and width from Lucas and Saccucci (1990), table 3, for an in-control average run length of 500.
EWMA_WEIGHT = 0.1
EWMA_WIDTH = 2.814
CHART_WIDTH = 3.0


def chart_of(points: Rows, baseline: Baseline) -> dict[str, Floats]:
    """Chart columns for the measured points of one segment.

    Parameters
    ----------
    points : Rows
        Measured points in test order, with `level`, `variance`, `bags`, `bag_variance`, `reading_variance`, `reading_df`, and
        `below` and `above`, the numbers of bounded readings.
    baseline : Baseline
        Of these points.

    Returns
    -------
    dict of ndarray, shape (n,)
        `center`, `lower` and `upper`: centre line and control limits in the charted scale; `z`: distance from the
        centre line, where 3 is at the control limit; `ewma`: moving average, nan while the standard deviation is
        unknown or 0; `bag_spread_upper` and `reading_spread_upper`: upper limits of the standard deviation between
        bags and within bags, nan where none can be computed.

    Examples
    --------
    >>> from spc.stream.baseline import establish
    >>> levels = np.array([2.0, 2.2, 1.9, 2.1, 2.0, 1.8, 2.2, 2.0])
    >>> ones = np.ones(8)
    >>> columns = {"level": levels, "variance": 0 * ones, "bags": 6 * ones, "bag_variance": 0.01 * ones}
    >>> points = Rows(np.arange(8), columns | {"reading_variance": np.nan * ones} | dict.fromkeys(("reading_df", "below", "above"), 0 * ones))
    >>> chart = chart_of(points, establish(levels, np.zeros(8), lots=8))
    >>> chart["center"][0].round(3), chart["upper"][0].round(3), chart["z"][1].round(2)
    (np.float64(2.025), np.float64(2.692), np.float64(0.79))
    """
    level, variance = points.floats("level"), points.floats("variance")
    lower, upper = limits(baseline, variance, width=CHART_WIDTH)
    half = upper - baseline.center
    typical_sigma = float(np.median(baseline.total_sigma(variance)))
    ewma = np.full(level.size, np.nan)
    if 0 < typical_sigma < np.inf:
        ewma = charts.ewma(level, baseline.center, typical_sigma, EWMA_WEIGHT, EWMA_WIDTH).statistic
    return {
        "center": np.full(level.size, baseline.center),
        "lower": lower,
        "upper": upper,
        # Scaled so that 3 is at the control limit for any number of bags in the lot and of lots in the baseline.
        "z": np.divide(CHART_WIDTH * (level - baseline.center), half, out=np.zeros_like(level), where=half > 0),
        "ewma": ewma,
        "bag_spread_upper": _spread_limit(
            points.floats("bag_variance"), points.floats("bags") - 1, baseline.used & ~is_bounded(points)
        ),
        "reading_spread_upper": _spread_limit(
            points.floats("reading_variance"), points.floats("reading_df"), baseline.used
        ),
    }


def is_bounded(points: Rows) -> Flags:
    """Which points have a reading beyond the range of the meter.

    How far their bags differ is not measured: an estimate from those within the range may be off by any factor.

    Examples
    --------
    >>> is_bounded(Rows([1, 2, 3], {"below": np.array([0, 1, 0]), "above": np.array([0, 0, 2])}))
    array([False,  True,  True])
    """
    return np.asarray(points.floats("below") + points.floats("above") > 0)


def _spread_limit(variance: Floats, df: Floats, used: Flags) -> Floats:
    """Upper limit of each lot's standard deviation, exceeded with the chance of one side of a three-sigma limit.

    A sample variance follows a multiple of chi-square, so the limit depends on the lot's degrees of freedom.
    """
    in_baseline = used & np.isfinite(variance) & (df > 0)
    if not in_baseline.any():
        return np.full(variance.size, np.nan)
    pooled = np.average(variance[in_baseline], weights=df[in_baseline])
    # Most lots have the same number of bags: compute each quantile once.
    distinct, place = np.unique(np.where(df > 0, df, np.nan), return_inverse=True)
    return np.asarray(np.sqrt(pooled * special.chdtri(distinct, special.ndtr(-CHART_WIDTH)) / distinct)[place])
