"""Forecast: the probability that a lot breaches a specification limit within the horizon, and when.

The level, its slope, the variation of lots and the number of coming lots are uncertain. A fixed set of simulated paths
carries all four into the result, so the same history always gives the same figures.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import cache

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import special

from spc.kernels.arrays import Floats
from spc.kernels.validation import as_points, finite_number, positive
from spc.stream.trend_posterior import Posterior, posterior

__all__ = [
    "FAN_COLUMNS",
    "FEWEST_LOTS",
    "WINDOW",
    "Forecast",
    "Outlook",
    "breach_probability",
    "forecast",
    "nothing_known",
]

FEWEST_LOTS = 3
"""Fewest lots for a forecast: two lots show no variation about a line."""

WINDOW = 60
"""Number of latest lots that a forecast uses."""

FAN_COLUMNS = ("weeks", "p10", "p25", "p50", "p75", "p90")
_FAN_INDEX = pd.Index(FAN_COLUMNS)  # Made once: pandas takes longer for these names than for the frame

_YEAR_WEEKS = 365.2425 / 7
_PATHS = 512
_FAN_STEPS = 13
_MOST_STEPS = 26  # Steps to the horizon; where lots come faster, several share a step
_RECENT_GAPS = 12
_WAVES = 6
# Coordinates of a path: model, variance, move, level, waves of the random walk, one lot, number of lots.
_PRIMES = np.array([2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37])
_PRIOR_DF = 2.0  # Degrees of freedom of the prior variance, which comes from differences of successive lots
_WILD_SHARE, _WILD_SIZE = 0.01, 2.5  # One lot in a hundred varies 2.5 times as much: caution by common practice
# A product that is bought was approved, so its level was at first about two standard deviations of a lot inside the
# limit. Common practice; the prior excludes no distance, so the lots of a stream can overrule it.
_FIT_DISTANCE, _FIT_SOFTNESS, _FIT_DOUBT = 2.0, 0.7, 0.03


Limits = tuple[float, float]
Weeks = tuple[float | None, float | None, float | None]


class Outlook(StrEnum):
    """Which parts of a forecast are available."""

    SEEN = "seen"
    """All: there are a limit and enough lots."""
    NO_LIMIT = "no_limit"
    """Level and slope only: no limit applies."""
    TOO_FEW_LOTS = "too_few_lots"
    """None: fewer than `FEWEST_LOTS` lots have a level."""


@dataclass(frozen=True, slots=True, eq=False)
class Forecast:
    """Forecast of one stream. Levels are in the charted scale; None where a figure is not available.

    Attributes
    ----------
    state : Outlook
    breach_probability : float or None
        Probability of at least one breaching lot within the horizon after the last test.
    weeks_p10, weeks_p50, weeks_p90 : float or None
        Weeks from the last test until a lot has breached with probability 10, 50 and 90 %. None beyond the range of the
        model; 0 where the level has passed the limit.
    level_now, level_se : float or None
        Level at the last test without the variation of that lot, and its standard error.
    slope, slope_se : float or None
        Change of the level a week, averaged over all models including no change, and its standard error.
    change_percent_per_month, change_low, change_high : float or None
        Slope in percent a month, with its 95 % interval.
    fan : DataFrame
        `FAN_COLUMNS`: quantiles of the level of a lot tested `weeks` after the last one; empty if not available.
    """

    state: Outlook
    breach_probability: float | None
    weeks_p10: float | None
    weeks_p50: float | None
    weeks_p90: float | None
    level_now: float | None
    level_se: float | None
    slope: float | None
    slope_se: float | None
    change_percent_per_month: float | None
    change_low: float | None
    change_high: float | None
    fan: pd.DataFrame


def forecast(
    weeks: ArrayLike,
    levels: ArrayLike,
    variances: ArrayLike,
    *,
    lower: float | None,
    upper: float | None,
    horizon_weeks: float,
    scale: str = "log",
    lot_sigma: float | None = None,
    lot_sigma_df: float = 8.0,
) -> Forecast:
    """Forecast one stream from its lots so far.

    Parameters
    ----------
    weeks : array_like, shape (n,)
        Test times in weeks from any origin, not falling; valid lots only.
    levels : array_like, shape (n,)
        Lot levels in the charted scale, as compared with the limit.
    variances : array_like, shape (n,)
        Sampling variance of each level, >= 0; a lot with inf has no level and is left out.
    lower, upper : float or None
        Specification limits in the charted scale. A lot at `upper` breaches, one at `lower` does not.
    horizon_weeks : float
        How far ahead the probability of a breach looks, > 0.
    scale : {"log", "linear"}
        Charted scale; it defines the change in percent.
    lot_sigma : float, optional
        Standard deviation between lots of similar streams, > 0.
    lot_sigma_df : float
        Its degrees of freedom, > 0.

    Returns
    -------
    Forecast

    Raises
    ------
    ValueError
        If shapes differ, weeks fall, a level is not finite, a variance is negative or nan, or a limit or the horizon is
        out of range.

    Notes
    -----
    The level and its slope have the posterior of `spc.stream.trend_posterior`. From it 512 paths are drawn at the
    points of a Richtmyer sequence [1]_, so nothing is random. Given a path, lots are independent, and the probability
    of no breach is a product. The mean over paths keeps what coming lots share: the uncertain level, slope and
    variance. Lots vary by a normal law that is contaminated with a wider one [2]_.

    The model looks as far ahead as the lots reach back, at most a year (the rule of ICH Q1E for shelf life, from
    memory), and at least to the horizon.

    References
    ----------
    .. [1] H. Niederreiter (1978), Quasi-Monte Carlo methods and pseudo-random numbers, Bulletin of the American
       Mathematical Society 84, 957-1041.
    .. [2] J. W. Tukey (1960), A survey of sampling from contaminated distributions, in Contributions to Probability and
       Statistics, Stanford University Press.

    Examples
    --------
    >>> rising = [2.30 + 0.015 * week + 0.02 * (-1) ** week for week in range(20)]
    >>> outlook = forecast(range(20), rising, [0.0004] * 20, lower=None, upper=2.70, horizon_weeks=13)
    >>> outlook.breach_probability > 0.95, round(outlook.change_percent_per_month, 1)
    (True, 6.5)
    >>> forecast(range(20), [2.3, 2.31] * 10, [0.0004] * 20, lower=None, upper=3.0, horizon_weeks=13).weeks_p50 is None
    True
    """
    times, points, noise = _checked(weeks, levels, variances)
    limits = _limits(lower, upper)
    positive(horizon_weeks, "horizon_weeks")
    if scale not in ("log", "linear"):
        raise ValueError(f'scale must be "log" or "linear", got {scale!r}')
    if points.size < FEWEST_LOTS:
        return nothing_known()
    interval = _mean_interval(times[-_RECENT_GAPS - 1 :])
    fit = _fit(times, points, noise, lot_sigma, lot_sigma_df)
    paths = _draw(fit)
    level_now, level_se = _moments(fit, fit.base, fit.coefficient, fit.base_var)
    slope, slope_se = _moments(fit, 0.0, fit.is_ramp, 0.0)
    change = _percent_per_month(np.array([slope, *np.quantile(paths.slope, (0.025, 0.975))]), level_now, scale)
    limited = np.isfinite(limits).any()
    chance, breach_weeks = (
        _breach(paths, limits, times, interval, horizon_weeks) if limited else (None, (None, None, None))
    )
    return Forecast(
        state=Outlook.SEEN if limited else Outlook.NO_LIMIT,
        breach_probability=chance,
        weeks_p10=breach_weeks[0],
        weeks_p50=breach_weeks[1],
        weeks_p90=breach_weeks[2],
        level_now=level_now,
        level_se=level_se,
        slope=slope,
        slope_se=slope_se,
        change_percent_per_month=float(change[0]),
        change_low=float(change[1]),
        change_high=float(change[2]),
        fan=_fan(paths, horizon_weeks),
    )


def breach_probability(
    weeks: ArrayLike,
    levels: ArrayLike,
    variances: ArrayLike,
    *,
    lower: float | None,
    upper: float | None,
    horizon_weeks: float,
) -> float | None:
    """Return the probability of a breach that `forecast` states, without its other figures; parameters and errors as there.

    Examples
    --------
    >>> rising = [2.30 + 0.015 * week + 0.02 * (-1) ** week for week in range(20)]
    >>> stream, limits = (range(20), rising, [0.0004] * 20), {"lower": None, "upper": 2.70, "horizon_weeks": 13}
    >>> breach_probability(*stream, **limits) == forecast(*stream, **limits).breach_probability
    True
    """
    times, points, noise = _checked(weeks, levels, variances)
    limits = _limits(lower, upper)
    positive(horizon_weeks, "horizon_weeks")
    if points.size < FEWEST_LOTS or not np.isfinite(limits).any():
        return None
    paths = _draw(_fit(times, points, noise, None, 0.0))
    return _breach(paths, limits, times, _mean_interval(times[-_RECENT_GAPS - 1 :]), horizon_weeks)[0]


def nothing_known() -> Forecast:
    """Forecast of a stream with fewer than `FEWEST_LOTS` lots that have a level.

    Returns
    -------
    Forecast

    Examples
    --------
    >>> nothing_known().state.value, nothing_known().breach_probability, len(nothing_known().fan)
    ('too_few_lots', None, 0)
    """
    empty = pd.DataFrame(columns=list(FAN_COLUMNS), dtype=np.float64)
    return Forecast(Outlook.TOO_FEW_LOTS, None, None, None, None, None, None, None, None, None, None, None, fan=empty)


# Input


def _checked(weeks: ArrayLike, levels: ArrayLike, variances: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Check the input and take the latest lots with a level."""
    times, points = as_points(weeks, "weeks", at_least=0), as_points(levels, "levels", at_least=0)
    noise = np.asarray(variances, dtype=np.float64)
    if not times.shape == points.shape == noise.shape:
        raise ValueError(
            f"weeks, levels and variances must have one shape, got {times.shape}, {points.shape} and {noise.shape}"
        )
    if not (noise >= 0).all():
        raise ValueError("variances must be 0 or above (inf where the level is unknown), and never nan")
    if (np.diff(times) < 0).any():
        raise ValueError("weeks must not fall: put the lots in order of test first")
    has_level = np.isfinite(noise)
    return times[has_level][-WINDOW:], points[has_level][-WINDOW:], noise[has_level][-WINDOW:]


