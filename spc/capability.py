"""Capability: distance of the specification limits from the mean in standard deviations, with intervals.

`capability` takes independent values; `from_components` takes a mean and a variance from any analysis. `capabilities`
and `capabilities_from_components` take many streams at once, of shape (lots, streams) as in `spc.charts`: nan is
padding or a missing lot. One stream is a batch of one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import special

from spc.distributions.capability_index import (
    Margins,
    df_at,
    finite_or_nan,
    fraction_beyond,
    index_interval,
    limits_of,
    limits_of_each,
    require_confidence,
    spread_interval,
)
from spc.kernels.arrays import Floats
from spc.kernels.ragged import as_batch, total
from spc.kernels.subgroups import quotient
from spc.kernels.validation import as_points, finite_number, positive

__all__ = [
    "Capability",
    "capabilities",
    "capabilities_from_components",
    "capability",
    "equivalent_df",
    "from_components",
    "satterthwaite",
]

_INDICES = (
    "pp", "pp_lower", "pp_upper", "ppk", "ppk_lower", "ppk_upper", "fraction", "fraction_lower", "fraction_upper",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Capability:
    """Performance index and expected fraction beyond the limits, with equal-tailed intervals.

    Attributes
    ----------
    pp : float or None
        (upper - lower) / (6 sigma); None with one limit only.
    pp_lower, pp_upper : float or None
        Interval of `pp`.
    ppk : float
        Distance from the mean to the nearer limit, divided by 3 sigma.
    ppk_lower, ppk_upper : float
        Interval of `ppk`. Each end alone is a one-sided bound at (1 + confidence) / 2.
    fraction, fraction_lower, fraction_upper : float
        Expected fraction of values beyond the limits, and its interval.
    confidence : float
        Of the intervals.
    degrees_of_freedom : float
        Of the variance; that of the upper end of its interval where the ends differ.
    """

    pp: float | None
    pp_lower: float | None
    pp_upper: float | None
    ppk: float
    ppk_lower: float
    ppk_upper: float
    fraction: float
    fraction_lower: float
    fraction_upper: float
    confidence: float
    degrees_of_freedom: float

    @property
    def ppm(self) -> float:
        """Expected number of values beyond the limits in a million."""
        return 1e6 * self.fraction


def capability(
    x: ArrayLike, lower: float | None = None, upper: float | None = None, confidence: float = 0.95
) -> Capability:
    """Capability of independent normal values: Pp, Ppk and the fraction beyond the limits, with intervals.

    The values must be independent, for example one a lot. Six readings of one bag are not: use `from_components`.

    Parameters
    ----------
    x : array_like, shape (n,)
        Values in the charted scale, n >= 2.
    lower, upper : float, optional
        Specification limits in the same scale (natural log for a log characteristic); at least one.
    confidence : float
        Probability that an equal-tailed interval contains the true value, in (0, 1).

    Returns
    -------
    Capability

    Raises
    ------
    ValueError
        If there are fewer than two values, one is not finite, all are equal, there is no limit, or `lower` is not below
        `upper`.

    Notes
    -----
    With one limit the interval of `ppk` is exact, by the noncentral t distribution [1]_. With two limits the lower end
    is that of the nearer limit alone, which is on the safe side; the upper end uses the estimated distance of the mean
    from the middle of the limits. In simulation (n from 10 to 40, mean from the middle to far off) a 95 % interval of
    `ppk` contained the true index in 94.7 to 96.5 % of samples and that of `fraction` the true fraction in 94.8 to
    98.1 %. The interval of `pp` is exact, by chi-square [2]_.

    References
    ----------
    .. [1] Y. Chou, D. B. Owen and S. A. Borrego (1990), Lower confidence limits on process capability indices, Journal
       of Quality Technology 22, 223-229.
    .. [2] D. C. Montgomery, Introduction to Statistical Quality Control, section 8.3.

    Examples
    --------
    >>> result = capability([14.0, 16.0, 18.0, 15.0, 17.0], upper=20.0)
    >>> round(result.ppk, 3), round(result.ppk_lower, 3)
    (0.843, 0.206)
    """
    points = as_points(x, at_least=2)
    variance = float(points.var(ddof=1))
    if not np.ptp(points) > 0:
        raise ValueError(f"x does not vary: all {points.size} values are {points[0]!r}, and no index is finite")
    return from_components(
        float(points.mean()),
        float(np.sqrt(variance / points.size)),
        variance,
        points.size - 1,
        lower,
        upper,
        confidence,
    )


def from_components(
    center: float,
    center_se: float,
    variance_total: float,
    degrees_of_freedom: float | tuple[float, float],
    lower: float | None = None,
    upper: float | None = None,
    confidence: float = 0.95,
) -> Capability:
    """Capability from a mean, its standard error, and a total variance (lot + bag + reading) with degrees of freedom.

    Parameters
    ----------
    center : float
        Mean in the charted scale.
    center_se : float
        Standard error of `center`, >= 0; its error is taken as proportional to that of sigma, as for s / sqrt(n).
    variance_total : float
        Variance of one future value, > 0.
    degrees_of_freedom : float or tuple of float
        Of the variance, > 0: one number (`satterthwaite`), or one for the lower and one for the upper end of its
        interval (`equivalent_df`), which is more accurate where the variance is a sum.
    lower, upper : float, optional
        Specification limits in the same scale; at least one.
    confidence : float
        Probability that an equal-tailed interval contains the true value, in (0, 1).

    Returns
    -------
    Capability

    Raises
    ------
    ValueError
        If a number is outside its range, no limit is given, or `lower` is not below `upper`.

    Notes
    -----
    The variance is taken as a scaled chi-square with these degrees of freedom. See `capability` for the intervals.

    References
    ----------
    .. [1] Y. Chou, D. B. Owen and S. A. Borrego (1990), Lower confidence limits on process capability indices, Journal
       of Quality Technology 22, 223-229.

    Examples
    --------
    >>> result = from_components(center=2.3, center_se=0.02, variance_total=0.01, degrees_of_freedom=20.0, upper=2.7)
    >>> round(result.ppk, 3), round(result.ppk_lower, 2), result.pp is None
    (1.333, 0.9, True)
    """
    below, above = limits_of(lower, upper)
    require_confidence(confidence)
    finite_number(center, "center")
    positive(variance_total, "variance_total")
    ends = degrees_of_freedom if isinstance(degrees_of_freedom, tuple) else (degrees_of_freedom, degrees_of_freedom)
    df_low, df_high = (positive(df, "degrees_of_freedom") for df in ends)
    if not 0 <= center_se < np.inf:
        raise ValueError(f"center_se must be a number of at least 0, got {center_se!r}")
    one = np.array([[center], [center_se], [variance_total], [df_low], [df_high], [below], [above]], dtype=np.float64)
    indices = {name: float(values[0]) for name, values in _indices(one, confidence).items()}
    pp, pp_lower, pp_upper = (None if np.isnan(indices[name]) else indices[name] for name in _INDICES[:3])
    rest = {name: indices[name] for name in _INDICES[3:]}
    return Capability(pp, pp_lower, pp_upper, **rest, confidence=confidence, degrees_of_freedom=df_high)


def capabilities(
    x: ArrayLike, lower: ArrayLike | None = None, upper: ArrayLike | None = None, confidence: float = 0.95
) -> pd.DataFrame:
    """Capability of many streams of independent values; see `capability`.

    Parameters
    ----------
    x : array_like, shape (lots, streams)
        Nan where there is no lot.
    lower, upper : float or array_like of shape (streams,), optional
        Specification limits in the same scale; nan where a stream has none.
    confidence : float
        Probability that an equal-tailed interval contains the true value, in (0, 1).

    Returns
    -------
    DataFrame
        A row a stream, with the fields of `Capability`; nan where there is no limit, fewer than two values, or all
        values are equal.

    Raises
    ------
    ValueError
        If a shape does not fit, a value is infinite, or `lower` is not below `upper`.

    Examples
    --------
    >>> capabilities([[14.0, 1.0], [16.0, 2.0], [18.0, np.nan]], upper=[20.0, 6.0])["ppk"].round(3).tolist()
    [0.667, 2.121]
    """
    points = as_batch(x)
    there = ~np.isnan(points)
    n = there.sum(axis=0)
    center = quotient(total(points, there), n)
    varies = np.fmax.reduce(points, axis=0) > np.fmin.reduce(points, axis=0)
    variance = np.where(varies, quotient(total((points - center) ** 2, there), (n - 1).clip(0)), np.nan)
    return capabilities_from_components(
        center, np.sqrt(quotient(variance, n)), variance, np.where(n > 1, n - 1.0, np.nan), lower, upper, confidence
    )


def capabilities_from_components(
    center: ArrayLike,
    center_se: ArrayLike,
    variance_total: ArrayLike,
    degrees_of_freedom: ArrayLike,
    lower: ArrayLike | None = None,
    upper: ArrayLike | None = None,
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Capability of many streams from means and total variances; see `from_components`.

    Parameters
    ----------
    center, center_se, variance_total, degrees_of_freedom : array_like, shape (streams,)
        As in `from_components`; a stream with nan or a number out of range has no index.
    lower, upper : float or array_like of shape (streams,), optional
        Specification limits in the same scale; nan where a stream has none.
    confidence : float
        Probability that an equal-tailed interval contains the true value, in (0, 1).

    Returns
    -------
    DataFrame
        A row a stream, with the fields of `Capability`; nan where there is no index.

    Raises
    ------
    ValueError
        If a shape does not fit, a value is infinite, or `lower` is not below `upper`.

    Examples
    --------
    >>> both = capabilities_from_components([2.3, 2.4], [0.02, np.nan], [0.01, 0.01], [20.0, 20.0], upper=2.7)
    >>> both["ppk"].round(3).tolist()
    [1.333, nan]
    """
    require_confidence(confidence)
    parts = {"center": center, "center_se": center_se, "variance_total": variance_total}
    parts["degrees_of_freedom"] = degrees_of_freedom
    middle, error, variance, df = (finite_or_nan(value, name) for name, value in parts.items())
    streams = middle.size
    if any(part.shape != (streams,) for part in (middle, error, variance, df)):
        raise ValueError(f"each of center to degrees_of_freedom must have shape ({streams},): one number a stream")
    below, above = limits_of_each(lower, upper, streams)
    limited = np.isfinite(below) | np.isfinite(above)
    rows = np.flatnonzero(np.isfinite(middle) & (error >= 0) & (variance > 0) & (df > 0) & limited)
    indices = _indices(np.stack([middle, error, variance, df, df, below, above])[:, rows], confidence)
    columns = {name: np.full(streams, np.nan) for name in _INDICES}
    for name, values in indices.items():
        columns[name][rows] = values
    return pd.DataFrame(columns).assign(confidence=confidence, degrees_of_freedom=df)


