"""A lot's level with its interval on a line with the specification limit and the guard, as a small SVG."""

from __future__ import annotations

import math
from dataclasses import dataclass
from html import escape

from dashboard.charts.svg_shapes import drawing
from dashboard.paper.palette import DARK, LIGHT, Scheme
from dashboard.text.formatting import amount

__all__ = ["NumberLine", "number_line"]

WIDTH, HEIGHT, EDGE = 340, 74, 10


@dataclass(frozen=True, slots=True)
class NumberLine:
    """Values in the unit: level, the ends of its interval, specification limits, and where a lot passes."""

    level: float
    low: float
    high: float
    lower: float | None
    upper: float | None
    accept_lower: float | None
    accept_upper: float | None
    unit: str
    is_log: bool


def number_line(line: NumberLine, title: str) -> str:
    """The picture."""
    # A limit far away would squeeze the interval to a point: the nearer one is drawn.
    limits = [one for one in (line.lower, line.upper) if one is not None]
    limit = min(limits, key=lambda one: abs(_charted(one, line) - _charted(line.level, line))) if limits else None
    accept = None if limit is None else line.accept_upper if limit == line.upper else line.accept_lower
    marks = [one for one in (line.low, line.high, limit, accept) if one is not None and (one > 0 or not line.is_log)]
    ends = [_charted(one, line) for one in marks]
    margin = 0.08 * (max(ends) - min(ends)) or 0.5
    low, high = min(ends) - margin, max(ends) + margin

    def x(value: float) -> float:
        return EDGE + (WIDTH - 2 * EDGE) * (_charted(value, line) - low) / (high - low)

    parts = [f'<line class="axis" x1="{EDGE}" x2="{WIDTH - EDGE}" y1="40" y2="40"/>']
    if limit is not None:
        parts.append(f'<line class="limit" x1="{x(limit):.1f}" x2="{x(limit):.1f}" y1="22" y2="58"/>')
        parts.append(_words(x(limit), 71, f"limit {amount(limit, line.unit)}"))
    if limit is not None and accept is not None and accept != limit and (accept > 0 or not line.is_log):
        left, right = sorted((x(accept), x(limit)))
        parts.insert(0, f'<rect class="guard" x="{left:.1f}" y="28" width="{right - left:.1f}" height="24"/>')
    parts.append(f'<line class="span" x1="{x(line.low):.1f}" x2="{x(line.high):.1f}" y1="40" y2="40"/>')
    parts.append(f'<circle class="level" cx="{x(line.level):.1f}" cy="40" r="5"/>')
    parts.append(_words(x(line.level), 16, amount(line.level, line.unit)))
    style = f"{_style(LIGHT)}@media (prefers-color-scheme:dark){{{_style(DARK)}}}"
    return drawing(WIDTH, HEIGHT, title, parts, style)


def _charted(value: float, line: NumberLine) -> float:
    return math.log(value) if line.is_log else value


def _words(x: float, y: float, text: str) -> str:
    at = min(max(x, 42), WIDTH - 42)
    return f'<text x="{at:.1f}" y="{y}" text-anchor="middle">{escape(text)}</text>'


def _style(scheme: Scheme) -> str:
    return (
        f"text{{font:12px system-ui,sans-serif;fill:{scheme.ink}}}.axis{{stroke:{scheme.hair};stroke-width:2}}"
        f".limit{{stroke:{scheme.act};stroke-width:3}}.guard{{fill:{scheme.look};opacity:.25}}"
        f".span{{stroke:{scheme.accent};stroke-width:4}}.level{{fill:{scheme.accent}}}"
    )
