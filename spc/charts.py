"""Control charts of one stream of lots, or of many streams at once.

Each function returns one statistic a lot with its centre line and control limits: at three sigma, except for the moving
average and the cumulative sum, which have limits of their own.

One stream is an array of shape (lots,), or (lots, size) for subgroups. A batch has shape (lots, streams), or (lots,
streams, size); a row is a place in test order. One stream must be finite. In a batch, nan is padding or a missing lot.
A missing lot is no point: its statistic is nan, and all other results are as if the lot did not exist, so a moving
range spans it. A short subgroup is padded with nan in both forms.

A very large batch is fastest in blocks of a few hundred streams, which fit the processor's cache.
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

WIDTH = 3.0  # Half-width of the limits, in standard deviations of the plotted statistic


@dataclass(frozen=True, slots=True, eq=False)
class Chart:
    """Plotted statistic, centre line and control limits of a chart, in the unit of the points.

    `statistic`, `lower` and `upper` have shape (lots,), in time order; `center` is one number, or an array (lots,)
    where it varies with the subgroup size. `sigma` is the standard deviation of one observation, not of the plotted
    statistic. A point outside its limits signals.

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

    `high` and `low` have shape (lots,), or (lots, streams) in a batch, and are at least 0. A sum above `decision`
    signals a level above, or below, the centre line. The other attributes draw both sums in one chart about 0.
    """

    high: Floats
    low: Floats
    decision: float
    sigma: float | Floats
    """Standard deviation of one observation, in the unit of the points."""

    @property
    def statistic(self) -> Floats:
        """The larger of the two sums, negative where that is `low`; shape of `high`."""
        return np.where(self.low > self.high, -self.low, self.high)

    @property
    def center(self) -> float:
        """Centre line of `statistic`."""
        return 0.0

    @property
    def lower(self) -> Floats:
        """Decision value of the lower sum, negative as in `statistic`; shape of `high`."""
        return np.broadcast_to(-self.decision, self.high.shape)

    @property
    def upper(self) -> Floats:
        """Decision value of the upper sum; shape of `high`."""
        return np.broadcast_to(self.decision, self.high.shape)


def individuals(x: ArrayLike) -> Chart:
    """Chart of single values, with sigma from the mean moving range.

    For streams with one value a lot. The spread comes from successive lots, so a slow drift hardly widens the limits.

    Parameters
    ----------
    x : array_like, shape (lots,) or (lots, streams)
        Values in test order, in the charted scale; at least 2 lots.

    Returns
    -------
    Chart
        `sigma` is the mean range of two successive values divided by d2(2): 0 where all values are equal, nan for a
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

    Use it with the chart of individuals: it shows the lot at which the spread, or one value, jumped.

    Parameters
    ----------
    x : array_like, shape (lots,) or (lots, streams)
        As for `individuals`.

    Returns
    -------
    Chart
        `statistic[t]` is the range of lot t and the lot before it; nan at the first lot.

    Raises
    ------
    ValueError
        As for `individuals`.

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
    """Chart of subgroup ranges, the largest value minus the smallest.

    For subgroups of up to about ten values; with more, the standard deviation is more efficient.

    Parameters
    ----------
    x : array_like, shape (lots, size) or (lots, streams, size)
        A row a subgroup, values along the last axis, nan after the last value of a short subgroup. A subgroup of a
        single stream needs at least 2 values; one of a batch with fewer has no range.

    Returns
    -------
    Chart
        For a subgroup of n values, centre d2(n) sigma and limits (d2(n) - 3 d3(n)) sigma, at least 0, and
        (d2(n) + 3 d3(n)) sigma.

    Raises
    ------
    ValueError
        If `x` has another shape, a subgroup has too few values, or a value is infinite.

    Notes
    -----
    sigma = sum(w R / d2(n)) / sum(w) with w = d2(n)**2 / d3(n)**2: the weighted mean of the unbiased estimates R /
    d2(n) with the least variance [1]_. With equal sizes it is the mean range divided by d2.

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
        As for `ranges`.

    Returns
    -------
    Chart
        For a subgroup of n values, centre c4(n) sigma and limits (c4(n) - 3 c5(n)) sigma, at least 0, and
        (c4(n) + 3 c5(n)) sigma, with c5(n) = sqrt(1 - c4(n)**2).

    Raises
    ------
    ValueError
        As for `ranges`.

    Notes
    -----
    sigma is pooled as in `ranges` [1]_, with c4(n) for d2(n) and c5(n) for d3(n).

    References
    ----------
    .. [1] I. W. Burr (1969), Control charts for measurements with varying sample sizes, Journal of Quality Technology
       1(3), 163-167; from memory.

    Examples
    --------
    >>> deviations([[1.0, 3.0, 2.0], [2.0, 6.0, 4.0]]).center
    1.5
    """
    groups, single = as_subgroups(x)
    return _dispersion(deviations_of(groups), groups, c4, c5, single)


