"""When a stream may meet its limit, and how likely that is within the horizon."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import special

from spc import _trend
from spc._checks import Floats, as_points, positive

__all__ = ["Forecast", "forecast"]

MONTH_WEEKS = 52.1775 / 12
_WINDOW = 60
_PATHS = 512
_WAVES = 6
FLOOR, CENTER, WIDTH = 0.1, 2.0, 0.7
_PRIMES = np.array([2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31])
CV=1.0
NU0=2.0
_WILD_SHARE, _WILD_SIZE = 0.01, 2.5


@dataclass(frozen=True, slots=True, eq=False)
class Forecast:
    state: str
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
    weeks: ArrayLike, levels: ArrayLike, variances: ArrayLike, *, lower: float | None, upper: float | None,
    horizon_weeks: float, scale: str = "log", lot_sigma: float | None = None, lot_sigma_df: float = 8.0,
) -> Forecast:  # fmt: skip
    t = as_points(weeks, "weeks"); y = as_points(levels, "levels"); v = np.asarray(variances, dtype=float)
    known = np.isfinite(v)
    t, y, v = t[known][-_WINDOW:], y[known][-_WINDOW:], v[known][-_WINDOW:]
    pace = usual_pace(t)
    phi, d, vt = noise(y, v, lot_sigma, lot_sigma_df)
    nu0 = NU0 + (lot_sigma_df if lot_sigma is not None else 0.0)
    post = _trend.posterior(t, y, d, (t[-1]-t[0])/(t.size-1) or pace, phi, nu0)
    scores = _scores()
    k = np.searchsorted(np.cumsum(post.weight), scores[:, 0]*0.999999)
    f = post.squares[k] / (2 * special.gammaincinv(post.df / 2, scores[:, 1]))
    z = special.ndtri(scores[:, 2:])
    move = post.move[k] + np.sqrt(f * post.move_var[k]) * z[:, 0]
    level = post.base[k] + post.lean[k] * move + np.sqrt(f * post.base_var[k]) * z[:, 1]
    slope = move * post.is_ramp[k]
    sight = max(horizon_weeks, min(t[-1]-t[0], 52.18))
    step = max(pace, horizon_weeks / 26)
    at = step * np.arange(1, int(np.ceil(sight / step)) + 1)
    wave = np.arange(_WAVES) + 0.5
    basis = np.sin(np.pi * wave * at[:, None] / at[-1]) / wave
    basis *= np.sqrt(at[:, None] / (basis**2).sum(1, keepdims=True))
    mu = level[:, None] + slope[:, None] * at + np.sqrt(f * post.wander[k])[:, None] * (z[:, 2:2+_WAVES] @ basis.T)
    sd = np.sqrt(f)[:, None]
    out = (1-_WILD_SHARE)*_outside(mu, sd, lower, upper) + _WILD_SHARE*_outside(mu, sd*_WILD_SIZE, lower, upper)
    g = np.diff(t)[-12:]; cv = min(g.std()/max(g.mean(),1e-9), 1.5)*CV
    rs = np.sqrt(cv**2*(pace/horizon_weeks + 1/g.size))
    lots = (step / pace * np.exp(rs*z[:, -1] - rs**2/2))[:, None]
    inside = np.log1p(-np.minimum(out, 1-1e-12)) * lots
    # horizon
    full = int(np.floor(horizon_weeks / step + 1e-9))
    part = horizon_weeks / step - full
    surv = np.exp(inside[:, :full].sum(1))
    if part > 1e-9 and full < at.size:
        surv *= 1 - part * -np.expm1(inside[:, full])
    first = level - move * post.reach[k]
    dist = np.minimum(np.inf if upper is None else upper - first, np.inf if lower is None else first - lower) / np.sqrt(f)
    w = FLOOR + (1 - FLOOR) * special.ndtr((dist - CENTER)/ WIDTH)
    bp = float(1 - surv @ w / w.sum())
    return bp, level, slope, at, mu, inside, k, post


def _outside(mu, sd, lower, upper):
    total = np.zeros_like(mu)
    if upper is not None:
        total += special.ndtr((mu - upper) / sd)
    if lower is not None:
        total += special.ndtr((lower - mu) / sd)
    return total


def _scores():
    i = np.arange(1, _PATHS + 1)[:, None]
    return (i * np.sqrt(_PRIMES)) % 1.0


def usual_pace(t):
    recent = t[-13:]
    return float((recent[-1] - recent[0]) / (recent.size - 1)) or 1.0


def noise(y, v, lot_sigma, lot_sigma_df):
    n = y.size
    d1 = np.diff(y)
    tot = 0.5 * np.mean(d1**2)
    vt = float(np.median(v))
    own = max(tot - v.mean(), 0.02 * tot, 1e-12)
    s2 = own
    if lot_sigma is not None:
        s2 = (lot_sigma_df * lot_sigma**2 + (n-1)*own) / (lot_sigma_df + n - 1)
    rel = (s2 + v) / (s2 + vt)
    return s2 + vt, rel, vt
