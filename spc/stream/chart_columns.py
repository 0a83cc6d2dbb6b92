"""What the three charts of a stream plot beside its points: limits, distances, a moving average, limits of the scatter."""

from __future__ import annotations

import numpy as np
from scipy import special

from spc import charts
from spc.kernels.arrays import Floats
from spc.kernels.columns import Rows
from spc.stream import baseline

__all__ = ["CHART_WIDTH", "EWMA_WEIGHT", "EWMA_WIDTH", "chart_of"]

# The weight and width that Lucas and Saccucci (1990), table 3, give for an in-control run length of 500.
EWMA_WEIGHT = 0.1
EWMA_WIDTH = 2.814
CHART_WIDTH = 3.0


def chart_of(part: Rows, usual: baseline.Baseline) -> dict[str, Floats]:
    """The limits of each point of a segment, its distance from usual, the moving average, and the limits of the scatter."""
    level, variance = part.floats("level"), part.floats("variance")
    lower, upper = baseline.limits(usual, variance, width=CHART_WIDTH)
    half = upper - usual.center
    typical = float(np.median(usual.total_sigma(variance)))
    known = 0 < typical < np.inf
    unknown = np.full(level.size, np.nan)
    return {
        "center": np.full(level.size, usual.center),
        "lower": lower,
        "upper": upper,
        # Three is at the control limit, whatever the lot's number of bags and the baseline's number of lots.
        "z": np.divide(CHART_WIDTH * (level - usual.center), half, out=np.zeros_like(level), where=half > 0),
        "ewma": charts.ewma(level, usual.center, typical, EWMA_WEIGHT, EWMA_WIDTH).statistic if known else unknown,
        "bag_spread_upper": _spread_limit(part.floats("bag_variance"), part.floats("bags") - 1, usual.used),
        "reading_spread_upper": _spread_limit(part.floats("reading_variance"), part.floats("reading_df"), usual.used),
    }


def _spread_limit(own: Floats, weight: Floats, used: np.ndarray) -> Floats:
    """Upper limit of each lot's standard deviation, exceeded as rarely as a three-sigma limit on one side.

    The distribution of a sample variance is a multiple of chi-square: the limit follows the lot's number of bags.
    """
    known = used & np.isfinite(own) & (weight > 0)
    if not known.any():
        return np.full(own.size, np.nan)
    pooled = np.average(own[known], weights=weight[known])
    # Most lots have as many bags as the next: the quantile of each number is worked out once.
    counts, place = np.unique(np.where(weight > 0, weight, np.nan), return_inverse=True)
    return np.asarray(np.sqrt(pooled * special.chdtri(counts, special.ndtr(-CHART_WIDTH)) / counts)[place])
