"""Lines of lots, and the age up to which a film may be kept: by its lots, and by their mean line.

Ages are in months, levels in the charted scale.
"""

from __future__ import annotations

import functools
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special

from spc.acceptance import tolerance_factor
from spc.censored import Regression, regression_fit
from spc.kernels.arrays import Floats, Indices
from spc.kernels.lot_lines import first_crossing, lot_columns, lot_sums
from spc.kernels.validation import as_points, finite_number

__all__ = [
    "BoundedLife", "Lines", "MeanLineLife", "Poolability", "Side", "ToleranceLife", "bounded_life", "furthest", "lines",
    "mean_line_life", "poolability", "square_term", "tolerance_life", "with_bounds_filled",
]  # fmt: skip

Side = Literal["upper", "lower"]
Model = Literal["one line", "parallel lines", "own lines"]


@dataclass(frozen=True, slots=True, eq=False)
class Lines:
    """A straight line for each lot with at least two ages, and their common slope.

    `lots`, `tests`, `age`, `level`, `slope` and `spread` have shape (k,): the names, number of tests, mean age, mean level,
    slope of the lot's own line and sum of squares of its ages. `mean_square` is the residual variance about the own lines
    with `df` degrees of freedom (nan with none). `within` is the slope that the lots share if all are parallel, with its
    standard error `within_se` and degrees of freedom `within_df`.
    """

    lots: tuple[Hashable, ...]
    tests: Indices
    age: Floats
    level: Floats
    slope: Floats
    spread: Floats
    mean_square: float
    df: int
    within: float
    within_se: float
    within_df: int


@dataclass(frozen=True, slots=True)
class Poolability:
    """Whether lots may share a slope and an intercept: the F statistics, their tail probabilities, and the model."""

    model: Model
    f_slopes: float
    p_slopes: float
    f_intercepts: float
    p_intercepts: float


@dataclass(frozen=True, slots=True)
class MeanLineLife:
    """Age at which the confidence bound of a mean line meets a limit; inf where it never does.

    `by_lot` is the age of each lot's line; `life` is the least of them. `furthest` is the last age that the method lets
    anybody state. The claim is about the mean of the lots that were tested.
    """

    model: Model
    life: float
    by_lot: dict[Hashable, float]
    intercept: float
    slope: float
    furthest: float


@dataclass(frozen=True, slots=True)
class ToleranceLife:
    """Age up to which a share `coverage` of the lots is inside the limit, with `confidence`; inf where the bound never meets it."""

    life: float
    expected: float
    lots: int
    factor: float
    coverage: float
    confidence: float


@dataclass(frozen=True, slots=True)
class BoundedLife:
    """A straight line through tests of which some are bounded: where it meets the limit, and the lower confidence bound of that age."""

    intercept: float
    slope: float
    sd: float
    log_likelihood: float
    crossing: float
    bound: float


def lines(age: ArrayLike, level: ArrayLike, lot: Sequence[Hashable] | ArrayLike) -> Lines:
    """Fit a line to each lot, and the slope that all lots share.

    Only differences within a lot count: a lot with a single age adds nothing.

    Parameters
    ----------
    age, level : array_like, shape (n,)
        Age in months, and level of the test in the charted scale.
    lot : sequence, shape (n,)
        Name of the lot of each test.

    Returns
    -------
    Lines
        In the order in which the lots first appear; empty where no lot has two ages.

    Raises
    ------
    ValueError
        If shapes differ or a value is not finite.

    Notes
    -----
    The common slope is least squares with a constant for each lot, by deviations from the lots' means [1]_.

    References
    ----------
    .. [1] Y. Mundlak (1978), On the pooling of time series and cross section data, Econometrica 46, 69-85.

    Examples
    --------
    Lots that were older at their first test were better film, and every lot rises:

    >>> fit = lines([1, 7, 13, 10, 16], [9.60, 9.95, 10.33, 9.58, 9.96], ["A", "A", "A", "B", "B"])
    >>> fit.lots, fit.slope.round(3), round(fit.within, 3)
    (('A', 'B'), array([0.061, 0.063]), 0.061)
    """
    x, y, number, names = lot_columns(age, level, lot)
    sums = lot_sums(x, y, number, len(names))
    has_line = sums.xx > 1e-9
    n, xx, xy, yy = (part[has_line] for part in (sums.n, sums.xx, sums.xy, sums.yy))
    slope = xy / xx
    rest = float(np.maximum(yy - slope * xy, 0.0).sum())
    df = int(n.sum()) - 2 * xx.size
    within_df = int(n.sum()) - xx.size - 1
    within = float(xy.sum() / xx.sum()) if xx.size else np.nan
    around = max(float(yy.sum()) - within * float(xy.sum()), 0.0) if xx.size else np.nan
    within_se = float(np.sqrt(around / within_df / xx.sum())) if within_df > 0 else np.nan
    return Lines(
        tuple(name for name, kept in zip(names, has_line, strict=True) if kept),
        n.astype(np.intp),
        sums.age[has_line],
        sums.level[has_line],
        slope,
        xx,
        rest / df if df > 0 else np.nan,
        df,
        within,
        within_se,
        within_df,
    )


