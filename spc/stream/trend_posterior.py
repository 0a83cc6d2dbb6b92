"""Where the level of a stream stands and how it moves, weighed over many pictures of its past at once.

A steady level, a step at any lot and a ramp from any lot, each beside a wandering level and dependent neighbours: every
picture is a regression with conjugate priors, so its weight and its answer are closed forms.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from spc.kernels.arrays import Floats, Indices

__all__ = ["Posterior", "posterior"]

# Pictures of what is no move: the variance that a wandering level gains in one usual interval, in variances of one lot;
# the correlation of neighbouring lots; and their odds. Common practice: most levels stand still.
_WANDER = np.array([0.0, 0.01, 0.06, 0.3, 0.0])
_DEPENDENCE = np.array([0.0, 0.0, 0.0, 0.0, 0.5])
_LOG_ODDS = np.log([1.0, 0.1, 0.1, 0.05, 0.1])

_STEP_SIZE = 2.0  # prior standard deviation of a step, in standard deviations of one lot
# Of a slope, in standard deviations of one lot a usual interval, and how ramps share among these sizes.
_RAMP_SLOPES = np.array([0.04, 0.2, 1.0])
_RAMP_SHARES = np.array([0.45, 0.45, 0.1])
_STEP_ODDS = 0.005  # that a step starts in one usual interval, against a steady level
_RAMP_ODDS = 0.005
_OLD_RAMP_ODDS = 0.1  # that a ramp began before the first lot seen


@dataclass(frozen=True, slots=True, eq=False)
class Posterior:
    """What the past says, picture by picture; every array has shape (pictures,).

    Given `phi`, the variance of one lot: the size of the move is normal with mean `move` and variance phi * `move_var`;
    the level at the last lot is `base` + `lean` * move, with variance phi * `base_var` around it; at first it was lower
    by `reach` * move. The slope a week is the move where `is_ramp` is 1, else 0. `wander` is the variance gained a
    week, in phi. `phi` is `squares` over a chi-square of `df` degrees of freedom. `weight` adds up to 1.
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
    """Regressors (n, courses); which of them each move takes, its prior variance and log odds, and whether it is a ramp.

    Ramps of several prior sizes take one course; all but `columns` are (moves,).
    """

    columns: Floats
    column_of: Indices
    prior_var: Floats
    log_odds: Floats
    is_ramp: Floats


def posterior(
    weeks: Floats, levels: Floats, relative: Floats, pace: float, prior_phi: float, prior_df: float
) -> Posterior:
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
    # Squares are taken about a level near all of them: far from zero, differences of large squares would lose digits.
    origin = float(levels.mean())
    pictures = [
        _picture(levels - origin, noise, walk, moves, prior_phi, prior_df)
        for noise, walk in _covariances(weeks, relative, pace)
    ]
    log_weight, move, move_var, base, lean, base_var, squares = (
        np.concatenate(part) for part in zip(*pictures, strict=True)
    )
    log_weight += np.repeat(_LOG_ODDS, moves.is_ramp.size)
    weight = np.exp(log_weight - log_weight.max())
    return Posterior(
        weight=weight / weight.sum(),
        move=move,
        move_var=move_var,
        base=base + origin,
        lean=lean,
        base_var=base_var,
        is_ramp=np.tile(moves.is_ramp, _WANDER.size),
        reach=np.tile(moves.columns[-1, moves.column_of], _WANDER.size),
        wander=np.repeat(_WANDER / pace, moves.is_ramp.size),
        squares=squares,
        df=prior_df + levels.size - 1,
    )


def _covariances(weeks: Floats, relative: Floats, pace: float) -> Iterator[tuple[Floats, Floats]]:
    """Covariance of the lots about the level and of the wandering level itself, in phi, for each picture of them."""
    clock = (weeks - weeks[0]) / pace
    places = np.arange(weeks.size)
    apart = np.abs(np.subtract.outer(places, places))
    scatter = np.sqrt(np.outer(relative, relative))
    for wander, dependence in zip(_WANDER, _DEPENDENCE, strict=True):
        yield scatter * (dependence**places)[apart], wander * np.minimum.outer(clock, clock)


def _moves(weeks: Floats, pace: float) -> _Moves:
    """No move, a step at each lot, a ramp from each lot."""
    n = weeks.size
    gaps = np.diff(weeks) / pace
    chance = np.log(0.5 + 0.5 * np.minimum(gaps, 4.0))  # a change comes by time and by lot alike
    steps = (np.arange(n)[:, None] > np.arange(n - 1)).astype(np.float64)
    ramps = np.maximum(weeks[:, None] - weeks[:-1], 0.0)
    begun = np.log(_RAMP_ODDS) + chance
    begun[0] = np.log(_OLD_RAMP_ODDS)
    slabs = [np.full(n - 1, (slope / pace) ** 2) for slope in _RAMP_SLOPES]
    return _Moves(
        columns=np.hstack([np.zeros((n, 1)), steps, ramps]),
        column_of=np.concatenate([np.arange(n), np.tile(np.arange(n, 2 * n - 1), _RAMP_SLOPES.size)]),
        prior_var=np.concatenate([[1.0], np.full(n - 1, _STEP_SIZE**2), *slabs]),
        log_odds=np.concatenate(
            [[0.0], np.log(_STEP_ODDS) + chance, *[begun + np.log(share) for share in _RAMP_SHARES]]
        ),
        is_ramp=np.concatenate([np.zeros(n), np.ones((n - 1) * _RAMP_SLOPES.size)]),
    )


def _picture(
    levels: Floats, noise: Floats, walk: Floats, moves: _Moves, prior_phi: float, prior_df: float
) -> tuple[Floats, ...]:
    """Log weight, move, its variance, base, lean, variance of the base, and squares of every move in one picture."""
    factor = np.linalg.cholesky(walk + noise)
    right = np.column_stack([np.ones(levels.size), levels, walk[:, -1], moves.columns])
    white = np.linalg.solve(factor, right)
    one, y, last, x = white[:, 0], white[:, 1], white[:, 2], white[:, 3:]
    mean_worth, shared, y_mean = one @ one, one @ x, one @ y
    own_worth = np.maximum((x * x).sum(axis=0) - shared**2 / mean_worth, 0.0)
    own_score = y @ x - shared * y_mean / mean_worth
    worth, score = own_worth[moves.column_of], own_score[moves.column_of]
    precision = worth + 1.0 / moves.prior_var
    move = score / precision
    left = prior_df * prior_phi + np.maximum(y @ y - y_mean**2 / mean_worth - move * score, 0.0)
    log_weight = moves.log_odds - 0.5 * (
        2.0 * np.log(np.diag(factor)).sum()
        + np.log(mean_worth)
        + np.log1p(moves.prior_var * worth)
        + (prior_df + levels.size - 1) * np.log(left)
    )
    # The level now: the mean, the move, and what the residuals say of the wandering part (kriging).
    alone = 1.0 - last @ one
    base = last @ y + alone * y_mean / mean_worth
    lean = (moves.columns[-1] - last @ x - alone * shared / mean_worth)[moves.column_of]
    base_var = alone**2 / mean_worth + max(walk[-1, -1] - last @ last, 0.0)
    return log_weight, move, 1.0 / precision, np.full_like(move, base), lean, np.full_like(move, base_var), left
