"""Restricted maximum likelihood for readings in bags in lots, for many streams at once.

The likelihood needs no matrix of readings. Each lot enters through sums over its bags, so one step for ten thousand
lots is a few dozen array expressions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spc.kernels.arrays import Flags, Floats, Indices

__all__ = ["Bags", "Maximum", "maximise", "mean"]

_STEPS = 300
_HALVINGS = 40
_CONVERGED = 1e-11  # Relative change of a component at which the iteration ends


@dataclass(frozen=True, slots=True, eq=False)
class Bags:
    """Sufficient statistics of the data; a row is a group of equal bags of one lot.

    Per row (rows,): `count` bags of `share` = 1 / readings each, with mean `y` of the bag means and `squares` of the
    bag means about it; `lot` numbers the lot of the row. Per lot (lots,): `stream`. Per stream (streams,): `within`,
    the sum of squares within bags, and `within_df`.
    """

    count: Floats
    share: Floats
    y: Floats
    squares: Floats
    lot: Indices
    stream: Indices
    within: Floats
    within_df: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Maximum:
    """Components (streams, 3) in the order lot, bag, reading, and the expected information there, (streams, 3, 3)."""

    components: Floats
    information: Floats


@dataclass(frozen=True, slots=True, eq=False)
class _Sums:
    """Sums for certain components: `w` per row, the others per lot, `mean` and `weight` per stream."""

    w: Floats
    s1: Floats
    u: Floats
    shrink: Floats
    lot_mean: Floats
    mean: Floats  # Per stream
    weight: Floats  # Per stream


def maximise(bags: Bags, start: Floats, free: Flags) -> Maximum:
    """Maximise by Fisher scoring from `start` (streams, 3); components that are not `free` keep their value.

    A component is never below 0: a step ends where the first component reaches 0, and that component stays there while
    the likelihood increases towards negative values. Steps that reduce the likelihood are halved.

    Examples
    --------
    Two lots of two bags with two readings each:

    >>> bags = Bags(
    ...     count=np.ones(4),
    ...     share=np.full(4, 0.5),
    ...     y=np.array([1.1, 1.5, 2.3, 2.1]),
    ...     squares=np.zeros(4),
    ...     lot=np.array([0, 0, 1, 1]),
    ...     stream=np.array([0, 0]),
    ...     within=np.array([0.14]),
    ...     within_df=np.array([4.0]),
    ... )
    >>> maximise(bags, np.full((1, 3), 0.1), np.ones((1, 3), dtype=bool)).components.round(4).tolist()
    [[0.38, 0.0325, 0.035]]
    """
    theta = start.copy()
    moving: Flags = np.asarray(free.any(axis=1))
    value = _deviance(bags, theta)
    for _ in range(_STEPS):
        slope, information = _slopes(bags, theta)
        step = _step(theta, slope, information, free & moving[:, None])
        theta, value, moved = _descend(bags, theta, value, step)
        moving &= moved > _CONVERGED
        if not moving.any():
            break
    return Maximum(theta, _slopes(bags, theta)[1])


def mean(bags: Bags, components: Floats) -> tuple[Floats, Floats]:
    """Generalised least-squares mean of each stream and its variance; nan without variance within lots.

    Examples
    --------
    >>> bags = Bags(
    ...     count=np.ones(4),
    ...     share=np.full(4, 0.5),
    ...     y=np.array([1.1, 1.5, 2.3, 2.1]),
    ...     squares=np.zeros(4),
    ...     lot=np.array([0, 0, 1, 1]),
    ...     stream=np.array([0, 0]),
    ...     within=np.array([0.14]),
    ...     within_df=np.array([4.0]),
    ... )
    >>> level, variance = mean(bags, np.array([[0.38, 0.0325, 0.035]]))
    >>> level.round(3), variance.round(4)
    (array([1.75]), array([0.2025]))
    """
    sums = _sums(bags, components)
    with np.errstate(divide="ignore", invalid="ignore"):
        return sums.mean, 1.0 / sums.weight


def _add(groups: Indices, values: Floats, count: int) -> Floats:
    return np.asarray(np.bincount(groups, values, count), dtype=np.float64)


def _sums(bags: Bags, theta: Floats) -> _Sums:
    lots, streams = bags.stream.size, theta.shape[0]
    of_row = bags.stream[bags.lot]
    with np.errstate(divide="ignore", invalid="ignore"):
        w = 1.0 / (theta[of_row, 1] + theta[of_row, 2] * bags.share)
        s1 = _add(bags.lot, bags.count * w, lots)
        lot_mean = _add(bags.lot, bags.count * w * bags.y, lots) / s1
        shrink = 1.0 / (1.0 + theta[bags.stream, 0] * s1)
        u = shrink * s1
        weight = _add(bags.stream, u, streams)
        mean = _add(bags.stream, u * lot_mean, streams) / weight
    return _Sums(w, s1, u, shrink, lot_mean, mean, weight)


def _deviance(bags: Bags, theta: Floats) -> Floats:
    """Minus twice the restricted log likelihood up to a constant, (streams,); nan or inf where it does not exist."""
    k = _sums(bags, theta)
    streams = theta.shape[0]
    with np.errstate(divide="ignore", invalid="ignore"):
        rows = bags.count * ((bags.y - k.lot_mean[bags.lot]) ** 2 * k.w - np.log(k.w)) + bags.squares * k.w
        lots = _add(bags.lot, rows, k.s1.size) - np.log(k.shrink) + k.u * (k.lot_mean - k.mean[bags.stream]) ** 2
        within = bags.within_df * np.log(theta[:, 2]) + bags.within / theta[:, 2]
        within = np.where(bags.within_df > 0, within, 0.0)
        return np.asarray(_add(bags.stream, lots, streams) + np.log(k.weight) + within)


def _slopes(bags: Bags, theta: Floats) -> tuple[Floats, Floats]:
    """Gradient (streams, 3) of the log likelihood and expected information (streams, 3, 3).

    With V the covariance of the bag means, V_a its derivatives and P = V^-1 - V^-1 1 1' V^-1 / (1' V^-1 1), the
    gradient is (y' P V_a P y - tr P V_a) / 2 and the information tr(P V_a P V_b) / 2 (Searle, Casella and McCulloch
    1992, chapter 6). Within a lot V^-1 = W - pull w w', with W = diag(w).
    """
    k = _sums(bags, theta)
    pull = theta[bags.stream, 0] * k.shrink
    shares = (np.ones_like(bags.share), bags.share)
    second = [_by_lot(bags, k.w**2 * a) for a in shares]
    by_lot_hats = [k.u**2, *(k.shrink**2 * s for s in second)]
    traces = [k.u, *(_by_lot(bags, k.w * a) - pull * s for a, s in zip(shares, second, strict=True))]
    hats, trace, squares = (_by_stream(bags, part) for part in (by_lot_hats, traces, _squares(bags, k, pull, shares)))
    with np.errstate(divide="ignore", invalid="ignore"):  # A stream without lots has no weight
        hats = hats / k.weight[:, None]
        slope = squares - trace + hats
        pairs, crossed = _pairs(bags, k, pull, shares, second)
        information = pairs - 2.0 * crossed / k.weight[:, None, None] + hats[:, :, None] * hats[:, None, :]
    _add_within(bags, theta[:, 2], slope, information)
    return 0.5 * slope, 0.5 * information


def _by_lot(bags: Bags, values: Floats) -> Floats:
    return _add(bags.lot, bags.count * values, bags.stream.size)


def _by_stream(bags: Bags, parts: list[Floats]) -> Floats:
    streams = bags.within.size
    return np.stack([_add(bags.stream, part, streams) for part in parts], axis=1)


def _squares(bags: Bags, k: _Sums, pull: Floats, shares: tuple[Floats, Floats]) -> list[Floats]:
    """Quadratic forms y' P V_a P y of each lot."""
    lot_off = k.lot_mean - k.mean[bags.stream]
    p = k.w * (bags.y - (k.mean[bags.stream] + pull * k.s1 * lot_off)[bags.lot])
    lots = bags.stream.size
    spread = bags.count * p**2 + bags.squares * k.w**2
    return [(k.u * lot_off) ** 2, *(_add(bags.lot, a * spread, lots) for a in shares)]


