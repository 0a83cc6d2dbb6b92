"""What a stream's lots and the prior from its sisters say together of its autocorrelation and scatter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spc.detection.autocorrelation import GRID, mean, posterior
from spc.detection.normal_scores import autocorrelation_estimate, prior_share, score
from spc.detection.windows import Windows

__all__ = ["StreamPosterior", "stream_posteriors"]

_STRONG = 0.4  # An autocorrelation that delays detection noticeably


@dataclass(frozen=True, slots=True)
class StreamPosterior:
    """Autocorrelation of one stream, and where its scatter comes from.

    `autocorrelation` is the posterior mean, `low` and `high` an interval that holds 90 % of the posterior. `undecided` says
    that both none and a strong one (0.4) are in it: more lots of the stream have to decide. `scatter_from_others` is the
    share of the scatter between lots that comes from the other streams of the characteristic, 0 to 1.
    """

    autocorrelation: float
    low: float
    high: float
    undecided: bool
    scatter_from_others: float


def stream_posteriors(seen: Windows) -> list[StreamPosterior]:
    """Sum up what is known of each stream at its newest lot.

    Examples
    --------
    Twelve lots by themselves decide nothing; where 99 % of the other streams show no autocorrelation, that prior does:

    >>> import numpy as np
    >>> from spc.detection.windows import LotSeries, windows
    >>> weeks, zero, nothing = np.arange(12.0), np.zeros(12), np.full(12, np.nan)
    >>> levels = np.random.default_rng(3).standard_normal(12)
    >>> streams = [
    ...     LotSeries(weeks, levels, zero, nothing, zero, nothing, zero, zero + share, zero + 0.5, zero, zero)
    ...     for share in (0.5, 0.99)
    ... ]
    >>> _, seen = next(windows(streams, np.array([0, 1]), np.array([11, 11])))
    >>> [(round(one.autocorrelation, 2), one.undecided) for one in stream_posteriors(seen)]
    [(0.07, True), (0.0, False)]
    """
    own = autocorrelation_estimate(score(seen).marginal, seen)[:, 0]
    chances = posterior(own, seen.lots, seen.independent, seen.autocorrelation)
    below = np.cumsum(chances, axis=1)
    low, high = (GRID[(below >= edge).argmax(axis=1)] for edge in (0.05, 0.95))
    columns = (mean(chances), low, high, (low == 0.0) & (high >= _STRONG), prior_share(seen)[:, 0])
    return [StreamPosterior(*row) for row in zip(*(column.tolist() for column in columns), strict=True)]