def _limits(lower: float | None, upper: float | None) -> Limits:
    """Both limits, infinite where there is none; ValueError where they are out of order."""
    low = -np.inf if lower is None else finite_number(lower, "lower")
    high = np.inf if upper is None else finite_number(upper, "upper")
    if low >= high:
        raise ValueError(f"lower must be below upper, got {lower!r} and {upper!r}")
    return low, high


def _mean_interval(times: Floats) -> float:
    """Mean interval between lots in weeks; one, by common practice, where all were tested at one time."""
    return float(np.diff(times).mean()) or 1.0


# The posterior of the level


def _fit(times: Floats, points: Floats, noise: Floats, lot_sigma: float | None, lot_sigma_df: float) -> Posterior:
    """Posterior of level and slope; a lot of many bags counts for more than a lot of few."""
    lot_variance = _lot_variance(points, noise, lot_sigma, lot_sigma_df)
    typical = lot_variance + float(np.median(noise))
    df = _PRIOR_DF + (0.0 if lot_sigma is None else lot_sigma_df)
    return posterior(times, points, (lot_variance + noise) / typical, _mean_interval(times), typical, df)


def _lot_variance(points: Floats, noise: Floats, lot_sigma: float | None, lot_sigma_df: float) -> float:
    """Variance between lots from differences of successive lots, which a move hardly affects, pooled with `lot_sigma`."""
    rounding = 1e-18 * float((points**2).max()) + np.finfo(np.float64).tiny
    successive = 0.5 * float((np.diff(points) ** 2).mean())
    variance = max(successive - float(noise.mean()), 0.02 * successive, rounding)
    if lot_sigma is None:
        return variance
    df = points.size - 1
    return (lot_sigma_df * positive(lot_sigma, "lot_sigma") ** 2 + df * variance) / (lot_sigma_df + df)


