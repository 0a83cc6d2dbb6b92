"""The discharges of one bag on one frame: current against time, as the practitioner sees them at the bench."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape

from dashboard.charts.svg_shapes import Edges, Frame, drawing
from dashboard.paper.palette import DARK, LIGHT, Scheme
from ingest.documents.bench.capture import SessionCapture

__all__ = ["capture_picture", "frame_of"]

WIDTH, HEIGHT = 340, 190
EDGES = Edges(44, WIDTH - 8, 20, HEIGHT - 34)
FONT = "system-ui, sans-serif"
# About so many ticks an axis.
TICKS = 4


def frame_of(captures: Sequence[SessionCapture]) -> Frame:
    """One frame for all bags of a session, so that they can be compared; times in ns, currents in mA."""
    points = [(time, 1e3 * current) for one in captures for time, current in one["trace"]]
    times, currents = [time for time, _ in points] or [0.0], [current for _, current in points] or [0.0]
    low, high = min(*currents, 0.0), max(*currents, 0.0)
    margin = 0.06 * (high - low) or 1.0
    return Frame(EDGES, min(times), max(*times, min(times) + 1.0), low - margin, high + margin)


def capture_picture(captures: Sequence[SessionCapture], frame: Frame, title: str) -> str:
    """The captures of one bag; one without a discharge is dashed."""
    edges = frame.edges
    parts = [f'<text class="words" x="{edges.left:.0f}" y="13">mA</text>']
    for tick in _ticks(frame.low, frame.high):
        y = frame.y(tick)
        parts.append(f'<line class="hair" x1="{edges.left:.1f}" x2="{edges.right:.1f}" y1="{y:.1f}" y2="{y:.1f}"/>')
        parts.append(
            f'<text class="words" x="{edges.left - 5:.1f}" y="{y + 4:.1f}" text-anchor="end">{_number(tick)}</text>'
        )
    for tick in _ticks(frame.first, frame.last):
        x = frame.x(tick)
        parts.append(
            f'<line class="hair" x1="{x:.1f}" x2="{x:.1f}" y1="{edges.bottom:.1f}" y2="{edges.bottom + 4:.1f}"/>'
        )
        parts.append(
            f'<text class="words" x="{x:.1f}" y="{edges.bottom + 17:.1f}" text-anchor="middle">{_number(tick)}</text>'
        )
    parts.append(f'<text class="words" x="{edges.right:.0f}" y="{HEIGHT - 3}" text-anchor="end">ns</text>')
    for one in captures:
        look = "lost" if "no_discharge" in one["marks"] else "far" if one["is_far"] else "pulse"
        places = " ".join(f"{frame.x(time):.1f},{frame.y(1e3 * current):.1f}" for time, current in one["trace"])
        name = escape(f"reading {one['reading']}")
        parts.append(f'<polyline class="{look}" points="{places}"><title>{name}</title></polyline>')
    style = f"{_style(LIGHT)}@media (prefers-color-scheme:dark){{{_style(DARK)}}}"
    return drawing(WIDTH, HEIGHT, title, parts, style)


def _style(scheme: Scheme) -> str:
    return (
        f".words{{fill:{scheme.quiet};font:12px {FONT}}}.hair{{stroke:{scheme.hair}}}"
        f".pulse,.far,.lost{{fill:none;stroke:{scheme.accent};stroke-width:1.2;opacity:.85}}"
        f".far{{stroke:{scheme.look};stroke-width:2}}.lost{{stroke:{scheme.act};stroke-dasharray:5 3}}"
    )


def _ticks(low: float, high: float) -> list[float]:
    """Round numbers between two values of a linear axis."""
    rough = (high - low) / TICKS
    power = 10.0 ** math.floor(math.log10(rough))
    step = power * next(part for part in (1, 2, 5, 10) if part * power >= rough)
    return [step * number for number in range(math.ceil(low / step), math.floor(high / step) + 1)]


def _number(value: float) -> str:
    return f"{value:.6g}".replace("-", "\N{MINUS SIGN}")
