"""Share of a lab's streams whose level moves by itself within a year."""

from __future__ import annotations

from dataclasses import dataclass

from scipy import special

from spc.kernels.validation import whole

__all__ = ["MovingShare", "moving_share"]


@dataclass(frozen=True, slots=True)
class MovingShare:
    """The share with its 95 % interval, from `moved` of `streams` streams."""

    streams: int
    moved: int
    share: float
    low: float
    high: float


def moving_share(streams: int, moved: int, chance: float) -> MovingShare:
    """Estimate the share of streams that move, of which some are flagged by chance.

    Parameters
    ----------
    streams : int
        Streams that were watched, >= 0.
    moved : int
        Streams with a drift alert, 0 to `streams`.
    chance : float
        Chance that a steady stream has one, in [0, 1).

    Returns
    -------
    MovingShare
        Share 0 with the interval 0 to 1 where there is no stream.

    Raises
    ------
    ValueError
        If a number is outside its range.

    Notes
    -----
    A share q of flagged streams with the exact binomial interval [1]_ gives the share (q - f) / (1 - f) of moving ones,
    with f the chance of a false alert; a moving stream is taken as found.

    References
    ----------
    .. [1] C. J. Clopper and E. S. Pearson (1934), The use of confidence or fiducial limits illustrated in the case of the
       binomial, Biometrika 26, 404-413.

    Examples
    --------
    >>> result = moving_share(100, 23, 0.12)
    >>> round(result.share, 3), round(result.low, 3), round(result.high, 3)
    (0.125, 0.036, 0.233)
    """
    whole(streams, "streams", 0)
    if not 0 <= whole(moved, "moved", 0) <= streams:
        raise ValueError(f"moved must be at most {streams}, the number of streams, got {moved!r}")
    if not 0 <= chance < 1:
        raise ValueError(f"chance must be in [0, 1), got {chance!r}")
    if not streams:
        return MovingShare(0, 0, 0.0, 0.0, 1.0)
    low = float(special.betaincinv(moved, streams - moved + 1, 0.025)) if moved else 0.0
    high = float(special.betaincinv(moved + 1, streams - moved, 0.975)) if moved < streams else 1.0
    share, low, high = (max((one - chance) / (1 - chance), 0.0) for one in (moved / streams, low, high))
    return MovingShare(streams, moved, share, low, high)
