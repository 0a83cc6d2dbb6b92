"""How long a single lot may be kept: from its last valid test, and from how fast the lots of its film age.

Ages are in months, levels in the charted scale.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spc.ageing.film_life import Side, lines
from spc.distributions.noncentral import roots
from spc.kernels.arrays import Floats
from spc.kernels.lot_lines import lot_columns, scenario_likelihood
from spc.kernels.validation import as_points, finite_number, positive, whole

__all__ = ["OwnDates", "SlopeLaw", "chance_over", "months_to_chance", "own_date", "slope_law", "weighed_slopes"]

_GRID = 32  # Scenarios of each of the two standard deviations
_REACH = 6.0  # Their largest value, in units of a first estimate
_LEAST_WEIGHT = 1e-4  # Scenarios that weigh less together are left out
_LOTS_AT_ONCE = 2_000


@dataclass(frozen=True, slots=True, eq=False)
class SlopeLaw:
    """What is known of the monthly slope of a lot, as scenarios with weights that sum to 1; arrays of shape (g,).

    `slope` is the mean slope, `slope_variance` the variance of a lot's slope about it (the error of the mean included),
    `session_variance` that of one test about the lot's line. The degrees of freedom are inf where the scenarios themselves
    hold the uncertainty of the variances. `mean_variance` is the error variance of the mean slope.
    """

    weight: Floats
    slope: Floats
    slope_variance: Floats
    slope_df: Floats
    session_variance: Floats
    session_df: Floats
    mean_variance: Floats
    lots: int

    @property
    def mean(self) -> float:
        """Mean slope."""
        return float(self.weight @ self.slope)

    @property
    def se(self) -> float:
        """Standard error of the mean slope: the spread of its scenarios and the error within each."""
        within = self.weight @ self.mean_variance
        return float(np.sqrt(within + self.weight @ (self.slope - self.mean) ** 2))


@dataclass(frozen=True, slots=True, eq=False)
class OwnDates:
    """Months after the last test, shape (lots,): where the mean line meets the limit, and how long the lot may be kept.

    `expected` is inf where the line never meets the limit. `keep` is 0 where the chance is too large at once, and
    `furthest` where it is still small there.
    """

    expected: Floats
    keep: Floats


def slope_law(
    slope: float, variance_of_lot_slopes: float, lots: int, session_variance: float, session_df: float
) -> SlopeLaw:
    """Law of a lot's slope from the mean and variance of the slopes of other lots, as one scenario with Student's t.

    Exact where all lots were tested at the same ages. For lots tested at odd ages see `weighed_slopes`.

    Parameters
    ----------
    slope, variance_of_lot_slopes : float
        Mean and variance (divisor `lots` - 1) of the slopes of the lots' own lines.
    lots : int
        Number of lots, >= 2.
    session_variance, session_df : float
        Residual variance of a test about its lot's line, with its degrees of freedom.

    Examples
    --------
    >>> law = slope_law(0.06, 0.00045, lots=6, session_variance=0.0064, session_df=6)
    >>> round(float(own_date([9.8], 11.0, law, furthest=60.0).keep[0]), 2)
    11.25
    """
    whole(lots, "lots", 2)
    variance = positive(variance_of_lot_slopes, "variance_of_lot_slopes") * (1 + 1 / lots)

    def one(value: float) -> Floats:
        return np.array([float(value)])

    return SlopeLaw(
        weight=one(1.0),
        slope=one(finite_number(slope, "slope")),
        slope_variance=one(variance),
        slope_df=one(lots - 1),
        session_variance=one(positive(session_variance, "session_variance")),
        session_df=one(positive(session_df, "session_df")),
        mean_variance=one(variance_of_lot_slopes / lots),
        lots=lots,
    )


def weighed_slopes(
    age: ArrayLike, level: ArrayLike, lot: Sequence[Hashable] | ArrayLike, variance: ArrayLike = 0.0
) -> SlopeLaw:
    """Law of a lot's slope from lots that were tested a few times at odd ages.

    Parameters
    ----------
    age, level, lot
        As in `lines`. Lots with a single age show no slope; their levels show whether the lots that were tested again read
        nearer to a limit at first.
    variance : array_like, shape () or (n,)
        Variance of each level that is known beforehand, such as that of a correction.

    Returns
    -------
    SlopeLaw
        The scenarios are pairs of the standard deviation of a test and that of the lots' slopes, on a grid, each with the
        weight of its restricted likelihood.

    Raises
    ------
    ValueError
        As `lines`, or with fewer than three lots with two ages.

    Notes
    -----
    With a flat prior for each lot's constant and for the mean slope, the likelihood of the two standard deviations has a
    closed form. Both priors are flat in the standard deviation [1]_. One plugged-in estimate of the variance between lots
    would be 0 too often and let more lots pass their limit than the confidence says.

    Lots that are tested again because they read high at first read lower the second time, by chance alone, so that their slopes
    come out too small [2]_. A first level is expected to be off by the share of the variance of a test in the variance of all
    first levels, times the distance from the mean of all lots. This is taken out where it makes the film age faster; the
    other way it stays, as older lots may differ from newer ones for other reasons.

    References
    ----------
    .. [1] A. Gelman (2006), Prior distributions for variance parameters in hierarchical models, Bayesian Analysis 1, 515-534,
       from memory.
    .. [2] C. E. Davis (1976), The effect of regression to the mean in epidemiologic and clinical studies, American Journal of
       Epidemiology 104, 493-498, from memory.

    Examples
    --------
    >>> ages = [1, 7, 13] * 5
    >>> values = [9.5 + 0.02 * i + (0.06 + 0.004 * (-1) ** i) * a for i in range(5) for a in (1, 7, 13)]
    >>> law = weighed_slopes(ages, values, [i for i in range(5) for _ in range(3)])
    >>> round(law.mean, 3), law.lots
    (0.061, 5)
    """
    x, y, number, _ = lot_columns(age, level, lot)
    prior_variance = np.broadcast_to(np.asarray(variance, dtype=np.float64), x.shape)
    fitted = lines(x, y, number)
    k = len(fitted.lots)
    if k < 3:
        raise ValueError(f"weighed_slopes needs at least three lots with tests at two ages each, got {k}")
    kept = np.isin(number, np.array(fitted.lots))
    first = np.full(int(number.max()) + 1, np.inf)
    np.minimum.at(first, number, x)
    is_first = x == first[number]
    first_levels, first_of_kept = y[is_first], y[is_first & kept]
    x, y, prior_variance, is_first = x[kept], y[kept], prior_variance[kept], is_first[kept]
    number = np.unique(number[kept], return_inverse=True)[1].ravel()
    raw = float(np.std(fitted.slope, ddof=1))
    typical = float(np.sqrt(np.median(fitted.spread)))
    least = 1e-6 * max(float(np.ptp(y)), 1e-6)
    residual = np.sqrt(fitted.mean_square) if fitted.df > 0 else 0.0
    steps = (np.arange(_GRID) + 0.5) / _GRID
    session = (
        _REACH * max(residual, least) if fitted.df >= 8 else _REACH * max(residual, 0.5 * raw * typical, least)
    ) * steps
    between = _REACH * max(raw, least) * steps
    log_weight, mean, precision = scenario_likelihood(x, y, number, prior_variance, session, between)
    if first_of_kept.size < first_levels.size:
        # Slopes that a first level one higher, and the others at 0, would show.
        of_first = scenario_likelihood(x, is_first.astype(float), number, prior_variance, session, between)[1]
        noise = np.minimum(session**2 / max(float(np.var(first_levels, ddof=1)), least**2), 1.0)
        too_small = noise[:, None] * (first_of_kept.mean() - first_levels.mean()) * of_first
        mean = np.where(np.sign(mean) * too_small < 0, mean - too_small, mean)
    share = np.exp(log_weight - log_weight.max()).ravel()
    share /= share.sum()
    order = np.argsort(share)
    heavy = np.sort(order[np.cumsum(share[order]) > _LEAST_WEIGHT])
    new_lot = (between[None, :] ** 2 + 1.0 / precision).ravel()
    tests = np.repeat(session**2, _GRID)
    endless = np.full(heavy.size, np.inf)
    return SlopeLaw(
        weight=share[heavy] / share[heavy].sum(),
        slope=mean.ravel()[heavy],
        slope_variance=new_lot[heavy],
        slope_df=endless,
        session_variance=tests[heavy],
        session_df=endless,
        mean_variance=(1.0 / precision).ravel()[heavy],
        lots=k,
    )


def own_date(
    level: ArrayLike,
    limit: float,
    law: SlopeLaw,
    side: Side = "upper",
    confidence: float = 0.95,
    furthest: float = 120.0,
) -> OwnDates:
    """Months after its last test for which each lot is inside a limit.

    Parameters
    ----------
    level : array_like, shape (lots,)
        Level of the lot's last valid test, in the charted scale.
    limit, side
        As in `tolerance_life`.
    law : SlopeLaw
        Slope of the film, from `slope_law` or `weighed_slopes`.
    confidence : float
        One-sided, in (0.5, 1): at `keep` the chance of being over the limit is 1 - `confidence`.
    furthest : float
        Months after which nothing is stated, > 0.

    Returns
    -------
    OwnDates

    Raises
    ------
    ValueError
        If a number is out of range.

    Notes
    -----
    The level after d months has mean y0 + b d and variance s^2 + d^2 v with s^2 the variance of the test and v that of the
    lot's slope. Where both are estimated, the degrees of freedom are those of Welch and Satterthwaite [1]_. No date of
    manufacture is needed.

    References
    ----------
    .. [1] F. E. Satterthwaite (1946), An approximate distribution of estimates of variance components, Biometrics Bulletin
       2, 110-114.

    Examples
    --------
    >>> law = slope_law(0.06, 0.00045, lots=6, session_variance=0.0064, session_df=6)
    >>> dates = own_date([9.8, 10.9], 11.0, law)
    >>> dates.expected.round(1), dates.keep.round(1)
    (array([20. ,  1.7]), array([11.2,  0. ]))
    """
    y = as_points(level, "level", at_least=0)
    end = positive(furthest, "furthest")
    if not 0.5 < confidence < 1:
        raise ValueError(f"confidence must be in (0.5, 1), got {confidence!r}")
    sign = 1.0 if side == "upper" else -1.0
    room, pace = sign * (limit - y), sign * law.mean
    expected = np.where(room <= 0, 0.0, room / pace if pace > 0 else np.inf)
    keep = _after(y, limit, law, side, 1.0 - confidence, end)
    return OwnDates(expected, keep)


def months_to_chance(
    level: ArrayLike, limit: float, law: SlopeLaw, side: Side, chance: float, furthest: float
) -> Floats:
    """Months after the last test at which the chance of being over the limit reaches `chance`; parameters as in `own_date`.

    Examples
    --------
    >>> law = slope_law(0.06, 0.00045, lots=6, session_variance=0.0064, session_df=6)
    >>> months_to_chance([9.8], 11.0, law, "upper", 0.5, 60.0).round(2)
    array([20.])
    """
    return _after(as_points(level, "level", at_least=0), limit, law, side, chance, positive(furthest, "furthest"))


def _after(y: Floats, limit: float, law: SlopeLaw, side: Side, chance: float, end: float) -> Floats:
    out = np.empty(y.size)
    for begin in range(0, y.size, _LOTS_AT_ONCE):
        part = y[begin : begin + _LOTS_AT_ONCE]

        def excess(months: Floats, part: Floats = part) -> Floats:
            return chance_over(part, limit, law, months, side) - chance

        low, high = np.zeros(part.size), np.full(part.size, end)
        out[begin : begin + part.size] = np.where(excess(low) >= 0, 0.0, roots(excess, low, high, 1e-4))
    return out


def chance_over(level: ArrayLike, limit: float, law: SlopeLaw, months: ArrayLike, side: Side = "upper") -> Floats:
    """Chance that a lot is beyond the limit so many months after its last test, shape (lots,); parameters as in `own_date`.

    Examples
    --------
    >>> law = slope_law(0.06, 0.00045, lots=6, session_variance=0.0064, session_df=6)
    >>> chance_over([9.8, 9.8], 11.0, law, [12.0, 18.0]).round(3)
    array([0.073, 0.393])
    """
    sign = 1.0 if side == "upper" else -1.0
    y = np.asarray(level, dtype=np.float64)[..., None]
    d = np.broadcast_to(np.asarray(months, dtype=np.float64), y.shape[:-1])[..., None]
    of_slope = d**2 * law.slope_variance
    variance = law.session_variance + of_slope
    score = sign * (y + law.slope * d - limit) / np.sqrt(variance)
    if np.isinf(law.session_df).all():
        return np.asarray(special.ndtr(score) @ law.weight)
    df = variance**2 / (law.session_variance**2 / law.session_df + of_slope**2 / law.slope_df)
    return np.asarray(special.stdtr(df, score) @ law.weight)
