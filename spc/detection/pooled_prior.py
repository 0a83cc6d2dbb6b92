"""Prior of a stream from the other streams of its characteristic: autocorrelation and scatter of its lots.

A short history cannot tell autocorrelation from drift, and a handful of lots hardly tells their own scatter. Streams of one
characteristic share much of both. Only lots tested before the present quarter enter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from spc.detection.autocorrelation import log_likelihood, prior_weights
from spc.detection.windows import Ints
from spc.kernels.validation import Floats

__all__ = ["BLOCK_WEEKS", "COLUMNS", "NO_POOL", "PooledPrior", "lag_sums", "pool"]

BLOCK_WEEKS = 13.0
"""The prior is estimated anew once in so many weeks, from lots tested before."""

COLUMNS = ("block", "pairs_1", "pairs_2", "pairs_3", "apart_1", "apart_2", "apart_3")

# Until lots say otherwise a third of the streams have no autocorrelation, the others 0.3: caution, not a measured fact.
_INDEPENDENT, _AUTOCORRELATION = 1.0 / 3.0, 0.3
# However many streams agree, one may differ. Chosen by simulation: of streams of which a ninth have 0.3 to 0.5, those
# raise 2.0 times the budget instead of 2.3 at 0.9, and the others see moves as soon.
_MOST_INDEPENDENT = 0.7
_LEAST_PAIRS = 12.0  # a stream counts from so many neighbours on
_LEAST_STREAMS = 5  # Under these, how much streams differ from each other cannot be told
_VARIANCE = 2.0  # Of the estimate from absolute differences, times its pairs; by simulation, at no autocorrelation
_SCATTER_VARIANCE = 3.4  # Of the log of the variance from absolute differences, times its pairs; by simulation
# Absolute differences put the log of the variance of lots with tails as of t(4) 0.2 too low; half of it, as tails are not known.
_TAILS = 0.1
_MOST_LOTS = 12.0  # Worth of the prior scatter where all streams seem alike: one may differ
# Coarse on purpose: a late lot seldom changes the prior, and then every stream would have to be judged again.
_SHARE_STEP, _MEAN_STEP, _SCATTER_STEP = 0.05, 0.02, 0.1
_SHARES = np.arange(0.0, 1.05, 0.1)
_MEANS = np.array([0.15, 0.3, 0.45, 0.6])
_LEAST_MEAN, _LARGEST_MEAN = 0.1, 0.7


@dataclass(frozen=True, slots=True, eq=False)
class PooledPrior:
    """Prior of a stream, from each of some weeks on; all (m,).

    `independent` is the share of streams whose neighbouring lots are not correlated, `autocorrelation` the mean of the
    others, `scatter` the prior variance of a level about its stream's mean with `scatter_lots` degrees of freedom: few
    where the streams differ much.
    """

    from_weeks: Floats
    independent: Floats
    autocorrelation: Floats
    scatter: Floats
    scatter_lots: Floats

    def at(self, weeks: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Prior of one stream at each time, in the order of the fields; that of a stream alone before the first.

        At most 0.7 of it is on no autocorrelation.

        Examples
        --------
        >>> one = PooledPrior(*np.array([[13.0], [0.9], [0.4], [0.01], [4.0]]))
        >>> [float(column[1]) for column in one.at(np.array([5.0, 20.0]))]
        [0.7, 0.4, 0.01, 4.0]
        """
        independent, *others = self._pooled(weeks)
        return np.minimum(independent, _MOST_INDEPENDENT), others[0], others[1], others[2]

    def _pooled(self, weeks: Floats) -> list[Floats]:
        place = np.searchsorted(self.from_weeks, weeks, side="right")
        alone = (_INDEPENDENT, _AUTOCORRELATION, 0.0, 0.0)
        pooled = (self.independent, self.autocorrelation, self.scatter, self.scatter_lots)
        return [np.concatenate([[one], column])[place] for one, column in zip(alone, pooled, strict=True)]

    def expected_autocorrelation(self, weeks: Floats) -> Floats:
        """Mean autocorrelation of the streams, as known at each time.

        Examples
        --------
        >>> NO_POOL.expected_autocorrelation(np.array([5.0])).round(2)
        array([0.2])
        """
        independent, autocorrelation, _, _ = self._pooled(weeks)
        return np.asarray((1.0 - independent) * autocorrelation)

    def without_scatter(self) -> PooledPrior:
        """The same prior with nothing known of the scatter, for a stream that is no film.

        Examples
        --------
        >>> one = PooledPrior(*np.array([[13.0], [0.9], [0.4], [0.01], [4.0]]))
        >>> one.without_scatter().scatter_lots
        array([0.])
        """
        nothing = np.zeros_like(self.scatter)
        return PooledPrior(self.from_weeks, self.independent, self.autocorrelation, nothing, nothing)


