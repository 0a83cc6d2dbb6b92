"""Which sessions of a stream are on its chart, how well each level is known, and where the limits are set again."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from spc.kernels.arrays import Floats
from spc.kernels.columns import Column, Rows

__all__ = ["among", "charted_points", "cut_at"]


def charted_points(sessions: Rows, lots: int, doubted: frozenset[int], *, every_session: bool) -> Rows:
    """The sessions that are on the chart, in order of test time.

    Of a lot that is its first valid session, or its first session where none is valid; of a check standard every
    session. `measured` says whether a level is known: a lot wholly over range is a point without one. `doubted` ones are
    measured, but nobody has settled yet what they read. `variance` is the
    sampling variance of the level, as far as it was known at the time.
    """
    weeks, lot = sessions["weeks"].tolist(), sessions["lot"].tolist()
    order = sorted(range(len(sessions)), key=lambda row: (weeks[row], lot[row]))
    if not every_session:
        order = _first_of_each_lot(order, lot, sessions["valid"].tolist())
    points = sessions.take(np.array(order, dtype=np.intp))
    measured = points["valid"].astype(bool) & np.isfinite(points.floats("level"))
    variance = np.full(len(points), np.nan)
    variance[measured] = _variance_as_known(points.take(measured), lots)
    return points.adding({"measured": measured, "doubted": among(points, doubted), "variance": variance})


def _first_of_each_lot(order: list[int], lot: list[str], valid: list[bool]) -> list[int]:
    """Of each lot its first valid session in this order, or its first where none is valid."""
    first: dict[str, int] = {}
    for row in order:
        known = first.get(lot[row])
        if known is None or (valid[row] and not valid[known]):
            first[lot[row]] = row
    chosen = set(first.values())
    return [row for row in order if row in chosen]


def among(points: Rows, sessions: frozenset[int]) -> Column:
    """Whether each point is one of these sessions."""
    return np.isin(points.index, list(sessions)) if sessions else np.zeros(len(points), dtype=bool)


def _variance_as_known(points: Rows, lots: int) -> Floats:
    """Sampling variance of each level from the scatter of bags up to that lot, held from the `lots`-th on.

    A later lot never changes what was said of an earlier one. Bounded readings tell less: a bag counts by the share of
    its readings in range.
    """
    df = (points.floats("bags") - 1).clip(0)
    own = points.floats("bag_variance")
    known = np.isfinite(own) & (df > 0)
    sums = np.cumsum(np.where(known, df * np.nan_to_num(own), 0.0))
    weights = np.cumsum(np.where(known, df, 0.0))
    pooled = np.divide(sums, weights, out=np.zeros_like(sums), where=weights > 0)
    if pooled.size > lots:
        pooled[lots:] = pooled[lots - 1]
    bounded = points.floats("below") + points.floats("above")
    in_range = 1 - bounded / points.floats("readings")
    return np.asarray(pooled / (points.floats("bags") * in_range))


def cut_at(measured: Rows, restarts: tuple[float, ...], left_out: frozenset[int]) -> Iterator[Rows]:
    """The measured points between two settings of the limits."""
    part = np.searchsorted(np.sort(np.asarray(restarts, dtype=np.float64)), measured["weeks"], side="right")
    for number in np.unique(part):
        stretch = measured.take(part == number)
        # A stretch of which people left every lot out has no limits.
        if not among(stretch, left_out).all():
            yield stretch
