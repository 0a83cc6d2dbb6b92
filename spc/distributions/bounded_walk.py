"""Density of a sum or an average between its limits, computed from point to point as a random walk."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from spc.distributions.pattern_chain import gauss_legendre
from spc.kernels.arrays import Floats

__all__ = ["Band", "Walk", "lone_signal"]

_WIDEST = 300  # Largest width in steps of one sigma
_FINE = 400  # More nodes where single points are limited: the limit truncates the density of a step


def lone_signal(mean: float, limit: float) -> float:
    """Probability that a normal point with this mean and standard deviation 1 is farther than `limit` from 0.

    Examples
    --------
    >>> round(lone_signal(0.0, 3.0), 5)
    0.0027
    """
    return float(ndtr(-limit - mean) + ndtr(mean - limit))


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """Values that do not signal, as quadrature nodes and weights of shape (nodes,).

    A step is normal with standard deviation `scale` if that of a point is 1; the point itself must be within
    `point_limit` of 0.
    """

    lower: float
    upper: float
    scale: float
    point_limit: float
    nodes: Floats
    weights: Floats

    @classmethod
    def between(cls, lower: float, upper: float, scale: float, point_limit: float) -> Band:
        """Build the band; ValueError if it is too wide for its steps."""
        wide = (upper - lower) / scale
        if wide > _WIDEST:
            raise ValueError(
                f"the chart is {wide:.0f} steps of one sigma wide, at most {_WIDEST} can be computed; "
                "lower the decision value or width, or raise the weight"
            )
        # Doubling them changes no run length by more than 1e-9, or 5e-5 with a limit for single points.
        count = 20 + math.ceil(3 * wide) + (_FINE if math.isfinite(point_limit) else 0)
        points, weights = gauss_legendre(count)
        half = (upper - lower) / 2
        return cls(lower, upper, scale, point_limit, lower + half * (1 + points), half * weights)

    def kernel(self, center: Floats, mean: float) -> Floats:
        """Return the probabilities that a step ends below, at each node, and above; shape (nodes + 2, sources).

        `center` is the mean of the end of the step for each source, `mean` that of the point.
        """
        distance = (self.nodes[:, None] - center) / self.scale
        density = np.exp(-(distance**2) / 2) / (math.sqrt(2 * math.pi) * self.scale)
        if math.isfinite(self.point_limit):
            # The edge falls between nodes: a ramp one node wide replaces it, exact to second order.
            ramp = self.weights.max() / self.scale
            density *= np.clip((self.point_limit - np.abs(distance + mean)) / ramp + 0.5, 0, 1)
        least, most = -self.point_limit - mean, self.point_limit - mean
        below = ndtr(np.clip((self.lower - center) / self.scale, least, most)) - ndtr(least)
        above = ndtr(np.clip((center - self.upper) / self.scale, -most, -least)) - ndtr(-most)
        return np.vstack([below, self.weights[:, None] * density, above])


class Walk:
    """Distribution of a sum or average without a signal so far: `mass` (sum 1) is the probability of each value `at`."""

    def __init__(self, band: Band, at: Floats, mass: Floats) -> None:
        self.band, self.at, self.mass = band, at, mass
        self._kernel: Floats | None = None
        self._cause = (math.nan, math.nan)

    def step(self, push: float, mean: float, keep: float = 1.0) -> tuple[float, Floats, float]:
        """Return the probabilities to end below the band, at its nodes, and above, around keep * at + push."""
        if self._kernel is None or self._cause != (push, mean):
            self._kernel, self._cause = self.band.kernel(keep * self.at + push, mean), (push, mean)
        reached = self._kernel @ self.mass
        total = reached.sum()
        if total > 0:  # 0 if no point can be within its limit
            reached /= total  # Corrects the error of the quadrature
        return float(reached[0]), reached[1:-1], float(reached[-1])

    def continue_from(self, at: Floats, mass: Floats) -> None:
        """Continue from the values `at`."""
        if at.size != self.at.size:
            self._kernel = None
        self.at, self.mass = at, mass / mass.sum()

    def continue_from_zero_or(self, at_zero: float, inside: Floats) -> None:
        """Continue from the nodes, or from 0 with probability `at_zero`."""
        self.continue_from(np.concatenate([[0.0], self.band.nodes]), np.concatenate([[at_zero], inside]))
