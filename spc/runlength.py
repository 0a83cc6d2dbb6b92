"""Run lengths of charts and run patterns: the number of points until a signal, in control, after a shift, or in a drift.

In control, the average run length gives the rate of false alerts; after a change, the delay until it is detected. All
results are computed, not simulated. Points are independent and normal, with mean 0 and standard deviation 1 before the
change, and counted from the start of the chart.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import count, islice

import numpy as np

from spc.distributions.bounded_walk import Band, Walk, lone_signal
from spc.distributions.pattern_chain import CRITERIA, Criterion, chain_of, pattern_hazards
from spc.kernels.arrays import Floats
from spc.kernels.validation import finite_number, positive, whole

__all__ = [
    "RunLength",
    "cusum",
    "cusum_distribution",
    "ewma",
    "ewma_distribution",
    "shewhart",
    "shewhart_distribution",
]

_NEGLIGIBLE = 1e-13  # Probability of a run that is not followed any further
_CONVERGED = 1e-8  # Relative range of the signal probability over the later half of the points, taken as constant
_FIRST_CHECK = 64  # Several times the longest memory of a pattern
_LONGEST = 100_000
_LONGEST_DRIFT = 20_000


@dataclass(frozen=True, slots=True, eq=False)
class RunLength:
    """Distribution of the number of points up to and including the first signal.

    `survival` has shape (n + 1,) and is read-only: the probability of no signal at points 1 to t, for t = 0 to n. At
    every later point the probability of a signal, given none before, is `later`.
    """

    survival: Floats
    later: float

    @property
    def mean(self) -> float:
        """The average run length."""
        return float(self.survival[:-1].sum() + self.survival[-1] / self.later)

    @property
    def sd(self) -> float:
        """Standard deviation of the run length."""
        # E N**2 is the sum of (2 t + 1) P(N > t), over the computed points and then over all later ones.
        points = np.arange(self.survival.size)
        followed = float(((2 * points[:-1] + 1) * self.survival[:-1]).sum())
        beyond = (2 * points[-1] + 1) / self.later + 2 * (1 - self.later) / self.later**2
        return math.sqrt(max(followed + float(self.survival[-1]) * beyond - self.mean**2, 0.0))

    def chance_within(self, points: int) -> float:
        """Return the probability of a signal at or before point number `points` (whole, >= 0)."""
        number = whole(points, "points", at_least=0)
        followed = self.survival.size - 1
        if number <= followed:
            return float(1 - self.survival[number])
        missed = self.survival[-1] * math.exp((number - followed) * self._log_miss)
        return float(1 - missed)

    def percentile(self, percent: float) -> int:
        """Return the smallest number of points after which at least `percent` (above 0, below 100) of all runs ended."""
        if not 0 < percent < 100:
            raise ValueError(f"percent must be above 0 and below 100, got {percent!r}")
        missed = 1 - percent / 100
        if self.survival[-1] <= missed:
            return int(np.argmax(self.survival <= missed))
        more = math.log(missed / self.survival[-1]) / self._log_miss
        return self.survival.size - 1 + math.ceil(more)

    @property
    def _log_miss(self) -> float:
        return math.log1p(-self.later) if self.later < 1 else -math.inf


def shewhart(shift: float, patterns: Iterable[str], drift: float = 0) -> float:
    """Average run length of a set of run patterns that are used together.

    Compare the run lengths in control with and without a pattern to see its cost in false alerts.

    Parameters
    ----------
    shift : float
        Mean from the first point on, in sigma of the plotted point.
    patterns : iterable of str
        Names, in any order: `beyond_three_sigma`, `two_of_three_beyond_two_sigma`, `four_of_five_beyond_one_sigma`,
        `eight_on_one_side`, `nine_on_one_side`, `six_rising_or_falling`, `fourteen_alternating`,
        `fifteen_within_one_sigma`, `eight_outside_one_sigma`.
    drift : float, optional
        Sigma a point: point t = 1, 2, ... has mean shift + drift * t.

    Returns
    -------
    float
        Points up to and including the first signal, with a relative error below 1e-7.

    Raises
    ------
    ValueError
        If there is no pattern or an unknown one, a number is not finite, or a signal may never come.
    TypeError
        If `patterns` is one string.

    Notes
    -----
    Two of three and four of five count points on one side; the other points may be anywhere. The trend is six points,
    including the first. Patterns of zones form a finite Markov chain [1]_. Where the order of successive points
    matters, the states also hold the density of the last value, by Gauss-Legendre quadrature in each zone.

    References
    ----------
    .. [1] C. W. Champ and W. H. Woodall (1987), Exact results for Shewhart control charts with supplementary runs
       rules, Technometrics 29, 393-399.

    Examples
    --------
    >>> round(shewhart(0.0, ["beyond_three_sigma"]), 1)
    370.4
    >>> round(shewhart(0.0, ["beyond_three_sigma", "eight_on_one_side"]), 2)
    152.73
    """
    return shewhart_distribution(shift, patterns, drift).mean


def shewhart_distribution(shift: float, patterns: Iterable[str], drift: float = 0) -> RunLength:
    """Distribution of the run length of a set of run patterns; parameters and errors as for `shewhart`.

    Examples
    --------
    >>> in_control = shewhart_distribution(0.0, ["beyond_three_sigma"])
    >>> round(in_control.chance_within(100), 4), in_control.percentile(50)
    (0.2369, 257)
    """
    names = _pattern_names(patterns)
    shift, drift = finite_number(shift, "shift"), finite_number(drift, "drift")
    if drift and names == {"fifteen_within_one_sigma"}:
        raise ValueError("fifteen_within_one_sigma alone may never signal in a drift; watch another pattern with it")
    return _shewhart(shift, tuple(name for name in CRITERIA if name in names), drift)


def _pattern_names(patterns: Iterable[str]) -> frozenset[str]:
    if isinstance(patterns, str):
        raise TypeError(f"patterns must be several names, got the one string {patterns!r}; put it in a list")
    names = frozenset(patterns)
    unknown = sorted(str(name) for name in names if name not in CRITERIA)
    if unknown or not names:
        raise ValueError(f"patterns must be one or more of {', '.join(CRITERIA)}; got {unknown or 'none'}")
    return names


@lru_cache(maxsize=256)
def _shewhart(shift: float, names: tuple[str, ...], drift: float) -> RunLength:
    criteria: tuple[Criterion, ...] = tuple(criterion for name in names for criterion in CRITERIA[name])
    chain = chain_of(criteria)
    # Patterns of order alone depend only on differences of points, which a drift shifts by a constant.
    steady = drift == 0 or chain.edges.size == 2
    return _collect(pattern_hazards(chain, shift, drift), steady=steady)


def ewma(shift: float, weight: float, width: float, drift: float = 0, point_limit: float = math.inf) -> float:
    """Average run length of a two-sided EWMA that starts at the target, with its asymptotic limits.

    Parameters
    ----------
    shift : float
        Mean from the first point on, in sigma of one point.
    weight : float
        Weight of the newest point, in (0, 1].
    width : float
        Half-width of the limits, in asymptotic standard deviations of the average, > 0.
    drift : float, optional
        Sigma a point: point t = 1, 2, ... has mean shift + drift * t.
    point_limit : float, optional
        A single point farther than this from 0, in sigma, also signals.

    Returns
    -------
    float
        Points up to and including the first signal, with a relative error below 1e-7 (5e-5 with a `point_limit`).

    Raises
    ------
    ValueError
        If a number is not finite or outside its range, or the limits are too wide to be computed.

    Notes
    -----
    The density of the average inside its limits [1]_ is computed on Gauss-Legendre nodes from point to point, until its
    shape no longer changes or no run is left.

    References
    ----------
    .. [1] S. V. Crowder (1987), A simple method for studying run-length distributions of exponentially weighted moving
       average charts, Technometrics 29, 401-407.

    Examples
    --------
    >>> round(ewma(0.0, weight=0.2, width=2.962), 1)
    499.7
    """
    return ewma_distribution(shift, weight, width, drift, point_limit).mean


def ewma_distribution(
    shift: float, weight: float, width: float, drift: float = 0, point_limit: float = math.inf
) -> RunLength:
    """Distribution of the run length of an EWMA; parameters and errors as for `ewma`.

    Examples
    --------
    >>> round(ewma_distribution(0.0, weight=0.2, width=2.962).chance_within(52), 3)
    0.092
    """
    shift, drift = finite_number(shift, "shift"), finite_number(drift, "drift")
    if not 0 < weight <= 1:
        raise ValueError(f"weight must be in (0, 1], got {weight!r}")
    return _ewma(shift, float(weight), positive(width, "width"), drift, _point_limit(point_limit))


@lru_cache(maxsize=256)
def _ewma(shift: float, weight: float, width: float, drift: float, point_limit: float) -> RunLength:
    limit = width * math.sqrt(weight / (2 - weight))
    band = Band.between(-limit, limit, weight, point_limit)
    return _collect(_ewma_hazards(_means(shift, drift), band), steady=drift == 0)


def _ewma_hazards(means: Iterator[float], band: Band) -> Iterator[float]:
    weight = band.scale
    average = Walk(band, np.zeros(1), np.ones(1))
    for mean in means:
        below, inside, above = average.step(weight * mean, mean, keep=1 - weight)
        yield _either(band, mean, below + above)
        if inside.sum() <= 0:
            return
        average.continue_from(band.nodes, inside)


def _point_limit(point_limit: float) -> float:
    if not point_limit > 0:
        raise ValueError(f"point_limit must be above 0, or inf for none, got {point_limit!r}")
    return float(point_limit)


def _either(band: Band, mean: float, signalled: float) -> float:
    """Probability of a signal by the single point or, where that gives none, by the chart."""
    alone = lone_signal(mean, band.point_limit)
    return alone + (1 - alone) * signalled


def cusum(
    shift: float,
    allowance: float,
    decision: float,
    headstart: float = 0,
    sides: int = 2,
    drift: float = 0,
    point_limit: float = math.inf,
) -> float:
    """Average run length of a CUSUM, one-sided (upper) or two-sided, with or without a headstart.

    Parameters
    ----------
    shift : float
        Mean from the first point on, in sigma of one point.
    allowance : float
        Deduction at every point, in sigma, >= 0; half the shift to detect.
    decision : float
        Value above which a sum signals, in sigma, > 0.
    headstart : float, optional
        Start of the sums, in [0, decision); half the decision value gives a fast initial response [2]_.
    sides : int, optional
        1 for the upper sum only, 2 for both. For the lower sum only, change the signs of shift and drift.
    drift : float, optional
        Sigma a point: point t = 1, 2, ... has mean shift + drift * t.
    point_limit : float, optional
        A single point farther than this from 0, in sigma, also signals [3]_.

    Returns
    -------
    float
        Points up to and including the first signal, with a relative error below 1e-7 (5e-5 with a `point_limit`).

    Raises
    ------
    ValueError
        If a number is not finite or outside its range, the decision value is too large to be computed, or an upper sum
        in a downward drift may never signal.

    Notes
    -----
    The sum is 0 with a certain probability and has a density above 0, which is computed on Gauss-Legendre nodes from
    point to point until its shape no longer changes or no run is left (the transition of [1]_ without rounding to
    steps). Both sums are followed together. While neither has been 0, they add up to 2 * headstart - 2 * allowance * t;
    once that is at most the decision value, one of them can signal only while the other is 0. Then, without a drift, 1
    / L is the sum of 1 / L of the two sides without headstart, and [2]_ gives L with a headstart.

    References
    ----------
    .. [1] D. Brook and D. A. Evans (1972), An approach to the probability distribution of cusum run length,
       Biometrika 59, 539-549.
    .. [2] J. M. Lucas and R. B. Crosier (1982), Fast initial response for CUSUM quality control schemes, Technometrics
       24, 199-205.
    .. [3] J. M. Lucas (1982), Combined Shewhart-CUSUM quality control schemes, Journal of Quality Technology 14, 51-59.

    Examples
    --------
    >>> round(cusum(0.0, allowance=0.5, decision=4.0), 1), round(cusum(1.0, allowance=0.5, decision=4.0), 2)
    (167.7, 8.38)
    """
    return cusum_distribution(shift, allowance, decision, headstart, sides, drift, point_limit).mean


def cusum_distribution(
    shift: float,
    allowance: float,
    decision: float,
    headstart: float = 0,
    sides: int = 2,
    drift: float = 0,
    point_limit: float = math.inf,
) -> RunLength:
    """Distribution of the run length of a CUSUM; parameters and errors as for `cusum`.

    Examples
    --------
    >>> after_shift = cusum_distribution(1.0, allowance=0.5, decision=5.0)
    >>> round(after_shift.sd, 2), after_shift.percentile(90)
    (5.45, 17)
    """
    shift, drift = finite_number(shift, "shift"), finite_number(drift, "drift")
    allowance, decision = finite_number(allowance, "allowance"), positive(decision, "decision")
    if allowance < 0:
        raise ValueError(f"allowance must not be below 0, got {allowance!r}")
    if not 0 <= headstart < decision:
        raise ValueError(f"headstart must be at least 0 and below the decision value {decision!r}, got {headstart!r}")
    if sides not in (1, 2):
        raise ValueError(f"sides must be 1 (upper sum alone) or 2, got {sides!r}")
    if sides == 1 and drift < 0:
        raise ValueError(
            f"the upper sum alone may never signal in a downward drift, got drift {drift!r}; watch 2 sides"
        )
    return _cusum(shift, allowance, decision, float(headstart), sides, drift, _point_limit(point_limit))


@lru_cache(maxsize=256)
def _cusum(
    shift: float, allowance: float, decision: float, headstart: float, sides: int, drift: float, point_limit: float
) -> RunLength:
    band = Band.between(0.0, decision, 1.0, point_limit)
    means = _means(shift, drift)
    follow = _upper_hazards if sides == 1 else _two_sided_hazards
    return _collect(follow(means, allowance, band, headstart), steady=drift == 0)


def _upper_hazards(means: Iterator[float], allowance: float, band: Band, headstart: float) -> Iterator[float]:
    total = Walk(band, np.full(1, headstart), np.ones(1))
    for mean in means:
        at_zero, inside, signalled = total.step(mean - allowance, mean)
        yield _either(band, mean, signalled)
        if at_zero + inside.sum() <= 0:
            return
        total.continue_from_zero_or(at_zero, inside)


def _two_sided_hazards(means: Iterator[float], allowance: float, band: Band, headstart: float) -> Iterator[float]:
    upper, mass = np.full(1, headstart), np.ones(1)
    both = 2 * (headstart - allowance)  # Sum of both after the next point, if neither is 0
    while both > band.upper:
        # Neither can be 0 unless the other is above its decision value, so one band covers both.
        pair = Walk(Band.between(both - band.upper, band.upper, 1.0, band.point_limit), upper, mass)
        mean = next(means)
        below, inside, above = pair.step(mean - allowance, mean)
        yield _either(band, mean, below + above)
        if inside.sum() <= 0:
            return
        upper, mass = pair.band.nodes, inside / inside.sum()
        both -= 2 * allowance
    lower = both + 2 * allowance - upper
    yield from _race(means, allowance, Walk(band, upper, mass), Walk(band, lower, mass))


def _race(means: Iterator[float], allowance: float, upper: Walk, lower: Walk) -> Iterator[float]:
    """Follow both sums. Where one signals, the other is 0 and loses that probability there."""
    for mean in means:
        up_zero, up_inside, up_signal = upper.step(mean - allowance, mean)
        low_zero, low_inside, low_signal = lower.step(-mean - allowance, -mean)
        yield _either(upper.band, mean, up_signal + low_signal)
        up_zero, low_zero = max(up_zero - low_signal, 0.0), max(low_zero - up_signal, 0.0)
        if min(up_zero + up_inside.sum(), low_zero + low_inside.sum()) <= 0:
            return
        upper.continue_from_zero_or(up_zero, up_inside)
        lower.continue_from_zero_or(low_zero, low_inside)


def _means(shift: float, drift: float) -> Iterator[float]:
    return (shift + drift * point for point in count(1))


def _collect(hazards: Iterator[float], *, steady: bool) -> RunLength:
    """Collect the signal probability of each point until no run is left or, if `steady`, it no longer changes."""
    chances: list[float] = []
    survival = [1.0]
    check = _FIRST_CHECK
    longest = _LONGEST if steady else _LONGEST_DRIFT
    for chance in islice(hazards, longest):
        chances.append(chance)
        survival.append(survival[-1] * (1 - chance))
        if survival[-1] < _NEGLIGIBLE:
            break
        if steady and len(chances) == check:
            late = chances[len(chances) // 2 :]
            if min(late) > 0 and max(late) - min(late) <= _CONVERGED * min(late):
                break
            check += check // 4
    else:
        raise ValueError(
            f"after {longest} points {survival[-1]:.3g} of all runs go on and the chance of a signal still changes: "
            "a run length this long cannot be computed; use a larger drift, none, or another chart"
        )
    followed = np.array(survival)
    followed.flags.writeable = False  # Results are cached and shared
    return RunLength(followed, chances[-1])
