"""Control charts of one stream of lots, or of a batch of streams at once.

Each function plots one statistic a lot with its centre line and control limits at three sigma (the moving average and
the cumulative sum: at limits of their own). Recursions run over the lots and are vectorised over the streams; one
stream is the batch of one.

One stream is an array of shape (lots,), its subgroups of shape (lots, size). A batch has shape (lots, streams), or
(lots, streams, size): a row is a place in test order. One stream must be finite. In a batch nan is padding or a missing
lot, and a missing lot is no point: everything is as if the lot were not in the array, so a moving range spans it, and
averages and sums carry on. Its own statistic is nan. A short subgroup is padded with nan in both forms.

A very large batch is fastest in blocks of a few hundred streams, which stay in the processor's cache.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from spc.constants import c4, c5, d2, d3
from spc.kernels.arrays import Floats
from spc.kernels.subgroups import Factor, by_size, deviations_of, pooled_sigma, quotient, ranges_of, sizes_of
from spc.kernels.validation import as_streams, as_subgroups, finite_number, per_stream, positive

__all__ = ["Chart", "Cusum", "cusum", "deviations", "ewma", "individuals", "means", "moving_range", "ranges"]

WIDTH = 3.0  # half-width of the limits, in standard deviations of the plotted statistic


@dataclass(frozen=True, slots=True, eq=False)
class Chart:
    """What a control chart plots, in the unit of the points.

    `statistic`, `lower` and `upper` have shape (lots,), in time order; `center` is one number, or an array (lots,)
    where it varies with the subgroup size. `sigma` is the standard deviation of one observation, not of the plotted
    statistic. A point signals where it lies outside its limits.

    In a batch they have shape (lots, streams), `sigma` (streams,), and `center` (streams,) or (lots, streams). A stream
    with too few points for an estimate has nan. Limits that do not vary are read-only views.
    """

    statistic: Floats
    center: float | Floats
    lower: Floats
    upper: Floats
    sigma: float | Floats


@dataclass(frozen=True, slots=True, eq=False)
class Cusum:
    """Two one-sided cumulative sums of standardised values.

    `high` and `low` have shape (lots,), or (lots, streams) in a batch, and are never below 0: a sum above `decision`
    signals a level above, or below, the usual one. The other names draw both sums in one chart about 0.
    """

    high: Floats
    low: Floats
    decision: float
    sigma: float | Floats
    """Standard deviation of one observation, in the unit of the points."""

    @property
    def statistic(self) -> Floats:
        """The greater of the two sums, negative where that is `low`; shape of `high`."""
        return np.where(self.low > self.high, -self.low, self.high)

    @property
    def center(self) -> float:
        """The centre line of `statistic`."""
        return 0.0

    @property
    def lower(self) -> Floats:
        """The decision value of the lower sum, in the sign of `statistic`; shape of `high`."""
        return np.broadcast_to(-self.decision, self.high.shape)

    @property
    def upper(self) -> Floats:
        """The decision value of the upper sum; shape of `high`."""
        return np.broadcast_to(self.decision, self.high.shape)


def individuals(x: ArrayLike) -> Chart:
    """Chart of single values, with sigma from the mean moving range.

    For streams that give one value a lot. Neighbouring lots set the spread, so a slow drift hardly widens the limits.

    Parameters
    ----------
    x : array_like, shape (lots,) or (lots, streams)
        Values in test order, in the charted scale; at least 2 lots.

    Returns
    -------
    Chart
        `sigma` is the mean range of two successive values over d2(2). It is 0 where all values are equal, and nan for a
        stream of a batch with fewer than two values.

    Raises
    ------
    ValueError
        If `x` has another shape, too few lots, or values that are not finite (nan is allowed in a batch).

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.2 (which rounds d2(2) to 1.128).

    Examples
    --------
    >>> chart = individuals([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    >>> chart.upper[0].round(3), chart.lower[0].round(3)
    (np.float64(55.802), np.float64(45.818))
    """
    points, single = as_streams(x, at_least=2)
    center, sigma = _mean(points), _mean(_moving_ranges(points)) / d2(2)
    return _chart(points, center, WIDTH * sigma, sigma, single)


def moving_range(x: ArrayLike) -> Chart:
    """Chart of the ranges of two successive values.

    Beside the chart of individuals: shows the lot at which the spread, or one value, jumped.

    Parameters
    ----------
    x : array_like, shape (lots,) or (lots, streams)
        As for `individuals`, with the same errors.

    Returns
    -------
    Chart
        `statistic[t]` is the range of lot t and the lot before it; nan at the first lot, which has none before it.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.2.

    Examples
    --------
    >>> moving_range([3.0, 5.0, 4.0]).statistic
    array([nan,  2.,  1.])
    """
    points, single = as_streams(x, at_least=2)
    spans = _moving_ranges(points)
    center = _mean(spans)
    sigma = center / d2(2)
    return _chart(spans, center, WIDTH * d3(2) * sigma, sigma, single, floor=0.0)


def ranges(x: ArrayLike) -> Chart:
    """Chart of subgroup ranges, highest value minus lowest.

    For subgroups of up to about ten values; beyond that the standard deviation wastes less.

    Parameters
    ----------
    x : array_like, shape (lots, size) or (lots, streams, size)
        A row a subgroup, the values along the last axis, nan after the last value of a short one. Each subgroup of a
        single stream holds at least 2 values; one of a batch that holds fewer has no range.

    Returns
    -------
    Chart
        Centre d2(n) sigma and limits (d2(n) - 3 d3(n)) sigma, never below 0, and (d2(n) + 3 d3(n)) sigma for a subgroup
        of n values.

    Raises
    ------
    ValueError
        If `x` has another shape, a subgroup too few values, or a value is infinite.

    Notes
    -----
    sigma = sum(w R / d2(n)) / sum(w) with w = d2(n)**2 / d3(n)**2: of all weighted means of the unbiased estimates
    R / d2(n) the one with the least variance [1]_. With equal sizes it is the mean range over d2.

    References
    ----------
    .. [1] I. W. Burr (1969), Control charts for measurements with varying sample sizes, Journal of Quality Technology
       1(3), 163-167; from memory.

    Examples
    --------
    >>> ranges([[1.0, 3.0, 2.0], [2.0, 6.0, np.nan]]).center.round(3)
    array([3.302, 2.201])
    """
    groups, single = as_subgroups(x)
    return _dispersion(ranges_of(groups), groups, d2, d3, single)


def deviations(x: ArrayLike) -> Chart:
    """Chart of subgroup standard deviations, divisor n - 1.

    Parameters
    ----------
    x : array_like, shape (lots, size) or (lots, streams, size)
        As for `ranges`, with the same errors.

    Returns
    -------
    Chart
        Centre c4(n) sigma and limits (c4(n) - 3 sqrt(1 - c4(n)**2)) sigma, never below 0, and the same with a plus.

    Notes
    -----
    sigma is pooled as in `ranges` (Burr 1969), with c4(n) for d2(n) and sqrt(1 - c4(n)**2) for d3(n).

    Examples
    --------
    >>> deviations([[1.0, 3.0, 2.0], [2.0, 6.0, 4.0]]).center
    1.5
    """
    groups, single = as_subgroups(x)
    return _dispersion(deviations_of(groups), groups, c4, c5, single)


def means(x: ArrayLike, spread: Literal["range", "sd"] = "range") -> Chart:
    """Chart of subgroup means, with sigma from the spread within subgroups.

    Only for subgroups whose spread is all there is from one lot to the next; where lots differ among themselves, as
    bags of different lots do, the chart of individuals on the lot means is the honest one.

    Parameters
    ----------
    x : array_like, shape (lots, size) or (lots, streams, size)
        As for `ranges`. A subgroup may hold a single value: it has a mean, and the spread comes from the others.
    spread : {"range", "sd"}
        Whether sigma is pooled from ranges, as in `ranges`, or from standard deviations, as in `deviations`.

    Returns
    -------
    Chart
        Centre: the mean of all values, each with the same weight. Limits: 3 sigma / sqrt(n) about it.

    Raises
    ------
    ValueError
        As for `ranges`; also if `spread` is another word or no subgroup of a single stream holds two values.

    References
    ----------
    .. [1] D. C. Montgomery, Introduction to Statistical Quality Control, sections 6.2 and 6.3 (centre: equation 6.30).

    Examples
    --------
    >>> chart = means([[1.0, 3.0, 2.0], [2.0, 6.0, 4.0]], spread="sd")
    >>> chart.statistic, chart.center, chart.upper.round(3)
    (array([2., 4.]), 3.0, array([5.932, 5.932]))
    """
    if spread not in ("range", "sd"):
        raise ValueError(f'spread must be "range" or "sd", got {spread!r}')
    groups, single = as_subgroups(x, at_least=1)
    sizes = sizes_of(groups)
    if single and sizes.max() < 2:
        raise ValueError(
            "x must hold a subgroup of at least two values to show a spread; use individuals on single values"
        )
    within = (
        pooled_sigma(ranges_of(groups), sizes, d2, d3)
        if spread == "range"
        else pooled_sigma(deviations_of(groups), sizes, c4, c5)
    )
    sums = np.where(np.isnan(groups), 0.0, groups).sum(axis=-1)
    half = WIDTH * within / np.sqrt(np.where(sizes > 0, sizes, np.nan))
    center = quotient(sums.sum(axis=0), sizes.sum(axis=0))
    return _chart(quotient(sums, sizes), center, half, within, single)


def ewma(x: ArrayLike, center: ArrayLike, sigma: ArrayLike, weight: float, width: float) -> Chart:
    """Exponentially weighted moving average chart with exact limits.

    Slow to notice one wild lot, quick to notice a small lasting shift: the chart for a film that ages.

    Parameters
    ----------
    x : array_like, shape (lots,) or (lots, streams)
        One value a lot in time order, in the charted scale (natural log for a log characteristic).
    center, sigma : float, or array_like of shape (streams,)
        In-control mean, where the average starts, and standard deviation (> 0) of one value of `x`, in its unit.
    weight : float
        Weight of the newest point, in (0, 1]. At 1 the chart is a chart of individuals.
    width : float
        Half-width of the limits in standard deviations of the average, > 0.

    Returns
    -------
    Chart
        The limits widen with every point towards their asymptote. A missing lot of a batch leaves them as they were.

    Raises
    ------
    ValueError
        If `x` is empty, has another shape or is not finite (nan is allowed in a batch), or a parameter is outside its
        range.

    Notes
    -----
    With z[0] = center and z[t] = weight * x[t] + (1 - weight) * z[t - 1],
    var z[t] = sigma**2 * weight / (2 - weight) * (1 - (1 - weight)**(2 * t)).

    References
    ----------
    .. [1] S. W. Roberts (1959), Control chart tests based on geometric moving averages, Technometrics 1(3), 239-250.

    Examples
    --------
    >>> ewma([52.0, 47.0, 53.0], center=50.0, sigma=2.0, weight=0.3, width=3.0).statistic.round(2)
    array([50.6 , 49.52, 50.56])
    """
    points, single = as_streams(x)
    middle, unit = per_stream(center, points.shape[1], "center"), _sigma(sigma, points.shape[1])
    if not 0 < weight <= 1:
        raise ValueError(f"weight must be in (0, 1], got {weight!r}")
    half = positive(width, "width") * unit * _ewma_growth(points, weight)
    return _chart(_ewma_recursion(points, middle, weight), middle, half, unit, single)


def cusum(
    x: ArrayLike, center: ArrayLike, sigma: ArrayLike, allowance: float, decision: float, headstart: float = 0
) -> Cusum:
    """Two one-sided cumulative sums, in sigma units.

    The quickest chart for a shift of a size that is known beforehand: twice the allowance.

    Parameters
    ----------
    x : array_like, shape (lots,) or (lots, streams)
        One value a lot in time order, in the charted scale.
    center, sigma : float, or array_like of shape (streams,)
        In-control mean and standard deviation (> 0) of one value of `x`, in its unit.
    allowance : float
        What each sum gives away a point, >= 0, in sigma; half the shift to be found.
    decision : float
        A sum above it signals, > 0, in sigma.
    headstart : float, optional
        Where both sums start, in [0, decision); half the decision value gives a fast initial response [2]_.

    Returns
    -------
    Cusum
        The sums go on after a signal: only a new start, the next call, sets them back.

    Raises
    ------
    ValueError
        If `x` is empty, has another shape or is not finite (nan is allowed in a batch), or a parameter is outside its
        range.

    Notes
    -----
    With z = (x - center) / sigma, high[t] = max(0, high[t - 1] + z[t] - allowance) and
    low[t] = max(0, low[t - 1] - z[t] - allowance).

    References
    ----------
    .. [1] E. S. Page (1954), Continuous inspection schemes, Biometrika 41, 100-115.
    .. [2] J. M. Lucas and R. B. Crosier (1982), Fast initial response for CUSUM quality control schemes, Technometrics
       24, 199-205.

    Examples
    --------
    >>> sums = cusum([10.5, 12.0, 11.5], center=10.0, sigma=1.0, allowance=0.5, decision=5.0)
    >>> sums.high, sums.low
    (array([0. , 1.5, 2.5]), array([0., 0., 0.]))
    """
    points, single = as_streams(x)
    middle, unit = per_stream(center, points.shape[1], "center"), _sigma(sigma, points.shape[1])
    allowance, decision = finite_number(allowance, "allowance"), positive(decision, "decision")
    if allowance < 0:
        raise ValueError(f"allowance must be at least 0, got {allowance!r}")
    if not 0 <= headstart < decision:
        raise ValueError(f"headstart must be at least 0 and below the decision value {decision!r}, got {headstart!r}")
    high, low = _cusum_recursion((points - middle) / unit, allowance, headstart)
    if single:
        return Cusum(high[:, 0], low[:, 0], decision, float(unit[0]))
    return Cusum(high, low, decision, unit)


# Results


def _chart(
    statistic: Floats, center: Floats, half: Floats, sigma: Floats, single: bool, floor: float = -np.inf
) -> Chart:
    """Make a chart with limits `half` on either side of the centre, none below `floor`."""
    lower = np.broadcast_to(np.maximum(center - half, floor), statistic.shape)
    upper = np.broadcast_to(center + half, statistic.shape)
    chart = Chart(statistic, center, lower, upper, sigma)
    return _of_one(chart, center) if single else chart


def _of_one(chart: Chart, center: Floats) -> Chart:
    """Take out the only stream of a batch; its centre line is one number unless it varies."""
    line = center[..., 0]
    return Chart(
        statistic=chart.statistic[:, 0],
        center=float(line.flat[0]) if line.min() == line.max() else line,
        lower=chart.lower[:, 0],
        upper=chart.upper[:, 0],
        sigma=float(np.ravel(chart.sigma)[0]),
    )


def _mean(values: Floats) -> Floats:
    """Mean over the lots that are there, shape (streams,); nan for a stream without one."""
    there = ~np.isnan(values)
    if there.all():
        whole: Floats = values.mean(axis=0)
        return whole
    return quotient(np.where(there, values, 0.0).sum(axis=0), np.count_nonzero(there, axis=0))


# Moving ranges


def _moving_ranges(points: Floats) -> Floats:
    """Distance of each point from the last one that was there before it, shape (lots, streams), nan where none was."""
    spans = np.full_like(points, np.nan)
    np.abs(points[1:] - _carried_forward(points)[:-1], out=spans[1:])
    return spans


def _carried_forward(points: Floats) -> Floats:
    """Repeat the last point over missing lots."""
    there = ~np.isnan(points)
    if there.all():
        return points
    last = np.where(there, np.arange(points.shape[0])[:, None], 0)
    return np.take_along_axis(points, np.maximum.accumulate(last, axis=0), axis=0)


def _dispersion(spread: Floats, groups: Floats, mean: Factor, sd: Factor, single: bool) -> Chart:
    sizes = sizes_of(groups)
    sigma = pooled_sigma(spread, sizes, mean, sd)
    half = WIDTH * by_size(sd, sizes) * sigma
    statistic = np.where(sizes >= 2, spread, np.nan)
    return _chart(statistic, by_size(mean, sizes) * sigma, half, sigma, single, floor=0.0)


# Recursions over the lots


def _sigma(sigma: ArrayLike, streams: int) -> Floats:
    unit = per_stream(sigma, streams, "sigma")
    if not unit.min(initial=np.inf) > 0:
        raise ValueError(f"sigma must be above 0, got {unit.min()!r}")
    return unit


def _ewma_growth(points: Floats, weight: float) -> Floats:
    """Give the standard deviation of the average after each point, in sigma: (lots, 1); with gaps (lots, streams)."""
    there = ~np.isnan(points)
    lots = points.shape[0]
    counted = np.arange(1, lots + 1)[:, None] if there.all() else np.cumsum(there, axis=0)
    growth = np.sqrt(weight / (2 - weight) * (1 - (1 - weight) ** (2.0 * np.arange(lots + 1))))
    return growth[counted]


def _ewma_recursion(points: Floats, center: Floats, weight: float) -> Floats:
    """Carry the averages as distances from the centre, so that none of their digits is spent on the level."""
    average = points - center
    missing = np.isnan(average)
    gaps = bool(missing.any())
    keep = np.where(missing, 1.0, 1 - weight) if gaps else np.full((points.shape[0], 1), 1 - weight)
    average *= weight
    if gaps:
        average[missing] = 0.0
    carried = np.empty(points.shape[1])
    for t in range(1, points.shape[0]):
        np.multiply(average[t - 1], keep[t], out=carried)
        average[t] += carried
    average += center
    if gaps:
        average[missing] = np.nan
    return average


def _cusum_recursion(z: Floats, allowance: float, headstart: float) -> tuple[Floats, Floats]:
    """Sum up and down at once, as an array (lots, 2, streams); a step of 0 leaves a sum as it is."""
    sums = np.stack([z - allowance, -z - allowance], axis=1)
    missing = np.isnan(sums)
    gaps = bool(missing.any())
    if gaps:
        sums[missing] = 0.0
    sums[0] += headstart
    np.maximum(sums[0], 0.0, out=sums[0])
    for before, now in pairwise(sums):
        now += before
        np.maximum(now, 0.0, out=now)
    if gaps:
        sums[missing] = np.nan
    return sums[:, 0], sums[:, 1]