NO_POOL = PooledPrior(*np.empty((5, 0)))
"""No other stream is known."""


def lag_sums(stream: Ints, weeks: Floats, levels: Floats) -> pd.DataFrame:
    """Sums of streams that `pool` joins, a row a stream and quarter in which lots were tested.

    Parameters
    ----------
    stream : ndarray of int, shape (n,)
        Whose lot it is; the lots of one stream stand together.
    weeks, levels : ndarray, shape (n,)
        Test times in weeks from a fixed origin that all streams share, not falling within a stream, and levels in the
        charted scale.

    Returns
    -------
    DataFrame
        `stream` and `COLUMNS`: the quarter, how many pairs of lots 1, 2 and 3 places apart end in it, and their summed
        absolute differences.

    Examples
    --------
    >>> lag_sums(np.zeros(3, dtype=int), np.arange(3.0), np.array([1.0, 2.0, 4.0]))[["pairs_1", "apart_1", "apart_2"]]
       pairs_1  apart_1  apart_2
    0      2.0      3.0      3.0
    """
    sums = pd.DataFrame(0.0, index=range(stream.size), columns=list(COLUMNS[1:]))
    for apart in range(1, min(stream.size, 4)):
        pair = stream[apart:] == stream[:-apart]
        sums.loc[apart:, f"pairs_{apart}"] = pair.astype(np.float64)
        sums.loc[apart:, f"apart_{apart}"] = np.where(pair, np.abs(levels[apart:] - levels[:-apart]), 0.0)
    block = np.floor(weeks / BLOCK_WEEKS).astype(np.intp)
    return sums.assign(stream=stream, block=block).groupby(["stream", "block"]).sum().reset_index()


def pool(sums: pd.DataFrame) -> PooledPrior:
    """Prior from all streams of a characteristic, quarter by quarter.

    Parameters
    ----------
    sums : DataFrame
        Rows of `lag_sums` of all streams.

    Returns
    -------
    PooledPrior
        `NO_POOL` where fewer than 5 streams have 12 pairs.

    Notes
    -----
    For normal levels with first-order autocorrelation r the squared mean absolute differences over 1, 2, 3 lots are as
    1 - r, 1 - r^2, 1 - r^3, as with von Neumann's mean squares [1]_; absolute ones stand a wild lot better. The
    share of independent streams is the posterior mean of a mixture over a small grid [2]_; how much the logs of the variances truly differ is
    estimated by moments [3]_ and gives the degrees of freedom of an inverse chi-squared prior. A stream is among its own
    sisters: with five or more that matters little.

    References
    ----------
    .. [1] J. von Neumann (1941), Distribution of the ratio of the mean square successive difference to the variance,
       Annals of Mathematical Statistics 12, 367-395.
    .. [2] H. Robbins (1964), The empirical Bayes approach to statistical decision problems, Annals of Mathematical
       Statistics 35, 1-20.
    .. [3] R. DerSimonian and N. Laird (1986), Meta-analysis in clinical trials, Controlled Clinical Trials 7, 177-188.

    Examples
    --------
    >>> levels = np.random.default_rng(1).standard_normal((30, 60))
    >>> weeks = np.tile(np.arange(60.0), 30)
    >>> prior = pool(lag_sums(np.repeat(np.arange(30), 60), weeks, levels.ravel()))
    >>> float(prior.independent[-1]), round(float(prior.scatter[-1]), 2), float(prior.scatter_lots[-1])
    (1.0, 1.22, 12.0)
    """
    if sums.empty:
        return NO_POOL
    stream, place = (np.unique(sums[name], return_inverse=True) for name in ("stream", "block"))
    cells = np.zeros((stream[0].size, place[0].size, 6))
    np.add.at(cells, (stream[1], place[1]), sums[list(COLUMNS[1:])].to_numpy(np.float64))
    total = np.cumsum(cells, axis=1)
    rows: list[tuple[float, ...]] = []
    for block, seen in zip(place[0], np.moveaxis(total, 1, 0), strict=True):
        prior = _prior(seen[seen[:, 0] >= _LEAST_PAIRS])
        # A prior that equals that of the quarter before is left out.
        if prior is not None and (not rows or prior != rows[-1][1:]):
            rows.append(((float(block) + 1.0) * BLOCK_WEEKS, *prior))
    return PooledPrior(*np.array(rows, dtype=np.float64).T) if rows else NO_POOL