def _pairs(
    bags: Bags, k: _Sums, pull: Floats, shares: tuple[Floats, Floats], second: list[Floats]
) -> tuple[Floats, Floats]:
    """Sum over lots tr V^-1 V_a V^-1 V_b and 1' V^-1 V_a V^-1 V_b V^-1 1, both (streams, 3, 3)."""
    parts, crossed = {(0, 0): k.u**2}, {(0, 0): k.u**3}
    for a in (1, 2):
        parts[0, a] = k.shrink**2 * second[a - 1]
        crossed[0, a] = k.u * parts[0, a]
    for a, b in ((1, 1), (1, 2), (2, 2)):
        both = shares[a - 1] * shares[b - 1]
        third, product = _by_lot(bags, k.w**3 * both), second[a - 1] * second[b - 1]
        parts[a, b] = _by_lot(bags, k.w**2 * both) - 2.0 * pull * third + pull**2 * product
        crossed[a, b] = k.shrink**2 * (third - pull * product)
    return _symmetric(bags, parts), _symmetric(bags, crossed)


def _symmetric(bags: Bags, parts: dict[tuple[int, int], Floats]) -> Floats:
    out = np.empty((bags.within.size, 3, 3))
    for (a, b), values in parts.items():
        out[:, a, b] = out[:, b, a] = _add(bags.stream, values, bags.within.size)
    return out


