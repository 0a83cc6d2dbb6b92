"""Small pictures as SVG text: the same function draws for the board, for mail and for paper.

No JavaScript, no font of its own, no outside reference. Colours follow the reader's light or dark preference where the
picture stands on a screen. Text that comes from files is escaped.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

__all__ = ["SparklineData", "as_image_address", "room"]

STYLE = """
.edge{stroke:#9b2c1f;stroke-width:2}.usual{stroke:#7c8794;stroke-dasharray:3 3}.line{fill:none;stroke:#1f4e79;stroke-width:1.6}
.fan{fill:#1f4e79;opacity:.16}.mid{fill:#1f4e79;opacity:.3}.now{fill:#1f4e79}
.today{stroke:#7c8794;stroke-width:.7}
"""
DARK = """
@media (prefers-color-scheme:dark){.edge{stroke:#f0917f}.usual,.today{stroke:#93a1b0}.line{stroke:#8fc1ef}
.fan,.mid,.now{fill:#8fc1ef}}
"""
YEAR_WEEKS = 52.0


@dataclass(frozen=True, slots=True)
class SparklineData:
    """What the small picture of a stream shows, in the charted scale.

    `lots` are (weeks before the last test, level) of the last year, at most 0; `fan` rows of (weeks after it, p10, p25,
    p75, p90); `usual` the centre line; `lower` and `upper` the specification limits, None where there is none.
    """

    lots: Sequence[tuple[float, float]]
    fan: Sequence[tuple[float, float, float, float, float]]
    usual: float | None
    lower: float | None
    upper: float | None


@dataclass(frozen=True, slots=True)
class _Frame:
    """Where weeks and levels lie in the picture."""

    width: int
    height: int
    weeks: float
    low: float
    high: float

    def x(self, week: float) -> float:
        return 2 + (YEAR_WEEKS + week) / self.weeks * (self.width - 4)

    def y(self, level: float) -> float:
        inside = min(max(level, self.low), self.high)
        return self.height - 2 - (inside - self.low) / (self.high - self.low) * (self.height - 4)


def room(stream: SparklineData, title: str, width: int = 240, height: int = 46, *, paper: bool = False) -> str:
    """A stream's last year and its outlook, between its usual place and its limit; `paper` leaves dark mode out."""
    frame = _frame(stream, width, height)
    style = STYLE if paper else STYLE + DARK
    parts = [*_levels(stream, frame), *_fan(stream, frame), _line("today", frame, x=0.0), *_lots(stream, frame)]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}" '
        f'role="img"><title>{escape(title)}</title><style>{style}</style>{"".join(parts)}</svg>'
    )


def as_image_address(svg: str) -> str:
    """The picture as an address that an image element takes."""
    return "data:image/svg+xml;base64," + base64.b64encode(svg.encode()).decode()


def _frame(stream: SparklineData, width: int, height: int) -> _Frame:
    ahead = max((row[0] for row in stream.fan), default=0.0)
    marks = [stream.usual, _near(stream)]
    heights = [level for _, level in stream.lots] + [mark for mark in marks if mark is not None]
    low, high = min(heights, default=0.0), max(heights, default=1.0)
    margin = 0.12 * (high - low) or 1.0
    return _Frame(width, height, YEAR_WEEKS + ahead, low - margin, high + margin)


def _near(stream: SparklineData) -> float | None:
    """The limit that the stream is nearer to; the other one would only flatten the picture."""
    limits = [limit for limit in (stream.lower, stream.upper) if limit is not None]
    if not limits or not stream.lots:
        return limits[-1] if limits else None
    level = stream.lots[-1][1]
    return min(limits, key=lambda limit: abs(limit - level))


def _line(name: str, frame: _Frame, *, x: float | None = None, y: float | None = None) -> str:
    x1, x2 = (0.0, float(frame.width)) if x is None else (frame.x(x), frame.x(x))
    y1, y2 = (1.0, frame.height - 1.0) if y is None else (frame.y(y), frame.y(y))
    return f'<line class="{name}" x1="{x1:.1f}" x2="{x2:.1f}" y1="{y1:.1f}" y2="{y2:.1f}"/>'


def _levels(stream: SparklineData, frame: _Frame) -> list[str]:
    near = _near(stream)
    edge = [] if near is None else [_line("edge", frame, y=near)]
    return edge if stream.usual is None else [*edge, _line("usual", frame, y=stream.usual)]


def _fan(stream: SparklineData, frame: _Frame) -> list[str]:
    if not stream.fan:
        return []
    return [_band("fan", stream, frame, 1, 4), _band("mid", stream, frame, 2, 3)]


def _band(name: str, stream: SparklineData, frame: _Frame, low: int, high: int) -> str:
    there = [(row[0], row[high]) for row in stream.fan]
    back = [(row[0], row[low]) for row in reversed(stream.fan)]
    return f'<polygon class="{name}" points="{_points([*there, *back], frame)}"/>'


def _lots(stream: SparklineData, frame: _Frame) -> list[str]:
    if not stream.lots:
        return []
    week, level = stream.lots[-1]
    return [
        f'<polyline class="line" points="{_points(stream.lots, frame)}"/>',
        f'<circle class="now" cx="{frame.x(week):.1f}" cy="{frame.y(level):.1f}" r="3"/>',
    ]


def _points(places: Sequence[tuple[float, float]], frame: _Frame) -> str:
    return " ".join(f"{frame.x(week):.1f},{frame.y(level):.1f}" for week, level in places)
