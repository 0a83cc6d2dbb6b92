"""Score of suppliers: the weighted mean of several pooled shares, with the uncertainty of small numbers.

Each part of the score is a share of counts, such as conforming lots, partially pooled over all suppliers as in
`spc.supplier.ranking`. A place is a range: suppliers that the counts cannot distinguish are tied.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from spc.kernels.arrays import Floats, Indices
from spc.supplier.ranking import Laws, on_logit_axis, population_laws

__all__ = ["Score", "combine"]

_TERMS = 320  # Odd terms of the series of the sign function
_CELLS = 1024  # Cells of the range of the score, into which a distribution is binned before its transform
_NODES = 600  # Nodes of the logit axis on which a transform is summed
_HALVINGS = 30  # Bisections of the range of the score for the end of an interval
_CHUNK = 40

Complex = NDArray[np.complex128]


@dataclass(frozen=True, slots=True, eq=False)
class Score:
    """Scores and places; arrays of shape (k,), one a supplier, in the order given.

    `score` is the posterior mean in [0, 1], `low` and `high` its equal-tailed interval, and `parts` (p, k) the pooled
    share of each part, nan where the supplier has no counts. `weights` (p, k) are scaled to a sum of 1 over the parts in
    which the supplier has counts. `better` (k, k) is the probability that the score of the row is above that of the
    column. `first` and `last` are the best and the worst possible place.
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
    """Score suppliers by the weighted mean of their pooled shares, and rank them.

    Parameters
    ----------
    counts : sequence of (good, decided), one a part
        Each of shape (k,), whole numbers with 0 <= good <= decided. A part in which a supplier has 0 decided is left out
        of its score: it neither helps nor costs it, and changes nobody else's.
    weights : array_like, shape (p,)
        Not negative; for each supplier their sum over the parts with counts must be above 0.
    confidence : float
        Probability for the intervals and the places, in (0, 1).

    Returns
    -------
    Score

    Raises
    ------
    ValueError
        If the shapes differ, a count or weight is out of range, no part remains, or `confidence` is not in (0, 1).

    Notes
    -----
    Each part is pooled by the beta-binomial model of [1]_, section 5.3; parts are taken as independent. Within a part
    two suppliers share the uncertain population, so the transform of the difference of their shares is summed over its
    posterior. Transforms of parts multiply. The probability of a positive difference D in (-1, 1) comes from the
    Fourier series sign(D) = 4 / pi sum sin(m pi D) / m over odd m, as in the inversion of [2]_. All sums are on fixed
    nodes, so equal counts give equal bytes. Places are those of [3]_.

    References
    ----------
    .. [1] A. Gelman, J. B. Carlin, H. S. Stern, D. B. Dunson, A. Vehtari, D. B. Rubin (2013), Bayesian Data Analysis,
       3rd edition, section 5.3.
    .. [2] J. Gil-Pelaez (1951), Note on the inversion theorem, Biometrika 38, 481-482.
    .. [3] H. Goldstein, D. J. Spiegelhalter (1996), League tables and their limitations, Journal of the Royal
       Statistical Society A 159, 385-443.

    Examples
    --------
    >>> result = combine([([4, 57, 20], [4, 60, 40]), ([2, 5, 1], [2, 5, 4])], [0.8, 0.2])
    >>> result.first.tolist(), result.last.tolist()
    ([1, 1, 3], [2, 2, 3])
    """
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must be in (0, 1), got {confidence!r}")
    scaled = _weights(counts, weights)
    used = np.flatnonzero(scaled.any(axis=1)).tolist()
    judged = [np.asarray(decided) > 0 for _, decided in counts]
    laws = [population_laws(*one) if some.any() else None for one, some in zip(counts, judged, strict=True)]
    parts = [_part(one, scaled[part]) for part in used if (one := laws[part]) is not None]
    shares = np.full(scaled.shape, np.nan)
    for position, (one, some) in enumerate(zip(laws, judged, strict=True)):
        if one is not None:
            shares[position, some] = one.share[some]
    single, pairs = (np.prod([getattr(part, name) for part in parts], axis=0) for name in ("single", "pairs"))
    better = 0.5 + 0.5 * _sign(pairs)
    certain = (1 + confidence) / 2
    return Score(
        score=np.nansum(scaled * shares, axis=0),
        low=_quantile(single, 1 - certain),
        high=_quantile(single, certain),
        parts=shares,
        weights=scaled,
        better=better,
        first=1 + (better >= certain).sum(axis=0),
        last=len(better) - (better >= certain).sum(axis=1),
        confidence=confidence,
    )