def _indices(rows: Floats, confidence: float) -> dict[str, Floats]:
    """Indices of streams; the rows (7, streams): centre, its error, variance, its two degrees of freedom, limits."""
    center, center_se, variance, df_low, df_high, below, above = rows
    sigma = np.sqrt(variance)
    margins = Margins((center - below) / sigma, (above - center) / sigma, center_se / sigma, df_low, df_high)
    ppk = margins.nearest / 3
    ppk_lower, ppk_upper = index_interval(margins, confidence)
    fraction = special.ndtr(-margins.below) + special.ndtr(-margins.above)
    ends = fraction_beyond(margins, ppk_upper), fraction_beyond(margins, ppk_lower)
    values = (*spread_interval(margins, confidence), ppk, ppk_lower, ppk_upper, fraction, *ends)
    return dict(zip(_INDICES, values, strict=True))


def equivalent_df(variance: float, low: float, high: float) -> tuple[float, float]:
    """Degrees of freedom whose chi-square interval ends where the 95 % interval of a variance does.

    Parameters
    ----------
    variance : float
        Estimate, > 0.
    low, high : float
        Interval of the variance, such as `total_low` and `total_high` of `spc.components.Components`.

    Returns
    -------
    tuple of float
        Degrees of freedom at which the chi-square interval of a mean square ends at `low`, and those for `high`.

    Raises
    ------
    ValueError
        If `variance` is not inside its interval.

    Examples
    --------
    The interval of a mean square with 9 degrees of freedom gives them back:

    >>> [round(df, 6) for df in equivalent_df(1.0, 9 / 19.0227678, 9 / 2.7003895)]
    [9.0, 9.0]
    """
    if not 0 <= low < variance < high < np.inf:
        raise ValueError(f"variance must lie inside its interval, got {variance!r} in {low!r} to {high!r}")
    return (
        float(df_at(np.array([low / variance]), 0.025)[0]),
        float(df_at(np.array([high / variance]), 0.975)[0]),
    )


