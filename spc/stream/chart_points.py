"""Chart points of a stream: which sessions are charted, the sampling variance of each level, and the segments."""

from __future__ import annotations

from collections.abc import Iterator, Set

import numpy as np

from spc.kernels.arrays import Flags, Floats
from spc.kernels.columns import Rows

__all__ = ["charted_points", "is_among", "segments_of"]


def charted_points(sessions: Rows, lots: int, unreviewed: Set[int], *, every_session: bool) -> Rows:
    """Sessions on the chart, in order of test time.

    A lot is charted by its first valid session, or by its first session where none is valid. A check standard is
    charted by every session.

    Parameters
    ----------
    sessions : Rows
        `lot`, `weeks`, `valid`, and the columns of `spc.stream.session_summary.summarise`; index is the session number.
    lots : int
        Size of the baseline: the pooled variance between bags is frozen at this lot.
    unreviewed : set of int
        Numbers of sessions with suspect values that nobody has reviewed yet.
    every_session : bool
        Chart every session, as for a check standard.

    Returns
    -------
    Rows
        The charted sessions with three more columns: `measured` (the session is valid and its level is known; a lot
        wholly over range is charted without a level), `unreviewed`, and `variance`, the sampling variance of the level
        as estimated at the time of the test (nan where not measured).

    Examples
    --------
    >>> columns = {"lot": np.array(["A", "B", "A"]), "weeks": np.array([0.0, 1.0, 2.0]), "valid": np.array([False, True, True])}
    >>> columns |= dict(level=np.array([2.0, 2.2, 2.1]), bags=np.full(3, 6), readings=np.full(3, 6))
    >>> columns |= dict(bag_variance=np.full(3, 0.06), below=np.zeros(3), above=np.zeros(3))
    >>> points = charted_points(Rows(np.arange(3), columns), 25, frozenset(), every_session=False)
    >>> points.index.tolist(), points["variance"].round(3).tolist()
    ([1, 2], [0.01, 0.01])
    """
    weeks, lot, valid = sessions["weeks"].tolist(), sessions["lot"].tolist(), sessions["valid"].tolist()
    order = sorted(range(len(sessions)), key=lambda row: (weeks[row], lot[row]))
    if not every_session:
        charted: dict[str, int] = {}
        for row in order:
            earlier = charted.get(lot[row])
            if earlier is None or (valid[row] and not valid[earlier]):
                charted[lot[row]] = row
        rows = set(charted.values())
        order = [row for row in order if row in rows]
    points = sessions.take(np.array(order, dtype=np.intp))
    measured = points["valid"].astype(bool) & np.isfinite(points.floats("level"))
    variance = np.full(len(points), np.nan)
    variance[measured] = _sampling_variance(points.take(measured), lots)
    return points.adding({"measured": measured, "unreviewed": is_among(points, unreviewed), "variance": variance})


def is_among(points: Rows, sessions: Set[int]) -> Flags:
    """Whether each point is one of these sessions.

    Parameters
    ----------
    points : Rows
        Index is the session number.
    sessions : set of int
        Session numbers.

    Returns
    -------
    ndarray of bool, shape (n,)

    Examples
    --------
    >>> is_among(Rows(np.array([4, 7]), {}), {7, 9})
    array([False,  True])
    """
    return np.isin(points.index, list(sessions)) if sessions else np.zeros(len(points), dtype=bool)


def _sampling_variance(points: Rows, lots: int) -> Floats:
    """Sampling variance of each level from the variance between bags of all lots so far, frozen at lot number `lots`.

    Only earlier lots enter, so a later lot never changes the variance of an earlier level. A bag with bounded readings
    counts by the share of its readings in range.
    """
    df = (points.floats("bags") - 1).clip(0)
    bag_variance = points.floats("bag_variance")
    informative = np.isfinite(bag_variance) & (df > 0)
    sums = np.cumsum(np.where(informative, df * np.nan_to_num(bag_variance), 0.0))
    total_df = np.cumsum(np.where(informative, df, 0.0))
    pooled = np.divide(sums, total_df, out=np.zeros_like(sums), where=total_df > 0)
    if pooled.size > lots:
        pooled[lots:] = pooled[lots - 1]
    bounded = points.floats("below") + points.floats("above")
    share_in_range = 1 - bounded / points.floats("readings")
    return np.asarray(pooled / (points.floats("bags") * share_in_range))


def segments_of(measured: Rows, restarts: tuple[float, ...], not_in_baseline: Set[int]) -> Iterator[Rows]:
    """Measured points between successive baseline restarts.

    Parameters
    ----------
    measured : Rows
        Points with a level, in order of test; `weeks` is the test time.
    restarts : tuple of float
        Times in weeks from which the baseline starts anew, in any order.
    not_in_baseline : set of int
        Sessions that may not enter a baseline. A segment of such sessions only has no limits and is left out.

    Yields
    ------
    Rows

    Examples
    --------
    >>> points = Rows(np.arange(4), {"weeks": np.array([0.0, 1.0, 2.0, 3.0])})
    >>> [part.index.tolist() for part in segments_of(points, (2.0,), {0})]
    [[0, 1], [2, 3]]
    """
    number = np.searchsorted(np.sort(np.asarray(restarts, dtype=np.float64)), measured["weeks"], side="right")
    for segment in np.unique(number):
        points = measured.take(number == segment)
        if not is_among(points, not_in_baseline).all():
            yield points
