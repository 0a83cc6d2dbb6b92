"""Prediction interval of the mean of coming lots, by which a level is compared with that of earlier lots."""

from __future__ import annotations

import numpy as np
from scipy import special

from spc.kernels.validation import whole

__all__ = ["mean_margin"]


def mean_margin(
    sd: float, earlier: int, coming: int, confidence: float = 0.95, *, reference: int | None = None
) -> float:
    """Half width of the interval for the mean of coming lots about the mean of earlier ones.

    Parameters
    ----------
    sd : float
        Sample standard deviation of the earlier lots, >= 0.
    earlier : int
        Number of lots behind `sd`, >= 2.
    coming : int
        Number of lots in the mean, >= 1.
    confidence : float
        Of the two-sided interval, in (0, 1).
    reference : int, optional
        Number of lots in the mean that is compared with, >= 1, where these are not the lots behind `sd`.

    Returns
    -------
    float

    Raises
    ------
    ValueError
        If a parameter is outside its range.

    Notes
    -----
    The half width is t(n - 1) s sqrt(1 / k + 1 / n) for k coming and n earlier lots [1]_. Lots are taken as independent
    and normal.

    References
    ----------
    .. [1] G. J. Hahn (1970), Additional factors for calculating prediction intervals for samples from a normal
       distribution, Journal of the American Statistical Association 65, 668-676.

    Examples
    --------
    >>> round(mean_margin(1.0, 25, 8), 3)
    0.838
    """
    whole(earlier, "earlier", 2)
    whole(coming, "coming", 1)
    if not 0 <= sd < np.inf:
        raise ValueError(f"sd must be a number of at least 0, got {sd!r}")
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must be in (0, 1), got {confidence!r}")
    compared = earlier if reference is None else whole(reference, "reference", 1)
    quantile = float(special.stdtrit(earlier - 1, (1 + confidence) / 2))
    return quantile * sd * float(np.sqrt(1 / coming + 1 / compared))
