"""Several shares of a supplier as one score, with the uncertainty of small numbers carried through to its place.

Each part of the score is a share of counts, such as lots that conform, pooled in part over all suppliers as in
`spc.ranking`. The score is their weighted mean. A place is a range, so that luck with few lots stands as a tie.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from spc.kernels.arrays import Floats, Indices
from spc.supplier.ranking import on_logit_axis, population_laws

__all__ = ["Score", "combine"]

_TERMS = 320  # odd terms of the series of the sign function
_CELLS = 1024  # of the score's range, into which a law is put before its transform
_NODES = 600  # nodes of the logit axis on which a law's transform is summed
_HALVINGS = 30  # of the score's range, for an interval's end
_CHUNK = 40

Complex = NDArray[np.complex128]


@dataclass(frozen=True, slots=True, eq=False)
class Score:
    """Scores and places; arrays of shape (k,), one a supplier, in the order given.

    `score` is the posterior mean in [0, 1], `low` and `high` its equal-tailed interval, `parts` (p, k) the pooled share
    of each part, nan where nobody has anything decided. `weights` (p,) are the given ones, scaled to a sum of 1 over the parts that anybody has counts in.
    `better` (k, k) is the chance that the row's score is above the column's. `first` and `last` are the best and the
    worst place that can't be ruled out.
    """

    score: Floats
    low: Floats
    high: Floats
    parts: Floats
    weights: Floats
    better: Floats
    first: Indices
    last: Indices
    confidence: float


def combine(counts: Sequence[tuple[ArrayLike, ArrayLike]], weights: ArrayLike, confidence: float = 0.95) -> Score:
    """Weighted mean of pooled shares, and the places that follow from it.

    Parameters
    ----------
    counts : sequence of (good, decided), one a part
        Each of shape (k,), whole numbers with 0 <= good <= decided. A supplier with nothing decided in a part is taken
        there as one of whom only the others are known. A part in which nobody has anything decided is left out.
    weights : array_like, shape (p,)
        Not negative; their sum over the parts that are left must be above 0.
    confidence : float
        Of the intervals and of the places, in (0, 1).

    Returns
    -------
    Score

    Raises
    ------
    ValueError
        If the shapes differ, a count or weight is out of range, nothing is left to be weighed, or `confidence` is not in
        (0, 1).

    Notes
    -----
    Parts are pooled one by one by the beta-binomial model of [1]_, section 5.3, and taken as independent of each other.
    Within a part two suppliers share the population, of which nothing is known for sure: the transform of the
    difference of their shares is summed over its posterior. Transforms of parts multiply. The chance of a positive
    difference D in (-1, 1) is read from the Fourier series sign(D) = 4 / pi sum sin(m pi D) / m over odd m, as in the
    inversion of [2]_. All sums are on fixed nodes, so that equal counts give equal bytes. Places are those of [3]_.

    References
    ----------
    .. [1] A. Gelman, J. B. Carlin, H. S. Stern, D. B. Dunson, A. Vehtari, D. B. Rubin (2013), Bayesian Data Analysis,
       3rd edition, section 5.3.
    .. [2] J. Gil-Pelaez (1951), Note on the inversion theorem, Biometrika 38, 481-482.
    .. [3] H. Goldstein, D. J. Spiegelhalter (1996), League tables and their limitations, Journal of the Royal
       Statistical Society A 159, 385-443.

    Examples
    --------
    >>> found = combine([([4, 57, 20], [4, 60, 40]), ([2, 5, 1], [2, 5, 4])], [0.8, 0.2])
    >>> found.first.tolist(), found.last.tolist()
    ([1, 1, 3], [2, 2, 3])
    """
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must be in (0, 1), got {confidence!r}")
    scaled = _weights(counts, weights)
    used = np.flatnonzero(scaled).tolist()
    parts = [_part(*counts[part], scaled[part]) for part in used]
    shares = np.full((len(scaled), parts[0].share.size), np.nan)
    for position in [place for place, one in enumerate(counts) if _decided(one)]:
        shares[position] = population_laws(*counts[position]).share
    single, pairs = (np.prod([getattr(part, name) for part in parts], axis=0) for name in ("single", "pairs"))
    better = 0.5 + 0.5 * _sign(pairs)
    sure = (1 + confidence) / 2
    return Score(
        score=scaled[used] @ shares[used],
        low=_quantile(single, 1 - sure),
        high=_quantile(single, sure),
        parts=shares,
        weights=scaled,
        better=better,
        first=1 + (better >= sure).sum(axis=0),
        last=len(better) - (better >= sure).sum(axis=1),
        confidence=confidence,
    )


def _decided(one: tuple[ArrayLike, ArrayLike]) -> bool:
    return bool(np.any(np.asarray(one[1]) > 0))


def _weights(counts: Sequence[tuple[ArrayLike, ArrayLike]], weights: ArrayLike) -> Floats:
    """Weights of the parts that say anything, scaled to a sum of 1."""
    given = np.asarray(weights, dtype=np.float64)
    if given.shape != (len(counts),) or len({np.shape(one) for part in counts for one in part}) != 1:
        raise ValueError(
            f"counts must hold one pair of equal shapes a weight, got {len(counts)} parts and weights of shape {given.shape}"
        )
    if not (np.isfinite(given) & (given >= 0)).all():
        raise ValueError(f"weights must be finite and not negative, got {given.tolist()}")
    left = given * [_decided(part) for part in counts]
    if not left.sum() > 0:
        raise ValueError("weights must leave a part in which something is decided; give one of them a weight above 0")
    return np.asarray(left / left.sum())


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """Pooled shares (k,), and transforms of a weighted share (k, terms) and of weighted differences (k, k, terms)."""

    share: Floats
    single: Complex
    pairs: Complex


def _part(good: ArrayLike, decided: ArrayLike, weight: float) -> _Part:
    found = population_laws(good, decided)
    a, b, place = found.a, found.b, found.place
    kinds = a.shape[1]
    single = np.zeros((kinds, _TERMS), dtype=np.complex128)
    pairs = np.zeros((kinds, kinds, _TERMS), dtype=np.complex128)
    for start in range(0, len(a), _CHUNK):
        rows = slice(start, start + _CHUNK)
        waves = _transforms(a[rows], b[rows], weight)
        known = found.weight[rows, None, None] * waves
        single += known.sum(axis=0)
        # A product of matrices for each term: (kinds, nodes) by (nodes, kinds).
        pairs += np.matmul(known.transpose(2, 1, 0), waves.conj().transpose(2, 0, 1)).transpose(1, 2, 0)
    # Two suppliers with the same counts differ: their shares are drawn apart, so the diagonal is theirs too.
    return _Part(found.share, single[place], pairs[np.ix_(place, place)])


def _transforms(a: Floats, b: Floats, weight: float) -> Complex:
    """E exp(i t share) of beta laws at t = weight pi m for odd m, (nodes, kinds, terms)."""
    mass, logit = on_logit_axis(a, b, _NODES)
    place = weight * special.expit(logit) * _CELLS
    cell = np.floor(place).astype(np.intp)
    # Split between the two neighbours, which keeps the mean.
    right = (place - cell)[:, None]
    rows = np.arange(a.size).reshape(a.shape)[..., None] * (_CELLS + 2) + cell[:, None]
    binned = sum(
        np.bincount((rows + step).ravel(), (mass * share).ravel(), a.size * (_CELLS + 2))
        for step, share in ((0, 1.0 - right), (1, right))
    )
    waves = np.fft.rfft(np.reshape(binned, (*a.shape, _CELLS + 2)), 2 * _CELLS)
    # The library turns the other way round; odd terms only.
    return np.asarray(waves[..., 1 : 2 * _TERMS : 2].conj())


def _odd() -> Floats:
    return np.asarray(2.0 * np.arange(_TERMS) + 1.0)


def _sign(waves: Complex) -> Floats:
    """E sign(D) from the transform of D in (-1, 1) at pi m for odd m, over the last axis."""
    # Lanczos' factors: the series is averaged over its last wave, so that a difference known for sure does not ring.
    fading = np.sinc(_odd() / (2.0 * _TERMS + 1.0))
    return np.asarray(np.clip(4 / np.pi * (waves.imag * fading / _odd()).sum(axis=-1), -1.0, 1.0))


def _quantile(single: Complex, chance: float) -> Floats:
    """Quantile of each score by halving its range."""
    low, high = np.zeros(len(single)), np.ones(len(single))
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        moved = single * np.exp(-1j * np.pi * middle[:, None] * _odd())
        under = 0.5 - 0.5 * _sign(moved) < chance
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    return np.asarray(0.5 * (low + high))
