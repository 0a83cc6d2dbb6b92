"""Conformity: the chance that a lot's true level is inside its specification limits, and the risks of a decision rule.

All values are in the charted scale, so that on a log scale a guard band is a factor on the limit. Three questions have
three variances: is the mean of the lot inside (the squared uncertainty u**2), is its next bag inside (u**2 plus the
variance between bags), which fraction of its bags is inside (`spc.acceptance.proven_inside`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spc.distributions.bivariate_normal import both_below
from spc.kernels.arrays import Floats

__all__ = [
    "FAR_APART",
    "AcceptanceLimits",
    "Risks",
    "acceptance_limits",
    "combined_df",
    "coverage_factor",
    "probability",
    "risks",
    "with_band",
    "with_prior",
]

FAR_APART = 40.0
"""With more uncertainties than this between the limits, the other limit changes no acceptance limit in floating point."""
# Degrees of freedom from which Student's t is the normal distribution to rounding.
_ENDLESS = 1e12


@dataclass(frozen=True, slots=True, eq=False)
class AcceptanceLimits:
    """Levels from which a decision rule passes or fails a lot; between them it is undecided.

    A lot passes with a level in [`pass_lower`, `pass_upper`] and fails below `fail_lower` or above `fail_upper`; -inf
    and inf where there is no limit. `pass_lower` above `pass_upper` means that no level passes: the test cannot show
    conformity with this uncertainty.
    """

    pass_lower: Floats
    pass_upper: Floats
    fail_lower: Floats
    fail_upper: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Risks:
    """What a decision rule does to the lots of a stream, as fractions of all lots.

    `conforming` is the fraction of lots that are inside; `wrong_pass` that of lots outside that pass, `wrong_fail` that
    of lots inside that fail, `not_passed` that of lots inside that do not pass (fail or undecided). In the shape of the streams.
    """

    conforming: Floats
    wrong_pass: Floats
    wrong_fail: Floats
    not_passed: Floats


def combined_df(variances: ArrayLike, degrees_of_freedom: ArrayLike) -> Floats:
    """Effective degrees of freedom of a sum of independent variances, by Satterthwaite.

    Parameters
    ----------
    variances : array_like, shape (parts, ...)
        Parts of the squared uncertainty, >= 0; nan counts as absent.
    degrees_of_freedom : array_like, broadcast to `variances`
        Of each part, > 0; inf for a part that is known, such as that of a certificate.

    Returns
    -------
    ndarray, shape (...)
        (sum of variances)**2 / sum(variances**2 / df); inf where every part that counts is known.

    References
    ----------
    .. [1] F. E. Satterthwaite (1946), An approximate distribution of estimates of variance components, Biometrics
       Bulletin 2, 110-114.
    .. [2] JCGM 100:2008, Guide to the expression of uncertainty in measurement, annex G.4.

    Examples
    --------
    >>> [float(df) for df in combined_df([[1.0, 1.0], [1.0, 0.0]], [[5.0, np.inf], [5.0, 3.0]])]
    [10.0, inf]
    """
    parts, df = np.broadcast_arrays(
        np.nan_to_num(np.asarray(variances, dtype=np.float64), nan=0.0), np.asarray(degrees_of_freedom, dtype=float)
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        shares = np.where(parts > 0, parts**2 / df, 0.0).sum(axis=0)
        total = parts.sum(axis=0) ** 2
        return np.asarray(np.where(shares > 0, total / shares, np.inf))


def coverage_factor(risk: ArrayLike, df: ArrayLike) -> Floats:
    """One-sided factor k: an estimate is more than k uncertainties beside the truth, on one side, with chance `risk`.

    Parameters
    ----------
    risk : array_like
        In (0, 0.5].
    df : array_like
        Degrees of freedom of the uncertainty, > 0; inf for a known one.

    Returns
    -------
    ndarray
        Upper quantile of Student's t, of the normal distribution for endless degrees of freedom.

    Raises
    ------
    ValueError
        If a risk is outside its range.

    Examples
    --------
    >>> coverage_factor(0.05, [5.0, np.inf]).round(3)
    array([2.015, 1.645])
    """
    chance = np.asarray(risk, dtype=np.float64)
    if not ((chance > 0) & (chance <= 0.5)).all():
        raise ValueError(f"risk must be in (0, 0.5], got {risk!r}")
    freedom = np.minimum(np.asarray(df, dtype=np.float64), _ENDLESS)
    return np.asarray(-special.stdtrit(freedom, chance) + 0.0)


def probability(
    level: ArrayLike, u: ArrayLike, df: ArrayLike = np.inf, lower: ArrayLike = -np.inf, upper: ArrayLike = np.inf
) -> Floats:
    """Chance that the true value is inside its limits, after a measured level with uncertainty u; no prior is used.

    Parameters
    ----------
    level : array_like
        Measured level; infinite where a bounded reading leaves it open, nan where it is unknown.
    u : array_like
        Standard uncertainty, >= 0. For the next bag give the square root of u**2 plus the variance between bags.
    df : array_like
        Degrees of freedom of u, > 0.
    lower, upper : array_like
        Limits; -inf and inf (or nan) where there is none.

    Returns
    -------
    ndarray
        F((upper - level)/u) - F((lower - level)/u) with Student's t; nan where level or u is unknown.

    References
    ----------
    .. [1] JCGM 106:2012, Evaluation of measurement data: the role of measurement uncertainty in conformity assessment,
       7.2.3 (Student's t) and 7.3 to 7.5.

    Examples
    --------
    A lot at 18.2 nJ under a limit of 20 nJ with an uncertainty of 5.8 %:

    >>> round(float(probability(np.log(18.2), 0.058046916, upper=np.log(20.0))), 4)
    0.9479
    """
    y, error, low, high = np.broadcast_arrays(*(np.asarray(value, np.float64) for value in (level, u, lower, upper)))
    freedom = np.minimum(np.asarray(df, dtype=np.float64), _ENDLESS)
    low, high = np.where(np.isnan(low), -np.inf, low), np.where(np.isnan(high), np.inf, high)
    with np.errstate(divide="ignore", invalid="ignore"):
        # Without uncertainty a level at the limit is not under it; 0/0 would be nan.
        beyond = np.where(np.isposinf(high), 0.0, special.stdtr(freedom, np.where(y == high, 0.0, (y - high) / error)))
        short = np.where(np.isneginf(low), 0.0, special.stdtr(freedom, np.where(y == low, 0.0, (low - y) / error)))
    inside = np.clip(1.0 - beyond - short, 0.0, 1.0)
    return np.where(np.isnan(y) | np.isnan(error), np.nan, inside)


def with_band(limits: AcceptanceLimits, guard: ArrayLike, *, log: bool) -> AcceptanceLimits:
    """Move acceptance limits by a guard band: a pass lies so far inside the limit, a fail so far outside.

    Parameters
    ----------
    limits : AcceptanceLimits
        In the charted scale.
    guard : array_like
        The band as a fraction of the limit, from 0 to below 1.
    log : bool
        Whether the charted scale is the logarithm of the unit.

    Examples
    --------
    >>> limits = with_band(acceptance_limits(-np.inf, 20.0, 0.5), 0.05, log=False)
    >>> limits.pass_upper.tolist(), limits.fail_upper.tolist()
    (19.0, 21.0)
    """
    band = np.asarray(guard, np.float64)

    def moved(limit: Floats, share: Floats) -> Floats:
        return np.asarray(limit + np.log1p(share) if log else limit * (1 + share))

    return AcceptanceLimits(
        moved(limits.pass_lower, band), moved(limits.pass_upper, -band),
        moved(limits.fail_lower, -band), moved(limits.fail_upper, band),
    )  # fmt: skip


def acceptance_limits(
    lower: ArrayLike,
    upper: ArrayLike,
    u: ArrayLike,
    df: ArrayLike = np.inf,
    wrong_pass: float | None = None,
    wrong_fail: float | None = None,
) -> AcceptanceLimits:
    """Levels from which a decision rule passes or fails.

    Parameters
    ----------
    lower, upper : array_like
        Specification limits; -inf and inf (or nan) where there is none.
    u, df : array_like
        Uncertainty of the level, and its degrees of freedom.
    wrong_pass, wrong_fail : float, optional
        Greatest chance that a lot that passes is outside, and that a lot that fails is inside, in (0, 0.5]; None for no
        guard on that side of the rule (the limit itself, shared risk).

    Returns
    -------
    AcceptanceLimits
        In the broadcast shape.

    Raises
    ------
    ValueError
        If a risk is outside its range.

    Notes
    -----
    With one limit the guard is k u with k from `coverage_factor`. With two limits nearer than 40 u, both tails count
    together for a pass, and the limit is result by bisection.

    References
    ----------
    .. [1] JCGM 106:2012, section 8.

    Examples
    --------
    >>> limits = acceptance_limits(-np.inf, np.log(20.0), 0.058046916, wrong_pass=0.05, wrong_fail=0.05)
    >>> np.exp([limits.pass_upper, limits.fail_upper]).round(2)
    array([18.18, 22.  ])
    """
    low, high, error, freedom = np.broadcast_arrays(*(np.asarray(value, np.float64) for value in (lower, upper, u, df)))
    low, high = np.where(np.isnan(low), -np.inf, low), np.where(np.isnan(high), np.inf, high)
    inward = 0.0 if wrong_pass is None else coverage_factor(wrong_pass, freedom) * error
    outward = 0.0 if wrong_fail is None else coverage_factor(wrong_fail, freedom) * error
    with np.errstate(invalid="ignore"):
        pass_lower, pass_upper, fail_lower, fail_upper = low + inward, high - inward, low - outward, high + outward
        both = np.isfinite(low) & np.isfinite(high) & (high - low < FAR_APART * error)
    if wrong_pass is not None and both.any():
        reach = _reach_of_both(low, high, error, freedom, wrong_pass)
        middle = 0.5 * (np.where(both, low, 0.0) + np.where(both, high, 0.0))
        pass_lower, pass_upper = (
            np.where(both, middle - reach, pass_lower),
            np.where(both, middle + reach, pass_upper),
        )
    return AcceptanceLimits(*(np.asarray(one) for one in (pass_lower, pass_upper, fail_lower, fail_upper)))


def _reach_of_both(low: Floats, high: Floats, u: Floats, df: Floats, risk: float) -> Floats:
    """Half the width of the levels that pass between two limits; negative where no level does."""
    with np.errstate(invalid="ignore"):
        half = np.where(np.isfinite(low) & np.isfinite(high), 0.5 * (high - low), 0.0)
    inner, outer = np.zeros_like(half), half.copy()
    for _ in range(60):
        reach = 0.5 * (inner + outer)
        shows = probability(reach, u, df, -half, half) >= 1 - risk
        inner, outer = np.where(shows, reach, inner), np.where(shows, outer, reach)
    return np.where(probability(0.0, u, df, -half, half) >= 1 - risk, inner, -1.0)


def risks(
    mean: ArrayLike,
    variance: ArrayLike,
    u: ArrayLike,
    rule: AcceptanceLimits,
    lower: ArrayLike | None = None,
    upper: ArrayLike | None = None,
) -> Risks:
    """Risks of a decision rule for the lots of a stream whose true levels are normal, or of many streams at once.

    Parameters
    ----------
    mean, variance : array_like
        Of the true levels of the lots of each stream, variance > 0.
    u : array_like
        Uncertainty of a measured level, > 0.
    rule : AcceptanceLimits
        Of one lot (`acceptance_limits` with this u).
    lower, upper : array_like, optional
        Specification limits, at least one; -inf and inf (or nan) where a stream has none.

    Returns
    -------
    Risks

    Raises
    ------
    ValueError
        If a number is outside its range or there is no limit.

    References
    ----------
    .. [1] JCGM 106:2012, section 9.5.

    Examples
    --------
    A stream at 17 nJ with 10 % between lots: a guard of 5 % is paid by good lots.

    >>> edge, u = np.log(20.0), 0.058046916
    >>> rules = [acceptance_limits(-np.inf, edge, u, wrong_pass=guard) for guard in (None, 0.05)]
    >>> both = [risks(np.log(17.0), 0.1**2, u, rule, upper=edge) for rule in rules]
    >>> [(round(100 * float(one.wrong_pass), 2), round(100 * float(one.not_passed), 1)) for one in both]
    [(1.43, 4.2), (0.09, 23.0)]
    """
    middle, squared, error = np.broadcast_arrays(*(np.asarray(value, np.float64) for value in (mean, variance, u)))
    wrong = ~(np.isfinite(middle) & (squared > 0) & (error > 0))
    if wrong.any():
        first = np.argmax(wrong)
        raise ValueError(
            f"mean must be finite and variance and u above 0, got {middle.flat[first]!r}, {squared.flat[first]!r} and "
            f"{error.flat[first]!r}; give a variance from at least two lots"
        )
    if lower is None and upper is None:
        raise ValueError("give a lower or an upper limit: without one every lot is inside")
    spread, total = np.sqrt(squared), np.hypot(np.sqrt(squared), error)
    low, high = (
        np.asarray(none if edge is None else edge, np.float64) for edge, none in ((lower, -np.inf), (upper, np.inf))
    )
    edges = [
        (np.where(np.isnan(edge), none, edge) - middle) / spread for edge, none in ((low, -np.inf), (high, np.inf))
    ]

    def inside_and_below(bound: Floats) -> Floats:
        """Chance that the true level is inside and the measured one below a bound."""
        measured = (bound - middle) / total
        return both_below(edges[1], measured, spread / total) - both_below(edges[0], measured, spread / total)

    def below(bound: Floats) -> Floats:
        return np.asarray(special.ndtr((bound - middle) / total))

    conforming = special.ndtr(edges[1]) - special.ndtr(edges[0])
    passable = rule.pass_upper > rule.pass_lower
    passes = np.where(passable, np.maximum(below(rule.pass_upper) - below(rule.pass_lower), 0.0), 0.0)
    good_passes = inside_and_below(rule.pass_upper) - inside_and_below(rule.pass_lower)
    good_passes = np.where(passable, np.maximum(good_passes, 0.0), 0.0)
    good_fails = conforming - inside_and_below(rule.fail_upper) + inside_and_below(rule.fail_lower)
    wrong_passes, wrong_fails, kept = (
        np.maximum(one, 0.0) for one in (passes - good_passes, good_fails, conforming - good_passes)
    )
    return Risks(conforming[()], wrong_passes[()], wrong_fails[()], kept[()])


def with_prior(level: float, u: float, mean: float, variance: float) -> tuple[float, float]:
    """Level and uncertainty of a lot with the levels of its stream as prior, to explain a verdict and never to reach it.

    Judged with it, a good history would pass a bad lot, the opposite of what a test on receipt is for.

    Parameters
    ----------
    level, u : float
        Measured level and its uncertainty, > 0.
    mean, variance : float
        Of the true levels of the stream, variance > 0.

    Returns
    -------
    tuple of float
        Means weighted by the reciprocal variances, and the uncertainty of that.

    Raises
    ------
    ValueError
        If an uncertainty is not above 0.

    References
    ----------
    .. [1] JCGM 106:2012, A.4.4, equations A.13 and A.14.

    Examples
    --------
    >>> [round(one, 4) for one in with_prior(1500.19, 0.04, 1500.0, 0.12**2)]
    [1500.171, 0.0379]
    """
    if not (u > 0 and variance > 0):
        raise ValueError(f"u and variance must be above 0, got {u!r} and {variance!r}")
    own, prior = 1 / u**2, 1 / variance
    return (own * level + prior * mean) / (own + prior), (own + prior) ** -0.5
