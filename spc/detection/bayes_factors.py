"""How strongly the lots of a window say that their level has moved, since when, and in which form.

Every start and two forms, a step and a ramp, are weighed at once: their Bayes factors against a steady level are added,
as in the procedure of Shiryaev and Roberts, so that neither start nor size nor form nor scatter has to be known.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spc.detection.autocorrelation import GRID, prior_weights
from spc.detection.normal_scores import Scores, whitened
from spc.detection.windows import Windows
from spc.kernels.validation import Floats

__all__ = ["MoveFactors", "averaged_evidence", "coordinates", "move_factors"]

# Prior standard deviations of a step and of a ramp a lot, in standard deviations of one lot, each with its weight: small
# ones for what builds up over months, large ones for what a handful of lots has to show.
_STEP_SIZES = ((0.7, 0.5), (2.0, 0.5))
_RAMP_SLOPES = ((0.08, 0.5), (0.4, 0.5))
_AVERAGED = slice(0, 7, 2)  # Values of the grid over which evidence is averaged: 0, 0.2, 0.4, 0.6
_STEADY_LOTS = (3, 1)  # a step and a ramp can be seen only against so many lots before them
# Log evidence taken off at an autocorrelation of 1, as how large it is stays uncertain. Chosen by simulation.
_DOUBT = 1.0
_NEARLY_ALL = 1.0 - 1e-9  # No move explains more of the scatter than rounding leaves
_LONGEST_PAUSE = 4.0  # a pause counts for at most so many usual intervals


@dataclass(frozen=True, slots=True, eq=False)
class MoveFactors:
    """Evidence for a move; (rows,), or (rows, SPAN) where it says so.

    `evidence` is the natural log of the sum of Bayes factors over starts and forms, less what autocorrelation makes
    doubtful.
    `step` and `ramp` (rows, SPAN) are the log factors of a move whose first lot is in that column (-inf where
    impossible), `height` and `slope` the score statistics with their signs.
    """

    evidence: Floats
    step: Floats
    ramp: Floats
    height: Floats
    slope: Floats


def coordinates(seen: Windows) -> Floats:
    """How far along each lot lies, (rows, SPAN): half by count of lots, half by time, one unit a usual interval.

    A film in store ages by time, a wearing process by output; half of each follows both.

    Examples
    --------
    Lots come once a week; then a pause of three weeks counts for more than one lot and less than three:

    >>> from spc.detection.windows import LotSeries, windows
    >>> weeks, zero, nothing = np.array([0.0, 1.0, 2.0, 5.0]), np.zeros(4), np.full(4, np.nan)
    >>> stream = LotSeries(weeks, zero, zero, nothing, zero, nothing, zero, zero, zero, zero, zero)
    >>> _, seen = next(windows([stream], np.array([0]), np.array([3])))
    >>> coordinates(seen)[0, -4:].round(2).tolist()
    [0.0, 0.8, 1.6, 3.0]
    """
    gaps = np.diff(seen.weeks, axis=1)
    real = np.cumsum(seen.known, axis=1)[:, 1:] > 1
    usual = (gaps * real).sum(1, keepdims=True) / np.maximum(real.sum(1, keepdims=True), 1)
    paused = np.divide(gaps, usual, out=np.ones_like(gaps), where=usual > 0)
    steps = 0.5 + 0.5 * np.minimum(paused, _LONGEST_PAUSE)
    along = np.zeros(seen.weeks.shape)
    np.cumsum(np.where(real, steps, 0.0), axis=1, out=along[:, 1:])
    return along


def _from_here(values: Floats) -> Floats:
    """Sum over this column and all later ones."""
    return np.cumsum(values[:, ::-1], axis=1)[:, ::-1]


def move_factors(seen: Windows, scores: Scores) -> MoveFactors:
    """Weighs a step and a ramp from every start against a level that never moved.

    Parameters
    ----------
    seen : Windows
    scores : Scores

    Returns
    -------
    MoveFactors

    Notes
    -----
    For a move with regressor x, known up to a factor b ~ N(0, b0^2 s^2) with the scatter s unknown, the log Bayes factor
    against none is -(n - 1) / 2 log(1 - T^2 g / ((1 + g) S)) - log(1 + g) / 2, with S the sum of squares of n scores
    about their mean, T the standardised score of x after the mean is fitted and g = b0^2 N, N the information on b: the
    conjugate case of [4]_. A true move makes S large, and the factor allows for it. All N and T of all starts come from
    a handful of reversed running sums.

    References
    ----------
    .. [1] A. N. Shiryaev (1963), On optimum methods in quickest detection problems, Theory of Probability and its
       Applications 8, 22-46.
    .. [2] S. W. Roberts (1966), A comparison of some control chart procedures, Technometrics 8, 411-430.
    .. [3] D. M. Hawkins, P. Qiu, C. W. Kang (2003), The changepoint model for statistical process control, Journal of
       Quality Technology 35, 355-366.
    .. [4] F. Liang, R. Paulo, G. Molina, M. A. Clyde, J. O. Berger (2008), Mixtures of g priors for Bayesian variable
       selection, Journal of the American Statistical Association 103, 410-423, section 2 (from memory; the test repeats it
       by dense algebra).

    Examples
    --------
    The last 10 of 40 lots lie three standard deviations higher. The evidence names the first of them:

    >>> from spc.detection.normal_scores import score
    >>> from spc.detection.windows import LotSeries, windows
    >>> weeks, zero, nothing = np.arange(40.0), np.zeros(40), np.full(40, np.nan)
    >>> levels = np.random.default_rng(2).standard_normal(40) + 3.0 * (weeks >= 30)
    >>> stream = LotSeries(weeks, levels, zero, nothing, zero, nothing, zero, zero, zero, zero, zero)
    >>> _, seen = next(windows([stream], np.array([0, 0]), np.array([27, 39])))
    >>> factors = move_factors(seen, score(seen))
    >>> factors.evidence.round(1).tolist()
    [2.9, 12.0]
    >>> int(factors.step[1, -40:].argmax())
    30
    """
    mean, alone = _responses(scores)
    height, step_worth = _step(scores, mean, alone)
    slope, ramp_worth = _ramp(scores, mean, coordinates(seen))
    place = np.cumsum(seen.known, axis=1)
    left = seen.lots[:, None] - place
    scatter = _scatter(scores, mean) + (seen.scatter_lots[:, None] * scores.prior)
    freedom = seen.lots[:, None] - 1.0 + seen.scatter_lots[:, None]
    step, ramp = (
        np.where(
            seen.known & (place > steady) & (left >= after),
            _log_factor(statistic, worth, sizes, scatter, freedom),
            -np.inf,
        )
        for statistic, worth, sizes, steady, after in (
            (height, step_worth, _STEP_SIZES, _STEADY_LOTS[0], 1),
            (slope, ramp_worth, _RAMP_SLOPES, _STEADY_LOTS[1], 2),
        )
    )
    evidence = _log_sum(step, ramp) - _DOUBT * scores.dependence[:, 0]
    return MoveFactors(evidence, step, ramp, height, slope)


def averaged_evidence(seen: Windows, scores: Scores) -> Floats:
    """Log evidence for a move, averaged over what the stream's autocorrelation may be; (rows,).

    Each autocorrelation has the weight of its prior times the likelihood of the lots without a move: what an
    autocorrelation explains by itself is no evidence for a move. `move_factors` takes one value instead, at a quarter of
    the cost, and its evidence is the larger as a rule where a stream's lots are correlated.

    Examples
    --------
    A stream whose lots resemble their neighbours wanders by itself; averaged over autocorrelations, less evidence for a move is left:

    >>> from spc.detection.normal_scores import score, whitened
    >>> from spc.detection.windows import LotSeries, windows
    >>> weeks, zero, nothing = np.arange(60.0), np.zeros(60), np.full(60, np.nan)
    >>> news, levels = np.random.default_rng(1).standard_normal(60), np.zeros(60)
    >>> for lot in range(1, 60):
    ...     levels[lot] = 0.8 * levels[lot - 1] + news[lot]
    >>> prior = zero + 0.5, zero + 0.5
    >>> stream = LotSeries(weeks, levels, zero, nothing, zero, nothing, zero, *prior, zero, zero)
    >>> _, seen = next(windows([stream], np.array([0]), np.array([59])))
    >>> scores = score(seen)
    >>> independent = whitened(scores, seen, np.zeros((1, 1)))
    >>> move_factors(seen, independent).evidence.round(1).tolist(), averaged_evidence(seen, scores).round(1).tolist()
    ([4.8], [3.3])
    """
    chances = prior_weights(seen.independent, seen.autocorrelation)[:, _AVERAGED]
    chances[:, 1:] *= ((1.0 - chances[:, 0]) / chances[:, 1:].sum(axis=1))[:, None]
    evidence, weight = [], []
    for value, chance in zip(GRID[_AVERAGED], chances.T, strict=True):
        one = whitened(scores, seen, np.full((seen.lots.size, 1), value))
        mean, _ = _responses(one)
        freedom = seen.lots - 1.0 + seen.scatter_lots
        steady = -0.5 * freedom * np.log(_scatter(one, mean)[:, 0] + seen.scatter_lots * scores.prior[:, 0])
        steady -= 0.5 * np.log1p(-(one.lag**2)).sum(axis=1)
        steady -= 0.5 * np.log(np.maximum((mean**2).sum(axis=1), 1e-12))
        weight.append(np.log(np.maximum(chance, 1e-12)) + steady)
        factors = move_factors(seen, one)
        evidence.append(weight[-1] + _log_sum(factors.step, factors.ramp))
    doubt = _DOUBT * scores.dependence[:, 0]
    return np.asarray(np.logaddexp.reduce(evidence) - np.logaddexp.reduce(weight) - doubt)


def _responses(scores: Scores) -> tuple[Floats, Floats]:
    """What a level one higher does to an innovation when the lot before moved as well, and when it did not."""
    root = np.sqrt(1.0 - scores.lag**2)
    before = np.zeros_like(scores.weight)
    before[:, 1:] = scores.weight[:, :-1]
    return (scores.weight - scores.lag * before) / root, scores.weight / root


def _standardised(
    score: Floats, worth: Floats, shared: Floats, mean_worth: Floats, mean_score: Floats
) -> tuple[Floats, Floats]:
    """Score statistic and information of a regressor after the mean is fitted."""
    ratio = shared / mean_worth
    worth = np.maximum(worth - ratio * shared, 0.0)
    score = score - ratio * mean_score
    return np.divide(score, np.sqrt(worth), out=np.zeros_like(score), where=worth > 1e-9), worth


def _step(scores: Scores, mean: Floats, alone: Floats) -> tuple[Floats, Floats]:
    score_after, worth_after = _from_here(mean * scores.innovation), _from_here(mean**2)
    first = alone - mean  # The first moved lot follows one that did not move
    return _standardised(
        score_after + first * scores.innovation,
        worth_after + alone**2 - mean**2,
        worth_after + first * mean,
        np.maximum(worth_after[:, :1], 1e-12),
        score_after[:, :1],
    )


def _ramp(scores: Scores, mean: Floats, along: Floats) -> tuple[Floats, Floats]:
    score_after, worth_after = _from_here(mean * scores.innovation), _from_here(mean**2)
    before = np.zeros_like(along)
    before[:, 1:] = along[:, :-1]
    weight_before = np.zeros_like(along)
    weight_before[:, 1:] = scores.weight[:, :-1]
    line = (along * scores.weight - scores.lag * before * weight_before) / np.sqrt(1.0 - scores.lag**2)
    line_score, line_worth, both = (_from_here(line * other) for other in (scores.innovation, line, mean))
    return _standardised(
        line_score - before * score_after,
        line_worth - 2.0 * before * both + before**2 * worth_after,
        both - before * worth_after,
        np.maximum(worth_after[:, :1], 1e-12),
        score_after[:, :1],
    )


def _scatter(scores: Scores, mean: Floats) -> Floats:
    """Sum of squares of the innovations about their fitted mean, (rows, 1)."""
    own = (scores.innovation**2).sum(axis=1) - (mean * scores.innovation).sum(axis=1) ** 2 / np.maximum(
        (mean**2).sum(axis=1), 1e-12
    )
    return np.asarray(np.maximum(own, 1e-12)[:, None])


def _log_factor(
    statistic: Floats, worth: Floats, sizes: tuple[tuple[float, float], ...], scatter: Floats, freedom: Floats
) -> Floats:
    """Log Bayes factor of a move whose size has one of these priors, each with its weight."""
    square = statistic**2 / scatter
    factors = []
    for size, weight in sizes:
        known = worth * size**2
        explained = np.minimum(square * (known / (1.0 + known)), _NEARLY_ALL)
        factors.append(-0.5 * freedom * np.log1p(-explained) - 0.5 * np.log1p(known) + np.log(weight))
    return np.asarray(factors[0] if len(factors) == 1 else np.logaddexp.reduce(factors))


def _log_sum(step: Floats, ramp: Floats) -> Floats:
    largest = np.maximum(np.maximum(step.max(axis=1), ramp.max(axis=1)), -700.0)
    total = np.exp(step - largest[:, None]).sum(axis=1) + np.exp(ramp - largest[:, None]).sum(axis=1)
    return np.asarray(largest + np.log(np.maximum(total, 1e-300)))