def satterthwaite(terms: ArrayLike, degrees_of_freedom: ArrayLike) -> float:
    """Effective degrees of freedom of a sum of independent variance estimates.

    Parameters
    ----------
    terms : array_like, shape (k,)
        Terms of the sum: coefficient times mean square; not all 0.
    degrees_of_freedom : array_like, shape (k,)
        Of each mean square, > 0.

    Returns
    -------
    float
        (sum of terms)**2 / sum(terms**2 / degrees_of_freedom).

    Raises
    ------
    ValueError
        If shapes differ, all terms are 0, or a number of degrees of freedom is not above 0.

    References
    ----------
    .. [1] F. E. Satterthwaite (1946), An approximate distribution of estimates of variance components, Biometrics
       Bulletin 2, 110-114.

    Examples
    --------
    >>> satterthwaite([1.0, 1.0], [5, 5])
    10.0
    """
    parts = as_points(terms, "terms")
    df = as_points(degrees_of_freedom, "degrees_of_freedom")
    if parts.shape != df.shape or not (df > 0).all():
        raise ValueError(f"degrees_of_freedom must hold a number above 0 for each of {parts.size} terms, got {df!r}")
    if not parts.any():
        raise ValueError("terms must not all be 0: a variance of 0 has no degrees of freedom")
    return float(parts.sum() ** 2 / (parts**2 / df).sum())
