"""How surprising the newest lot is beside the lots before it: the wild lot that no average should have to wait for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from spc.detection.windows import Flags, Windows
from spc.kernels.validation import Floats

__all__ = ["OutlierTest", "outlier_test"]

_TAIL_DF = 5.0
"""Lots are allowed the tails of a t distribution with 5 degrees of freedom (common practice's caution): under the normal
law a lot beyond 3.4 sigma comes once in 1,700, with heavier tails once in 120, and no stream is long enough to tell."""

_ROUNDING = 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class OutlierTest:
    """The newest lot of each window against its history; all (rows,).

    `p_value` is the two-sided chance of a lot at least as far out, `direction` its side, `distance` how far out in
    standard deviations of prediction. 1 and 0 where the newest lot says nothing of its level.
    """

    p_value: Floats
    direction: Floats
    distance: Floats


def outlier_test(seen: Windows) -> OutlierTest:
    """Two-sided chance of a lot as far from its history as the newest one.

    Returns
    -------
    OutlierTest

    Notes
    -----
    The scatter is that of the history, joined by the prior scatter of the stream, so the limits are prediction limits, wide
    where lots are few [1]_; the reference is a t distribution of variance 1 whose tails join those of the estimate and of the lots.

    References
    ----------
    .. [1] G. J. Hahn (1970), Statistical intervals for a normal population, Part I, Journal of Quality Technology 2,
       115-125.

    Examples
    --------
    Nine lots near 2, and a tenth at 2.2 or at 3:

    >>> from spc.detection.windows import LotSeries, windows
    >>> weeks, zero, nothing = np.arange(10.0), np.zeros(10), np.full(10, np.nan)
    >>> nine = [2.0, 2.2, 1.9, 2.1, 2.0, 1.8, 2.1, 2.2, 1.9]
    >>> rest = zero, nothing, zero, nothing, zero, zero, zero, zero, zero
    >>> streams = [LotSeries(weeks, np.array([*nine, last]), *rest) for last in (2.2, 3.0)]
    >>> _, seen = next(windows(streams, np.array([0, 1]), np.array([9, 9])))
    >>> outlier_test(seen).p_value.round(3).tolist()
    [0.214, 0.003]
    """
    known = seen.known[:, :-1]
    past, noise = np.where(known, seen.levels[:, :-1], 0.0), seen.variances[:, :-1]
    lots = known.sum(axis=1)
    variance = _lot_variance(past, noise, known, seen)
    precision = np.where(known, 1.0 / np.maximum(variance[:, None] + noise, 1e-300), 0.0)
    information = np.maximum(precision.sum(axis=1), 1e-300)
    away = seen.levels[:, -1] - (precision * past).sum(axis=1) / information
    spread = np.sqrt(np.maximum(variance + seen.variances[:, -1] + 1.0 / information, 1e-300))
    distance = np.where(seen.known[:, -1] & (lots > 1), away / spread, 0.0)
    return OutlierTest(_chance(distance, lots - 1.0 + seen.scatter_lots), np.sign(distance), np.abs(distance))


def _lot_variance(past: Floats, noise: Floats, known: Flags, seen: Windows) -> Floats:
    lots = np.maximum(known.sum(axis=1), 2)
    center = past.sum(axis=1) / lots
    squares = np.where(known, (past - center[:, None]) ** 2, 0.0).sum(axis=1)
    total = (squares + seen.scatter_lots * seen.scatter) / (lots - 1 + seen.scatter_lots)
    own = np.maximum(total - np.where(known, noise, 0.0).sum(axis=1) / lots, 0.02 * total)
    # Equal levels scatter by their rounding at least.
    return np.asarray(np.maximum(own, (_ROUNDING * center) ** 2))


def _chance(distance: Floats, df: Floats) -> Floats:
    tails = 1.0 / (1.0 / _TAIL_DF + 1.0 / np.maximum(df, 1.0))
    scale = np.sqrt(_TAIL_DF / (_TAIL_DF - 2.0))  # a t of 5 degrees of freedom has variance 5 / 3
    return np.asarray(2.0 * special.stdtr(tails, -np.abs(distance) * scale))
