"""Which supplier's lots conform more often, when some sent four lots and some sent sixty.

Shares of conforming lots are pooled in part: each supplier is pulled towards all others, the more so the fewer lots it
sent. A place is given as a range, so that what the lots can't tell apart stands as a tie.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spc.kernels.arrays import Floats, Indices

__all__ = ["Laws", "Standing", "log_posterior", "on_logit_axis", "population_laws", "shares"]

_SIZES = 32  # Gauss-Legendre nodes over size**-0.5
_LOGITS = 22.0  # the population mean is sought between these logits, 3e-10 from 0 and 1
_TAIL = 1e-3  # posterior mass of the population that is left out
_SPAN = 30.0  # logits of a share beyond which it counts as 0 or 1
_STEPS = 600  # points of the logit axis on which two suppliers are compared
_HALVINGS = 30  # of the logit axis, for an interval's end: 60 / 2**30
_CHUNK = 40  # population nodes at once: 40 x pairs of counts x _STEPS floats


@dataclass(frozen=True, slots=True, eq=False)
class Standing:
    """Pooled shares and places; arrays of shape (k,), one a supplier, in the order given.

    `share` is the posterior mean of the share of conforming lots, `low` and `high` its equal-tailed interval. `better`
    (k, k) is the chance that the row's share is above the column's. `first` and `last` are the best and the worst place
    that can't be ruled out: another supplier stands above for sure only where that chance is at least
    (1 + confidence) / 2.
    """

    share: Floats
    low: Floats
    high: Floats
    better: Floats
    first: Indices
    last: Indices
    confidence: float


@dataclass(frozen=True, slots=True, eq=False)
class _Population:
    """Nodes of the posterior of the population from which suppliers come: beta laws and their weights, (nodes,)."""

    alpha: Floats
    beta: Floats
    weight: Floats


def shares(good: ArrayLike, decided: ArrayLike, confidence: float = 0.95) -> Standing:
    """Rank suppliers by their share of conforming lots, with partial pooling.

    For a handful of lots a raw share says little: four of four is 100 %. Here it stays near what is usual, and its
    place is a wide range.

    Parameters
    ----------
    good, decided : array_like of int, shape (k,)
        Conforming lots, and lots that either conform or fail, of each supplier; 0 <= good <= decided.
    confidence : float
        Of the intervals and of the places, in (0, 1).

    Returns
    -------
    Standing

    Raises
    ------
    ValueError
        If the shapes differ, a count is not whole or out of range, or `confidence` is not in (0, 1).

    Notes
    -----
    Beta-binomial model: share ~ beta(alpha, beta). The population's mean and (alpha + beta)**-0.5 are taken as uniform,
    which is the prior (alpha + beta)**(-5/2) of [1]_, section 5.3, here cut at alpha + beta >= 1: the uncut one has no
    proper posterior where every lot of every supplier conforms, the usual case of a good quarter. All integrals are by
    quadrature, so that equal counts give equal bytes. A range of places follows [2]_; that pooled comparisons need no
    further correction for their number is argued in [3]_. Lots are taken as independent.

    References
    ----------
    .. [1] A. Gelman, J. B. Carlin, H. S. Stern, D. B. Dunson, A. Vehtari, D. B. Rubin (2013), Bayesian Data Analysis,
       3rd edition, section 5.3.
    .. [2] H. Goldstein, D. J. Spiegelhalter (1996), League tables and their limitations, Journal of the Royal
       Statistical Society A 159, 385-443.
    .. [3] A. Gelman, J. Hill, M. Yajima (2012), Why we (usually) don't have to worry about multiple comparisons,
       Journal of Research on Educational Effectiveness 5, 189-211.

    Examples
    --------
    >>> standing = shares([4, 57, 59, 20], [4, 60, 60, 40])
    >>> standing.first.tolist(), standing.last.tolist()
    ([1, 1, 1, 4], [3, 3, 3, 4])
    """
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must be in (0, 1), got {confidence!r}")
    # Suppliers with equal counts stand equally: each pair of counts is worked out once.
    laws = population_laws(good, decided)
    sure = (1 + confidence) / 2
    better = _better(laws)[np.ix_(laws.place, laws.place)]
    return Standing(
        share=laws.share,
        low=_quantile(laws, 1 - sure)[laws.place],
        high=_quantile(laws, sure)[laws.place],
        better=better,
        first=1 + (better >= sure).sum(axis=0),
        last=len(better) - (better >= sure).sum(axis=1),
        confidence=confidence,
    )


@dataclass(frozen=True, slots=True, eq=False)
class Laws:
    """Shares given each node of the population's posterior, for the distinct pairs of counts.

    `weight` (nodes,) sums to 1; `a` and `b` (nodes, pairs) are the beta laws; `place` (k,) says which pair a supplier has;
    `share` (k,) is its pooled share.
    """

    weight: Floats
    a: Floats
    b: Floats
    place: Indices
    share: Floats


def population_laws(good: ArrayLike, decided: ArrayLike) -> Laws:
    """What `shares` rests on, for sums of several shares: the beta laws of each supplier given the population.

    Parameters, model and errors are those of `shares`.

    Examples
    --------
    >>> laws = population_laws([4, 9, 4], [5, 10, 5])
    >>> laws.place.tolist(), laws.a.shape[1]
    ([0, 1, 0], 2)
    """
    counts = _counted(good, decided)
    pairs, place = np.unique(counts, axis=0, return_inverse=True)
    place = place.reshape(-1)
    population = _population(counts)
    a, b = _laws(population, pairs)
    return Laws(population.weight, a, b, place, (population.weight @ (a / (a + b)))[place])


def _counted(good: ArrayLike, decided: ArrayLike) -> Floats:
    counts = [np.asarray(values, dtype=np.float64) for values in (good, decided)]
    if counts[0].ndim != 1 or counts[0].shape != counts[1].shape:
        raise ValueError(
            f"good and decided must hold one count a supplier, got shapes {counts[0].shape} and {counts[1].shape}"
        )
    if not counts[0].size:
        raise ValueError("good and decided must hold the counts of at least one supplier, got none")
    table = np.stack(counts, axis=1)
    whole = np.isfinite(table).all(axis=1) & (table == np.floor(table)).all(axis=1)
    bad = np.flatnonzero(~(whole & (table[:, 0] >= 0) & (table[:, 0] <= table[:, 1])))
    if bad.size:
        raise ValueError(
            f"counts must be whole, with 0 <= good <= decided: {table[bad[0], 0]:g} of {table[bad[0], 1]:g} at index "
            f"{bad[0]} is not"
        )
    return table


def log_posterior(mean: ArrayLike, size: ArrayLike, good: ArrayLike, decided: ArrayLike) -> Floats:
    """Log posterior density of a population's mean and size = alpha + beta, up to a constant.

    `mean` and `size` broadcast against each other; the density is with respect to both.

    Examples
    --------
    >>> bool(log_posterior(0.9, 20.0, [9, 18], [10, 20]) > log_posterior(0.5, 20.0, [9, 18], [10, 20]))
    True
    """
    m, s = (np.asarray(values, dtype=np.float64) for values in (mean, size))
    alpha, beta = m * s, (1 - m) * s
    total = -1.5 * np.log(s)
    for (hits, lots), times in zip(*np.unique(_counted(good, decided), axis=0, return_counts=True), strict=True):
        total = total + times * (special.betaln(alpha + hits, beta + lots - hits) - special.betaln(alpha, beta))
    return np.asarray(total)


def _population(counts: Floats) -> _Population:
    """Posterior nodes: Gauss-Legendre over size**-0.5 in (0, 1), an even grid over the logit of the mean."""
    roots, weights = special.roots_legendre(_SIZES)
    size = (0.5 * (roots + 1.0)) ** -2.0
    logit = np.arange(-_LOGITS, _LOGITS, _step(counts))[:, None]
    mean = special.expit(logit)
    # Uniform in size**-0.5: the factor of log_posterior that turns it into a density of size is taken out again.
    log = log_posterior(mean, size, counts[:, 0], counts[:, 1]) + 1.5 * np.log(size)
    log = log + special.log_expit(logit) + special.log_expit(-logit) + np.log(weights)
    mass = np.exp(log - log.max()).ravel()
    kept = _heaviest(mass / mass.sum())
    shape = log.shape
    alpha = np.broadcast_to(mean * size, shape).ravel()[kept]
    beta = np.broadcast_to(special.expit(-logit) * size, shape).ravel()[kept]
    return _Population(alpha, beta, mass[kept] / mass[kept].sum())


def _step(counts: Floats) -> float:
    """Grid of the logit: finer than its standard deviation in a population where all suppliers are alike."""
    hits, lots = counts.sum(axis=0)
    share = (hits + 0.5) / (lots + 1.0)
    return float(np.clip(0.8 / np.sqrt(1.0 + lots * share * (1.0 - share)), 0.02, 0.25))


def _heaviest(mass: Floats) -> Indices:
    """Pick the fewest nodes that hold all but `_TAIL` of the mass, in their order."""
    order = np.argsort(-mass, kind="stable")
    needed = int(np.searchsorted(np.cumsum(mass[order]), 1.0 - _TAIL)) + 1
    return np.sort(order[:needed])


def _laws(population: _Population, pairs: Floats) -> tuple[Floats, Floats]:
    """Beta laws of each pair of counts given each node, (nodes, pairs)."""
    return population.alpha[:, None] + pairs[:, 0], population.beta[:, None] + pairs[:, 1] - pairs[:, 0]


def _quantile(laws: Laws, chance: float) -> Floats:
    """Quantile of each mixture of beta laws, by halving the logit axis."""
    a, b = laws.a, laws.b
    low, high = np.full(a.shape[1], -_SPAN), np.full(a.shape[1], _SPAN)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        under = laws.weight @ special.betainc(a, b, special.expit(middle)) < chance
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    return np.asarray(special.expit(0.5 * (low + high)))


def _better(laws: Laws) -> Floats:
    """Chance that the row's share is above the column's; what can't be told apart counts half each way."""
    pairs = laws.a.shape[1]
    above = np.zeros((pairs, pairs))
    for rows in _chunks(len(laws.a)):
        mass, under = _spread(laws.a[rows], laws.b[rows])
        weighted = mass * laws.weight[rows, None, None]
        above += np.einsum("hit,hjt->ij", weighted, under, optimize=True)
    return 0.5 + 0.5 * (above - above.T)


