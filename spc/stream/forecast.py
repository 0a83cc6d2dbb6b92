"""When a stream may meet its limit, and how likely a lot breaches it within the horizon.

Uncertain are the level, whether and how fast it moves, how far lots scatter and how many come: all of it is carried
into the answer by a fixed set of possible futures, so the same history always gives the same figures.
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

__all__ = ["FAN_COLUMNS", "FEWEST_LOTS", "WINDOW", "Forecast", "Outlook", "forecast", "nothing_known"]

FEWEST_LOTS = 3
"""Below that nothing is said: two lots show no scatter about a line."""

WINDOW = 60
"""Latest lots that speak of the future."""

FAN_COLUMNS = ("weeks", "p10", "p25", "p50", "p75", "p90")

_YEAR_WEEKS = 365.2425 / 7
_FUTURES = 512
_FAN_STEPS = 13
_MOST_STEPS = 26  # steps to the horizon; several lots share a step where they come faster
_RECENT_GAPS = 12
_WAVES = 6
# Coordinates of a future: picture, scatter, move, level, waves of a wandering level, one lot, number of lots.
_PRIMES = np.array([2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37])
_OWN_DF = 2.0  # what the scatter of neighbours is worth before the fit, in degrees of freedom
_WILD_SHARE, _WILD_SIZE = 0.01, 2.5  # one lot in a hundred scatters 2.5 times as far: common practice's caution
# A product that is bought was found fit: its level at first lay some two standard deviations of a lot inside the limit.
# Common practice; a stream whose own lots say otherwise overrules it, for no distance is ruled out.
_FIT_DISTANCE, _FIT_SOFTNESS, _FIT_DOUBT = 2.0, 0.7, 0.03


Limits = tuple[float, float]
Dates = tuple[float | None, float | None, float | None]


class Outlook(StrEnum):
    """What a forecast could say."""

    SEEN = "seen"
    """There is a limit and there are lots enough."""
    NO_LIMIT = "no_limit"
    """Level and change only: there is nothing to breach."""
    TOO_FEW_LOTS = "too_few_lots"
    """Fewer than `FEWEST_LOTS` lots with a level: nothing is said."""


@dataclass(frozen=True, slots=True, eq=False)
class Forecast:
    """What is to be expected of a stream. Levels are in the charted scale; None where nothing can be said.

    Attributes
    ----------
    state : Outlook
    breach_probability : float or None
        Chance of at least one breaching lot within the horizon after the last test.
    weeks_p10, weeks_p50, weeks_p90 : float or None
        Weeks from the last test until a lot breaches, with chance 10, 50 and 90 %. None where the end lies further off
        than the model sees; 0 where the level has passed the limit.
    level_now, level_se : float or None
        Level at the last test, the lot's own scatter taken out, and its standard error.
    slope, slope_se : float or None
        Change of the level a week, no change being among the possibilities, and its standard error.
    change_percent_per_month, change_low, change_high : float or None
        The slope in percent a month, with the ends of its 95 % interval.
    fan : DataFrame
        `FAN_COLUMNS`: quantiles of the level of a lot tested so many weeks after the last one; empty if unknown.
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
        Lot levels in the charted scale, as they are held against the limit.
    variances : array_like, shape (n,)
        Sampling variance of each level, >= 0; a lot with inf tells nothing and is stepped over.
    lower, upper : float or None
        Specification limits in the charted scale. A lot at `upper` breaches, one at `lower` does not.
    horizon_weeks : float
        How far the chance of a breach looks, > 0.
    scale : {"log", "linear"}
        Charted scale; it decides what a percent is.
    lot_sigma : float, optional
        Standard deviation between lots that sister streams show, > 0, worth `lot_sigma_df` degrees of freedom.
    lot_sigma_df : float

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
    The past is weighed by `spc._trend.posterior`. From it 512 futures are drawn at the points of a Richtmyer sequence
    [1]_, so nothing is random. In each future the level runs its course; given the course lots are independent, which
    gives the chance of no breach as a product, and the mean over futures keeps what coming lots share: an uncertain
    level, slope and scatter. Lots scatter by a normal law with a little of a wider one [2]_.

    The model looks ahead as far as it looks back, at most a year (the rule of ICH Q1E for shelf life, from memory), and
    in any case to the horizon.

    References
    ----------
    .. [1] H. Niederreiter (1978), Quasi-Monte Carlo methods and pseudo-random numbers, Bulletin of the American
       Mathematical Society 84, 957-1041.
    .. [2] J. W. Tukey (1960), A survey of sampling from contaminated distributions, in Contributions to Probability and
       Statistics, Stanford University Press.

    Examples
    --------
    >>> rising = [2.30 + 0.015 * week + 0.02 * (-1) ** week for week in range(20)]
    >>> found = forecast(range(20), rising, [0.0004] * 20, lower=None, upper=2.70, horizon_weeks=13)
    >>> found.breach_probability > 0.95, round(found.change_percent_per_month, 1)
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
    pace = _pace(times[-_RECENT_GAPS - 1 :])
    past = _past(times, points, noise, lot_sigma, lot_sigma_df)
    futures = _draw(past)
    level_now, level_se = _moments(past, past.base, past.lean, past.base_var)
    slope, slope_se = _moments(past, 0.0, past.is_ramp, 0.0)
    change = _percent_per_month(np.array([slope, *np.quantile(futures.slope, (0.025, 0.975))]), level_now, scale)
    limited = np.isfinite(limits).any()
    chance, dates = _breach(futures, limits, times, pace, horizon_weeks) if limited else (None, (None, None, None))
    return Forecast(
        state=Outlook.SEEN if limited else Outlook.NO_LIMIT,
        breach_probability=chance,
        weeks_p10=dates[0],
        weeks_p50=dates[1],
        weeks_p90=dates[2],
        level_now=level_now,
        level_se=level_se,
        slope=slope,
        slope_se=slope_se,
        change_percent_per_month=float(change[0]),
        change_low=float(change[1]),
        change_high=float(change[2]),
        fan=_fan(futures, horizon_weeks),
    )