def _weights(counts: Sequence[tuple[ArrayLike, ArrayLike]], weights: ArrayLike) -> Floats:
    """Weights of the parts in which each supplier has counts, scaled to a sum of 1 for each, (p, k)."""
    raw = np.asarray(weights, dtype=np.float64)
    if raw.shape != (len(counts),) or len({np.shape(one) for part in counts for one in part}) != 1:
        raise ValueError(
            f"counts must hold one pair of equal shapes a weight, got {len(counts)} parts and weights of shape {raw.shape}"
        )
    if not (np.isfinite(raw) & (raw >= 0)).all():
        raise ValueError(f"weights must be finite and not negative, got {raw.tolist()}")
    remaining = raw[:, None] * np.array([np.asarray(decided) > 0 for _, decided in counts])
    total = remaining.sum(axis=0)
    if not (total > 0).all():
        raise ValueError("weights must leave a part in which something is decided; give one of them a weight above 0")
    return np.asarray(remaining / total)


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """Pooled shares (k,), and transforms of a weighted share (k, terms) and of weighted differences (k, k, terms)."""

    share: Floats
    single: Complex
    pairs: Complex


def _part(laws: Laws, weights: Floats) -> _Part:
    # Suppliers with equal counts and weights have equal transforms: compute each kind once.
    kinds, place = np.unique(np.column_stack([laws.place, weights]), axis=0, return_inverse=True)
    place = place.reshape(-1)
    a, b = (law[:, kinds[:, 0].astype(np.intp)] for law in (laws.a, laws.b))
    single = np.zeros((len(kinds), _TERMS), dtype=np.complex128)
    pairs = np.zeros((len(kinds), len(kinds), _TERMS), dtype=np.complex128)
    for start in range(0, len(a), _CHUNK):
        rows = slice(start, start + _CHUNK)
        waves = _transforms(a[rows], b[rows], kinds[:, 1])
        weighted = laws.weight[rows, None, None] * waves
        single += weighted.sum(axis=0)
        # A product of matrices for each term: (kinds, nodes) by (nodes, kinds).
        pairs += np.matmul(weighted.transpose(2, 1, 0), waves.conj().transpose(2, 0, 1)).transpose(1, 2, 0)
    # Two suppliers with the same counts have independent shares: the diagonal is for such a pair.
    return _Part(laws.share, single[place], pairs[np.ix_(place, place)])


def _transforms(a: Floats, b: Floats, weights: Floats) -> Complex:
    """E exp(i t share) of beta distributions at t = weight pi m for odd m, (nodes, kinds, terms); a weight for each kind."""
    mass, logit = on_logit_axis(a, b, _NODES)
    place = weights[:, None] * special.expit(logit)[:, None] * _CELLS
    cell = np.floor(place).astype(np.intp)
    # Split the mass between the two adjacent cells, which keeps the mean.
    right = place - cell
    rows = np.arange(a.size).reshape(a.shape)[..., None] * (_CELLS + 2) + cell
    binned = sum(
        np.bincount((rows + step).ravel(), (mass * share).ravel(), a.size * (_CELLS + 2))
        for step, share in ((0, 1.0 - right), (1, right))
    )
    waves = np.fft.rfft(np.reshape(binned, (*a.shape, _CELLS + 2)), 2 * _CELLS)
    # numpy has the opposite sign in the exponent; take the odd terms only.
    return np.asarray(waves[..., 1 : 2 * _TERMS : 2].conj())


def _odd() -> Floats:
    return np.asarray(2.0 * np.arange(_TERMS) + 1.0)


def _sign(waves: Complex) -> Floats:
    """E sign(D) from the transform of D in (-1, 1) at pi m for odd m, over the last axis."""
    # Lanczos factors average the series over its last wave, so a nearly certain difference does not oscillate.
    damping = np.sinc(_odd() / (2.0 * _TERMS + 1.0))
    return np.asarray(np.clip(4 / np.pi * (waves.imag * damping / _odd()).sum(axis=-1), -1.0, 1.0))


def _quantile(single: Complex, chance: float) -> Floats:
    """Quantile of each score, by halving its range."""
    low, high = np.zeros(len(single)), np.ones(len(single))
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        moved = single * np.exp(-1j * np.pi * middle[:, None] * _odd())
        under = 0.5 - 0.5 * _sign(moved) < chance
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    return np.asarray(0.5 * (low + high))
