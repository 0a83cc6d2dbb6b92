"""Autocorrelation of a stream's lots: a prior over a small grid, moved by the stream's own lots.

Most streams have none and some have much, so one value for all fits neither: the prior has a mass at 0 beside a broad part.
"""

from __future__ import annotations

import numpy as np

from spc.kernels.validation import Floats

__all__ = [
    "GRID",
    "log_likelihood",
    "mean",
    "posterior",
    "posterior_mean",
    "prior_weights",
]

GRID = np.array([0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8])
"""Values that a stream's autocorrelation may take. A stronger one cannot be told from a drift."""

_WIDTH = 0.2  # Standard deviation between the streams that have one
# Variance and bias of an estimate from squared differences, by simulation with 5 to 100 lots and 0 to 0.6.
_VARIANCE, _BIAS_LOTS = 1.7, 2.0


def prior_weights(independent: Floats, autocorrelation: Floats) -> Floats:
    """Prior probability of each value of `GRID`.

    Parameters
    ----------
    independent, autocorrelation : ndarray, shape (...)
        Share of streams without autocorrelation, and the mean of the others.

    Returns
    -------
    ndarray, shape (..., 9)

    Examples
    --------
    >>> import numpy as np
    >>> prior_weights(np.array(0.9), np.array(0.4)).round(3)
    array([0.9  , 0.007, 0.013, 0.019, 0.021, 0.019, 0.013, 0.007, 0.003])
    """
    broad = np.exp(-0.5 * ((GRID[1:] - np.asarray(autocorrelation)[..., None]) / _WIDTH) ** 2)
    broad *= (1.0 - np.asarray(independent)[..., None]) / broad.sum(axis=-1, keepdims=True)
    return np.concatenate([np.broadcast_to(independent, broad.shape[:-1])[..., None], broad], axis=-1)


def log_likelihood(estimate: Floats, lots: Floats, variance: float = _VARIANCE) -> Floats:
    """Log likelihood of each value of `GRID`, up to a constant.

    Parameters
    ----------
    estimate, lots : ndarray, shape (...)
        Estimate from differences of a stream's lots, and their number; 0 lots say nothing.
    variance : float
        Variance of an estimate, times its lots.

    Returns
    -------
    ndarray, shape (..., 9)

    Examples
    --------
    Twenty-five lots with an estimate of 0.4 leave 0 possible:

    >>> import numpy as np
    >>> chance = np.exp(log_likelihood(np.array(0.4), np.array(25.0)))
    >>> (chance / chance.max()).round(2)
    array([0.31, 0.5 , 0.72, 0.9 , 1.  , 0.98, 0.84, 0.64, 0.43])
    """
    lots = np.asarray(lots)[..., None]
    expected = GRID * lots / (lots + _BIAS_LOTS)
    return -0.5 * lots / variance * (np.asarray(estimate)[..., None] - expected) ** 2


def posterior(estimate: Floats, lots: Floats, independent: Floats, autocorrelation: Floats) -> Floats:
    """Posterior probability of each value of `GRID` after a stream's own lots; parameters of shape (...) as above.

    Examples
    --------
    >>> import numpy as np
    >>> posterior(np.array(0.5), np.array(40.0), np.array(0.7), np.array(0.4)).round(2)
    array([0.15, 0.01, 0.05, 0.13, 0.22, 0.22, 0.15, 0.06, 0.02])
    """
    fit = log_likelihood(estimate, lots)
    weight = prior_weights(independent, autocorrelation) * np.exp(fit - fit.max(axis=-1, keepdims=True))
    return np.asarray(weight / weight.sum(axis=-1, keepdims=True))


def mean(chances: Floats) -> Floats:
    """Mean of the values of `GRID` with these probabilities, shape (..., 9).

    A matrix product would depend in its last digit on how many streams are taken at once.

    Examples
    --------
    >>> import numpy as np
    >>> float(mean(np.full(9, 1 / 9)).round(3))
    0.4
    """
    return np.asarray((chances * GRID).sum(axis=-1))


def posterior_mean(estimate: Floats, lots: Floats, independent: Floats, autocorrelation: Floats) -> Floats:
    """Mean autocorrelation of a stream after its own lots; parameters of shape (...) as above.

    Examples
    --------
    The same estimate from 10, 40 and 160 lots, where nine streams in ten have no autocorrelation:

    >>> import numpy as np
    >>> posterior_mean(np.full(3, 0.4), np.array([10.0, 40.0, 160.0]), np.full(3, 0.9), np.full(3, 0.4)).round(2)
    array([0.06, 0.15, 0.4 ])
    """
    return mean(posterior(estimate, lots, independent, autocorrelation))
