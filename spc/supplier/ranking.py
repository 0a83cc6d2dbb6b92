"""Ranking of suppliers by their share of conforming lots, with partial pooling.

Suppliers send different numbers of lots. Partial pooling moves each share towards the share of all suppliers, the more
so the fewer lots there are. A place is a range: suppliers that the lots cannot distinguish are tied.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spc.kernels.arrays import Floats, Indices

__all__ = ["Laws", "Standing", "log_posterior", "on_logit_axis", "population_laws", "shares"]

_SIZES = 32  # Gauss-Legendre nodes over size**-0.5
_LOGITS = 22.0  # Range of the population mean in logits: to 3e-10 from 0 and 1
_TAIL = 1e-3  # Posterior mass of the population that is left out
_SPAN = 30.0  # a share beyond this logit counts as 0 or 1
_STEPS = 600  # Points of the logit axis on which two suppliers are compared
_HALVINGS = 30  # Bisections for the end of an interval, to 60 / 2**30 of the logit axis
_CHUNK = 40  # Population nodes processed together: 40 x pairs of counts x _STEPS floats


@dataclass(frozen=True, slots=True, eq=False)
class Standing:
    """Pooled shares and places; arrays of shape (k,), one a supplier, in the order given.

    `share` is the posterior mean of the share of conforming lots, `low` and `high` its equal-tailed interval. `better`
    (k, k) is the probability that the share of the row is above that of the column. `first` and `last` are the best and
    the worst possible place: another supplier is certainly above only if that probability is at least
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
    """Nodes of the posterior of the population of suppliers: beta distributions and their weights, (nodes,)."""

    alpha: Floats
    beta: Floats
    weight: Floats