def square_term(
    age: ArrayLike, level: ArrayLike, lot: Sequence[Hashable] | ArrayLike
) -> tuple[float, float, float] | None:
    """Coefficient of the squared age about the lots' own lines, with its 95 % interval; None where too few tests are left.

    An interval that excludes 0 says that a straight line does not describe the ageing.

    Examples
    --------
    >>> ages = [0, 3, 6, 9] * 2
    >>> term, low, high = square_term(ages, [a * a / 10 + 0.01 * (-1) ** i for i, a in enumerate(ages)], [1] * 4 + [2] * 4)
    >>> round(term, 2), low > 0
    (0.1, True)
    """
    x, y, number, names = lot_columns(age, level, lot)
    k = len(names)

    def about_own_lines(values: Floats) -> Floats:
        sums = lot_sums(x, values, number, k)
        slope = np.divide(sums.xy, sums.xx, out=np.zeros(k), where=sums.xx > 1e-9)
        return values - sums.level[number] - slope[number] * (x - sums.age[number])

    # Lots age at unlike pace: each keeps its slope, and a lot with two ages shows no bend.
    square, rest = about_own_lines((x - x.mean()) ** 2), about_own_lines(y)
    order = np.lexsort((x, number))
    is_new = np.append(True, (np.diff(number[order]) != 0) | (np.diff(x[order]) != 0))
    ages = np.bincount(number[order][is_new], minlength=k)
    df = int(np.sum(np.bincount(number, minlength=k) - np.minimum(ages, 2))) - 1
    spread = float(square @ square)
    if df < 2 or spread <= 1e-12 * max(float(np.sum((x - x.mean()) ** 4)), 1e-300):
        return None
    bend = float(square @ rest) / spread
    se = float(np.sqrt(np.sum((rest - bend * square) ** 2) / df / spread))
    half = float(special.stdtrit(df, 0.975)) * se
    return bend, bend - half, bend + half


def poolability(age: ArrayLike, level: ArrayLike, lot: Sequence[Hashable] | ArrayLike, at: float = 0.25) -> Poolability:
    """Test whether lots share a slope, then whether they share an intercept, as stability studies do.

    Parameters
    ----------
    age, level, lot
        As in `lines`.
    at : float
        A tail probability below it rejects pooling; 0.25 by the guideline [1]_.

    Returns
    -------
    Poolability
        Both F statistics have the mean square of the model with own lines as denominator.

    Raises
    ------
    ValueError
        As `lines`; also with fewer than two lots, or no degrees of freedom about the own lines.

    References
    ----------
    .. [1] ICH Q1E (2003), Evaluation of stability data, from memory.
    .. [2] D. LeBlond, D. Griffith, K. Aubuchon (2011), Linear regression 102: stability shelf life estimation using
       analysis of covariance, Journal of Validation Technology 17(3), 47-68.

    Examples
    --------
    >>> ages = [0, 3, 6, 9, 0, 3, 6, 9]
    >>> poolability(ages, [1.0, 1.31, 1.62, 1.88, 2.0, 2.29, 2.61, 2.9], ["A"] * 4 + ["B"] * 4).model
    'parallel lines'
    """
    x, y, number, names = lot_columns(age, level, lot)
    fitted = lines(x, y, number)
    if len(fitted.lots) < 2 or fitted.df < 1:
        raise ValueError("poolability needs at least two lots with two ages each, and more tests than twice the lots")
    k = len(names)
    sums = lot_sums(x, y, number, k)
    rest_own = fitted.mean_square * fitted.df
    rest_parallel = float(sums.yy.sum() - sums.xy.sum() ** 2 / sums.xx.sum())
    dx, dy = x - x.mean(), y - y.mean()
    rest_one = float(dy @ dy - (dx @ dy) ** 2 / (dx @ dx))
    f_slopes = (rest_parallel - rest_own) / (len(fitted.lots) - 1) / fitted.mean_square
    f_intercepts = (rest_one - rest_parallel) / (k - 1) / fitted.mean_square
    p_slopes = float(special.fdtrc(len(fitted.lots) - 1, fitted.df, max(f_slopes, 0.0)))
    p_intercepts = float(special.fdtrc(k - 1, fitted.df, max(f_intercepts, 0.0)))
    model: Model = "own lines" if p_slopes < at else "parallel lines" if p_intercepts < at else "one line"
    return Poolability(model, float(f_slopes), p_slopes, float(f_intercepts), p_intercepts)


