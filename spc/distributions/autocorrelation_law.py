"""Distribution of the lag-1 autocorrelation of a normal first-order autoregression, for many streams at once."""

from __future__ import annotations

import numpy as np
from scipy import special

from spc.distributions.noncentral import roots
from spc.kernels.arrays import Floats

__all__ = ["chance_below", "exact_interval", "normal_interval"]

_EDGE = 0.9999  # Range of the autocorrelations that are searched
_TOLERANCE = 1e-4
_STEP = 0.3
_FREQUENCIES = np.exp(np.arange(-16.0, 12.0, _STEP))  # Equal steps of the logarithm: the trapezoid is exact to 2e-6
_BLOCK = 200  # Streams processed together: they fit the processor's cache


def exact_interval(sample: Floats, n: int, tail: float) -> tuple[Floats, Floats]:
    """Interval of the true autocorrelation from sample autocorrelations (streams,) of `n` values each.

    Examples
    --------
    >>> low, high = exact_interval(np.array([0.6]), n=20, tail=0.025)
    >>> low.round(1), high.round(1)
    (array([0.4]), array([1.]))
    """
    blocks = np.array_split(sample, range(_BLOCK, sample.size, _BLOCK))
    ends = [_interval_of(block, n, tail) for block in blocks]
    return np.concatenate([low for low, _ in ends]), np.concatenate([high for _, high in ends])


def _interval_of(sample: Floats, n: int, tail: float) -> tuple[Floats, Floats]:
    edge = np.full(sample.shape, _EDGE)
    lower = roots(lambda rho: 1 - tail - chance_below(sample, rho, n), -edge, edge, _TOLERANCE)
    upper = roots(lambda rho: tail - chance_below(sample, rho, n), -edge, edge, _TOLERANCE)
    return lower, upper


def chance_below(sample: Floats, rho: Floats, n: int) -> Floats:
    """Probability that the sample autocorrelation of `n` values is at most `sample` if the true one is `rho`.

    That is the probability that the quadratic form x' (shift - sample) x of the centred values is below 0: J. P.
    Imhof (1961), Computing the distribution of quadratic forms in normal variables, Biometrika 48, 419-426, (3.2).

    Examples
    --------
    >>> chance_below(np.array([-1 / 19]), np.array([0.0]), 20).round(2)
    array([0.5])
    """
    lag = np.subtract.outer(np.arange(n), np.arange(n))
    path = np.where(lag >= 0, rho[:, None, None] ** np.abs(lag), 0.0)
    path[:, :, 0] /= np.sqrt(1 - rho**2)[
        :, None
    ]  # The first value has the full variance, the others that of their innovation
    centred = path - path.mean(axis=1, keepdims=True)
    turned = centred.transpose(0, 2, 1)
    form = turned[:, :, 1:] @ centred[:, :-1]
    squares = sample[:, None, None] * (turned @ centred)
    weights = np.linalg.eigvalsh(0.5 * (form + form.transpose(0, 2, 1)) - squares)
    scaled = weights / np.abs(weights).max(axis=1, keepdims=True)
    at = _FREQUENCIES[:, None] * scaled[:, None, :]
    angle = 0.5 * np.arctan(at).sum(axis=2)
    waves: Floats = np.sin(angle) * np.exp(-0.25 * np.log1p(at**2).sum(axis=2))
    below: Floats = 0.5 - waves.sum(axis=1) * _STEP / np.pi
    return below


def normal_interval(sample: Floats, n: Floats, tail: float) -> tuple[Floats, Floats]:
    """Large-sample interval: the roots of (sample - rho + (1 + 3 rho) / n)**2 = quantile**2 (1 - rho**2) / n.

    Examples
    --------
    >>> low, high = normal_interval(np.array([0.0]), np.array([400.0]), 0.025)
    >>> low.round(2), high.round(2)
    (array([-0.1]), array([0.1]))
    """
    keep, pull, noise = 1 - 3 / n, sample + 1 / n, float(special.ndtri(tail)) ** 2 / n
    a, b, c = keep**2 + noise, -2 * keep * pull, pull**2 - noise
    half = np.sqrt(np.maximum(b**2 - 4 * a * c, 0.0))  # Below 0 only if no rho explains the sample
    return np.maximum((-b - half) / (2 * a), -1.0), np.minimum((-b + half) / (2 * a), 1.0)