def _prior(seen: Floats) -> tuple[float, ...] | None:
    """Share, mean, scatter and its degrees of freedom, rounded; None where there are too few streams."""
    if len(seen) < _LEAST_STREAMS:
        return None
    pairs, apart = seen[:, 0], (seen[:, 3:] / np.maximum(seen[:, :3], 1.0)) ** 2
    far = 0.5 * (apart[:, 1] + apart[:, 2])
    return (*_autocorrelation(apart[:, 0], far, pairs), *_scatter(far, pairs))


def _autocorrelation(near: Floats, far: Floats, pairs: Floats) -> tuple[float, float]:
    """Share of streams without autocorrelation and mean of the others, rounded."""
    growth = np.divide(far, near, out=np.ones_like(near), where=near > 0) - 1.0
    # Not cut off at a growth of 0: the errors of many streams have to balance.
    own = np.where(growth > -0.45, np.sqrt(1.0 + 2.0 * np.clip(growth, -0.45, 1.5)) - 1.0, growth)
    fit = log_likelihood(own, pairs, _VARIANCE)
    likelihood = np.exp(fit - fit.max(axis=1, keepdims=True))
    others = prior_weights(np.zeros(_MEANS.size), _MEANS)[:, 1:]
    correlated = (likelihood[:, None, 1:] * others).sum(axis=2)
    mixed = _SHARES[:, None] * likelihood[:, None, :1] + (1.0 - _SHARES[:, None]) * correlated[:, None, :]
    chance = np.log(mixed).sum(axis=0)
    chance = np.exp(chance - chance.max()).sum(axis=1)
    independent = _rounded(float((chance * _SHARES).sum() / chance.sum()), _SHARE_STEP)
    # The mean over all streams stands wild lots better than that of the mixture's second part.
    together = max(float((pairs * own).sum() / pairs.sum()), 0.0)
    mean = together / (1.0 - independent) if independent < 1.0 else 0.0
    return independent, _rounded(min(max(mean, _LEAST_MEAN), _LARGEST_MEAN), _MEAN_STEP)


def _scatter(far: Floats, pairs: Floats) -> tuple[float, float]:
    """Prior variance and its degrees of freedom; of normal differences the mean absolute one is 2 / sqrt(pi) sigma.

    The variance is the middle one of the streams. That of an inverse chi-squared law with this middle is a quarter to a third
    smaller; on streams whose scatter is spread evenly over a range it gave twice the false alerts on the first lots.
    """
    there = far > 0
    if there.sum() < _LEAST_STREAMS:
        return 0.0, 0.0
    logs, error = np.log(np.pi / 4.0 * far[there]), _SCATTER_VARIANCE / pairs[there]
    between = max(float(np.var(logs, ddof=1) - error.mean()), 0.0)
    # trigamma(lots / 2) is the variance of the log of such a prior; 2 / variance + 1 is within 3 % of its inverse.
    lots = float(np.floor(min(2.0 / max(between, 0.05) + 1.0, _MOST_LOTS)))
    weight = 1.0 / (between + error)
    center = float((weight * logs).sum() / weight.sum())
    # Rounded up: too small a scatter would make the first lots of many streams look like moves.
    return float(np.exp(np.ceil((center + _TAILS) / _SCATTER_STEP) * _SCATTER_STEP)), lots


def _rounded(value: float, step: float) -> float:
    return round(round(value / step) * step, 6)
