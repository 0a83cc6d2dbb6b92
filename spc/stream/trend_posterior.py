"""Posterior of the level and slope of a stream, by Bayesian model averaging.

The models are a steady level, a step at any lot and a ramp from any lot, each with independent lots, with a level that
follows a random walk, or with autocorrelated lots. Every model is a regression with conjugate priors, so its weight and
its estimates have closed forms.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from spc.kernels.arrays import Floats, Indices

__all__ = ["Posterior", "posterior"]

# Models of the variation without a move: the variance that a random walk gains in one mean interval between lots, in
# variances of one lot; the lag-1 autocorrelation; and the prior odds. Common practice: most levels are steady.
_RANDOM_WALK = np.array([0.0, 0.01, 0.06, 0.3, 0.0])
_AUTOCORRELATION = np.array([0.0, 0.0, 0.0, 0.0, 0.5])
_LOG_ODDS = np.log([1.0, 0.1, 0.1, 0.05, 0.1])

_STEP_SIZE = 2.0  # Prior standard deviation of a step, in standard deviations of one lot
# Prior standard deviations of a slope, in standard deviations of one lot a mean interval, and their prior shares.
_RAMP_SLOPES = np.array([0.04, 0.2, 1.0])
_RAMP_SHARES = np.array([0.45, 0.45, 0.1])
_STEP_ODDS = 0.005  # Prior odds of a step in one mean interval, against a steady level
_RAMP_ODDS = 0.005
_OLD_RAMP_ODDS = 0.1  # Prior odds of a ramp that began before the first lot


@dataclass(frozen=True, slots=True, eq=False)
class Posterior:
    """Posterior of each model; every array has shape (models,) and `weight`, the model's probability, adds up to 1.

    Let phi be the variance of one lot. Its posterior is `squares` over a chi-square with `df` degrees of freedom. Given
    phi, the size of the move is normal with mean `move` and variance phi * `move_var`. The level at the last lot is
    `base` + `coefficient` * move, with variance phi * `base_var` around it. The level has changed by `regressor` * move
    since the first lot. The slope a week is the move where `is_ramp` is 1, else 0. A random walk gains the variance
    phi * `random_walk` a week.
    """

    weight: Floats
    move: Floats
    move_var: Floats
    base: Floats
    coefficient: Floats
    base_var: Floats
    is_ramp: Floats
    regressor: Floats
    random_walk: Floats
    squares: Floats
    df: float


@dataclass(frozen=True, slots=True, eq=False)
class _Moves:
    """Regressors of the moves, `columns` (n, regressors), and what belongs to each move (moves,).

    That is the number of its regressor, the prior variance of its size, its log prior odds, and whether it is a ramp.
    Ramps of several prior sizes share one regressor.
    """

    columns: Floats
    column_of: Indices
    prior_var: Floats
    log_odds: Floats
    is_ramp: Floats


def posterior(
    weeks: Floats, levels: Floats, relative: Floats, interval: float, prior_phi: float, prior_df: float
) -> Posterior:
    """Posterior of the level and of the move under every model.

    Parameters
    ----------
    weeks, levels : ndarray, shape (n,)
        Lots in order of test, n >= 3.
    relative : ndarray, shape (n,)
        Variance of each lot about the level, > 0, relative to that of a typical lot.
    interval : float
        Mean interval between lots in weeks, > 0.
    prior_phi, prior_df : float
        Prior variance of a typical lot, > 0, and its degrees of freedom, > 0.

    Returns
    -------
    Posterior

    Notes
    -----
    Normal regression with conjugate normal and inverse chi-square priors and a flat prior on the level [1]_, chapter
    14; the covariance of the noise is removed by its Cholesky factor. The random walk at the last lot is predicted
    by kriging.

    References
    ----------
    .. [1] A. Gelman et al. (2013), Bayesian Data Analysis, 3rd edition.

    Examples
    --------
    A level that rises by 0.5 a week, with lots that vary little, is a ramp:

    >>> weeks = np.arange(12.0)
    >>> noise = 0.05 * (-1.0) ** weeks
    >>> result = posterior(weeks, 3.0 + 0.5 * weeks + noise, np.ones(12), 1.0, 0.0025, 2.0)
    >>> ramps = float(result.weight @ result.is_ramp)
    >>> slope = float(result.weight @ (result.is_ramp * result.move))
    >>> ramps > 0.99, round(slope, 2)
    (True, 0.49)
    """
    moves = _moves(weeks, interval)
    # Subtract the mean first: far from zero, differences of large squares would lose digits.
    origin = float(levels.mean())
    models = [
        _fit(levels - origin, noise, walk, moves, prior_phi, prior_df)
        for noise, walk in _covariances(weeks, relative, interval)
    ]
    log_weight, move, move_var, base, coefficient, base_var, squares = (
        np.concatenate(part) for part in zip(*models, strict=True)
    )
    log_weight += np.repeat(_LOG_ODDS, moves.is_ramp.size)
    weight = np.exp(log_weight - log_weight.max())
    return Posterior(
        weight=weight / weight.sum(),
        move=move,
        move_var=move_var,
        base=base + origin,
        coefficient=coefficient,
        base_var=base_var,
        is_ramp=np.tile(moves.is_ramp, _RANDOM_WALK.size),
        regressor=np.tile(moves.columns[-1, moves.column_of], _RANDOM_WALK.size),
        random_walk=np.repeat(_RANDOM_WALK / interval, moves.is_ramp.size),
        squares=squares,
        df=prior_df + levels.size - 1,
    )


def _covariances(weeks: Floats, relative: Floats, interval: float) -> Iterator[tuple[Floats, Floats]]:
    """Covariance of the lots about the level, and of the random walk, in phi, for each model of the variation."""
    clock = (weeks - weeks[0]) / interval
    places = np.arange(weeks.size)
    lag = np.abs(np.subtract.outer(places, places))
    variances = np.sqrt(np.outer(relative, relative))
    for random_walk, autocorrelation in zip(_RANDOM_WALK, _AUTOCORRELATION, strict=True):
        yield variances * (autocorrelation**places)[lag], random_walk * np.minimum.outer(clock, clock)


def _moves(weeks: Floats, interval: float) -> _Moves:
    """No move, a step at each lot, a ramp from each lot."""
    n = weeks.size
    gaps = np.diff(weeks) / interval
    chance = np.log(0.5 + 0.5 * np.minimum(gaps, 4.0))  # Changes come with time and with lots in equal parts
    steps = (np.arange(n)[:, None] > np.arange(n - 1)).astype(np.float64)
    ramps = np.maximum(weeks[:, None] - weeks[:-1], 0.0)
    begun = np.log(_RAMP_ODDS) + chance
    begun[0] = np.log(_OLD_RAMP_ODDS)
    slabs = [np.full(n - 1, (slope / interval) ** 2) for slope in _RAMP_SLOPES]
    return _Moves(
        columns=np.hstack([np.zeros((n, 1)), steps, ramps]),
        column_of=np.concatenate([np.arange(n), np.tile(np.arange(n, 2 * n - 1), _RAMP_SLOPES.size)]),
        prior_var=np.concatenate([[1.0], np.full(n - 1, _STEP_SIZE**2), *slabs]),
        log_odds=np.concatenate(
            [[0.0], np.log(_STEP_ODDS) + chance, *[begun + np.log(share) for share in _RAMP_SHARES]]
        ),
        is_ramp=np.concatenate([np.zeros(n), np.ones((n - 1) * _RAMP_SLOPES.size)]),
    )


def _fit(
    levels: Floats, noise: Floats, walk: Floats, moves: _Moves, prior_phi: float, prior_df: float
) -> tuple[Floats, ...]:
    """Fit every move under one model of the variation.

    Returns log weight, move, its variance, base, coefficient, variance of the base, and squares, each (moves,).
    """
    factor = np.linalg.cholesky(walk + noise)
    right = np.column_stack([np.ones(levels.size), levels, walk[:, -1], moves.columns])
    white = np.linalg.solve(factor, right)
    one, y, last, x = white[:, 0], white[:, 1], white[:, 2], white[:, 3:]
    mean_information, shared, y_mean = one @ one, one @ x, one @ y
    move_information = np.maximum((x * x).sum(axis=0) - shared**2 / mean_information, 0.0)
    move_score = y @ x - shared * y_mean / mean_information
    information, score = move_information[moves.column_of], move_score[moves.column_of]
    precision = information + 1.0 / moves.prior_var
    move = score / precision
    left = prior_df * prior_phi + np.maximum(y @ y - y_mean**2 / mean_information - move * score, 0.0)
    log_weight = moves.log_odds - 0.5 * (
        2.0 * np.log(np.diag(factor)).sum()
        + np.log(mean_information)
        + np.log1p(moves.prior_var * information)
        + (prior_df + levels.size - 1) * np.log(left)
    )
    # Level at the last lot: the mean, the move, and the random walk predicted from the residuals (kriging).
    rest = 1.0 - last @ one
    base = last @ y + rest * y_mean / mean_information
    coefficient = (moves.columns[-1] - last @ x - rest * shared / mean_information)[moves.column_of]
    base_var = rest**2 / mean_information + max(walk[-1, -1] - last @ last, 0.0)
    return log_weight, move, 1.0 / precision, np.full_like(move, base), coefficient, np.full_like(move, base_var), left
