"""Fewer points for a long history: of neighbouring lots the chart keeps every peak, so that a wild lot is never lost."""

from __future__ import annotations

from collections.abc import Sequence

from ingest.documents.stream import Point

__all__ = ["MOST_POINTS", "thinned"]

# A chart is about 1,000 pixels wide: more lots would lie on each other.
MOST_POINTS = 1000


def thinned(points: Sequence[Point], most: int = MOST_POINTS) -> list[Point]:
    """All points where there are few; else of each stretch the first, the extremes of level, variation and humidity.

    Parameters
    ----------
    points : sequence of Point
        In time order.
    most : int
        The number from which on points are left out, and about which as many remain.
    """
    if len(points) <= most:
        return list(points)
    # Up to seven points of a stretch are kept.
    stretch = -(-len(points) * 7 // most)
    kept = {len(points) - 1}
    for start in range(0, len(points), stretch):
        places = range(start, min(start + stretch, len(points)))
        kept.add(start)
        for key, ends in (
            ("shown", (min, max)),
            ("bag_spread", (max,)),
            ("reading_spread", (max,)),
            ("humidity", (min, max)),
        ):
            known = [(value, place) for place in places if (value := points[place][key]) is not None]  # type: ignore[literal-required]
            if known:
                kept.update(end(known)[1] for end in ends)
    return [points[place] for place in sorted(kept)]