def _moments(
    fit: Posterior, base: Floats | float, coefficient: Floats, base_var: Floats | float
) -> tuple[float, float]:
    """Mean and standard deviation of base + coefficient * move over all models."""
    phi = fit.squares / max(fit.df - 2.0, 1.0)
    means = base + coefficient * fit.move
    mean = float(fit.weight @ means)
    spread = fit.weight @ (phi * (base_var + coefficient**2 * fit.move_var) + (means - mean) ** 2)
    return mean, float(np.sqrt(spread))


def _percent_per_month(slope: Floats, level: float, scale: str) -> Floats:
    monthly = slope * _YEAR_WEEKS / 12
    if scale == "log":
        return 100.0 * np.expm1(monthly)
    return 100.0 * monthly / abs(level) if level else np.full(slope.shape, np.nan)


# Simulated paths


@dataclass(frozen=True, slots=True, eq=False)
class _Paths:
    """Equally likely paths; arrays (paths,).

    `first` and `now` are the level at the first and at the last lot, `slope` its change a week, `sigma` the standard
    deviation of a lot, and `random_walk_var` the variance that the random walk gains a week. `waves` (paths, waves),
    `lot` and `number` are standard normal scores for the random walk, for one lot and for the number of lots.
    """

    first: Floats
    now: Floats
    slope: Floats
    sigma: Floats
    random_walk_var: Floats
    waves: Floats
    lot: Floats
    number: Floats

    def level(self, ahead: Floats) -> Floats:
        """Level `ahead` weeks (times,) after the last test, (paths, times).

        The random walk is a Wiener process by its slowest waves (Karhunen-Loève), scaled to its exact variance.
        """
        wave = np.arange(_WAVES) + 0.5
        shape = np.sin(np.pi * wave * ahead[:, None] / ahead[-1]) / wave
        shape *= np.sqrt(ahead[:, None] / np.maximum((shape**2).sum(axis=1, keepdims=True), 1e-300))
        walk = np.sqrt(self.random_walk_var)[:, None] * (self.waves @ shape.T)
        course: Floats = self.now[:, None] + self.slope[:, None] * ahead + walk
        return course