def mean_line_life(
    age: ArrayLike,
    level: ArrayLike,
    lot: Sequence[Hashable] | ArrayLike,
    lower: float | None = None,
    upper: float | None = None,
    confidence: float = 0.95,
    at: float = 0.25,
    each_lot_alone: bool = False,
) -> MeanLineLife:
    """Shelf life from the confidence bound of a mean line, as published for stability studies.

    Lots with a single age are left out. It concerns the mean of the lots that were tested: at the stated age a quarter of the lots can be over the limit. For a
    statement about lots see `tolerance_life`.

    Parameters
    ----------
    age, level, lot
        As in `lines`.
    lower, upper : float or None
        The limits. With a single one the bound is one-sided, with both it is two-sided.
    confidence : float
        In (0, 1).
    at : float
        As in `poolability`.
    each_lot_alone : bool
        Own lines with the mean square of each lot instead of one that all lots share.

    Returns
    -------
    MeanLineLife
        `intercept` and `slope` are those of the one or the worst line.

    Raises
    ------
    ValueError
        As `poolability` (a single lot needs three tests), and without a limit.

    Notes
    -----
    The bound meets the limit where (line - limit)^2 equals t^2 times the variance of the line, a quadratic equation [3]_.

    References
    ----------
    .. [1] ICH Q1E (2003), from memory.
    .. [2] LeBlond, Griffith, Aubuchon (2011), as in `poolability`.
    .. [3] E. C. Fieller (1954), Some problems in interval estimation, Journal of the Royal Statistical Society B 16, 175-185.

    Examples
    --------
    >>> ages = [0, 6, 12, 18, 0, 6, 12, 18]
    >>> values = [101.0, 99.6, 98.1, 97.1, 100.8, 99.7, 98.2, 96.8]
    >>> life = mean_line_life(ages, values, ["A"] * 4 + ["B"] * 4, lower=95)
    >>> life.model, round(life.life, 1), life.furthest
    ('one line', 25.5, 30.0)
    """
    if lower is None and upper is None:
        raise ValueError("mean_line_life needs a lower or an upper limit")
    x, y, number, names = lot_columns(age, level, lot)
    aged = lot_sums(x, y, number, len(names)).xx > 1e-9
    if not aged.any():
        raise ValueError("mean_line_life needs a lot with tests at two ages")
    names = [name for name, kept in zip(names, aged, strict=True) if kept]
    x, y, number = x[aged[number]], y[aged[number]], (np.cumsum(aged) - 1)[number[aged[number]]]
    k = len(names)
    model: Model = poolability(x, y, number, at).model if k > 1 else "one line"
    fitted = lot_sums(x, y, np.zeros_like(number) if model == "one line" else number, 1 if model == "one line" else k)
    if model == "parallel lines":
        slope, spread = np.full(k, fitted.xy.sum() / fitted.xx.sum()), np.full(k, fitted.xx.sum())
        left = np.full(k, (fitted.yy.sum() - fitted.xy.sum() ** 2 / fitted.xx.sum()) / k)
        df = np.full(k, float(x.size - k - 1))
    else:
        slope, spread = fitted.xy / fitted.xx, fitted.xx
        left = fitted.yy - slope * fitted.xy
        df = np.full(fitted.n.size, float(x.size - 2 * fitted.n.size))
    square = left.sum() / df
    if model == "own lines" and each_lot_alone:
        df, square = fitted.n - 2.0, left / (fitted.n - 2.0)
    tail = confidence if lower is None or upper is None else 0.5 + confidence / 2
    c = special.stdtrit(df, tail) ** 2 * square
    start = fitted.level - slope * fitted.age
    limits = [(limit, sign) for limit, sign in ((lower, -1.0), (upper, 1.0)) if limit is not None]

    def end(i: int) -> float:
        """Age at which the bound of one line meets the nearer limit."""
        variance = (
            c[i] / fitted.n[i] + c[i] * fitted.age[i] ** 2 / spread[i],
            -2 * c[i] * fitted.age[i] / spread[i],
            c[i] / spread[i],
        )
        return min(first_crossing(start[i], slope[i], variance, limit, sign) for limit, sign in limits)

    ends = np.array([end(i) for i in range(fitted.n.size)])
    worst = int(np.argmin(ends))
    of_lot = {name: float(ends[0 if model == "one line" else i]) for i, name in enumerate(names)}
    return MeanLineLife(
        model,
        float(ends[worst]),
        of_lot,
        float(start[worst]),
        float(slope[worst]),
        furthest(float(x.max())),
    )