def means(x: ArrayLike, spread: Literal["range", "sd"] = "range") -> Chart:
    """Chart of subgroup means, with sigma from the spread within subgroups.

    Use it only where lots differ no more than the spread within subgroups explains. Where lots differ among themselves,
    as lots of bags do, use the chart of individuals on the lot means.

    Parameters
    ----------
    x : array_like, shape (lots, size) or (lots, streams, size)
        As for `ranges`. A subgroup may be a single value: it has a mean, and the spread comes from the others.
    spread : {"range", "sd"}
        Pool sigma from ranges, as in `ranges`, or from standard deviations, as in `deviations`.

    Returns
    -------
    Chart
        The centre is the mean of all values with equal weights; the limits are 3 sigma / sqrt(n) on either side.

    Raises
    ------
    ValueError
        As for `ranges`; also if `spread` is another word, or no subgroup of a single stream has two values.

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

    It reacts little to a single extreme lot and quickly to a small lasting shift, as when a film ages.

    Parameters
    ----------
    x : array_like, shape (lots,) or (lots, streams)
        One value a lot in time order, in the charted scale (natural log for a log characteristic).
    center, sigma : float, or array_like of shape (streams,)
        In-control mean, where the average starts, and standard deviation (> 0) of one value of `x`, in its unit.
    weight : float
        Weight of the newest point, in (0, 1]. With 1 it is a chart of individuals.
    width : float
        Half-width of the limits in standard deviations of the average, > 0.

    Returns
    -------
    Chart
        The limits widen with every point towards their asymptote. A missing lot of a batch leaves them unchanged.

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

    It is the fastest chart for a shift whose size is known in advance: twice the allowance.

    Parameters
    ----------
    x : array_like, shape (lots,) or (lots, streams)
        One value a lot in time order, in the charted scale.
    center, sigma : float, or array_like of shape (streams,)
        In-control mean and standard deviation (> 0) of one value of `x`, in its unit.
    allowance : float
        Deduction from each sum at every point, >= 0, in sigma; half the shift to detect.
    decision : float
        Value above which a sum signals, > 0, in sigma.
    headstart : float, optional
        Start of both sums, in [0, decision); half the decision value gives a fast initial response [2]_.

    Returns
    -------
    Cusum
        The sums continue after a signal; a new call starts them again.

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
    """Chart with limits `half` on either side of the centre, at least `floor`; one stream if `single`."""
    lower = np.broadcast_to(np.maximum(center - half, floor), statistic.shape)
    upper = np.broadcast_to(center + half, statistic.shape)
    if not single:
        return Chart(statistic, center, lower, upper, sigma)
    line = center[..., 0]
    # The centre line is one number unless it varies with the subgroup size.
    middle = float(line.flat[0]) if line.min() == line.max() else line
    return Chart(statistic[:, 0], middle, lower[:, 0], upper[:, 0], float(np.ravel(sigma)[0]))


def _mean(values: Floats) -> Floats:
    """Mean over the lots without nan, shape (streams,); nan for a stream without lots."""
    there = ~np.isnan(values)
    if there.all():
        return np.asarray(values.mean(axis=0))
    return quotient(np.where(there, values, 0.0).sum(axis=0), np.count_nonzero(there, axis=0))


# Moving ranges


def _moving_ranges(points: Floats) -> Floats:
    """Distance of each point from the last point before it, shape (lots, streams); nan for the first point."""
    latest, there = points, ~np.isnan(points)
    if not there.all():
        # Repeat the last point over missing lots.
        row = np.where(there, np.arange(points.shape[0])[:, None], 0)
        latest = np.take_along_axis(points, np.maximum.accumulate(row, axis=0), axis=0)
    spans = np.full_like(points, np.nan)
    np.abs(points[1:] - latest[:-1], out=spans[1:])
    return spans


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
    """Standard deviation of the average after each point, in sigma: (lots, 1), or (lots, streams) with gaps."""
    there = ~np.isnan(points)
    lots = points.shape[0]
    counted = np.arange(1, lots + 1)[:, None] if there.all() else np.cumsum(there, axis=0)
    growth = np.sqrt(weight / (2 - weight) * (1 - (1 - weight) ** (2.0 * np.arange(lots + 1))))
    return growth[counted]


def _ewma_recursion(points: Floats, center: Floats, weight: float) -> Floats:
    """Moving averages (lots, streams), computed as distances from the centre, which keeps all digits."""
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
    """Upper and lower sums, computed together as an array (lots, 2, streams)."""
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