def shares(good: ArrayLike, decided: ArrayLike, confidence: float = 0.95) -> Standing:
    """Rank suppliers by their share of conforming lots, with partial pooling.

    With few lots a raw share means little: four of four is 100 %. The pooled share stays near that of the other
    suppliers, and its place is a wide range.

    Parameters
    ----------
    good, decided : array_like of int, shape (k,)
        Conforming lots, and lots that either conform or fail, of each supplier; 0 <= good <= decided.
    confidence : float
        Probability for the intervals and the places, in (0, 1).

    Returns
    -------
    Standing

    Raises
    ------
    ValueError
        If the shapes differ, a count is not whole or out of range, or `confidence` is not in (0, 1).

    Notes
    -----
    Beta-binomial model: share ~ beta(alpha, beta). The mean of the population and (alpha + beta)**-0.5 have uniform
    priors, which is the prior (alpha + beta)**(-5/2) of [1]_, section 5.3, truncated to alpha + beta >= 1. Without
    truncation there is no proper posterior where every lot of every supplier conforms, as in most good quarters. All
    integrals are by quadrature, so equal counts give equal bytes. The range of places follows [2]_; pooled comparisons
    need no correction for their number [3]_. Lots are taken as independent.

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
    # Suppliers with equal counts have equal results: compute each pair of counts once.
    laws = population_laws(good, decided)
    certain = (1 + confidence) / 2
    better = _better(laws)[np.ix_(laws.place, laws.place)]
    return Standing(
        share=laws.share,
        low=_quantile(laws, 1 - certain)[laws.place],
        high=_quantile(laws, certain)[laws.place],
        better=better,
        first=1 + (better >= certain).sum(axis=0),
        last=len(better) - (better >= certain).sum(axis=1),
        confidence=confidence,
    )


@dataclass(frozen=True, slots=True, eq=False)
class Laws:
    """Distributions of the shares given each node of the population, for the distinct pairs of counts.

    `weight` (nodes,) sums to 1; `a` and `b` (nodes, pairs) are the parameters of the beta distributions; `place` (k,)
    is the pair of each supplier and `share` (k,) its pooled share.
    """

    weight: Floats
    a: Floats
    b: Floats
    place: Indices
    share: Floats


def population_laws(good: ArrayLike, decided: ArrayLike) -> Laws:
    """Beta distributions of the share of each supplier given the population; `scoring` combines several of them.

    Model, parameters, errors and sources are those of `shares`.

    Examples
    --------
    >>> laws = population_laws([4, 9, 4], [5, 10, 5])
    >>> laws.place.tolist(), laws.a.shape[1]
    ([0, 1, 0], 2)
    """
    counts = _as_counts(good, decided)
    pairs, place = np.unique(counts, axis=0, return_inverse=True)
    place = place.reshape(-1)
    population = _population(counts)
    a, b = _laws(population, pairs)
    return Laws(population.weight, a, b, place, (population.weight @ (a / (a + b)))[place])


def _as_counts(good: ArrayLike, decided: ArrayLike) -> Floats:
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
    """Log posterior density of the mean and the size (alpha + beta) of a population, up to a constant.

    Parameters
    ----------
    mean, size : array_like
        Mean in (0, 1) and size > 0, broadcast together. The density is with respect to both.
    good, decided : array_like of int, shape (k,)
        As in `shares`, with the same errors.

    Returns
    -------
    ndarray
        In the broadcast shape.

    Examples
    --------
    >>> bool(log_posterior(0.9, 20.0, [9, 18], [10, 20]) > log_posterior(0.5, 20.0, [9, 18], [10, 20]))
    True
    """
    m, s = (np.asarray(values, dtype=np.float64) for values in (mean, size))
    alpha, beta = m * s, (1 - m) * s
    total = -1.5 * np.log(s)
    for (hits, lots), times in zip(*np.unique(_as_counts(good, decided), axis=0, return_counts=True), strict=True):
        total = total + times * (special.betaln(alpha + hits, beta + lots - hits) - special.betaln(alpha, beta))
    return np.asarray(total)


def _population(counts: Floats) -> _Population:
    """Posterior nodes: Gauss-Legendre over size**-0.5 in (0, 1), an even grid over the logit of the mean."""
    roots, weights = special.roots_legendre(_SIZES)
    size = (0.5 * (roots + 1.0)) ** -2.0
    logit = np.arange(-_LOGITS, _LOGITS, _step(counts))[:, None]
    mean = special.expit(logit)
    # The nodes are uniform in size**-0.5: remove the factor of log_posterior that makes it a density of size.
    log = log_posterior(mean, size, counts[:, 0], counts[:, 1]) + 1.5 * np.log(size)
    log = log + special.log_expit(logit) + special.log_expit(-logit) + np.log(weights)
    mass = np.exp(log - log.max()).ravel()
    kept = _heaviest(mass / mass.sum())
    shape = log.shape
    alpha = np.broadcast_to(mean * size, shape).ravel()[kept]
    beta = np.broadcast_to(special.expit(-logit) * size, shape).ravel()[kept]
    return _Population(alpha, beta, mass[kept] / mass[kept].sum())


def _step(counts: Floats) -> float:
    """Step of the logit grid: finer than its standard deviation in a population of equal suppliers."""
    hits, lots = counts.sum(axis=0)
    share = (hits + 0.5) / (lots + 1.0)
    return float(np.clip(0.8 / np.sqrt(1.0 + lots * share * (1.0 - share)), 0.02, 0.25))


def _heaviest(mass: Floats) -> Indices:
    """Return the fewest nodes that contain all but `_TAIL` of the mass, in their order."""
    order = np.argsort(-mass, kind="stable")
    needed = int(np.searchsorted(np.cumsum(mass[order]), 1.0 - _TAIL)) + 1
    return np.sort(order[:needed])


def _laws(population: _Population, pairs: Floats) -> tuple[Floats, Floats]:
    """Parameters of the beta distribution of each pair of counts given each node, (nodes, pairs)."""
    return population.alpha[:, None] + pairs[:, 0], population.beta[:, None] + pairs[:, 1] - pairs[:, 0]


def _quantile(laws: Laws, chance: float) -> Floats:
    """Quantile of each mixture of beta distributions, by halving the logit axis."""
    a, b = laws.a, laws.b
    low, high = np.full(a.shape[1], -_SPAN), np.full(a.shape[1], _SPAN)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        under = laws.weight @ special.betainc(a, b, special.expit(middle)) < chance
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    return np.asarray(special.expit(0.5 * (low + high)))


def _better(laws: Laws) -> Floats:
    """Probability that the share of the row is above that of the column; a tie counts half for each."""
    pairs = laws.a.shape[1]
    above = np.zeros((pairs, pairs))
    for start in range(0, len(laws.a), _CHUNK):
        rows = slice(start, start + _CHUNK)
        mass, _ = on_logit_axis(laws.a[rows], laws.b[rows], _STEPS)
        under = np.cumsum(mass, axis=-1) - 0.5 * mass  # Mass below each cell, with half of its own
        weighted = mass * laws.weight[rows, None, None]
        above += np.einsum("hit,hjt->ij", weighted, under, optimize=True)
    return 0.5 + 0.5 * (above - above.T)


def on_logit_axis(a: Floats, b: Floats, steps: int) -> tuple[Floats, Floats]:
    """Mass of beta distributions in the cells of a logit axis, one axis a node.

    The axis covers eight standard deviations of every distribution; its end cells include the mass beyond.

    Parameters
    ----------
    a, b : ndarray, shape (nodes, pairs)
        Parameters of the beta distributions, > 0.
    steps : int
        Number of cells.

    Returns
    -------
    mass : ndarray, shape (nodes, pairs, steps)
        Adds up to 1 over the cells.
    logit : ndarray, shape (nodes, steps)
        Middle of each cell.

    Examples
    --------
    >>> mass, logit = on_logit_axis(np.array([[8.0]]), np.array([[2.0]]), 600)
    >>> round(float((mass[0, 0] * special.expit(logit[0])).sum()), 4)
    0.8
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
