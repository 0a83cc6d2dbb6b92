"""Variance components: variance between lots, between bags of a lot, and between readings of a bag.

Six readings on one bag are not six independent samples. The three variances give the effective number of readings of a
lot and the width of the limits of its level.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import special

from spc.kernels import restricted_likelihood
from spc.kernels.anova import Estimate, Lots, Table, anova, intervals, table_of
from spc.kernels.arrays import Flags, Floats, Indices, Integers
from spc.kernels.nesting import bag_means, divide, nest, sums, total
from spc.kernels.validation import as_points, positive

__all__ = [
    "LEVELS",
    "Components",
    "batch",
    "effective_readings",
    "from_lots",
    "level_variance",
    "mean_squares",
    "nested",
    "variance_interval",
]

LEVELS = ("lot", "bag", "reading")
"""The levels of nesting, outermost first."""

_SUMS = (
    "bags", "readings", "reading_df", "weighted_mean", "sum_squares_bags", "sum_squares_readings", "sum_squared_sizes",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Components:
    """Variances between lots, between bags of a lot and between readings of a bag, in squared charted units.

    `negative` names the components whose unconstrained estimate is below 0; they were set to 0. `unresolved` names
    those that the data cannot separate from the level above, because nothing was repeated there: they are nan, and
    their variance is included in the next level outward that was repeated.

    `mean` is the generalised least-squares mean of the lots; its interval is from Student's t with `lot_df`. The `_df`
    are degrees of freedom: lots less one, bags less lots, readings less bags. `total` is the variance of a single
    reading on a random bag of a random lot (the sum of the resolved components), `total_df` its degrees of freedom by
    Satterthwaite. `_low` and `_high` are the ends of a 95 % interval, 0 and inf where it is unknown. `_se` is a
    standard error; do not form an interval from it: two standard errors either way contain the lot component of ten
    lots in 86 % of cases only. `left_out` counts lots whose variances are unknown (bounded readings).
    """

    lot: float
    bag: float
    reading: float
    lot_se: float
    bag_se: float
    reading_se: float
    lot_low: float
    lot_high: float
    bag_low: float
    bag_high: float
    reading_low: float
    reading_high: float
    mean: float
    mean_se: float
    lot_df: int
    bag_df: int
    reading_df: int
    total: float
    total_df: float
    total_low: float
    total_high: float
    negative: tuple[str, ...]
    unresolved: tuple[str, ...]
    left_out: int


def nested(values: ArrayLike, lot: ArrayLike, bag: ArrayLike, method: str = "reml") -> Components:
    """Variance components of readings nested in bags nested in lots; sizes may differ.

    Parameters
    ----------
    values : array_like, shape (n,)
        Readings in the charted scale, finite.
    lot, bag : array_like, shape (n,)
        Labels. A bag label is valid within its lot, so bag 1 of two lots is two bags.
    method : {"reml", "anova"}
        Restricted maximum likelihood, or equating the mean squares to their expectations. Balanced data give the same
        with both unless a component is negative: "anova" then sets it to 0 and keeps the others, "reml" fits the others
        again.

    Returns
    -------
    Components

    Raises
    ------
    ValueError
        If shapes differ, there are no values, a value is not finite, or `method` is unknown.

    Notes
    -----
    Expected mean squares of unbalanced data as in Searle, Casella and McCulloch [1]_, chapter 5. REML [2]_ by Fisher
    scoring on sums over bags. Standard errors of "reml" are from the expected information, also for a component at 0;
    those of "anova" take mean squares as independent multiples of chi-squares, which is exact for balanced data. Where
    the readings of every bag are equal, the likelihood has no maximum and the result is that of "anova". For both
    methods the intervals are those of Graybill and Wang [3]_ and of Ting and others [4]_ for sums and differences of
    mean squares, because an interval of the total from `total_df` is too short with few lots. In simulation of balanced
    lots (5 to 50 lots of 3 to 12 bags and 1 to 6 readings, 20,000 streams each, standard error 0.15 %) the interval of
    the total contained the true value in 94.7 to 96.2 % of streams, by Satterthwaite in 87.2 to 95.3 %.

    References
    ----------
    .. [1] S. R. Searle, G. Casella, C. E. McCulloch (1992), Variance Components, Wiley.
    .. [2] H. D. Patterson, R. Thompson (1971), Recovery of inter-block information when block sizes are unequal,
       Biometrika 58, 545-554.
    .. [3] F. A. Graybill, C.-M. Wang (1980), Confidence intervals on nonnegative linear combinations of variances,
       Journal of the American Statistical Association 75, 869-873.
    .. [4] N. Ting, R. K. Burdick, F. A. Graybill, S. Jeyaratnam, T.-F. C. Lu (1990), Confidence intervals on linear
       combinations of variance components that are unrestricted in sign, J. Stat. Comput. Simul. 35, 135-143.

    Examples
    --------
    >>> parts = nested([1.0, 1.2, 1.6, 1.4, 2.1, 2.5, 2.0, 2.2], [1, 1, 1, 1, 2, 2, 2, 2], [1, 1, 2, 2, 1, 1, 2, 2])
    >>> round(parts.lot, 4), round(parts.bag, 4), round(parts.reading, 4)
    (0.38, 0.0325, 0.035)
    """
    lots, bags = _from_readings(values, lot, bag)
    return _one(_estimate(lots, bags, method, np.zeros(1)))


def from_lots(summary: pd.DataFrame, method: str = "reml") -> Components:
    """Variance components of one stream from the sums of its lots.

    Parameters
    ----------
    summary : DataFrame
        Columns of `spc.stream.session_summary.summarise`, a row a lot. Lots with variances of nan are left out and
        counted.
    method : {"reml", "anova"}
        As in `nested`, with the same result for "anova", and for "reml" where the bags of a lot have equal numbers of
        readings. Otherwise "reml" takes the harmonic mean of their numbers for every bag of the lot: means and expected
        squares stay exact, the weights within the lot are approximate (with bags of 1 to 4 readings, the standard error
        of the bag component is 2 % larger).

    Returns
    -------
    Components
        All components are nan and `unresolved` where no lot is usable.

    Raises
    ------
    ValueError
        If a column is missing or `method` is unknown.

    Examples
    --------
    >>> from spc.stream.session_summary import summarise
    >>> readings = pd.DataFrame({"session": [1, 1, 2, 2, 3, 3], "specimen": [1, 2] * 3, "bound": 0})
    >>> parts = from_lots(summarise(readings.assign(value=[1.0, 1.2, 2.1, 2.5, 1.6, 1.8]), "linear"))
    >>> round(parts.lot, 3), round(parts.bag, 3), parts.unresolved
    (0.34, 0.04, ('reading',))
    """
    return _one(batch(summary, np.zeros(len(summary), dtype=np.int64), method))


def batch(summary: pd.DataFrame, stream: ArrayLike, method: str = "reml") -> pd.DataFrame:
    """Variance components of many streams at once; see `from_lots`.

    Parameters
    ----------
    summary : DataFrame
        Columns of `spc.stream.session_summary.summarise`, a row a lot.
    stream : array_like, shape (rows,)
        Label of the stream of each row.
    method : {"reml", "anova"}
        As in `from_lots`.

    Returns
    -------
    DataFrame
        The index is the sorted labels; the columns are the fields of `Components`, with `negative` and `unresolved` as
        one truth value a component: `lot_negative`, `bag_negative`, `lot_unresolved`, `bag_unresolved`,
        `reading_unresolved`.

    Raises
    ------
    ValueError
        As `from_lots`; also if `stream` has another length.

    Examples
    --------
    >>> from spc.stream.session_summary import summarise
    >>> readings = pd.DataFrame({"session": [1, 1, 2, 2, 3, 3], "specimen": [1, 2] * 3, "bound": 0})
    >>> lots = summarise(readings.assign(value=[1.0, 1.2, 2.1, 2.5, 1.6, 1.8]), "linear")
    >>> batch(lots, ["A", "A", "B"])[["lot", "lot_df", "lot_unresolved"]].round(2).values.tolist()
    [[0.69, 1, False], [nan, 0, True]]
    """
    labels, number = np.unique(np.asarray(stream), return_inverse=True)
    if number.size != len(summary):
        raise ValueError(f"stream must name the stream of each of the {len(summary)} lots, got {number.size}")
    usable = np.isfinite(_columns(summary, ("weighted_mean", "sum_squares_bags", "sum_squares_readings"))).all(axis=0)
    left_out = np.bincount(number[~usable], minlength=labels.size)
    rows = np.flatnonzero(usable)
    lots, bags = _from_sums(summary.iloc[rows], number[rows], labels.size)
    return _estimate(lots, bags, method, left_out.astype(np.float64)).set_axis(labels, axis=0)


def level_variance(
    components: Components, bags: ArrayLike, readings_per_bag: ArrayLike, *, with_lot: bool = True
) -> Floats:
    """Variance of a lot's level, the mean of its bag means.

    Parameters
    ----------
    components : Components
        In squared charted units. An unresolved component is included in the level above it. Where none is resolved, the
        variance is inf.
    bags, readings_per_bag : array_like
        Sizes (>= 1) of each lot; for unequal bags the harmonic mean of their readings. They are broadcast together.
    with_lot : bool
        True for the variance of levels about the centre line, False for the sampling variance of the level of one lot.

    Returns
    -------
    ndarray
        lot + bag / bags + reading / (bags * readings_per_bag), in the broadcast shape.

    Raises
    ------
    ValueError
        If a size is below 1.

    Examples
    --------
    >>> parts = nested([1.0, 1.2, 1.6, 1.4, 2.1, 2.5, 2.0, 2.2], [1, 1, 1, 1, 2, 2, 2, 2], [1, 1, 2, 2, 1, 1, 2, 2])
    >>> level_variance(parts, bags=[2, 6], readings_per_bag=2, with_lot=False).round(4)
    array([0.025 , 0.0083])
    """
    count, each = _sizes(bags, readings_per_bag)
    if len(components.unresolved) == len(LEVELS):
        return np.full(np.broadcast_shapes(count.shape, each.shape), np.inf)
    lot, bag, reading = (np.nan_to_num(part) for part in (components.lot, components.bag, components.reading))
    return np.asarray((lot if with_lot else 0.0) + bag / count + reading / (count * each))


def effective_readings(components: Components, bags: ArrayLike, readings_per_bag: ArrayLike) -> Floats:
    """Effective number of independent readings of a lot.

    Parameters
    ----------
    components : Components
    bags, readings_per_bag : array_like
        Sizes (>= 1), broadcast together.

    Returns
    -------
    ndarray
        n / (1 + (r - 1) * rho) for n readings, r a bag, where rho is the share of the bags in the variance within a lot
        (design effect of clusters [1]_). Where bags and readings cannot be separated, or there is no variance, it is
        the number of bags, which is the safe side.

    Raises
    ------
    ValueError
        If a size is below 1.

    References
    ----------
    .. [1] L. Kish (1965), Survey Sampling, section 5.4, from memory.

    Examples
    --------
    >>> parts = nested([1.0, 1.2, 1.6, 1.4, 2.1, 2.5, 2.0, 2.2], [1, 1, 1, 1, 2, 2, 2, 2], [1, 1, 2, 2, 1, 1, 2, 2])
    >>> effective_readings(parts, bags=6, readings_per_bag=6).round(1)
    np.float64(10.6)
    """
    count, each = _sizes(bags, readings_per_bag)
    within = components.bag + components.reading
    share = components.bag / within if within > 0 else 1.0
    return np.asarray(count * each / (1.0 + (each - 1.0) * share))


def _sizes(bags: ArrayLike, readings_per_bag: ArrayLike) -> tuple[Floats, Floats]:
    sizes = tuple(np.asarray(part, dtype=np.float64) for part in (bags, readings_per_bag))
    for name, part in zip(("bags", "readings_per_bag"), sizes, strict=True):
        if not (part >= 1).all():
            raise ValueError(f"{name} must be at least 1, got {part[~(part >= 1)].ravel()[0]!r}")
    return sizes[0], sizes[1]


def variance_interval(variance: float, df: float, confidence: float = 0.95) -> tuple[float, float]:
    """Chi-square interval of a variance.

    It is exact for the component of readings and for a mean square; with `total_df` it is Satterthwaite's approximation
    [1]_.

    Parameters
    ----------
    variance : float
        Estimate, >= 0.
    df : float
        Degrees of freedom of the estimate, > 0.
    confidence : float
        Probability that the interval contains the true variance, in (0, 1).

    Returns
    -------
    low, high : float

    Raises
    ------
    ValueError
        If a number is outside its range.

    References
    ----------
    .. [1] F. E. Satterthwaite (1946), An approximate distribution of estimates of variance components, Biometrics
       Bulletin 2, 110-114.

    Examples
    --------
    >>> low, high = variance_interval(1.0, 9)
    >>> round(low, 3), round(high, 3)
    (0.473, 3.333)
    """
    positive(df, "df")
    if not variance >= 0 or not np.isfinite(variance):
        raise ValueError(f"variance must be a finite number of at least 0, got {variance!r}")
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must be between 0 and 1, got {confidence!r}")
    tail = (1.0 - confidence) / 2.0
    return float(df * variance / special.chdtri(df, tail)), float(df * variance / special.chdtri(df, 1.0 - tail))


def mean_squares(values: ArrayLike, lot: ArrayLike, bag: ArrayLike) -> pd.DataFrame:
    """Analysis of variance table of nested readings.

    Parameters
    ----------
    values, lot, bag : array_like, shape (n,)
        As in `nested`.

    Returns
    -------
    DataFrame
        Index "lot", "bag", "reading" without the levels that were not repeated; `sum_squares`, `df`, `mean_square`, and
        `F` against the next level inward with its upper tail `p` (nan in the last row).

    Raises
    ------
    ValueError
        If shapes differ, there are no values, or a value is not finite.

    References
    ----------
    .. [1] S. R. Searle, G. Casella and C. E. McCulloch (1992), Variance Components, Wiley.

    Examples
    --------
    >>> table = mean_squares([1.0, 1.2, 1.6, 1.4, 2.1, 2.5, 2.0, 2.2], [1] * 4 + [2] * 4, [1, 1, 2, 2] * 2)
    >>> table["mean_square"].round(3).to_dict()
    {'lot': 1.62, 'bag': 0.1, 'reading': 0.035}
    """
    lots, _ = _from_readings(values, lot, bag)
    table = table_of(lots)
    there = table.df[0] > 0
    square, df = table.mean_square[0][there], table.df[0][there]
    ratio = divide(square, np.append(square[1:], 0.0))
    tail = np.append(special.fdtrc(df[:-1], df[1:], ratio[:-1]), np.nan) if df.size else df
    columns = {"sum_squares": square * df, "df": df.astype(np.int64), "mean_square": square, "F": ratio, "p": tail}
    return pd.DataFrame(columns, index=pd.Index(np.array(LEVELS)[there], name="level"))


def _columns(summary: pd.DataFrame, names: tuple[str, ...]) -> Floats:
    missing = set(names) - set(summary.columns)
    if missing:
        raise ValueError(
            f"summary lacks the columns {sorted(missing)}; give the result of spc.stream.session_summary.summarise"
        )
    return np.stack([summary[name].to_numpy(np.float64) for name in names])


def _labels(labels: ArrayLike, name: str, size: int) -> Integers:
    array = np.asarray(labels)
    if array.shape != (size,):
        raise ValueError(f"{name} must label each of the {size} values, got shape {array.shape}")
    return np.unique(array, return_inverse=True)[1].astype(np.int64)


def _from_readings(values: ArrayLike, lot: ArrayLike, bag: ArrayLike) -> tuple[Lots, restricted_likelihood.Bags]:
    y = as_points(values, "values")
    at = nest(_labels(lot, "lot", y.size), _labels(bag, "bag", y.size))
    y = y[at.order]
    center, y = y[:1], y - y[0]
    means = bag_means(at, y)
    columns = sums(at, y, means)
    lots = Lots(stream=np.zeros(at.first.size, dtype=np.intp), center=center, **{name: columns[name] for name in _SUMS})
    rows = restricted_likelihood.Bags(
        count=np.ones(means.sizes.size),
        share=1.0 / means.sizes,
        y=means.mean + means.offset[at.of_bag],
        squares=np.zeros(means.sizes.size),
        lot=at.of_bag.astype(np.intp),
        stream=lots.stream,
        within=np.array([lots.sum_squares_readings.sum()]),
        within_df=np.array([lots.reading_df.sum()]),
    )
    return lots, rows


def _from_sums(summary: pd.DataFrame, stream: Indices, streams: int) -> tuple[Lots, restricted_likelihood.Bags]:
    names = (*_SUMS, "level", "bag_variance", "readings_per_bag")
    columns = dict(zip(names, _columns(summary, names), strict=True))
    center = np.zeros(streams)
    center[stream[::-1]] = columns["weighted_mean"][::-1]
    columns["weighted_mean"] = columns["weighted_mean"] - center[stream]
    lots = Lots(stream=stream, center=center, **{name: columns[name] for name in _SUMS})
    bags = lots.bags
    rows = restricted_likelihood.Bags(
        count=bags,
        share=1.0 / columns["readings_per_bag"],
        y=columns["level"] - center[stream],
        squares=np.where(bags > 1, (bags - 1) * columns["bag_variance"], 0.0),
        lot=np.arange(stream.size),
        stream=stream,
        within=total(stream, lots.sum_squares_readings, streams),
        within_df=total(stream, lots.reading_df, streams),
    )
    return lots, rows


def _estimate(lots: Lots, rows: restricted_likelihood.Bags, method: str, left_out: Floats) -> pd.DataFrame:
    if method not in ("reml", "anova"):
        raise ValueError(f'method must be "reml" or "anova", got {method!r}')
    table = table_of(lots)
    estimate = anova(table)
    if method == "reml":
        estimate = _likelihood(rows, table, estimate)
    resolved = table.df > 0
    columns = _sizes_of_parts(estimate, resolved) | _means(rows, estimate, lots.center, resolved)
    columns |= _total(estimate, table)
    flags = {f"{name}_negative": estimate.negative[:, at] for at, name in enumerate(LEVELS[:2])}
    flags |= {f"{name}_unresolved": ~resolved[:, at] for at, name in enumerate(LEVELS)}
    df = {f"{name}_df": np.maximum(table.df[:, at], 0.0).astype(np.int64) for at, name in enumerate(LEVELS)}
    return pd.DataFrame(columns | df | flags | {"left_out": left_out.astype(np.int64)})


def _sizes_of_parts(estimate: Estimate, resolved: Flags) -> dict[str, Floats]:
    variances = np.einsum("saa->sa", estimate.covariance)
    parts = np.where(resolved, estimate.components, np.nan)
    errors = np.where(resolved, np.sqrt(np.maximum(variances, 0.0)), np.nan)
    columns = {name: parts[:, at] for at, name in enumerate(LEVELS)}
    return columns | {f"{name}_se": errors[:, at] for at, name in enumerate(LEVELS)}


def _means(rows: restricted_likelihood.Bags, estimate: Estimate, center: Floats, resolved: Flags) -> dict[str, Floats]:
    mean, variance = restricted_likelihood.mean(rows, estimate.components)
    # Without variance within lots the weights of the formula are infinite: weigh all levels equally.
    equal = ~np.isfinite(mean)
    lots = total(rows.stream, np.ones(rows.stream.size), equal.size)
    levels = total(rows.lot, rows.count * rows.y, rows.stream.size) / total(rows.lot, rows.count, rows.stream.size)
    plain = divide(total(rows.stream, levels, equal.size), lots)
    error = np.sqrt(np.where(equal, divide(estimate.components[:, 0], lots), variance))
    return {
        "mean": center + np.where(equal, plain, mean),
        "mean_se": np.where(resolved.any(axis=1), error, np.inf),
    }


def _total(estimate: Estimate, table: Table) -> dict[str, Floats]:
    estimated = (table.df > 0).any(axis=1)
    whole = estimate.components.sum(axis=1)
    variance = estimate.covariance.sum(axis=(1, 2))
    satterthwaite = np.where(variance > 0, divide(2.0 * whole**2, variance), table.df.max(axis=1))
    low, high = intervals(table)
    return {
        "total": np.where(estimated, whole, np.nan),
        "total_df": np.where(estimated, satterthwaite, 0.0),
    } | _ends(low, high, np.column_stack([table.df > 0, estimated]))


def _ends(low: Floats, high: Floats, estimated: Flags) -> dict[str, Floats]:
    names = (*LEVELS, "total")
    lows = {f"{name}_low": np.where(estimated[:, at], low[:, at], 0.0) for at, name in enumerate(names)}
    return lows | {f"{name}_high": np.where(estimated[:, at], high[:, at], np.inf) for at, name in enumerate(names)}


def _likelihood(rows: restricted_likelihood.Bags, table: Table, moments: Estimate) -> Estimate:
    """REML estimates, or ANOVA estimates where the innermost variance is 0 and the likelihood has no maximum."""
    resolved = table.df > 0
    inside = 2 - np.argmax(resolved[:, ::-1], axis=1)
    innermost = table.mean_square[np.arange(inside.size), inside]
    has_maximum = resolved.any(axis=1) & (innermost > 0)
    # With one bag in every lot, lots and bags are one level; it is fitted as bags, the only free component.
    places = np.where(resolved[:, 1:2], [0, 1, 2], [1, 0, 2])
    free = np.take_along_axis(resolved, places, axis=1) & has_maximum[:, None]
    start = np.take_along_axis(moments.components, places, axis=1)
    start = np.where(free, np.maximum(start, 0.1 * innermost[:, None]), 0.0)
    # Streams without a maximum keep a harmless start.
    start[~has_maximum] = 1.0
    peak = restricted_likelihood.maximise(rows, start, free)
    components = np.take_along_axis(peak.components, places, axis=1)
    covariance = _inverse(peak.information, free)
    covariance = np.take_along_axis(covariance, places[:, :, None], axis=1)
    covariance = np.take_along_axis(covariance, places[:, None, :], axis=2)
    at_zero = (resolved & (components <= 0))[:, :2]
    return Estimate(
        np.where(has_maximum[:, None], components, moments.components),
        np.where(has_maximum[:, None], at_zero, moments.negative),
        np.where(has_maximum[:, None, None], covariance, moments.covariance),
    )


def _inverse(information: Floats, free: Flags) -> Floats:
    """Inverse over the free components, 0 elsewhere."""
    both = free[:, :, None] & free[:, None, :]
    masked = np.where(both, information, np.eye(3))
    unit = 1.0 / np.sqrt(np.einsum("saa->sa", masked))
    units = unit[:, :, None] * unit[:, None, :]
    return np.where(both, np.linalg.inv(masked * units) * units, 0.0)


def _one(frame: pd.DataFrame) -> Components:
    row = {str(name): column.item() for name, column in frame.items()}
    negative = tuple(name for name in LEVELS[:2] if row.pop(f"{name}_negative"))
    unresolved = tuple(name for name in LEVELS if row.pop(f"{name}_unresolved"))
    return Components(negative=negative, unresolved=unresolved, **row)