@cache
def _coordinates() -> tuple[Floats, Floats, Floats]:
    """Points of the Richtmyer sequence: uniform scores for model and variance, normal scores for the rest."""
    uniform: Floats = np.outer(np.arange(1, _PATHS + 1), np.sqrt(_PRIMES)) % 1.0
    return uniform[:, 0], uniform[:, 1], special.ndtri(uniform[:, 2:])


@cache
def _chi_square(df: float) -> Floats:
    return np.asarray(2.0 * special.gammaincinv(df / 2.0, _coordinates()[1]), dtype=np.float64)


def _draw(fit: Posterior) -> _Paths:
    model, _, normal = _coordinates()
    weight = np.cumsum(fit.weight)
    chosen = np.minimum(np.searchsorted(weight, model * weight[-1]), weight.size - 1)
    sigma = np.sqrt(fit.squares[chosen] / _chi_square(fit.df))
    move = fit.move[chosen] + sigma * np.sqrt(fit.move_var[chosen]) * normal[:, 0]
    now = fit.base[chosen] + fit.coefficient[chosen] * move + sigma * np.sqrt(fit.base_var[chosen]) * normal[:, 1]
    return _Paths(
        first=now - fit.regressor[chosen] * move,
        now=now,
        slope=fit.is_ramp[chosen] * move,
        sigma=sigma,
        random_walk_var=sigma**2 * fit.random_walk[chosen],
        waves=normal[:, 2 : 2 + _WAVES],
        lot=normal[:, 2 + _WAVES],
        number=normal[:, 3 + _WAVES],
    )


