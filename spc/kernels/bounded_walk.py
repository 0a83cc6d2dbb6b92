"""How a sum or an average moves between its limits: the density of a random walk, followed from point to point."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from spc.kernels.arrays import Floats
from spc.kernels.pattern_chain import gauss_legendre

__all__ = ["Band", "Walk", "lone_signal"]

_WIDEST = 300  # in steps of one sigma
_FINE = 400  # nodes where single points are limited: such a limit cuts the density of a step off sharply


def lone_signal(mean: float, limit: float) -> float:
    """Chance that a normal point with this mean and standard deviation 1 lies farther than `limit` from 0."""
    from scipy.special import ndtr

    return float(ndtr(-limit - mean) + ndtr(mean - limit))


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """The values that do not signal, as quadrature nodes and weights of shape (nodes,).

    A step is normal with standard deviation `scale`, for one of a point; the point itself stays within `point_limit`
    of 0, in its own standard deviations.
    """

    lower: float
    upper: float
    scale: float
    point_limit: float
    nodes: Floats
    weights: Floats

    @classmethod
    def between(cls, lower: float, upper: float, scale: float, point_limit: float) -> Band:
        """Lay the nodes; ValueError where the band is too wide for its steps."""
        wide = (upper - lower) / scale
        if wide > _WIDEST:
            raise ValueError(
                f"the chart is {wide:.0f} steps of one sigma wide, at most {_WIDEST} can be computed; "
                "lower the decision value or width, or raise the weight"
            )
        # Twice as many move no run length by more than a part in 1e9, with a limit for single points in 2e4.
        count = 20 + math.ceil(3 * wide) + (_FINE if math.isfinite(point_limit) else 0)
        points, weights = gauss_legendre(count)
        half = (upper - lower) / 2
        return cls(lower, upper, scale, point_limit, lower + half * (1 + points), half * weights)

    def kernel(self, center: Floats, mean: float) -> Floats:
        """Chances that steps from each source lead below, onto each node, above; shape (nodes + 2, sources).

        `center` is the mean of the step's end for each source, `mean` that of the point.
        """
        from scipy.special import ndtr

        away = (self.nodes[:, None] - center) / self.scale
        density = np.exp(-(away**2) / 2) / (math.sqrt(2 * math.pi) * self.scale)
        if math.isfinite(self.point_limit):
            # A ramp one node wide in place of the edge, which falls between nodes: right to second order.
            ramp = self.weights.max() / self.scale
            density *= np.clip((self.point_limit - np.abs(away + mean)) / ramp + 0.5, 0, 1)
        least, most = -self.point_limit - mean, self.point_limit - mean
        below = ndtr(np.clip((self.lower - center) / self.scale, least, most)) - ndtr(least)
        above = ndtr(np.clip((center - self.upper) / self.scale, -most, -least)) - ndtr(-most)
        return np.vstack([below, self.weights[:, None] * density, above])


class Walk:
    """A sum or average on its way: `mass`, adding up to 1, is the chance of each of the values `at`."""

    def __init__(self, band: Band, at: Floats, mass: Floats) -> None:
        self.band, self.at, self.mass = band, at, mass
        self._kernel: Floats | None = None
        self._cause = (math.nan, math.nan)

    def step(self, push: float, mean: float, keep: float = 1.0) -> tuple[float, Floats, float]:
        """Chances of passing below the band, coming to its nodes and passing above, around keep * at + push."""
        if self._kernel is None or self._cause != (push, mean):
            self._kernel, self._cause = self.band.kernel(keep * self.at + push, mean), (push, mean)
        reached = self._kernel @ self.mass
        total = reached.sum()
        if total > 0:  # 0 where no point can stay within its limit
            reached /= total  # takes out what the quadrature leaves of 1
        return float(reached[0]), reached[1:-1], float(reached[-1])

    def stand(self, at: Floats, mass: Floats) -> None:
        """Go on from the values `at`."""
        if at.size != self.at.size:
            self._kernel = None
        self.at, self.mass = at, mass / mass.sum()

    def stand_or_rest(self, at_zero: float, inside: Floats) -> None:
        """Go on from the nodes, or from 0 with chance `at_zero`."""
        self.stand(np.concatenate([[0.0], self.band.nodes]), np.concatenate([[at_zero], inside]))
