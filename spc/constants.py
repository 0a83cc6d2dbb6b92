"""Control chart constants: factors that turn the spread within subgroups into a standard deviation and control limits.

They are valid for normal values and computed for any subgroup size. The names are those of the factor tables of ASTM
MNL 7 and ISO 7870-2; all factors are for limits at three sigma.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy import special

from spc.kernels.arrays import Floats
from spc.kernels.validation import whole

__all__ = ["A2", "A3", "B3", "B4", "B5", "B6", "D3", "D4", "E2", "c4", "c5", "d2", "d3"]

WIDTH = 3.0  # Half-width of the limits, in standard deviations of the plotted statistic


def d2(n: int) -> float:
    """Mean range of `n` standard normal values: a mean range divided by `d2` estimates sigma.

    Parameters
    ----------
    n : int
        Values in a subgroup, at least 2.

    Returns
    -------
    float
        In sigma, to 1e-9.

    Raises
    ------
    ValueError
        If `n` is not a whole number of at least 2.

    References
    ----------
    .. [1] L. H. C. Tippett (1925), On the extreme individuals and the range of samples taken from a normal population,
       Biometrika 17, 364-387.

    Examples
    --------
    >>> round(d2(5), 6)
    2.325929
    """
    return _range_moments(whole(n, "n", at_least=2))[0]


def d3(n: int) -> float:
    """Standard deviation of the range of `n` standard normal values; parameters, errors and source as for `d2`.

    Examples
    --------
    >>> round(d3(5), 6)
    0.864082
    """
    return _range_moments(whole(n, "n", at_least=2))[1]


def c4(n: int) -> float:
    """Mean standard deviation (divisor n - 1) of `n` standard normal values; parameters and errors as for `d2`.

    Notes
    -----
    c4 = sqrt(2 / (n - 1)) * gamma(n / 2) / gamma((n - 1) / 2). The quotient is computed as one function (Pochhammer's
    symbol), because a difference of logarithms loses nine digits at n = 1e7.

    References
    ----------
    .. [1] ASTM MNL 7, Manual on Presentation of Data and Control Chart Analysis, notes to the table of factors.

    Examples
    --------
    >>> round(c4(5), 6)
    0.939986
    """
    size = whole(n, "n", at_least=2)
    return float(np.sqrt(2 / (size - 1)) * special.poch((size - 1) / 2, 0.5))


@lru_cache(maxsize=4096)
def _range_moments(n: int) -> tuple[float, float]:
    """Mean and standard deviation of the range w of `n` standard normal values.

    Both are integrals of the probability of a larger range: E w = int P(w > r) dr, E w**2 = int 2 r P(w > r) dr.
    """
    # Of n values, 1e-17 are expected beyond `reach`: they change no digit.
    reach = float(-special.ndtri(1e-17 / n))
    nodes, weights = _gauss_legendre()
    ranges = reach * (nodes + 1)
    weighted = reach * weights * (1 - _probability_within(ranges, n, reach))
    mean = float(weighted.sum())
    return mean, float(np.sqrt(2 * (weighted @ ranges) - mean**2))


@lru_cache(maxsize=1)
def _gauss_legendre() -> tuple[Floats, Floats]:
    """Points and weights on [-1, 1], enough for the steep middle of P(w > r) up to n = 1e9."""
    points, weights = np.polynomial.legendre.leggauss(280)
    points.flags.writeable = weights.flags.writeable = False  # Shared by all callers
    return points, weights


def _probability_within(r: Floats, n: int, reach: float) -> Floats:
    """P(w <= r) = n int phi(t) (Phi(t + r) - Phi(t))**(n - 1) dt, t the smallest value; shape of `r`.

    The integrand vanishes at both ends, so the trapezoid rule converges faster than any power of the step.
    """
    step = 0.05
    low = np.arange(-reach, reach, step)
    outside = special.ndtr(low) + special.ndtr(-(low + r[:, None]))
    # In logarithms, because a high power of a number near 1 loses digits.
    log_density = special.xlog1py(n - 1, -np.minimum(outside, 1)) - low * low / 2
    within: Floats = n * step / np.sqrt(2 * np.pi) * np.exp(log_density).sum(axis=1)
    return within


def c5(n: int) -> float:
    """Standard deviation, in sigma, of the standard deviation of `n` normal values; parameters and errors as for `d2`.

    Examples
    --------
    >>> round(c5(5), 4)
    0.3412
    """
    return float(np.sqrt(1 - c4(n) ** 2))


def A2(n: int) -> float:
    """Half-width of the limits of a mean of `n` values, in mean ranges: 3 / (d2 sqrt(n)); parameters and errors as for `d2`.

    Examples
    --------
    >>> round(A2(5), 3)
    0.577
    """
    return WIDTH / (d2(n) * float(np.sqrt(n)))


def A3(n: int) -> float:
    """Half-width of the limits of a mean, in mean standard deviations: 3 / (c4 sqrt(n)); parameters and errors as for `d2`.

    Examples
    --------
    >>> round(A3(5), 3)
    1.427
    """
    return WIDTH / (c4(n) * float(np.sqrt(n)))


def B3(n: int) -> float:
    """Lower limit of a standard deviation, in mean standard deviations, at least 0; parameters and errors as for `d2`.

    Examples
    --------
    >>> round(B3(5), 3)
    0.0
    """
    return B5(n) / c4(n)


def B4(n: int) -> float:
    """Upper limit of a standard deviation, in mean standard deviations; parameters and errors as for `d2`.

    Examples
    --------
    >>> round(B4(5), 3)
    2.089
    """
    return B6(n) / c4(n)


def B5(n: int) -> float:
    """Lower limit of a standard deviation, in sigma: c4 - 3 c5, at least 0; parameters and errors as for `d2`.

    Examples
    --------
    >>> round(B5(5), 3)
    0.0
    """
    return max(0.0, c4(n) - WIDTH * float(np.sqrt(1 - c4(n) ** 2)))


def B6(n: int) -> float:
    """Upper limit of a standard deviation, in sigma: c4 + 3 c5; parameters and errors as for `d2`.

    Examples
    --------
    >>> round(B6(5), 3)
    1.964
    """
    return c4(n) + WIDTH * float(np.sqrt(1 - c4(n) ** 2))


def D3(n: int) -> float:
    """Lower limit of a range, in mean ranges: 1 - 3 d3 / d2, at least 0; parameters and errors as for `d2`.

    Examples
    --------
    >>> round(D3(5), 3)
    0.0
    """
    return max(0.0, 1 - WIDTH * d3(n) / d2(n))


def D4(n: int) -> float:
    """Upper limit of a range, in mean ranges: 1 + 3 d3 / d2; parameters and errors as for `d2`.

    Examples
    --------
    >>> round(D4(5), 3)
    2.114
    """
    return 1 + WIDTH * d3(n) / d2(n)


def E2(n: int) -> float:
    """Half-width of the limits of a single value, in mean (moving) ranges of `n` values: 3 / d2; parameters and errors as for `d2`.

    Examples
    --------
    >>> round(E2(5), 3)
    1.29
    """
    return WIDTH / d2(n)