def nothing_known() -> Forecast:
    """The forecast of a stream with fewer than `FEWEST_LOTS` lots that have a level."""
    empty = pd.DataFrame(columns=list(FAN_COLUMNS), dtype=np.float64)
    return Forecast(Outlook.TOO_FEW_LOTS, None, None, None, None, None, None, None, None, None, None, None, fan=empty)


# Input


def _checked(weeks: ArrayLike, levels: ArrayLike, variances: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Latest lots that tell something of the level."""
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
    known = np.isfinite(noise)
    return times[known][-WINDOW:], points[known][-WINDOW:], noise[known][-WINDOW:]


def _limits(lower: float | None, upper: float | None) -> Limits:
    """Both limits, infinite where there is none."""
    low = -np.inf if lower is None else finite_number(lower, "lower")
    high = np.inf if upper is None else finite_number(upper, "upper")
    if low >= high:
        raise ValueError(f"lower must be below upper, got {lower!r} and {upper!r}")
    return low, high


def _pace(times: Floats) -> float:
    """Weeks a lot; one, as common practice, where all lots came at once."""
    return float(np.diff(times).mean()) or 1.0


# The past


def _past(times: Floats, points: Floats, noise: Floats, lot_sigma: float | None, lot_sigma_df: float) -> Posterior:
    """Weigh the pictures of the past, lots of many bags counting for more than lots of few."""
    lot_variance = _lot_variance(points, noise, lot_sigma, lot_sigma_df)
    usual = lot_variance + float(np.median(noise))
    df = _OWN_DF + (0.0 if lot_sigma is None else lot_sigma_df)
    return posterior(times, points, (lot_variance + noise) / usual, _pace(times), usual, df)


def _lot_variance(points: Floats, noise: Floats, lot_sigma: float | None, lot_sigma_df: float) -> float:
    """Variance between lots from the differences of neighbours, which a move hardly touches, pooled with sisters."""
    rounding = 1e-18 * float((points**2).max()) + np.finfo(np.float64).tiny
    neighbours = 0.5 * float((np.diff(points) ** 2).mean())
    own = max(neighbours - float(noise.mean()), 0.02 * neighbours, rounding)
    if lot_sigma is None:
        return own
    worth = points.size - 1
    return (lot_sigma_df * positive(lot_sigma, "lot_sigma") ** 2 + worth * own) / (lot_sigma_df + worth)


def _moments(past: Posterior, base: Floats | float, lean: Floats, base_var: Floats | float) -> tuple[float, float]:
    """Mean and standard deviation over all pictures of base + lean * move."""
    phi = past.squares / max(past.df - 2.0, 1.0)
    means = base + lean * past.move
    mean = float(past.weight @ means)
    spread = past.weight @ (phi * (base_var + lean**2 * past.move_var) + (means - mean) ** 2)
    return mean, float(np.sqrt(spread))


def _percent_per_month(slope: Floats, level: float, scale: str) -> Floats:
    monthly = slope * _YEAR_WEEKS / 12
    if scale == "log":
        return 100.0 * np.expm1(monthly)
    return 100.0 * monthly / abs(level) if level else np.full(slope.shape, np.nan)


# The futures


@dataclass(frozen=True, slots=True, eq=False)
class _Futures:
    """Equally likely futures, (futures,).

    The level at first and now, its slope a week, the standard deviation of a lot, the variance gained a week by
    wandering; standard normal scores for the waves of that (futures, waves), for one lot and for the number of lots.
    """

    first: Floats
    now: Floats
    slope: Floats
    sigma: Floats
    wander: Floats
    waves: Floats
    lot: Floats
    number: Floats

    def level(self, ahead: Floats) -> Floats:
        """Level `ahead` weeks (times,) after the last test, (futures, times).

        The wandering part is a Wiener process by its slowest waves (Karhunen-Loève), scaled to its exact variance.
        """
        wave = np.arange(_WAVES) + 0.5
        shape = np.sin(np.pi * wave * ahead[:, None] / ahead[-1]) / wave
        shape *= np.sqrt(ahead[:, None] / np.maximum((shape**2).sum(axis=1, keepdims=True), 1e-300))
        wandered = np.sqrt(self.wander)[:, None] * (self.waves @ shape.T)
        course: Floats = self.now[:, None] + self.slope[:, None] * ahead + wandered
        return course


@cache
def _coordinates() -> tuple[Floats, Floats, Floats]:
    """Richtmyer's points: uniform scores for picture and scatter, normal ones for the rest."""
    uniform: Floats = np.outer(np.arange(1, _FUTURES + 1), np.sqrt(_PRIMES)) % 1.0
    return uniform[:, 0], uniform[:, 1], special.ndtri(uniform[:, 2:])


@cache
def _chi_square(df: float) -> Floats:
    return np.asarray(2.0 * special.gammaincinv(df / 2.0, _coordinates()[1]), dtype=np.float64)


def _draw(past: Posterior) -> _Futures:
    picture, _, normal = _coordinates()
    weight = np.cumsum(past.weight)
    chosen = np.minimum(np.searchsorted(weight, picture * weight[-1]), weight.size - 1)
    sigma = np.sqrt(past.squares[chosen] / _chi_square(past.df))
    move = past.move[chosen] + sigma * np.sqrt(past.move_var[chosen]) * normal[:, 0]
    now = past.base[chosen] + past.lean[chosen] * move + sigma * np.sqrt(past.base_var[chosen]) * normal[:, 1]
    return _Futures(
        first=now - past.reach[chosen] * move,
        now=now,
        slope=past.is_ramp[chosen] * move,
        sigma=sigma,
        wander=sigma**2 * past.wander[chosen],
        waves=normal[:, 2 : 2 + _WAVES],
        lot=normal[:, 2 + _WAVES],
        number=normal[:, 3 + _WAVES],
    )


def _breach(futures: _Futures, limits: Limits, times: Floats, pace: float, horizon: float) -> tuple[float, Dates]:
    """Chance of a breach within the horizon, and when 10, 50 and 90 % of the futures have met the limit."""
    sight = max(horizon, min(float(times[-1] - times[0]), _YEAR_WEEKS))
    step = max(pace, horizon / _MOST_STEPS)
    # A whole number of steps is often met exactly: rounding must not add one more.
    ahead = step * np.arange(np.ceil(sight / step - 1e-9) + 1.0)
    inside = _chance_inside(futures.level(ahead[1:]), futures.sigma[:, None], limits)
    lots = step / pace * _busyness(futures, times, horizon)
    breached = np.zeros((_FUTURES, ahead.size))
    breached[:, 1:] = -np.expm1(np.cumsum(np.log(inside) * lots[:, None], axis=1))
    fit = _fitness(futures, limits)
    passed = (futures.now <= limits[0]) | (futures.now >= limits[1])
    met = fit @ np.where(passed[:, None], 1.0, breached)
    p10, p50, p90 = (_date(met, ahead, share, sight) for share in (0.1, 0.5, 0.9))
    return float(np.interp(horizon, ahead, fit @ breached)), (p10, p50, p90)


def _chance_inside(level: Floats, sigma: Floats, limits: Limits) -> Floats:
    """Chance that one lot lies inside; never quite 0, so that its logarithm exists."""
    outside = np.zeros_like(level)
    # Beyond a limit that is not there lies nothing.
    sides = [side * (limit - level) for side, limit in zip((1.0, -1.0), limits, strict=True) if np.isfinite(limit)]
    for share, size in ((1.0 - _WILD_SHARE, 1.0), (_WILD_SHARE, _WILD_SIZE)):
        for away in sides:
            outside += share * special.ndtr(away / (size * sigma))
    return np.maximum(1.0 - outside, 1e-12)


def _busyness(futures: _Futures, times: Floats, horizon: float) -> Floats:
    """Lots that come, as a multiple of those expected: a renewal process seen through few intervals."""
    gaps = np.diff(times)[-_RECENT_GAPS:]
    usual = gaps.mean()
    if usual == 0:
        return np.ones(_FUTURES)
    uneven = min(float(gaps.std() / usual), 1.5)
    spread = uneven * np.sqrt(usual / horizon + 1.0 / gaps.size)
    multiple: Floats = np.exp(spread * futures.number - 0.5 * spread**2)
    return multiple


def _fitness(futures: _Futures, limits: Limits) -> Floats:
    """Weight of each future by how far inside the limit its level lay at first, adding up to 1."""
    room = np.minimum(limits[1] - futures.first, futures.first - limits[0]) / futures.sigma
    weight: Floats = _FIT_DOUBT + (1.0 - _FIT_DOUBT) * special.ndtr((room - _FIT_DISTANCE) / _FIT_SOFTNESS)
    weight /= weight.sum()
    return weight


def _date(met: Floats, ahead: Floats, share: float, sight: float) -> float | None:
    """Weeks until the limit is met in a `share` of futures; None beyond sight."""
    if met[0] >= share:
        return 0.0
    if met[-1] < share:
        return None
    after = int(np.argmax(met >= share))
    part = (share - met[after - 1]) / (met[after] - met[after - 1])
    date = float(ahead[after - 1] + part * (ahead[after] - ahead[after - 1]))
    return date if date <= sight else None


def _fan(futures: _Futures, horizon: float) -> pd.DataFrame:
    """Quantiles of the level of a coming lot."""
    ahead = np.linspace(0.0, horizon, _FAN_STEPS + 1)
    lots = np.sort(futures.level(ahead) + (futures.sigma * futures.lot)[:, None], axis=0)
    places = [round(share * (_FUTURES - 1)) for share in (0.10, 0.25, 0.50, 0.75, 0.90)]
    return pd.DataFrame(np.column_stack([ahead, lots[places].T]), columns=list(FAN_COLUMNS))
