"""Where the level of a stream stands and how it moves, weighed over many pictures of its past at once.

A steady level, a step at any lot and a ramp from any lot, each beside a wandering level and dependent neighbours: every
picture is a regression with conjugate priors, so its weight and its answer are closed forms.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spc._checks import Floats

__all__ = ["WANDER", "Posterior", "posterior"]

WANDER = np.array([0.0, 0.01, 0.06, 0.3, 0.0])
"""Variance that a wandering level gains from one usual interval to the next, in variances of one lot."""
_DEPENDENCE = np.array([0.0, 0.0, 0.0, 0.0, 0.5])
_PICTURE_ODDS = np.log([1.0, 0.1, 0.1, 0.05, 0.1])

_STEP_SIZE = 2.0  # prior standard deviation of a step, in standard deviations of one lot
_RAMP_SLOPES = np.array([0.04, 0.2])  # of a slope, in standard deviations of one lot a usual interval
_STEP_ODDS = 0.005  # that a step starts in one usual interval, against a steady level
_RAMP_ODDS = 0.005
_OLD_RAMP_ODDS = 0.1  # that a ramp began before the first lot seen

_WILD_SHARE, _WILD_SIZE = 0.05, 3.0


@dataclass(frozen=True, slots=True, eq=False)
class Posterior:
    """What the past says, picture by picture; every array has shape (pictures,).

    Given `phi`, the variance of one lot: the size of the move is normal with mean `move` and variance phi * `move_var`;
    the level at the last lot is `base` + `lean` * move, with variance phi * `base_var` around it. The slope a week
    is the move where `is_ramp`, else 0. `wander` is the variance gained a week, in phi. `phi` is `squares` over a
    chi-square of `df` degrees of freedom. `weight` adds up to 1.
    """

    weight: Floats
    move: Floats
    move_var: Floats
    base: Floats
    lean: Floats
    base_var: Floats
    is_ramp: Floats
    reach: Floats
    wander: Floats
    squares: Floats
    df: float


@dataclass(frozen=True, slots=True, eq=False)
class _Moves:
    """Regressors (n, moves), prior variances and log odds (moves,), and which are ramps."""

    columns: Floats
    prior_var: Floats
    log_odds: Floats
    is_ramp: Floats


def posterior(weeks: Floats, levels: Floats, relative: Floats, pace: float, prior_phi: float, prior_df: float) -> Posterior:
    """Weigh every picture of the past.

    Parameters
    ----------
    weeks, levels : ndarray, shape (n,)
        Lots in order of test, n >= 3.
    relative : ndarray, shape (n,)
        Variance of each lot about the level, in variances of a usual lot.
    pace : float
        Usual interval in weeks, > 0.
    prior_phi, prior_df : float
        Variance of a usual lot as known before, and what that is worth in degrees of freedom.

    Returns
    -------
    Posterior

    Notes
    -----
    Normal regression with conjugate normal and inverse chi-square priors and a flat prior on the level [1]_, chapter
    14; the covariance of the noise is taken out by its Cholesky factor. The level at the last lot adds the wandering
    part by kriging.

    References
    ----------
    .. [1] A. Gelman et al. (2013), Bayesian Data Analysis, 3rd edition.
    """
    moves = _moves(weeks, pace)
    clock = (weeks - weeks[0]) / pace
    found = [
        _picture(levels, relative, clock, moves, wander, rho, odds, prior_phi, prior_df)
        for wander, rho, odds in zip(WANDER, _DEPENDENCE, _PICTURE_ODDS, strict=True)
    ]
    log_weight, *parts = (np.concatenate(part) for part in zip(*found, strict=True))
    weight = np.exp(log_weight - log_weight.max())
    move, move_var, base, lean, base_var, squares = parts
    return Posterior(
        weight=weight / weight.sum(), move=move, move_var=move_var, base=base, lean=lean, base_var=base_var,
        is_ramp=np.tile(moves.is_ramp, WANDER.size), reach=np.tile(moves.columns[-1], WANDER.size), wander=np.repeat(WANDER / pace, moves.is_ramp.size),
        squares=squares, df=prior_df + levels.size - 1,
    )  # fmt: skip


def _moves(weeks: Floats, pace: float) -> _Moves:
    """No move, a step at each lot, a ramp from each lot."""
    n = weeks.size
    gaps = np.diff(weeks) / pace
    chance = np.log(0.5 + 0.5 * np.minimum(gaps, 4.0))  # a change comes by time and by lot alike
    steps = (np.arange(n)[:, None] > np.arange(n - 1)).astype(np.float64)
    ramps = np.maximum(weeks[:, None] - weeks[:-1], 0.0)
    ramp_odds = np.log(_RAMP_ODDS / _RAMP_SLOPES.size) + chance
    ramp_odds[0] = np.log(_OLD_RAMP_ODDS / _RAMP_SLOPES.size)
    slabs = [np.full(n - 1, (slope / pace) ** 2) for slope in _RAMP_SLOPES]
    return _Moves(
        columns=np.hstack([np.zeros((n, 1)), steps, *[ramps] * _RAMP_SLOPES.size]),
        prior_var=np.concatenate([[1.0], np.full(n - 1, _STEP_SIZE**2), *slabs]),
        log_odds=np.concatenate([[0.0], np.log(_STEP_ODDS) + chance, *[ramp_odds] * _RAMP_SLOPES.size]),
        is_ramp=np.concatenate([np.zeros(n), np.ones((n - 1) * _RAMP_SLOPES.size)]),
    )


def _picture(
    levels: Floats, relative: Floats, clock: Floats, moves: _Moves, wander: float, rho: float, odds: float,
    prior_phi: float, prior_df: float,
) -> tuple[Floats, ...]:  # fmt: skip
    n = levels.size
    walk = wander * np.minimum(clock[:, None], clock)
    apart = np.abs(np.arange(n)[:, None] - np.arange(n))
    noise = np.sqrt(relative[:, None] * relative) * (rho**apart if rho else np.eye(n))
    factor = np.linalg.cholesky(walk + noise)
    right = np.column_stack([np.ones(n), levels, walk[:, -1], moves.columns])
    white = np.linalg.solve(factor, right)
    one, y, last, x = white[:, 0], white[:, 1], white[:, 2], white[:, 3:]
    mean_worth = one @ one
    shared = one @ x
    y_mean = one @ y
    worth = (x * x).sum(0) - shared**2 / mean_worth
    score = y @ x - shared * y_mean / mean_worth
    squares = max(y @ y - y_mean**2 / mean_worth, 0.0)
    precision = worth + 1.0 / moves.prior_var
    move = score / precision
    left = prior_df * prior_phi + np.maximum(squares - move * score, 0.0)
    df = prior_df + n - 1
    log_weight = (
        odds + moves.log_odds - np.log(np.diag(factor)).sum() - 0.5 * np.log(mean_worth)
        - 0.5 * np.log1p(moves.prior_var * np.maximum(worth, 0)) - 0.5 * df * np.log(np.maximum(left, 1e-300))
    )  # fmt: skip
    alone = 1.0 - last @ one
    base = last @ y + alone * y_mean / mean_worth
    lean = moves.columns[-1] - last @ x - alone * shared / mean_worth
    base_var = alone**2 / mean_worth + max(walk[-1, -1] - last @ last, 0.0)
    ones = np.ones_like(move)
    return log_weight, move, 1.0 / precision, base * ones, lean, base_var * ones, left
