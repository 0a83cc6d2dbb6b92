"""The flagged lots of a chart: which lot begins a run of them, and the mark that it gets.

The mark is a ring with a bar to each side. Only the first lot of a run has it, with the reason in words beside it: a mark on
each of eighteen lots says no more than one.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from ingest.documents.stream import Point

__all__ = ["MOST_REASONS", "first_of_runs", "flag_mark", "reason"]

# So many lots without a flag end a run.
QUIET_LOTS = 3
# More words than these beside points would cover the chart; the newest ones are written.
MOST_REASONS = 4
RING, BAR = 8.0, 16.0
# A circle in four Bézier curves: the distance of the control points in radii, (4 / 3) * tan(pi / 8).
CURVE = 0.5523


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
