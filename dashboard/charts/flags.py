"""The flagged lots of a chart: which lot begins a run of them, and the mark that it gets.

The mark is a ring with a bar to each side. Only the first lot of a run has it, with the reason in words: marks on the other lots
of the run would add nothing. The words are placed so that they cover neither lots nor each other.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from ingest.documents.stream import Point

__all__ = ["MOST_REASONS", "LabelPlace", "Spot", "first_of_runs", "flag_mark", "label_places", "reason"]

# So many lots without a flag end a run.
QUIET_LOTS = 3
# More words than these beside points would cover the chart; the newest ones are written.
MOST_REASONS = 4
RING, BAR = 8.0, 16.0
# A circle in four Bézier curves: the distance of the control points in radii, (4 / 3) * tan(pi / 8).
CURVE = 0.5523
# The page draws a chart as wide as its window: words keep clear at a narrow and at a wide one. Pixels.
CHART_WIDTHS = (560, 900)
# Of the words: width of a letter and height of a line, with a little air. Distances from the point, the nearest first.
LETTER, LINE, DISTANCES = 6.4, 18, (30, 48, 66, 84, 102, 120, 140)
# Of a lot's mark.
RADIUS = 7
# How much it matters what words cover: the edge of the chart, other words, a lot, the line between two lots.
BEYOND, OTHER_WORDS, LOT, LINE_BETWEEN = 50, 20, 4, 1


def first_of_runs(points: Sequence[Point]) -> list[Point]:
    """The first flagged lot of each run, in time order, with the reason that a later lot of the run may add left out."""
    firsts, quiet = [], QUIET_LOTS
    for point in points:
        if point["state"] != "valid" or point["shown"] is None:
            continue
        if point["signals"]:
            if quiet >= QUIET_LOTS:
                firsts.append(point)
            quiet = 0
        else:
            quiet += 1
    return firsts


def reason(point: Point) -> str:
    """The reasons of a flag in words."""
    return ", ".join(name.replace("_", " ") for name in point["signals"])


def flag_mark(point: Point, colour: str) -> dict[str, Any]:
    """The ring with a bar to each side, as large on every screen."""
    ring, pull = RING, RING * CURVE
    circle = (
        f"M {-ring},0 C {-ring},{pull} {-pull},{ring} 0,{ring} C {pull},{ring} {ring},{pull} {ring},0 "
        f"C {ring},{-pull} {pull},{-ring} 0,{-ring} C {-pull},{-ring} {-ring},{-pull} {-ring},0 Z"
    )
    return {
        "type": "path", "path": f"{circle} M {-BAR},0 L {-ring},0 M {ring},0 L {BAR},0", "name": "flag",
        "xref": "x", "yref": "y", "xsizemode": "pixel", "ysizemode": "pixel",
        "xanchor": point["tested_at"], "yanchor": point["shown"], "line": {"color": colour, "width": 2},
    }  # fmt: skip


@dataclass(frozen=True, slots=True)
class Spot:
    """Where something lies in a chart: a share of its width from the left, and pixels from the bottom."""

    x: float
    y: float


@dataclass(frozen=True, slots=True)
class LabelPlace:
    """Where words stand: pixels below the point (negative above it), and the end of the words that stands over the point."""

    below: int
    side: str


Box = tuple[float, float, float, float]


def label_places(flagged: Sequence[tuple[Spot, str]], lots: Sequence[Spot], height: float) -> list[LabelPlace]:
    """Places for the words beside flagged lots, where they cover the least.

    Parameters
    ----------
    flagged : sequence of (Spot, str)
        The lots, each with its words.
    lots : sequence of Spot
        All lots of the chart in time order.
    height : float
        Pixels of the chart.
    """
    charts = [_Chart(width, height, lots, list(_between(lots)), []) for width in CHART_WIDTHS]
    places: list[LabelPlace] = []
    for spot, words in flagged:
        candidates = (
            LabelPlace(way * distance, side)
            for distance in DISTANCES
            for way in (-1, 1)
            for side in ("left", "right", "center")
        )
        best, least = LabelPlace(-DISTANCES[0], "left"), math.inf
        for place in candidates:
            cost = sum(chart.covered(_box(spot, words, place, chart.width)) for chart in charts)
            if cost < least:
                best, least = place, cost
            if not least:
                break
        places.append(best)
        for chart in charts:
            chart.words.append(_box(spot, words, best, chart.width))
    return places


@dataclass(frozen=True, slots=True)
class _Chart:
    """A chart of a width with what words may cover, and the words written so far."""

    width: int
    height: float
    lots: Sequence[Spot]
    between: Sequence[Spot]
    words: list[Box]

    def covered(self, box: Box) -> int:
        """How much words in a box would cover."""
        left, right, bottom, top = box
        outside = BEYOND * (left < 0 or right > self.width or bottom < 0 or top > self.height)
        words = OTHER_WORDS * sum(left < b and a < right and bottom < d and c < top for a, b, c, d in self.words)
        return (
            outside + words + LOT * self._held(self.lots, box, RADIUS) + LINE_BETWEEN * self._held(self.between, box, 0)
        )

    def _held(self, spots: Sequence[Spot], box: Box, air: float) -> int:
        """The spots in a box with so much air around it; they come in time order."""
        left, right, bottom, top = box
        first = bisect_left(spots, (left - air) / self.width, key=_across)
        last = bisect_right(spots, (right + air) / self.width, key=_across)
        return sum(bottom - air < spot.y < top + air for spot in spots[first:last])


def _across(spot: Spot) -> float:
    return spot.x


def _box(spot: Spot, words: str, place: LabelPlace, width: int) -> Box:
    """Left, right, bottom and top of the words."""
    long = LETTER * len(words)
    left = spot.x * width - {"left": 0.0, "center": long / 2, "right": long}[place.side]
    middle = spot.y - place.below
    return left, left + long, middle - LINE / 2, middle + LINE / 2


def _between(lots: Sequence[Spot]) -> Iterator[Spot]:
    """Three spots on each line between two lots."""
    for one, other in pairwise(lots):
        for share in (0.25, 0.5, 0.75):
            yield Spot(one.x + share * (other.x - one.x), one.y + share * (other.y - one.y))
