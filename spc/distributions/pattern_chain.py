"""Markov chain of a set of run patterns, and the probability of a signal at each point.

A set of patterns is one finite chain. Where a pattern depends on the order of successive values, the chain also carries
the density of the last value, so the only approximation is the quadrature of smooth functions.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from spc.kernels.arrays import Floats, Integers

if TYPE_CHECKING:
    from scipy import sparse

__all__ = ["CRITERIA", "Chain", "Criterion", "Order", "Window", "chain_of", "gauss_legendre", "pattern_hazards"]

Memory = tuple[int, ...]

_FAR = 9.0  # The normal density beyond 9 sigma is 2e-19 in all: values farther from the mean are left out


@lru_cache(maxsize=64)
def gauss_legendre(nodes: int) -> tuple[Floats, Floats]:
    """Points and weights on [-1, 1], each of shape (nodes,), read-only because they are shared.

    Examples
    --------
    >>> points, weights = gauss_legendre(3)
    >>> round(float(weights @ points**4), 6)
    0.4
    """
    points, weights = np.polynomial.legendre.leggauss(nodes)
    points.flags.writeable = weights.flags.writeable = False
    return points, weights


@dataclass(frozen=True, slots=True)
class Window:
    """Criterion: `hits` of the last `of` points are inside `region`, the last one included.

    `region` is a tuple of open intervals in sigma. The memory is the ages of the earlier hits that can still count.
    """

    hits: int
    of: int
    region: tuple[tuple[float, float], ...]

    @property
    def start(self) -> Memory:
        """Memory before the first point."""
        return ()

    def after(self, ages: Memory, zone: tuple[float, float], _rising: bool) -> Memory | None:
        """Return the memory after one more point in `zone`, or None for a signal."""
        inside = any(lower <= zone[0] and zone[1] <= upper for lower, upper in self.region)
        if inside and len(ages) + 1 >= self.hits:
            return None
        aged = ((1,) if inside else ()) + tuple(age + 1 for age in ages)
        # A hit counts only if it and the younger hits could still signal in one window with hits from now on.
        return tuple(age for younger, age in enumerate(aged, 1) if younger + self.of - age >= self.hits)


@dataclass(frozen=True, slots=True)
class Order:
    """Criterion: `points` successive values, the first included, all rise, all fall, or are all `alternating`.

    The memory is the number of points in the current run and whether its last step rose.
    """

    points: int
    alternating: bool

    @property
    def start(self) -> Memory:
        """Memory before the first point."""
        return (0, 0)

    def after(self, run: Memory, _zone: tuple[float, float], rising: bool) -> Memory | None:
        """Return the memory after one more point, above (`rising`) or below the last, or None for a signal."""
        points, rose = run
        if points == 0:
            return (1, 0)
        continues = (rising != bool(rose)) == self.alternating
        length = points + 1 if continues else 2
        return None if length >= self.points else (length, int(rising))


Criterion = Window | Order

_INF = float("inf")


def _either_side(hits: int, of: int, beyond: float) -> tuple[Window, Window]:
    return Window(hits, of, ((beyond, _INF),)), Window(hits, of, ((-_INF, -beyond),))


CRITERIA: dict[str, tuple[Criterion, ...]] = {
    "beyond_three_sigma": _either_side(1, 1, 3.0),
    "two_of_three_beyond_two_sigma": _either_side(2, 3, 2.0),
    "four_of_five_beyond_one_sigma": _either_side(4, 5, 1.0),
    "eight_on_one_side": _either_side(8, 8, 0.0),
    "nine_on_one_side": _either_side(9, 9, 0.0),
    "six_rising_or_falling": (Order(6, alternating=False),),
    "fourteen_alternating": (Order(14, alternating=True),),
    "fifteen_within_one_sigma": (Window(15, 15, ((-1.0, 1.0),)),),
    "eight_outside_one_sigma": (Window(8, 8, ((-_INF, -1.0), (1.0, _INF))),),
}


@dataclass(frozen=True, slots=True, eq=False)
class Chain:
    """Joint memory of a set of criteria, without probabilities, which depend on the mean.

    The `alive` states come first, ordered by the zone of the last point, then one signal state a zone. Let `mass` be
    the probability of each alive state and `below` the part of it whose last value is below the next. Given the zone of
    the next point, the probability of each state after it is `whole @ mass + ranked @ below`.
    """

    edges: Floats  # Shape (zones + 1,), in sigma, from -inf to inf
    zone: Integers  # Shape (alive + zones,), the zone of the last point
    alive: int
    first: Floats  # Shape (alive + zones,), 1 where the first point may lead
    whole: sparse.csr_array  # Shape (alive + zones, alive)
    ranked: sparse.csr_array  # The same shape; empty where no criterion depends on the order

    @property
    def ordered(self) -> bool:
        """Whether the order of successive values counts."""
        return bool(self.ranked.nnz)

    def spans(self) -> list[slice]:
        """Return the alive states of each zone."""
        bounds = np.searchsorted(self.zone[: self.alive], np.arange(self.edges.size))
        return [slice(int(first), int(end)) for first, end in pairwise(bounds)]


def _edges(criteria: Sequence[Criterion]) -> Floats:
    regions = [interval for c in criteria if isinstance(c, Window) for interval in c.region]
    return np.unique([-_INF, _INF, *(edge for interval in regions for edge in interval)])


def _table(criterion: Criterion, edges: Floats) -> Integers:
    """Next memory of each memory, shape (memories, zones, 2: falling, rising); -1 is a signal, 0 the start."""
    zones = [(float(lower), float(upper)) for lower, upper in pairwise(edges)]
    numbers: dict[Memory | None, int] = {None: -1, criterion.start: 0}
    waiting = [criterion.start]
    rows = []
    for memory in waiting:  # The list grows during the loop: breadth first
        followers = [criterion.after(memory, zone, rising) for zone in zones for rising in (False, True)]
        for follower in followers:
            if follower not in numbers and follower is not None:
                numbers[follower] = len(waiting)
                waiting.append(follower)
        rows.append([numbers[follower] for follower in followers])
    return np.array(rows, dtype=np.int64).reshape(len(rows), len(zones), 2)


class _Product:
    """Product of the criteria: a joint state is one whole number with its zone as the leading digit."""

    def __init__(self, criteria: Sequence[Criterion]) -> None:
        self.edges = _edges(criteria)
        self.zones = self.edges.size - 1
        self.tables = [_table(criterion, self.edges) for criterion in criteria]
        sizes = [len(table) for table in self.tables]
        self.places = np.cumprod([1, *sizes], dtype=np.int64)

    def follow(self, states: Integers, zone: int, rising: int) -> Integers:
        """Joint states after a point in `zone`; -1 for a signal."""
        after = np.full(states.shape, zone * self.places[-1])
        signal = np.zeros(states.shape, dtype=bool)
        for table, place in zip(self.tables, self.places, strict=False):
            number = table[states // place % len(table), zone, rising]
            signal |= number < 0
            after += number * place
        return np.where(signal, -1, after)

    def last_zone(self, states: Integers) -> Integers:
        zone: Integers = states // self.places[-1]
        return zone

    def first(self) -> Integers:
        """Joint state after a first point in each zone, shape (zones,)."""
        start = np.zeros(1, dtype=np.int64)
        return np.concatenate([self.follow(start, zone, 0) for zone in range(self.zones)])

    def reachable(self) -> Integers:
        """All joint states that a series without a signal can reach, rising, so ordered by zone."""
        states = np.empty(0, dtype=np.int64)
        new = np.unique(self.first())
        while new.size:
            states = np.union1d(states, new)
            steps = [self._possible(new, zone, rising) for zone in range(self.zones) for rising in (0, 1)]
            new = np.setdiff1d(np.concatenate(steps), states)
        return states[states >= 0]

    def _possible(self, states: Integers, zone: int, rising: int) -> Integers:
        last = self.last_zone(states)
        possible = (states >= 0) & ((last == zone) | ((last < zone) == bool(rising)))
        return self.follow(states[possible], zone, rising)


def _matrices(product: _Product, states: Integers) -> tuple[sparse.csr_array, sparse.csr_array]:
    """Matrices `whole` and `ranked` of the chain; within one zone a value falls unless the last is below it."""
    last = product.last_zone(states)
    source = np.arange(states.size)
    shape = (states.size + product.zones, states.size)
    whole, ranked = _ones(source[:0], source[:0], shape), _ones(source[:0], source[:0], shape)
    for zone in range(product.zones):
        falling, rising = (_position(product, states, product.follow(states, zone, way), zone) for way in (0, 1))
        same = last == zone
        whole = whole + _ones(np.where(last < zone, rising, falling), source, shape)
        ranked = ranked + _ones(rising[same], source[same], shape) - _ones(falling[same], source[same], shape)
    ranked.eliminate_zeros()
    return whole, ranked


def _position(product: _Product, states: Integers, targets: Integers, zone: int | Integers) -> Integers:
    return np.where(targets < 0, states.size + zone, np.searchsorted(states, targets))


def _ones(rows: Integers, columns: Integers, shape: tuple[int, int]) -> sparse.csr_array:
    from scipy import sparse

    return sparse.csr_array((np.ones(rows.size), (rows, columns)), shape=shape)


@lru_cache(maxsize=64)
def chain_of(criteria: tuple[Criterion, ...]) -> Chain:
    """Build the chain of several criteria together, breadth first from the empty memory.

    References
    ----------
    .. [1] C. W. Champ and W. H. Woodall (1987), Exact results for Shewhart control charts with supplementary runs
       rules, Technometrics 29, 393-399.

    Examples
    --------
    >>> chain = chain_of(CRITERIA["beyond_three_sigma"])
    >>> chain.edges.tolist(), chain.alive, chain.ordered
    ([-inf, -3.0, 3.0, inf], 1, False)
    """
    product = _Product(criteria)
    states = product.reachable()
    zones = np.arange(product.zones)
    first = np.zeros(states.size + zones.size)
    first[_position(product, states, product.first(), zones)] = 1.0
    whole, ranked = _matrices(product, states)
    return Chain(
        edges=product.edges,
        zone=np.concatenate([product.last_zone(states), zones]),
        alive=states.size,
        first=first,
        whole=whole,
        ranked=ranked,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Grid:
    """Values at which the density of the last point is known, and their probabilities, shapes (zones, nodes)."""

    lower: Floats  # Shape (zones, 1)
    half: Floats  # Shape (zones, 1)
    values: Floats
    chance: Floats


def _node_count(chain: Chain) -> int:
    if not chain.ordered:
        return 1
    lengths = np.diff(chain.edges)[np.unique(chain.zone[: chain.alive])]
    # Doubling the nodes changes no run length by more than 1e-9.
    return 12 + int(np.ceil(3 * min(lengths.max(), 2 * _FAR)))


def _grid(chain: Chain, mean: float, nodes: int) -> _Grid:
    from scipy.special import ndtr

    low, high = chain.edges[:-1] - mean, chain.edges[1:] - mean
    flip = low > 0  # Use the nearer tail, where the difference of two probabilities keeps its digits
    exact = ndtr(np.where(flip, -low, high)) - ndtr(np.where(flip, -high, low))
    points, weights = gauss_legendre(nodes)
    lower = np.clip(low, -_FAR, _FAR)[:, None]
    half = np.maximum(np.clip(high, -_FAR, _FAR)[:, None] - lower, 1e-12) / 2
    values = lower + half * (1 + points)
    density = weights * np.exp(-(values**2) / 2)
    chance = density * (exact / density.sum(axis=1))[:, None]
    return _Grid(lower=lower + mean, half=half, values=values + mean, chance=chance)


def _below(old: _Grid, new: _Grid) -> Floats:
    """Share of the mass at each old node that is below each new value, shape (zones, new nodes, old nodes).

    The old density is expanded in a Legendre series, whose integral is also one.
    """
    nodes = old.values.shape[1]
    points = gauss_legendre(nodes)[0]
    series = np.polynomial.legendre.legvander(points, nodes - 1) * (np.arange(nodes) + 0.5)
    at = np.polynomial.legendre.legvander(np.clip((new.values - old.lower) / old.half - 1, -1, 1), nodes)
    integral = np.empty((*at.shape[:-1], nodes))
    integral[..., 0] = at[..., 1] + 1
    integral[..., 1:] = (at[..., 2:] - at[..., :-2]) / (2 * np.arange(1, nodes) + 1)
    return integral @ series.T


def pattern_hazards(chain: Chain, shift: float, drift: float) -> Iterator[float]:
    """Yield the probability of a signal at points 1, 2, ..., given none before.

    Point t is normal with mean shift + drift * t and standard deviation 1. The iterator ends after a probability of 1.

    Examples
    --------
    >>> hazards = pattern_hazards(chain_of(CRITERIA["beyond_three_sigma"]), shift=0.0, drift=0.0)
    >>> round(next(hazards), 5)
    0.0027
    """
    nodes = _node_count(chain)
    grid = _grid(chain, shift + drift, nodes)
    below = _below(grid, grid) if chain.ordered else None
    reached = chain.first[:, None]
    point = 1
    while True:
        mass = reached * grid.chance[chain.zone]
        # Differences of equal probabilities leave rounding errors of either sign.
        left, signalled = (max(float(part.sum()), 0.0) for part in (mass[: chain.alive], mass[chain.alive :]))
        yield signalled / (signalled + left)
        if left <= 0:
            return
        point += 1
        if drift:
            old, grid = grid, _grid(chain, shift + drift * point, nodes)
            below = _below(old, grid) if chain.ordered else None
        reached = _reach(chain, mass[: chain.alive] / left, below)


def _reach(chain: Chain, mass: Floats, below: Floats | None) -> Floats:
    """Probability of each state at the next point, given its zone and value, shape (alive + zones, nodes)."""
    unranked: Floats = (chain.whole @ mass.sum(axis=1))[:, None]
    if below is None:
        return unranked
    parts = [mass[span] @ below[zone].T for zone, span in enumerate(chain.spans())]
    reached: Floats = unranked + chain.ranked @ np.concatenate(parts)
    return reached
