"""How strongly the lots of a window say that their level has moved, since when, and in which form.

Every start and two forms, a step and a ramp, are weighed at once: their Bayes factors against a steady level are added,
as in the procedure of Shiryaev and Roberts, so that neither start nor size nor form nor scatter has to be known.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spc.detection.normal_scores import Scores
from spc.detection.windows import Flags, Windows
from spc.kernels.validation import Floats

__all__ = ["MoveFactors", "coordinates", "move_factors"]

_STEP_SIZE = 0.9  # prior standard deviation of a step, in standard deviations of one lot
_RAMP_SLOPE = 0.1  # prior standard deviation of a ramp, in standard deviations of one lot a lot
# The correlation of neighbouring lots is known with an error that makes false evidence, the more the larger it is and the
# fewer lots speak for it: 4 times the correlation with the caution of a stream alone. Chosen by simulation.
_DOUBT, _DOUBT_LOTS = 4.0, 10.0
_STEADY_LOTS = 4  # a move can be seen only against so many lots before it
_NEARLY_ALL = 1.0 - 1e-9  # no move explains more of the scatter than rounding leaves
_LONGEST_PAUSE = 4.0  # a pause counts for at most so many usual intervals


@dataclass(frozen=True, slots=True, eq=False)
class MoveFactors:
    """Evidence for a move; (rows,), or (rows, SPAN) where it says so.

    `evidence` is the natural log of the sum of Bayes factors over starts and forms, less what dependence makes doubtful.
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
    Moves

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
    """
    mean, alone = _responses(scores)
    height, step_worth = _step(scores, mean, alone)
    slope, ramp_worth = _ramp(scores, mean, coordinates(seen))
    place = np.cumsum(seen.known, axis=1)
    left = seen.lots[:, None] - place
    possible = seen.known & (place > _STEADY_LOTS)
    scatter = _scatter(scores, mean)
    step = _log_factor(height, step_worth * _STEP_SIZE**2, scatter, seen, possible & (left >= 1))
    ramp = _log_factor(slope, ramp_worth * _RAMP_SLOPE**2, scatter, seen, possible & (left >= 2))
    doubt = _DOUBT * np.sqrt(_DOUBT_LOTS / seen.alike_lots) * scores.dependence[:, 0]
    evidence = _log_sum(step, ramp) - doubt
    return MoveFactors(evidence, step, ramp, height, slope)


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
    first = alone - mean  # the first moved lot stands beside one that did not move
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


def _log_factor(statistic: Floats, worth: Floats, scatter: Floats, seen: Windows, possible: Flags) -> Floats:
    explained = np.minimum(statistic**2 * (worth / (1.0 + worth)) / scatter, _NEARLY_ALL)
    factor = -0.5 * (seen.lots[:, None] - 1.0) * np.log1p(-explained) - 0.5 * np.log1p(worth)
    return np.where(possible, factor, -np.inf)


def _log_sum(step: Floats, ramp: Floats) -> Floats:
    largest = np.maximum(np.maximum(step.max(axis=1), ramp.max(axis=1)), -700.0)
    total = np.exp(step - largest[:, None]).sum(axis=1) + np.exp(ramp - largest[:, None]).sum(axis=1)
    return np.asarray(largest + np.log(np.maximum(total, 1e-300)))
