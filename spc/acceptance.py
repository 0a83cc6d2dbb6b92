"""What a few bags of one lot prove about the rest of it: tolerance factors and acceptance by variables.

For a single lot, taken as independent values of a normal law in the charted scale.
"""

from __future__ import annotations

import numpy as np
from scipy import special

from spc.kernels.noncentral import noncentral_t, root
from spc.kernels.validation import finite_number, whole

__all__ = ["acceptance_chance", "fraction_beyond", "tolerance_factor"]


def tolerance_factor(n: int, coverage: float, confidence: float = 0.95) -> float:
    """Factor k: a mean k standard deviations inside a limit shows that a fraction `coverage` of the bags is inside.

    Parameters
    ----------
    n : int
        Number of independent normal values, >= 2.
    coverage, confidence : float
        In (0, 1).

    Returns
    -------
    float
        Exact, from the noncentral t distribution [1]_.

    References
    ----------
    .. [1] M. G. Natrella (1963), Experimental Statistics, NBS Handbook 91, table A-7.

    Examples
    --------
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


def acceptance_chance(n: int, k: float, fraction: float) -> float:
    """Chance that a lot with a true `fraction` beyond one limit is accepted by a plan (mean at least k s inside).

    Parameters
    ----------
    n : int
        Number of independent normal values, >= 2.
    k : float
        Acceptability constant of the plan.
    fraction : float
        In (0, 1).

    Returns
    -------
    float
        Exact, from the noncentral t distribution (MIL-STD-414, 1957; ISO 3951-1).
    """
    whole(n, "n", 2)
    finite_number(k, "k")
    _probability(fraction, "fraction")
    return 1.0 - noncentral_t(k * np.sqrt(n), n - 1, -float(special.ndtri(fraction)) * np.sqrt(n))


def fraction_beyond(distance: float, n: int) -> float:
    """Unbiased estimate, of least variance, of the fraction of a normal population beyond one limit.

    Parameters
    ----------
    distance : float
        (limit - mean) / s for an upper limit, (mean - limit) / s for a lower one.
    n : int
        Number of independent values behind mean and s, >= 3.

    Returns
    -------
    float
        Fraction in [0, 1], by the symmetric beta distribution with both parameters n/2 - 1 [1]_.

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
