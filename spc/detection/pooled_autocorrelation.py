"""What the other streams of a characteristic tell of one of them: how alike neighbouring lots are to be expected to be.

Dependence is what a short history cannot tell from drift. Streams of one characteristic share much of it (the same bench,
the same weeks), so that the past of all is asked, and no lot tested later than the quarter before.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from spc.detection.windows import Ints
from spc.kernels.validation import Floats

__all__ = ["BLOCK_WEEKS", "COLUMNS", "NO_POOL", "PooledAutocorrelation", "lag_sums", "pool"]

BLOCK_WEEKS = 13.0
"""What the sisters say is read anew once in so many weeks, from lots tested before."""

COLUMNS = ("block", "pairs_1", "pairs_2", "pairs_3", "apart_1", "apart_2", "apart_3")

# Neighbouring lots are taken to be mildly alike until lots say otherwise: caution, not a measured fact.
_ALIKE, _ALIKE_LOTS = 0.2, 10.0
_MOST_LOTS = 40.0  # however many sisters agree, one stream may differ: a standard deviation of 0.2 between streams
_LEAST_PAIRS = 12.0  # a stream speaks from so many neighbours on
_LEAST_STREAMS = 5  # under these, how much streams differ from each other cannot be told
_VARIANCE = 2.0  # of the estimate from absolute differences, times its pairs; by simulation, at no dependence
# Coarse on purpose: a late lot seldom changes what was said, and then every sister would have to be judged again.
_STEP, _STEP_LOTS = 0.05, 5.0


@dataclass(frozen=True, slots=True, eq=False)
class PooledAutocorrelation:
    """What the streams of a characteristic said together, from each of some weeks on; all (m,).

    `dependence` is the correlation of neighbouring lots to expect of a stream, `lots` the number of own lots it is worth.
    """

    from_weeks: Floats
    dependence: Floats
    lots: Floats

    def at(self, weeks: Floats) -> tuple[Floats, Floats]:
        """Dependence and lots in force at each time; a stream alone before the first."""
        place = np.searchsorted(self.from_weeks, weeks, side="right")
        return (
            np.concatenate([[_ALIKE], self.dependence])[place],
            np.concatenate([[_ALIKE_LOTS], self.lots])[place],
        )


NO_POOL = PooledAutocorrelation(np.empty(0), np.empty(0), np.empty(0))
"""No sister is known."""


def lag_sums(stream: Ints, weeks: Floats, levels: Floats) -> pd.DataFrame:
    """Sums of streams that `pooled` joins, a row a stream and quarter in which lots were tested.

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
    """
    sums = pd.DataFrame(0.0, index=range(stream.size), columns=list(COLUMNS[1:]))
    for apart in range(1, min(stream.size, 4)):
        pair = stream[apart:] == stream[:-apart]
        sums.loc[apart:, f"pairs_{apart}"] = pair.astype(np.float64)
        sums.loc[apart:, f"apart_{apart}"] = np.where(pair, np.abs(levels[apart:] - levels[:-apart]), 0.0)
    block = np.floor(weeks / BLOCK_WEEKS).astype(np.intp)
    return sums.assign(stream=stream, block=block).groupby(["stream", "block"]).sum().reset_index()


def pool(sums: pd.DataFrame) -> PooledAutocorrelation:
    """What streams say together of the dependence of neighbouring lots, quarter by quarter.

    Parameters
    ----------
    sums : DataFrame
        Rows of `neighbours` of all streams.

    Returns
    -------
    Sisters
        `ALONE` where fewer than 5 streams have 12 pairs.

    Notes
    -----
    For normal levels with first-order dependence r the squared mean absolute differences over 1, 2, 3 lots are as
    1 - r, 1 - r^2, 1 - r^3, as with von Neumann's mean squares [1]_; absolute ones stand a wild lot better. How much
    streams truly differ is estimated by moments [2]_ and lessens what the mean is worth. A stream is among its own
    sisters: with five or more that matters little.

    References
    ----------
    .. [1] J. von Neumann (1941), Distribution of the ratio of the mean square successive difference to the variance,
       Annals of Mathematical Statistics 12, 367-395.
    .. [2] R. DerSimonian and N. Laird (1986), Meta-analysis in clinical trials, Controlled Clinical Trials 7, 177-188.
    """
    if sums.empty:
        return NO_POOL
    stream, place = (np.unique(sums[name], return_inverse=True) for name in ("stream", "block"))
    cells = np.zeros((stream[0].size, place[0].size, 6))
    np.add.at(cells, (stream[1], place[1]), sums[list(COLUMNS[1:])].to_numpy(np.float64))
    told = np.cumsum(cells, axis=1)
    said = [_together(*_estimates(told[:, k])) for k in range(place[0].size)]
    # What says the same as the quarter before is left out.
    news = [one is not None and (k == 0 or one != said[k - 1]) for k, one in enumerate(said)]
    kept = [((place[0][k] + 1.0) * BLOCK_WEEKS, *one) for k, one in enumerate(said) if one is not None and news[k]]
    return PooledAutocorrelation(*np.array(kept, dtype=np.float64).T) if kept else NO_POOL


def _estimates(told: Floats) -> tuple[Floats, Floats]:
    """Dependence of each stream that has enough pairs, and its pairs."""
    told = told[told[:, 0] >= _LEAST_PAIRS]
    apart = (told[:, 3:] / told[:, :3]) ** 2
    near = apart[:, 0]
    growth = np.divide(0.5 * (apart[:, 1] + apart[:, 2]), near, out=np.ones_like(near), where=near > 0) - 1.0
    # Not cut off at a growth of 0: the errors of many streams have to balance.
    return np.where(growth > -0.45, np.sqrt(1.0 + 2.0 * np.clip(growth, -0.45, 1.5)) - 1.0, growth), told[:, 0]


def _together(own: Floats, pairs: Floats) -> tuple[float, float] | None:
    """Mean dependence and the lots it is worth, rounded; None where too few streams speak."""
    if own.size < _LEAST_STREAMS:
        return None
    weight = pairs / _VARIANCE
    mean = float((weight * own).sum() / weight.sum())
    beyond = float((weight * (own - mean) ** 2).sum()) - (own.size - 1)
    between = max(beyond / float(weight.sum() - (weight**2).sum() / weight.sum()), 0.0)
    worth = _VARIANCE / max(between + 1.0 / float(weight.sum()), _VARIANCE / _MOST_LOTS)
    alike = min(max(round(mean / _STEP) * _STEP, 0.0), 0.8)
    return alike, max(float(np.floor(worth / _STEP_LOTS) * _STEP_LOTS), _ALIKE_LOTS)