def furthest(seen: float) -> float:
    """Last age that may be stated where ages up to `seen` months were tested: twice as far, and at most 12 months beyond.

    ICH Q1E (2003), from memory.

    Examples
    --------
    >>> furthest(6), furthest(18)
    (12.0, 30.0)
    """
    return float(min(2.0 * seen, seen + 12.0))


def tolerance_life(
    age: ArrayLike,
    level: ArrayLike,
    lot: Sequence[Hashable] | ArrayLike,
    limit: float,
    side: Side = "upper",
    coverage: float = 0.90,
    confidence: float = 0.95,
) -> ToleranceLife:
    """Age up to which a share of all lots of a film is inside a limit, with confidence.

    Parameters
    ----------
    age, level, lot
        As in `lines`. Lots with a single age are left out.
    limit : float
        In the scale of `level`.
    side : {"upper", "lower"}
        Which limit it is.
    coverage, confidence : float
        In (0, 1).

    Returns
    -------
    ToleranceLife
        `expected` is the age at which the mean of the lines meets the limit.

    Raises
    ------
    ValueError
        As `lines`, if a number is out of range, or with fewer than two lots with two ages.

    Notes
    -----
    At each age the lots' own lines are independent normal values, so mean plus k standard deviations is a one-sided tolerance
    bound with the factor of the handbook [1]_. It is exact where all lots were tested at the same ages; else a little safe,
    because the standard deviation holds the errors of the lines too. The data of a published study recompute [2]_.

    References
    ----------
    .. [1] M. G. Natrella (1963), Experimental Statistics, NBS Handbook 91, table A-7.
    .. [2] J. Shao, S.-C. Chow (1994), Statistical inference in stability analysis, Biometrics 50, 753-763.

    Examples
    --------
    >>> ages = [1, 7, 13] * 5
    >>> values = [9.5 + 0.02 * i + (0.06 + 0.002 * (-1) ** i) * a for i in range(5) for a in (1, 7, 13)]
    >>> life = tolerance_life(ages, values, [i for i in range(5) for _ in range(3)], limit=11.0)
    >>> round(life.life, 1), round(life.expected, 1), life.lots
    (21.0, 24.2, 5)
    """
    bound = finite_number(limit, "limit")
    fitted = lines(age, level, lot)
    k = len(fitted.lots)
    if k < 2:
        raise ValueError(f"tolerance_life needs at least two lots with tests at two ages each, got {k}")
    factor = _factor(k, coverage, confidence)
    at_zero = fitted.level - fitted.slope * fitted.age
    covariance = np.cov(at_zero, fitted.slope)
    scatter = factor**2 * covariance
    middle, pace, sign = float(at_zero.mean()), float(fitted.slope.mean()), 1.0 if side == "upper" else -1.0
    life = first_crossing(middle, pace, (scatter[0, 0], 2 * scatter[0, 1], scatter[1, 1]), bound, sign)
    room, towards = sign * (bound - middle), sign * pace
    expected = 0.0 if room <= 0 else room / towards if towards > 0 else np.inf
    return ToleranceLife(life, expected, k, factor, coverage, confidence)


@functools.lru_cache(maxsize=256)
def _factor(lots: int, coverage: float, confidence: float) -> float:
    return tolerance_factor(lots, coverage, confidence)


# A lot with tests over the range of the meter


