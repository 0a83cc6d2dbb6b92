"""The small picture of a stream, the same for the board, for mail and for paper."""

from __future__ import annotations

import base64
import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from dashboard.charts.svg_shapes import Edges, Frame, drawing
from dashboard.paper.palette import DARK, FIGURE, LIGHT, Scheme

__all__ = ["SparklineData", "as_image_address", "sparkline"]

YEAR_WEEKS = 52.0


@dataclass(frozen=True, slots=True)
class SparklineData:
    """What the small picture of a stream shows, in the charted scale.

    `lots` are (weeks before the last test, level) of the last year, at most 0; `bounded` are the lots that readings out of range
    leave open, with the known end of their level and the sign of the level beyond it; `fan` rows of (weeks after it, p10, p25,
    p75, p90); `usual` the centre line; `lower` and `upper` the specification limits, None where there is none.
    """

    lots: Sequence[tuple[float, float]]
    fan: Sequence[tuple[float, float, float, float, float]]
    usual: float | None
    lower: float | None
    upper: float | None
    bounded: Sequence[tuple[float, float, int]] = ()

    @property
    def last(self) -> float | None:
        """The level of the last lot, or its known end; None without a lot."""
        ends = [*self.lots[-1:], *((week, end) for week, end, _ in self.bounded[-1:])]
        return max(ends, key=lambda one: one[0])[1] if ends else None


# At the right end of the picture, for the words on the limit: at least so much, and more for longer words. Pixels.
LIMIT_ROOM, LETTER = 56, 6.3
# Length of the tail at the known end of an open level, in pixels.
TAIL = 6


def sparkline(
    stream: SparklineData, title: str, width: int = 240, height: int = 46, *, paper: bool = False, limit: str = ""
) -> str:
    """A stream's last year and its forecast, with its centre line and the nearer limit.

    `paper` leaves dark mode out; `limit` are the words at the right end of the limit's line.
    """
    room = max(LIMIT_ROOM, 9 + math.ceil(LETTER * len(limit))) if limit else 0
    frame = _frame(stream, width - room, height)
    near = _nearer_limit(stream)
    parts = [] if near is None else [_level_line("edge", frame, near)]
    parts += [] if stream.usual is None else [_level_line("usual", frame, stream.usual)]
    for name, low, high in (("fan", 1, 4), ("mid", 2, 3)) if stream.fan else ():
        there = [(row[0], row[high]) for row in stream.fan]
        back = [(row[0], row[low]) for row in reversed(stream.fan)]
        parts.append(f'<polygon class="{name}" points="{_points([*there, *back], frame)}"/>')
    today = frame.x(0.0)
    parts.append(f'<line class="today" x1="{today:.1f}" x2="{today:.1f}" y1="1.0" y2="{height - 1.0:.1f}"/>')
    if stream.lots:
        week, level = stream.lots[-1]
        parts.append(f'<polyline class="line" points="{_points(stream.lots, frame)}"/>')
        parts.append(f'<circle class="now" cx="{frame.x(week):.1f}" cy="{frame.y(level):.1f}" r="3"/>')
    for week, end, bound in stream.bounded:
        # As in the large charts: a tail from the known end towards the level, which nobody knows.
        x, y = frame.x(week), frame.y(end)
        tail = f'<line class="open" x1="{x:.1f}" x2="{x:.1f}" y1="{y:.1f}" y2="{y - bound * TAIL:.1f}"/>'
        parts.append(f'{tail}<circle class="end" cx="{x:.1f}" cy="{y:.1f}" r="2"/>')
    if limit and near is not None:
        y = min(max(frame.y(near) + 4, 11.0), height - 2.0)
        parts.append(f'<text class="words" x="{frame.edges.right + 7:.1f}" y="{y:.1f}">{escape(limit)}</text>')
    style = _style(LIGHT)
    if not paper:
        style += f"@media (prefers-color-scheme:dark){{{_style(DARK)}}}"
    return drawing(width, height, title, parts, style)


def as_image_address(svg: str) -> str:
    """The picture as an address that an image element takes."""
    return "data:image/svg+xml;base64," + base64.b64encode(svg.encode()).decode()


def _style(scheme: Scheme) -> str:
    return (
        f".edge{{stroke:{scheme.ink};stroke-width:2}}.usual{{stroke:{FIGURE.grey};stroke-dasharray:3 3}}"
        f".today{{stroke:{FIGURE.grey};stroke-width:.7}}.line{{fill:none;stroke:{scheme.accent};stroke-width:1.6}}"
        f".fan{{fill:{scheme.accent};opacity:.16}}.mid{{fill:{scheme.accent};opacity:.3}}.now{{fill:{scheme.accent}}}"
        f".open{{stroke:{scheme.accent};stroke-width:1.4}}.end{{fill:none;stroke:{scheme.accent};stroke-width:1.2}}"
        f".words{{fill:{scheme.ink};font:12px 'Segoe UI','Noto Sans','Liberation Sans',sans-serif}}"
    )


def _frame(stream: SparklineData, width: int, height: int) -> Frame:
    ahead = max((row[0] for row in stream.fan), default=0.0)
    marks = [stream.usual, _nearer_limit(stream)]
    levels = [level for _, level in stream.lots] + [end for _, end, _ in stream.bounded]
    levels += [mark for mark in marks if mark is not None]
    low, high = min(levels, default=0.0), max(levels, default=1.0)
    margin = 0.12 * (high - low) or 1.0
    return Frame(Edges(2, width - 2, 2, height - 2), -YEAR_WEEKS, ahead, low - margin, high + margin)


def _nearer_limit(stream: SparklineData) -> float | None:
    """The limit that the stream is nearer to; the other one would only flatten the picture."""
    limits = [limit for limit in (stream.lower, stream.upper) if limit is not None]
    level = stream.last
    if not limits or level is None:
        return limits[-1] if limits else None
    return min(limits, key=lambda limit: abs(limit - level))


def _level_line(name: str, frame: Frame, level: float) -> str:
    y = frame.y(level)
    return f'<line class="{name}" x1="0.0" x2="{frame.edges.right + 2:.1f}" y1="{y:.1f}" y2="{y:.1f}"/>'


def _points(places: Sequence[tuple[float, float]], frame: Frame) -> str:
    return " ".join(f"{frame.x(week):.1f},{frame.y(level):.1f}" for week, level in places)
