"""A lot's level with its interval on a line with the specification limit and the guard, as a small SVG."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from html import escape

from dashboard.charts.svg_shapes import drawing
from dashboard.charts.ticks import round_ticks, tick_text
from dashboard.paper.palette import DARK, FIGURE, LIGHT, Scheme
from dashboard.text.formatting import amount
from spc.vocabulary.finite import LARGEST, SMALLEST, exp

__all__ = ["NumberLine", "number_line"]

WIDTH, HEIGHT, EDGE = 340, 92, 10
# From the top: the line of the levels, the ends of the limit's mark, and the rows of words.
LINE, LIMIT_TOP, LIMIT_FOOT, LEVEL_WORDS, TICK_WORDS, LIMIT_WORDS = 40, 22, 58, 16, 73, 89
# Pixels that the words of a round level need.
TICK_ROOM = 58


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

    @property
    def nearer_limit(self) -> float | None:
        """The limit that the level is nearer to: one far away would squeeze the interval to a point."""
        limits = [one for one in (self.lower, self.upper) if one is not None]
        return min(limits, key=lambda one: abs(_charted(one, self) - _charted(self.level, self))) if limits else None

    @property
    def nearer_edge(self) -> float | None:
        """Where a lot passes, at the side of the nearer limit; None where that is the limit itself."""
        limit = self.nearer_limit
        edge = None if limit is None else self.accept_upper if limit == self.upper else self.accept_lower
        return edge if edge is not None and edge != limit and (edge > 0 or not self.is_log) else None


def number_line(line: NumberLine, title: str) -> str:
    """The picture: a scale with round levels, the level with its interval, the nearer limit and its guard band."""
    limit, accept = line.nearer_limit, line.nearer_edge
    marks = [one for one in (line.low, line.high, limit, accept) if one is not None and (one > 0 or not line.is_log)]
    ends = [_charted(one, line) for one in marks]
    margin = 0.08 * (max(ends) - min(ends)) or 0.5
    low, high = min(ends) - margin, max(ends) + margin

    def x(value: float) -> float:
        return EDGE + (WIDTH - 2 * EDGE) * (_charted(value, line) - low) / (high - low)

    parts = [f'<line class="axis" x1="{EDGE}" x2="{WIDTH - EDGE}" y1="{LINE}" y2="{LINE}"/>']
    for tick in _ticks(low, high, x, line):
        parts.append(f'<line class="axis" x1="{x(tick):.1f}" x2="{x(tick):.1f}" y1="{LINE}" y2="{LIMIT_FOOT}"/>')
        parts.append(_words(x(tick), TICK_WORDS, tick_text(tick), "tick"))
    if limit is not None:
        parts.append(
            f'<line class="limit" x1="{x(limit):.1f}" x2="{x(limit):.1f}" y1="{LIMIT_TOP}" y2="{LIMIT_FOOT}"/>'
        )
        parts.append(_words(x(limit), LIMIT_WORDS, f"limit {amount(limit, line.unit)}"))
    if limit is not None and accept is not None:
        left, right = sorted((x(accept), x(limit)))
        parts.insert(0, f'<rect class="guard" x="{left:.1f}" y="28" width="{right - left:.1f}" height="24"/>')
    parts.append(f'<line class="span" x1="{x(line.low):.1f}" x2="{x(line.high):.1f}" y1="{LINE}" y2="{LINE}"/>')
    parts.append(f'<circle class="level" cx="{x(line.level):.1f}" cy="{LINE}" r="5"/>')
    parts.append(_words(x(line.level), LEVEL_WORDS, amount(line.level, line.unit)))
    style = f"{_style(LIGHT)}@media (prefers-color-scheme:dark){{{_style(DARK)}}}"
    return drawing(WIDTH, HEIGHT, title, parts, style)


def _ticks(low: float, high: float, x: Callable[[float], float], line: NumberLine) -> list[float]:
    """Round levels on the scale, as many as have room for their words; `low` and `high` are its ends as charted."""
    first, last = (exp(end) if line.is_log else end for end in (low, high))
    if not 0 < last <= LARGEST:
        return []
    ticks = [
        tick for tick in round_ticks(max(first, SMALLEST), last, enough=3, most_decades=9) if first <= tick <= last
    ]
    limit = line.nearer_limit
    chosen: list[float] = []
    for tick in ticks:
        is_at_limit = limit is not None and abs(x(tick) - x(limit)) < TICK_ROOM / 2
        if not is_at_limit and (not chosen or x(tick) - x(chosen[-1]) >= TICK_ROOM):
            chosen.append(tick)
    return chosen


def _charted(value: float, line: NumberLine) -> float:
    return math.log(value) if line.is_log else value


def _words(x: float, y: float, text: str, name: str = "words") -> str:
    at = min(max(x, 42), WIDTH - 42) if name == "words" else min(max(x, 24), WIDTH - 24)
    return f'<text class="{name}" x="{at:.1f}" y="{y}" text-anchor="middle">{escape(text)}</text>'


def _style(scheme: Scheme) -> str:
    return (
        f"text{{font:12px system-ui,sans-serif;fill:{scheme.ink}}}.tick{{fill:{scheme.quiet}}}"
        f".axis{{stroke:{FIGURE.grey};stroke-width:1}}"
        f".limit{{stroke:{scheme.ink};stroke-width:3}}.guard{{fill:{scheme.look};opacity:.25}}"
        f".span{{stroke:{scheme.accent};stroke-width:4}}.level{{fill:{scheme.accent}}}"
    )
