"""What n bags prove of a lot: tolerance factors, acceptance plans by values and by counts, plans in two stages.

The sampling unit is the bag: the functions take the bag means of a single lot as independent values of a normal
distribution in the charted scale. Discharges of a bag enter only through the share of their variance in a bag mean.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spc.distributions.bivariate_normal import both_below
from spc.distributions.noncentral import SCORES, WEIGHTS, noncentral_t, noncentral_ts, root
from spc.kernels.arrays import Floats
from spc.kernels.validation import as_points, finite_number, positive, whole

__all__ = [
    "BatchBound",
    "Plan",
    "TwoStages",
    "acceptance_chance",
    "acceptance_probability",
    "bags_to_prove",
    "bags_without_failure",
    "batch_bound",
    "best_readings",
    "count_acceptance",
    "fraction_beyond",
    "passed_by_count",
    "plan",
    "proven_inside",
    "tolerance_factor",
    "two_stages",
]

MOST_BAGS = 2000
"""No search for a number of bags goes beyond."""


@dataclass(frozen=True, slots=True)
class Plan:
    """Number of bags and acceptability constant, with the two risks that they reach."""

    bags: int
    k: float
    good_risk: float
    bad_risk: float


@dataclass(frozen=True, slots=True)
class TwoStages:
    """A plan in two stages at several true levels: chance to pass and mean number of bags, each of shape (levels,)."""

    pass_chance: Floats
    mean_bags: Floats


@dataclass(frozen=True, slots=True)
class BatchBound:
    """What several lots prove of the next bag of the next lot.

    `bound` is the tolerance limit in the charted scale, `factor` its distance from the mean in `sd`. `between` and
    `within` are the mean squares; `lots_differ` says that the scatter between lots was counted.
    """

    bound: float
    factor: float
    sd: float
    mean: float
    between: float
    within: float
    lots_differ: bool


def tolerance_factor(n: int, coverage: float, confidence: float = 0.95, df: float | None = None) -> float:
    """Factor k of a one-sided tolerance limit: mean plus k standard deviations exceeds a fraction `coverage` of the lot.

    Parameters
    ----------
    n : int
        Number of independent normal values, >= 2; >= 1 where the standard deviation comes from elsewhere.
    coverage : float
        Fraction of the lot, in (0, 1).
    confidence : float
        Probability that the statement is true, in (0, 1).
    df : float, optional
        Degrees of freedom of a standard deviation pooled over other lots; by default n - 1, that of the values.

    Returns
    -------
    float
        Exact, from the noncentral t distribution [1]_ with n and df apart.

    Raises
    ------
    ValueError
        If a number is outside its range.

    References
    ----------
    .. [1] M. G. Natrella (1963), Experimental Statistics, NBS Handbook 91, table A-7.

    Examples
    --------
    Ten bags show with 95 % confidence that 95 % of the lot is inside a limit 2.911 standard deviations from their mean:

    >>> round(tolerance_factor(10, 0.95), 3)
    2.911
    """
    freedom = _freedom(n, df)
    _probability(coverage, "coverage")
    _probability(confidence, "confidence")
    deviate = float(special.ndtri(coverage))
    reach = abs(deviate) + 10.0

    def short(factor: float) -> float:
        return noncentral_t(factor * np.sqrt(n), freedom, deviate * np.sqrt(n)) - confidence

    while short(reach) < 0:
        reach *= 4
    return root(short, -reach, reach)


def proven_inside(distance: float, n: int, df: float | None = None, confidence: float = 0.95) -> float:
    """Fraction of a lot that n bags prove to be inside one limit.

    Parameters
    ----------
    distance : float
        (limit - mean) / s for an upper limit, (mean - limit) / s for a lower one.
    n : int
        Number of bags, >= 2; >= 1 where s comes from elsewhere.
    df : float, optional
        Degrees of freedom of s; by default n - 1.
    confidence : float
        Probability that the statement is true, in (0, 1).

    Returns
    -------
    float
        One-sided lower bound: the noncentral t distribution inverted, the tolerance factor run backwards.

    Raises
    ------
    ValueError
        If a number is outside its range.

    Examples
    --------
    >>> round(proven_inside(tolerance_factor(10, 0.95), 10), 4)
    0.95
    """
    freedom = _freedom(n, df)
    finite_number(distance, "distance")
    _probability(confidence, "confidence")
    reach = 10.0 + 2 * abs(distance) * np.sqrt(n)
    shift = root(lambda at: noncentral_t(distance * np.sqrt(n), freedom, -at) - confidence, -reach, reach)
    return float(special.ndtr(-shift / np.sqrt(n)))


def bags_to_prove(distance: float, coverage: float, df: float | None = None, confidence: float = 0.95) -> int | None:
    """Fewest bags that would prove a fraction, if their mean and scatter stay as they are; None beyond `MOST_BAGS`.

    Parameters
    ----------
    distance, df, confidence
        As for `proven_inside`; with a pooled s every further bag adds one degree of freedom.
    coverage : float
        Fraction to prove, in (0, 1).

    Returns
    -------
    int or None
        None too where endless bags would prove less, because the best estimate is below `coverage`.

    Raises
    ------
    ValueError
        If a number is outside its range.

    Examples
    --------
    >>> bags_to_prove(2.355, 0.9), bags_to_prove(1.0, 0.9)
    (10, None)
    """
    finite_number(distance, "distance")
    _probability(coverage, "coverage")
    if float(special.ndtr(distance)) <= coverage:
        return None

    def shows(n: int) -> bool:
        freedom = n - 1.0 if df is None else max(df, n - 1.0)
        return noncentral_t(distance * np.sqrt(n), freedom, float(special.ndtri(coverage)) * np.sqrt(n)) >= confidence

    return _fewest(shows, 2 if df is None else 1)


def acceptance_probability(n: int, k: float, fraction: float) -> float:
    """Probability that a plan accepts a lot: its mean is at least k standard deviations inside one limit.

    Parameters
    ----------
    n : int
        Number of independent normal values, >= 2.
    k : float
        Acceptability constant of the plan, finite.
    fraction : float
        True fraction of the lot beyond the limit, in (0, 1).

    Returns
    -------
    float
        Exact, from the noncentral t distribution.

    Raises
    ------
    ValueError
        If a number is outside its range.

    References
    ----------
    .. [1] MIL-STD-414 (1957), Sampling procedures and tables for inspection by variables for percent defective.
    .. [2] ISO 3951-1, Sampling procedures for inspection by variables.

    Examples
    --------
    With ten bags and k = 1.72, a lot with 1 % beyond the limit mostly passes and one with 10 % seldom:

    >>> [round(acceptance_probability(10, 1.72, fraction), 2) for fraction in (0.01, 0.10)]
    [0.9, 0.22]
    """
    return float(acceptance_chance(n, k, fraction))


def acceptance_chance(
    n: int, k: float, fraction: ArrayLike, reading_share: float = 0.0, session_sd: float = 0.0, df: float | None = None
) -> Floats:
    """Chance that a plan accepts lots with these true fractions of bags beyond the limit; the curve of a plan.

    Parameters
    ----------
    n : int
        Number of bags, >= 2; >= 1 with `df`.
    k : float
        Acceptability constant: a lot passes if the mean of its bag means is at least k standard deviations inside.
    fraction : array_like
        True fraction of bags beyond the limit, in (0, 1).
    reading_share : float
        Variance of the readings in a bag mean divided by the variance between bags, R / (m B), >= 0.
    session_sd : float
        Standard deviation of what shifts all bags of a session alike (bench part and certificate), divided by that
        between bags, >= 0.
    df : float, optional
        Degrees of freedom of a standard deviation pooled over other lots; by default n - 1.

    Returns
    -------
    ndarray
        Shape of `fraction`. Exact for `session_sd` 0; else averaged over its normal distribution.

    Raises
    ------
    ValueError
        If a number is outside its range.

    Examples
    --------
    Six bags of six discharges, with a reading variance of 0.05**2 and a bag variance of 0.12**2:

    >>> acceptance_chance(6, 1.0, [0.05, 0.1], reading_share=0.05**2 / 6 / 0.12**2).round(3)
    array([0.903, 0.732])
    """
    freedom = _freedom(n, df)
    finite_number(k, "k")
    beyond = np.asarray(fraction, dtype=np.float64)
    if not ((beyond > 0) & (beyond < 1)).all():
        raise ValueError(f"fraction must be in (0, 1), got {fraction!r}")
    for name, value in (("reading_share", reading_share), ("session_sd", session_sd)):
        if not 0 <= value < np.inf:
            raise ValueError(f"{name} must be a number of at least 0, got {value!r}")
    scale = np.sqrt(n / (1 + reading_share))
    distance = -special.ndtri(beyond) * scale
    if session_sd == 0:
        return 1.0 - noncentral_ts(k * np.sqrt(n), freedom, distance)
    # The shift of a session is normal: the sum over normal scores is exact to rounding.
    at = slice(None, None, 4)
    weights = WEIGHTS[at] / WEIGHTS[at].sum()
    shifted = np.add.outer(SCORES[at] * session_sd * scale, distance)
    return np.asarray(np.tensordot(weights, 1.0 - noncentral_ts(k * np.sqrt(n), freedom, shifted), axes=1))


def plan(good: float, good_risk: float, bad: float, bad_risk: float, *, sd_known: bool = False) -> Plan:
    """Smallest plan that passes good lots and stops bad ones, each with a declared risk.

    Parameters
    ----------
    good, bad : float
        Fractions of bags beyond the limit, 0 < good < bad < 1.
    good_risk : float
        Greatest chance that a good lot does not pass, in (0, 0.5).
    bad_risk : float
        Greatest chance that a bad lot passes, in (0, 0.5).
    sd_known : bool
        Whether the standard deviation between bags is known from many lots, rather than estimated from this one.

    Returns
    -------
    Plan
        First number of bags at which one k meets both risks, with the k that uses up the risk of the good lot.

    Raises
    ------
    ValueError
        If a number is outside its range, or more than `MOST_BAGS` bags were needed.

    References
    ----------
    .. [1] W. A. Wallis (1947), in Eisenhart, Hastay and Wallis, Techniques of Statistical Analysis: the approximation
       that the exact search replaces.

    Examples
    --------
    >>> found = plan(0.01, 0.05, 0.10, 0.10)
    >>> found.bags, round(found.k, 4)
    (21, 1.7608)
    """
    if not 0 < good < bad < 1:
        raise ValueError(f"good must be above 0 and below bad, and bad below 1, got {good!r} and {bad!r}")
    for name, risk in (("good_risk", good_risk), ("bad_risk", bad_risk)):
        if not 0 < risk < 0.5:
            raise ValueError(f"{name} must be in (0, 0.5), got {risk!r}")
    near, far = -float(special.ndtri(bad)), -float(special.ndtri(good))

    def tried(n: int) -> Plan:
        """The plan of n bags that uses up the risk of the good lot."""
        if sd_known:
            k = float(far + special.ndtri(good_risk) / np.sqrt(n))
            risks = [float(special.ndtr((k - edge) * np.sqrt(n))) for edge in (far, near)]
        else:
            k = tolerance_factor(n, 1 - good, good_risk)
            risks = [noncentral_t(k * np.sqrt(n), n - 1, edge * np.sqrt(n)) for edge in (far, near)]
        return Plan(n, k, risks[0], 1 - risks[1])

    fewest = _fewest(lambda n: tried(n).bad_risk <= bad_risk, 1 if sd_known else 2)
    if fewest is None:
        raise ValueError(f"more than {MOST_BAGS} bags are needed; put good and bad further apart")
    return tried(fewest)


def two_stages(distance: ArrayLike, first: int, second: int, sd: float, k: float, session_sd: float = 0.0) -> TwoStages:
    """Plan in two stages: bags of a first load decide if they are sure either way, else a second load joins them.

    A set of bags fills one load of a chamber for days, so that no plan bag by bag is of use.

    Parameters
    ----------
    distance : array_like, shape (levels,)
        limit - true level, in the charted scale.
    first, second : int
        Bags of the two loads, >= 1.
    sd : float
        Standard deviation of a bag mean, known, > 0.
    k : float
        The first load decides where its mean is further than k uncertainties from the limit; > 0.
    session_sd : float
        Standard deviation that a load adds to all its bags alike, >= 0; independent between loads.

    Returns
    -------
    TwoStages
        The second decision is by the mean of all bags against the limit itself.

    Raises
    ------
    ValueError
        If a number is outside its range.

    Examples
    --------
    >>> both = two_stages(np.log(20 / np.array([18.0, 20.0])), 3, 6, np.sqrt(0.12**2 + 0.05**2 / 6), 1.5)
    >>> both.pass_chance.round(3), both.mean_bags.round(1)
    (array([0.994, 0.5  ]), array([6. , 8.2]))
    """
    whole(first, "first", 1)
    whole(second, "second", 1)
    positive(sd, "sd")
    positive(k, "k")
    if not 0 <= session_sd < np.inf:
        raise ValueError(f"session_sd must be a number of at least 0, got {session_sd!r}")
    gap = np.asarray(distance, dtype=np.float64)
    bags = first + second
    u_first = np.sqrt(sd**2 / first + session_sd**2)
    # The mean of all bags: each load's shift counts with the share of its bags.
    u_all = np.sqrt(sd**2 / bags + session_sd**2 * (first**2 + second**2) / bags**2)
    shared = (sd**2 / bags + session_sd**2 * first / bags) / (u_first * u_all)
    at_once = special.ndtr(gap / u_first - k)
    goes_on = special.ndtr(gap / u_first + k) - at_once
    # Standardised error of the first mean between its two edges, and of the mean of all below the limit.
    later = both_below(gap / u_first + k, gap / u_all, shared) - both_below(gap / u_first - k, gap / u_all, shared)
    return TwoStages(np.asarray(at_once + later), np.asarray(first + second * goes_on))


def passed_by_count(n: int, failed: int, confidence: float = 0.95) -> float:
    """Fraction of a lot that is inside at least, if `failed` of n bags were beyond the limit, by counting only.

    Parameters
    ----------
    n : int
        Number of bags, >= 1.
    failed : int
        Bags beyond the limit, 0 to n.
    confidence : float
        Of the one-sided bound, in (0, 1).

    Returns
    -------
    float
        Exact, from the binomial distribution [1]_.

    Raises
    ------
    ValueError
        If a number is outside its range.

    References
    ----------
    .. [1] C. J. Clopper and E. S. Pearson (1934), The use of confidence or fiducial limits illustrated in the case of
       the binomial, Biometrika 26, 404-413.

    Examples
    --------
    Six of six inside prove little when they are only counted:

    >>> round(passed_by_count(6, 0), 3)
    0.607
    """
    whole(n, "n", 1)
    whole(failed, "failed", 0)
    _probability(confidence, "confidence")
    if failed > n:
        raise ValueError(f"failed must be at most n, got {failed} of {n}")
    return 0.0 if failed == n else float(1 - special.betaincinv(failed + 1, n - failed, confidence))


def bags_without_failure(fraction: float, risk: float, lot: int | None = None) -> int:
    """Bags that must all be inside to show that at most a fraction of a lot is beyond the limit, by counting only.

    Parameters
    ----------
    fraction : float
        Fraction of bags beyond that the count must exclude, in (0, 1).
    risk : float
        Chance that a lot with this fraction shows no bag beyond, in (0, 1).
    lot : int, optional
        Number of bags of a small lot; its bags are drawn without replacement.

    Returns
    -------
    int
        Smallest n with (1 - fraction)**n <= risk, or by the hypergeometric distribution.

    Raises
    ------
    ValueError
        If a number is outside its range.

    Examples
    --------
    >>> bags_without_failure(0.05, 0.05), bags_without_failure(0.05, 0.05, lot=100)
    (59, 45)
    """
    _probability(fraction, "fraction")
    _probability(risk, "risk")
    if lot is None:
        return int(np.ceil(np.log(risk) / np.log1p(-fraction) - 1e-9))
    whole(lot, "lot", 1)
    beyond = int(np.floor(fraction * lot)) + (0 if float(fraction * lot).is_integer() else 1)
    drawn = np.arange(lot - beyond + 1)
    chance = np.cumprod(np.append(1.0, (lot - beyond - drawn[:-1]) / (lot - drawn[:-1])))
    enough = np.flatnonzero(chance <= risk)
    return int(enough[0]) if enough.size else lot - beyond + 1


def count_acceptance(n: int, allowed: int, fraction: ArrayLike) -> Floats:
    """Chance that at most `allowed` of n bags are beyond the limit, for lots with these true fractions beyond.

    Parameters
    ----------
    n : int
        Number of bags, >= 1.
    allowed : int
        Greatest number of bags beyond with which a lot passes, 0 to n.
    fraction : array_like
        In [0, 1].

    Returns
    -------
    ndarray
        Binomial distribution, in the shape of `fraction`.

    Raises
    ------
    ValueError
        If a number is outside its range.

    Examples
    --------
    >>> count_acceptance(52, 3, [0.01, 0.05]).round(3)
    array([0.998, 0.738])
    """
    whole(n, "n", 1)
    whole(allowed, "allowed", 0)
    return np.asarray(special.bdtr(float(min(allowed, n)), n, np.asarray(fraction, dtype=np.float64)))


def best_readings(bag_variance: float, reading_variance: float, cost_ratio: float) -> float:
    """Discharges a bag that give the most certain level for a budget.

    Parameters
    ----------
    bag_variance : float
        Variance between bags, > 0.
    reading_variance : float
        Variance between discharges of a bag, >= 0.
    cost_ratio : float
        Cost of a bag divided by that of a discharge, > 0.

    Returns
    -------
    float
        sqrt(cost ratio * reading variance / bag variance), whatever the number of bags; round it, and take at least 1.

    Raises
    ------
    ValueError
        If a number is outside its range.

    References
    ----------
    .. [1] W. G. Cochran (1977), Sampling Techniques, Wiley, section 10.6.

    Examples
    --------
    >>> round(best_readings(0.12**2, 0.05**2, 12), 2)
    1.44
    """
    positive(bag_variance, "bag_variance")
    positive(cost_ratio, "cost_ratio")
    if not 0 <= reading_variance < np.inf:
        raise ValueError(f"reading_variance must be a number of at least 0, got {reading_variance!r}")
    return float(np.sqrt(cost_ratio * reading_variance / bag_variance))


def batch_bound(
    values: ArrayLike, lot: ArrayLike, coverage: float = 0.9, confidence: float = 0.95, side: int = 1
) -> BatchBound:
    """Bound that lots of one supplier prove for the next bag of the next lot: a tolerance limit with lots as units.

    Parameters
    ----------
    values : array_like, shape (n,)
        Bag means in the charted scale.
    lot : array_like, shape (n,)
        Lot of each value; at least two lots.
    coverage, confidence : float
        A fraction `coverage` of all bags is on the inner side of the bound with this confidence; in (0, 1).
    side : {1, -1}
        1 for an upper bound (an upper limit), -1 for a lower one.

    Returns
    -------
    BatchBound

    Raises
    ------
    ValueError
        If shapes differ, there are fewer than two lots or no lot has two values, or a number is outside its range.

    Notes
    -----
    ANOVA method for the one-way random model [1]_, [2]_: with N values in a lots, n' = (N - sum n**2 / N) / (a - 1),
    w = sqrt(MSB / (MSB + (n' - 1) MSE)), k0 and k1 the tolerance factors of N and of a values, the factor is
    (k0 - k1 / sqrt(n') + (k1 - k0) w) / (1 - 1 / sqrt(n')). Where MSB is not above MSE the factor is k0, as for
    one sample.

    References
    ----------
    .. [1] M. G. Vangel (1992), New methods for one-sided tolerance limits for a one-way balanced random-effects ANOVA
       model, Technometrics 34, 176-185.
    .. [2] CMH-17-1G (2012), Composite Materials Handbook, volume 1, section 8.3.5.

    Examples
    --------
    >>> found = batch_bound([2.8, 2.9, 2.85, 2.6, 2.7, 2.65, 2.9, 2.95, 3.0], [1, 1, 1, 2, 2, 2, 3, 3, 3])
    >>> round(found.bound, 2), found.lots_differ
    (3.74, True)
    """
    points = as_points(values, "values", at_least=3)
    labels, group = np.unique(np.asarray(lot), return_inverse=True)
    if group.size != points.size:
        raise ValueError(f"lot must name the lot of each of the {points.size} values, got {group.size}")
    sizes = np.bincount(group).astype(np.float64)
    lots, n = labels.size, points.size
    if lots < 2 or lots == n:
        raise ValueError(f"at least two lots, one of them with two values, are needed; got {lots} lots of {n} values")
    means = np.bincount(group, weights=points) / sizes
    mean = float(points.mean())
    between = float(np.sum(sizes * (means - mean) ** 2) / (lots - 1))
    within = float(np.sum((points - means[group]) ** 2) / (n - lots))
    each = (n - float(np.sum(sizes**2)) / n) / (lots - 1)
    sd = float(np.sqrt(between / each + (1 - 1 / each) * within))
    pooled = tolerance_factor(n, coverage, confidence)
    factor = pooled
    if between > within:
        by_lots = tolerance_factor(lots, coverage, confidence)
        weight = np.sqrt(between / (between + (each - 1) * within))
        factor = float((pooled - by_lots / np.sqrt(each) + (by_lots - pooled) * weight) / (1 - 1 / np.sqrt(each)))
    return BatchBound(mean + side * factor * sd, factor, sd, mean, between, within, between > within)


def fraction_beyond(distance: float, n: int) -> float:
    """Unbiased estimate with minimum variance of the fraction of a normal population beyond one limit.

    Parameters
    ----------
    distance : float
        (limit - mean) / s for an upper limit, (mean - limit) / s for a lower one.
    n : int
        Number of independent values of which mean and s are computed, >= 3.

    Returns
    -------
    float
        Fraction in [0, 1], by the symmetric beta distribution with both parameters n/2 - 1 [1]_.

    Raises
    ------
    ValueError
        If a number is outside its range.

    References
    ----------
    .. [1] G. J. Lieberman and G. J. Resnikoff (1955), Sampling plans for inspection by variables, JASA 50, 457-516.

    Examples
    --------
    >>> round(100 * fraction_beyond(1.59, 5), 2)
    2.19
    """
    whole(n, "n", 3)
    finite_number(distance, "distance")
    place = 0.5 - distance * np.sqrt(n) / (2 * (n - 1))
    return float(special.betainc(n / 2 - 1, n / 2 - 1, np.clip(place, 0.0, 1.0)))


def _freedom(n: int, df: float | None) -> float:
    if df is None:
        return whole(n, "n", 2) - 1.0
    whole(n, "n", 1)
    return positive(df, "df")


def _fewest(shows: Callable[[int], bool], at_least: int) -> int | None:
    """Smallest whole number for which a condition holds that stays true; None beyond `MOST_BAGS`."""
    high = at_least
    while not shows(high):
        if high >= MOST_BAGS:
            return None
        high = min(2 * high, MOST_BAGS)
    low = max(at_least, high // 2)
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if shows(middle) else (middle + 1, high)
    return high


def _probability(value: float, name: str) -> None:
    if not 0 < value < 1:
        raise ValueError(f"{name} must be in (0, 1), got {value!r}")