def _add_within(bags: Bags, reading: Floats, slope: Floats, information: Floats) -> None:
    """Add the contribution of the readings within bags."""
    usable = (bags.within_df > 0) & (reading > 0)
    spread, df = reading[usable], bags.within_df[usable]
    slope[usable, 2] += (bags.within[usable] / spread - df) / spread
    information[usable, 2, 2] += df / spread**2


def _step(theta: Floats, slope: Floats, information: Floats, free: Flags) -> Floats:
    """Scoring step (streams, 3) in the free components, cut where the first of them reaches 0."""
    moves = free & ~((theta <= 0) & (slope <= 0))
    step = _solved(slope, information, moves)
    for _ in range(2):
        # If the other components would move one at 0 below 0, fix it and solve for the others again.
        moves &= ~((theta <= 0) & (step < 0))
        step = _solved(slope, information, moves)
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = np.where(step < 0, -theta / step, np.inf).min(axis=1)
    return np.asarray(step * np.minimum(reach, 1.0)[:, None])


def _solved(slope: Floats, information: Floats, moves: Flags) -> Floats:
    both = moves[:, :, None] & moves[:, None, :]
    masked = np.where(both, information, np.eye(3))
    unit = 1.0 / np.sqrt(np.einsum("saa->sa", masked))
    pull = np.where(moves, unit * slope, 0.0)
    return np.asarray(unit * np.linalg.solve(masked * unit[:, :, None] * unit[:, None, :], pull[:, :, None])[:, :, 0])


def _descend(bags: Bags, theta: Floats, value: Floats, step: Floats) -> tuple[Floats, Floats, Floats]:
    """Take the step of each stream, halved until its deviance does not rise.

    Returns the components, their deviance, and the relative change (inf where a component reaches 0).
    """
    size = np.ones((theta.shape[0], 1))
    for _ in range(_HALVINGS):
        trial = theta + size * step
        # Rounding leaves a component that reaches 0 slightly off it.
        trial[trial < 1e-14 * trial.sum(axis=1, keepdims=True)] = 0.0
        reached = _deviance(bags, trial)
        with np.errstate(invalid="ignore"):  # A stream without lots has a deviance of -inf, and no step
            worse: Flags = np.logical_not(reached <= value + 1e-13 * np.abs(value), dtype=np.bool_)
        if not worse.any():
            break
        size[worse] *= 0.5
    trial[worse], reached[worse] = theta[worse], value[worse]
    change = np.abs(trial - theta).max(axis=1) / trial.sum(axis=1)
    return trial, reached, np.where(((trial <= 0) & (theta > 0)).any(axis=1), np.inf, change)
