"""Tolerance factors and acceptance sampling by variables. Library only: no command or page uses this module yet.

The functions take the bags of a single lot as independent values of a normal distribution in the charted scale.
"""

from __future__ import annotations

import numpy as np
from scipy import special

from spc.kernels.noncentral import noncentral_t, root
from spc.kernels.validation import finite_number, whole

__all__ = ["acceptance_probability", "fraction_beyond", "tolerance_factor"]


def tolerance_factor(n: int, coverage: float, confidence: float = 0.95) -> float:
    """Factor k of a one-sided tolerance limit: mean plus k standard deviations exceeds a fraction `coverage` of the lot.

    Parameters
    ----------
    n : int
        Number of independent normal values, >= 2.
    coverage : float
        Fraction of the lot, in (0, 1).
    confidence : float
        Probability that the statement is true, in (0, 1).

    Returns
    -------
    float
        Exact, from the noncentral t distribution [1]_.

    Raises
    ------
    ValueError
        If a number is outside its range.

    References
    ----------
    .. [1] M. G. Natrella (1963), Experimental Statistics, NBS Handbook 91, table A-7.

    Examples
    --------
    Ten bags show with 95 % confidence that 95 % of the lot is inside a limit 2.911 standard deviations from their mean:

    >>> round(tolerance_factor(10, 0.95), 3)
    2.911
    """
    whole(n, "n", 2)
    _probability(coverage, "coverage")
    _probability(confidence, "confidence")
    deviate = float(special.ndtri(coverage))
    reach = abs(deviate) + 10.0

    def short(factor: float) -> float:
        return noncentral_t(factor * np.sqrt(n), n - 1, deviate * np.sqrt(n)) - confidence

    while short(reach) < 0:
        reach *= 4
    return root(short, -reach, reach)


def acceptance_probability(n: int, k: float, fraction: float) -> float:
    """Probability that a plan accepts a lot: its mean is at least k standard deviations inside one limit.

    Parameters
    ----------
    n : int
        Number of independent normal values, >= 2.
    k : float
        Acceptability constant of the plan, finite.
    fraction : float
        True fraction of the lot beyond the limit, in (0, 1).

    Returns
    -------
    float
        Exact, from the noncentral t distribution.

    Raises
    ------
    ValueError
        If a number is outside its range.

    References
    ----------
    .. [1] MIL-STD-414 (1957), Sampling procedures and tables for inspection by variables for percent defective.
    .. [2] ISO 3951-1, Sampling procedures for inspection by variables.

    Examples
    --------
    With ten bags and k = 1.72, a lot with 1 % beyond the limit mostly passes and one with 10 % seldom:

    >>> [round(acceptance_probability(10, 1.72, fraction), 2) for fraction in (0.01, 0.10)]
    [0.9, 0.22]
    """
    whole(n, "n", 2)
    finite_number(k, "k")
    _probability(fraction, "fraction")
    return 1.0 - noncentral_t(k * np.sqrt(n), n - 1, -float(special.ndtri(fraction)) * np.sqrt(n))


def fraction_beyond(distance: float, n: int) -> float:
    """Unbiased estimate with minimum variance of the fraction of a normal population beyond one limit.

    Parameters
    ----------
    distance : float
        (limit - mean) / s for an upper limit, (mean - limit) / s for a lower one.
    n : int
        Number of independent values of which mean and s are computed, >= 3.

    Returns
    -------
    float
        Fraction in [0, 1], by the symmetric beta distribution with both parameters n/2 - 1 [1]_.

    Raises
    ------
    ValueError
        If a number is outside its range.

    References
    ----------
    .. [1] G. J. Lieberman and G. J. Resnikoff (1955), Sampling plans for inspection by variables, JASA 50, 457-516.

    Examples
    --------
    >>> round(100 * fraction_beyond(1.59, 5), 2)
    2.19
    """
    whole(n, "n", 3)
    finite_number(distance, "distance")
    place = 0.5 - distance * np.sqrt(n) / (2 * (n - 1))
    return float(special.betainc(n / 2 - 1, n / 2 - 1, np.clip(place, 0.0, 1.0)))


def _probability(value: float, name: str) -> None:
    if not 0 < value < 1:
        raise ValueError(f"{name} must be in (0, 1), got {value!r}")