def _chunks(rows: int) -> Iterator[slice]:
    for start in range(0, rows, _CHUNK):
        yield slice(start, start + _CHUNK)


def _spread(a: Floats, b: Floats) -> tuple[Floats, Floats]:
    """Mass of each law in the cells of one axis a node, and the mass below each cell with half its own."""
    mass, _ = on_logit_axis(a, b, _STEPS)
    return mass, np.cumsum(mass, axis=-1) - 0.5 * mass


def on_logit_axis(a: Floats, b: Floats, steps: int) -> tuple[Floats, Floats]:
    """Mass of beta laws (nodes, pairs) in the cells of one axis a node, (nodes, pairs, steps), and the axis' logits.

    The axis covers eight standard deviations of every law; what lies outside is put into its end cells.
    """
    middle = special.digamma(a) - special.digamma(b)
    sd = np.sqrt(special.polygamma(1, a) + special.polygamma(1, b))
    low = np.clip((middle - 8 * sd).min(axis=1), -_SPAN, _SPAN - 1)
    high = np.clip((middle + 8 * sd).max(axis=1), low + 1e-9, _SPAN)
    logit = low[:, None] + (high - low)[:, None] * (np.arange(steps) + 0.5) / steps
    log = a[..., None] * special.log_expit(logit)[:, None] + b[..., None] * special.log_expit(-logit)[:, None]
    mass = np.exp(log - special.betaln(a, b)[..., None]) * ((high - low) / steps)[:, None, None]
    mass[..., 0] += special.betainc(a, b, special.expit(low)[:, None])
    mass[..., -1] += special.betaincc(a, b, special.expit(high)[:, None])
    mass /= mass.sum(axis=-1, keepdims=True)
    return mass, logit
