"""False alarms and run lengths of charts with estimated limits. Library only: no command or page uses this module yet.

A three-sigma chart with known parameters gives one false alarm in 370 points. With limits from 25 subgroups, the rate
depends on the errors of the estimates; the figures here are averages over all such charts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special

from spc.distributions.noncentral import SCORES, WEIGHTS, chi_ratio, root
from spc.kernels.arrays import Floats
from spc.kernels.validation import finite_number, positive, whole

__all__ = ["EstimatedChart", "estimated_chart", "guaranteed_width"]


@dataclass(frozen=True, slots=True)
class EstimatedChart:
    """Run lengths over all charts with limits from the same number of subgroups; points independent and normal.

    Attributes
    ----------
    signal : float
        Probability that a point is outside the limits, over all charts.
    mean, sd : float
        Average run length and standard deviation of the run length, over all charts and runs.
    mean_sd : float
        Standard deviation of the average run length between charts.
    """

    signal: float
    mean: float
    sd: float
    mean_sd: float


def estimated_chart(
    subgroups: int, degrees_of_freedom: float, width: float = 3.0, shift: float = 0.0, bias: float = 1.0
) -> EstimatedChart:
    """Run lengths of a chart of means (or of single values) with estimated limits.

    Parameters
    ----------
    subgroups : int
        Number of plotted values whose mean is the centre line, >= 1.
    degrees_of_freedom : float
        Of the pooled variance, > 0: m (n - 1) for m subgroups of n; inf where sigma is known. Up to (width / bias)**2
        the run length has an infinite mean, up to twice that an infinite standard deviation.
    width : float
        Half-width of the limits in estimated standard deviations of the plotted value, > 0.
    shift : float
        Shift of the mean, in true standard deviations of the plotted value.
    bias : float
        Divisor of the pooled standard deviation, > 0: c4(df + 1) makes it unbiased.

    Returns
    -------
    EstimatedChart

    Raises
    ------
    ValueError
        If a number is outside its range.

    Notes
    -----
    The centre is normal with variance 1 / `subgroups`, and the estimated sigma is a multiple of chi. Given both, the
    run length is geometric; its moments are averaged over the distribution of both [1]_ [2]_ by the trapezoid rule in
    normal scores. Moving ranges overlap: sigma of a chart of single values has about 0.6 degrees of freedom a lot (its
    relative variance is 0.826 / lots; J. D. Cryer and T. P. Ryan, 1990, from memory), an approximation.

    References
    ----------
    .. [1] G. Chen (1997), The mean and standard deviation of the run length distribution of X-bar charts when control
       limits are estimated, Statistica Sinica 7, 789-798.
    .. [2] S. Chakraborti (2000), Run length, average run length and false alarm rate of Shewhart X-bar chart: exact
       derivations by conditioning, Communications in Statistics - Simulation and Computation 29, 61-81.

    Examples
    --------
    >>> chart = estimated_chart(subgroups=25, degrees_of_freedom=100)
    >>> round(chart.signal, 5), round(chart.mean, 1)
    (0.00406, 407.5)
    """
    _check(subgroups, degrees_of_freedom, width)
    offset = finite_number(shift, "shift") - SCORES[:, None] / math.sqrt(subgroups)
    half = width / positive(bias, "bias") * _ratio(degrees_of_freedom)
    weight = WEIGHTS[:, None] * (WEIGHTS if half.size > 1 else np.ones(1))
    outside = special.ndtr(offset - half) + special.ndtr(-offset - half)
    outside = np.maximum(outside, np.finfo(np.float64).tiny)
    mean, square = float((weight / outside).sum()), float((weight / outside**2).sum())
    reach = (width / bias) ** 2
    finite = degrees_of_freedom > reach, degrees_of_freedom > 2 * reach
    return EstimatedChart(
        signal=float((weight * outside).sum()),
        mean=mean if finite[0] else math.inf,
        sd=math.sqrt(2 * square - mean - mean**2) if finite[1] else math.inf,
        mean_sd=math.sqrt(max(square - mean**2, 0.0)) if finite[1] else math.inf,
    )


def guaranteed_width(
    subgroups: int, degrees_of_freedom: float, run_length: float = 370.398, assurance: float = 0.9
) -> float:
    """Half-width of estimated limits with which a stated share of charts reaches an average run length.

    Parameters
    ----------
    subgroups : int
        As in `estimated_chart`.
    degrees_of_freedom : float
        As in `estimated_chart`, finite.
    run_length : float
        Required average run length in control, > 1.
    assurance : float
        Share of charts with this run length or a longer one, in (0, 1).

    Returns
    -------
    float
        In estimated standard deviations of the plotted value.

    Raises
    ------
    ValueError
        If a number is outside its range.

    References
    ----------
    .. [1] A. Gandy and J. T. Kvaloy (2013), Guaranteed conditional performance of control charts via bootstrap methods,
       Scandinavian Journal of Statistics 40, 647-668.

    Examples
    --------
    >>> round(guaranteed_width(subgroups=25, degrees_of_freedom=100), 3)
    3.378
    """
    _check(subgroups, degrees_of_freedom, 1.0)
    if not run_length > 1:
        raise ValueError(f"run_length must be above 1, got {run_length!r}")
    if not 0 < assurance < 1:
        raise ValueError(f"assurance must be in (0, 1), got {assurance!r}")
    if math.isinf(degrees_of_freedom):
        raise ValueError("degrees_of_freedom must be finite; with sigma known give the width to estimated_chart")
    needed = np.array([_half_width(abs(score) / math.sqrt(subgroups), 1 / run_length) for score in SCORES])

    def excess_share(width: float) -> float:
        wide_enough = special.chdtrc(degrees_of_freedom, degrees_of_freedom * (needed / width) ** 2)
        return float(WEIGHTS @ wide_enough) - assurance

    return root(excess_share, 1e-3, 100.0)


def _check(subgroups: int, degrees_of_freedom: float, width: float) -> None:
    whole(subgroups, "subgroups", 1)
    positive(width, "width")
    if not degrees_of_freedom > 0:
        raise ValueError(f"degrees_of_freedom must be above 0, or inf where sigma is known; got {degrees_of_freedom!r}")


def _ratio(degrees_of_freedom: float) -> Floats:
    """Estimated sigma divided by true sigma at each normal score; one number where sigma is known."""
    return np.ones(1) if math.isinf(degrees_of_freedom) else chi_ratio(degrees_of_freedom)


def _half_width(offset: float, signal: float) -> float:
    """Half-width, in true sigma, at which a centre line that is `offset` off signals with this probability in control."""
    return root(
        lambda half: signal - float(special.ndtr(offset - half) + special.ndtr(-offset - half)), 0.0, offset + 40.0
    )