def _breach(paths: _Paths, limits: Limits, times: Floats, interval: float, horizon: float) -> tuple[float, Weeks]:
    """Probability of a breach within the horizon, and the weeks until it is 10, 50 and 90 %."""
    reach = max(horizon, min(float(times[-1] - times[0]), _YEAR_WEEKS))
    step = max(interval, horizon / _MOST_STEPS)
    # The reach is often a whole number of steps: rounding must not add one more.
    ahead = step * np.arange(np.ceil(reach / step - 1e-9) + 1.0)
    inside = _chance_inside(paths.level(ahead[1:]), paths.sigma[:, None], limits)
    lots = step / interval * _lot_rate(paths, times, horizon)
    breached = np.zeros((_PATHS, ahead.size))
    breached[:, 1:] = -np.expm1(np.cumsum(np.log(inside) * lots[:, None], axis=1))
    weight = _path_weights(paths, limits)
    passed = (paths.now <= limits[0]) | (paths.now >= limits[1])
    reached = weight @ np.where(passed[:, None], 1.0, breached)
    p10, p50, p90 = (_weeks_until(reached, ahead, share, reach) for share in (0.1, 0.5, 0.9))
    # The weights add up to 1 but for rounding.
    return min(float(np.interp(horizon, ahead, weight @ breached)), 1.0), (p10, p50, p90)


def _chance_inside(level: Floats, sigma: Floats, limits: Limits) -> Floats:
    """Probability that one lot is inside the limits; at least 1e-12, so that its logarithm exists."""
    outside = np.zeros_like(level)
    # A missing limit adds nothing outside.
    sides = [side * (limit - level) for side, limit in zip((1.0, -1.0), limits, strict=True) if np.isfinite(limit)]
    for share, size in ((1.0 - _WILD_SHARE, 1.0), (_WILD_SHARE, _WILD_SIZE)):
        for distance in sides:
            outside += share * special.ndtr(distance / (size * sigma))
    return np.maximum(1.0 - outside, 1e-12)


def _lot_rate(paths: _Paths, times: Floats, horizon: float) -> Floats:
    """Number of coming lots relative to its expectation: a renewal process estimated from few intervals."""
    gaps = np.diff(times)[-_RECENT_GAPS:]
    mean_gap = gaps.mean()
    if mean_gap == 0:
        return np.ones(_PATHS)
    uneven = min(float(gaps.std() / mean_gap), 1.5)
    spread = uneven * np.sqrt(mean_gap / horizon + 1.0 / gaps.size)
    multiple: Floats = np.exp(spread * paths.number - 0.5 * spread**2)
    return multiple


def _path_weights(paths: _Paths, limits: Limits) -> Floats:
    """Weight of each path by how far inside the limit its level was at first; the weights add up to 1."""
    margin = np.minimum(limits[1] - paths.first, paths.first - limits[0]) / paths.sigma
    weight: Floats = _FIT_DOUBT + (1.0 - _FIT_DOUBT) * special.ndtr((margin - _FIT_DISTANCE) / _FIT_SOFTNESS)
    weight /= weight.sum()
    return weight


def _weeks_until(reached: Floats, ahead: Floats, share: float, reach: float) -> float | None:
    """Weeks until a `share` of the paths has reached the limit; None beyond the reach of the model."""
    if reached[0] >= share:
        return 0.0
    if reached[-1] < share:
        return None
    after = int(np.argmax(reached >= share))
    part = (share - reached[after - 1]) / (reached[after] - reached[after - 1])
    date = float(ahead[after - 1] + part * (ahead[after] - ahead[after - 1]))
    return date if date <= reach else None


def _fan(paths: _Paths, horizon: float) -> pd.DataFrame:
    """Quantiles of the level of a coming lot."""
    ahead = np.linspace(0.0, horizon, _FAN_STEPS + 1)
    lots = np.sort(paths.level(ahead) + (paths.sigma * paths.lot)[:, None], axis=0)
    places = [round(share * (_PATHS - 1)) for share in (0.10, 0.25, 0.50, 0.75, 0.90)]
    return pd.DataFrame(np.column_stack([ahead, lots[places].T]), columns=_FAN_INDEX)