def bounded_life(
    age: ArrayLike, level: ArrayLike, bound: ArrayLike, limit: float, side: Side = "upper", confidence: float = 0.95
) -> BoundedLife:
    """Age at which a line meets a limit where some tests are bounded, with a lower confidence bound of that age.

    Replacing a bounded test by its bound gives a date that is too late; leaving it out gives a slope without the oldest
    tests.

    Parameters
    ----------
    age, level : array_like, shape (n,)
        As in `lines`, of one lot.
    bound : array_like of int, shape (n,)
        As in `spc.censored.normal_fit`.
    limit, side
        As in `tolerance_life`.
    confidence : float
        One-sided, in (0.5, 1).

    Returns
    -------
    BoundedLife

    Raises
    ------
    ValueError
        As `spc.censored.regression_fit`, or if the line does not move towards the limit.

    Notes
    -----
    The bound is by profile likelihood: the least age at which twice the loss of log likelihood is at most the quantile of
    chi-square with one degree of freedom at 2 `confidence` - 1 [1]_.

    References
    ----------
    .. [1] D. J. Venzon, S. H. Moolgavkar (1988), A method for computing profile-likelihood-based confidence intervals,
       Applied Statistics 37, 87-94, from memory.

    Examples
    --------
    >>> life = bounded_life([1, 3, 6, 9, 12], [9.4, 9.7, 10.1, 10.4, 10.6], [0, 0, 0, 0, 1], limit=11.0)
    >>> round(life.crossing, 1), life.bound < life.crossing
    (13.5, True)
    """
    x, y = as_points(age, "age"), as_points(level, "level")
    fit = regression_fit(np.column_stack([np.ones(x.size), x]), y, bound)
    intercept, slope = fit.coefficients.tolist()
    sign = 1.0 if side == "upper" else -1.0
    if sign * slope <= 0:
        raise ValueError("the line does not move towards the limit; there is no age at which it meets it")
    crossing = (limit - intercept) / slope
    loss = float(special.chdtri(1, 2 - 2 * confidence)) / 2

    def short(candidate: float) -> float:
        # With the crossing held at an age, the line has a single free slope through that point.
        held = regression_fit((x - candidate)[:, None], y - limit, bound)
        return fit.log_likelihood - held.log_likelihood - loss

    low = crossing
    for step in range(1, 60):
        low = crossing - 2.0**step * 0.01 * max(abs(crossing), float(np.ptp(x)))
        if low <= float(x.min()) or short(low) > 0:
            break
    low = max(low, float(x.min()))
    edge = float(optimize.brentq(short, low, crossing)) if short(low) > 0 else low
    return BoundedLife(intercept, slope, fit.sd, fit.log_likelihood, float(crossing), edge)


def with_bounds_filled(
    age: ArrayLike, level: ArrayLike, bound: ArrayLike, lot: Sequence[Hashable] | ArrayLike
) -> Floats:
    """Levels with each bounded one replaced by its expected value beyond the bound.

    The expectation is that of a censored regression with a constant for each lot and a common slope. A slope from the result
    is that of the likelihood; variances from it are a little small where many tests are bounded.

    Parameters
    ----------
    age, level, lot
        As in `lines`.
    bound : array_like of int, shape (n,)
        As in `spc.censored.normal_fit`.

    Returns
    -------
    ndarray, shape (n,)
        The levels unchanged where no test is bounded, or where the likelihood has no maximum: then a bound stands for the value.

    Examples
    --------
    >>> with_bounds_filled([1, 3, 6, 9], [9.4, 9.7, 10.1, 10.4], [0, 0, 0, 1], ["A"] * 4).round(2)
    array([ 9.4 ,  9.7 , 10.1 , 10.52])
    """
    x, y, number, names = lot_columns(age, level, lot)
    open_side = np.asarray(bound, dtype=np.int8)
    if not open_side.any():
        return y
    constants = (number[:, None] == np.arange(len(names))).astype(np.float64)
    design = np.column_stack([constants, x])
    try:
        fit: Regression = regression_fit(design, y, open_side)
    except (ValueError, np.linalg.LinAlgError):
        return y
    mean = design @ fit.coefficients
    beyond = open_side * (mean - y) / fit.sd
    hazard = np.exp(-0.5 * beyond**2 - 0.5 * np.log(2 * np.pi) - special.log_ndtr(beyond))
    return np.where(open_side == 0, y, mean + open_side * fit.sd * hazard)
