"""Small charts as SVG: shapes, words, and the frame that places days and levels.

No JavaScript and no outside reference. Shapes carry the meaning and colour repeats it, as a paper may be printed in grey.
Text is escaped.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from html import escape
from typing import Self

from dashboard.charts.ticks import round_ticks
from dashboard.paper.palette import LIGHT
from dashboard.text.formatting import amounts
from spc.vocabulary.finite import LARGEST, SMALLEST, exp

__all__ = ["Edges", "Frame", "band", "day_of", "diamond", "disc", "drawing", "level_ticks", "line", "square", "words"]

# Typst brings the first of these; a browser takes what it has.
FONT = 'font-family="Libertinus Serif, Georgia, serif" font-size="9"'
# Of the span of the levels: room above and below the outermost mark.
MARGIN = 0.07


@dataclass(frozen=True, slots=True)
class Edges:
    """The edges of the room for marks, in pixels of the picture."""

    left: float
    right: float
    top: float
    bottom: float


@dataclass(frozen=True, slots=True)
class Frame:
    """Where times and levels lie in a picture.

    Times are numbers (days, weeks) from `first` to `last`, levels from `low` to `high` in the charted scale.
    """

    edges: Edges
    first: float
    last: float
    low: float
    high: float
    is_log: bool = False

    @classmethod
    def around(cls, levels: Sequence[float], days: tuple[date, date], edges: Edges, *, is_log: bool) -> Self:
        """The frame that holds these levels of the unit and these days."""
        charted = [math.log(level) if is_log else level for level in levels if level > 0 or not is_log] or [0.0]
        margin = MARGIN * (max(charted) - min(charted)) or 0.5
        first, last = (day.toordinal() for day in days)
        return cls(edges, first, max(last, first + 1), min(charted) - margin, max(charted) + margin, is_log)

    def x(self, time: date | float) -> float:
        """Where a time lies; one outside lies on the nearer edge."""
        number = time.toordinal() if isinstance(time, date) else time
        share = min(max((number - self.first) / (self.last - self.first), 0.0), 1.0)
        return self.edges.left + share * (self.edges.right - self.edges.left)

    def y(self, value: float) -> float:
        """Where a value of the unit lies; one outside lies on the nearer edge."""
        charted = self._charted(value)
        # Halves, as the height of a linear scale may be more than the largest number.
        share = (charted / 2 - self.low / 2) / (self.high / 2 - self.low / 2)
        return self.edges.bottom - min(max(share, 0.0), 1.0) * (self.edges.bottom - self.edges.top)

    def holds(self, value: float | None) -> bool:
        """Whether a value of the unit lies in the picture."""
        return value is not None and (value > 0 or not self.is_log) and self.low <= self._charted(value) <= self.high

    def _charted(self, value: float) -> float:
        # The end of an interval may be too small for any number but 0.
        return math.log(value or SMALLEST) if self.is_log else value


def day_of(stamp: str) -> date:
    """The day of an ISO 8601 time."""
    return datetime.fromisoformat(stamp).date()


def drawing(width: int, height: int, title: str, parts: Sequence[str], style: str = "") -> str:
    """A whole picture."""
    look = f"<style>{style}</style>" if style else ""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}" '
        f'role="img"><title>{escape(title)}</title>{look}{"".join(parts)}</svg>'
    )


def level_ticks(frame: Frame, unit: str) -> list[str]:
    """Round levels at the left with a hairline each, and the base line."""
    edges = frame.edges
    low, high = (exp(end) if frame.is_log else end for end in (frame.low, frame.high))
    ticks = round_ticks(max(low, SMALLEST), max(min(high, LARGEST), SMALLEST), enough=3, most_decades=4) or [low, high]
    parts = [line(edges.left, edges.bottom, edges.right, edges.bottom, LIGHT.hair)]
    shown = ticks[:: -(-len(ticks) // 5)]
    for tick, text in zip(shown, amounts(shown, unit), strict=True):
        y = frame.y(tick)
        parts += [line(edges.left, y, edges.right, y, LIGHT.hair, 0.4)]
        parts += [words(edges.left - 4, y + 3, text, "end")]
    return parts


def line(x1: float, y1: float, x2: float, y2: float, colour: str, weight: float = 0.8, *, dashed: bool = False) -> str:
    """A straight line."""
    dashes = ' stroke-dasharray="2 3"' if dashed else ""
    ends = f'x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"'
    return f'<line {ends} stroke="{colour}" stroke-width="{weight}"{dashes}/>'


def band(x1: float, y1: float, x2: float, y2: float, opacity: float) -> str:
    """An interval as a pale rectangle."""
    place = f'x="{x1:.1f}" y="{y1:.1f}" width="{max(x2 - x1, 1):.1f}" height="{max(y2 - y1, 0):.1f}"'
    return f'<rect {place} fill="{LIGHT.accent}" opacity="{opacity}"/>'


def words(x: float, y: float, text: str, anchor: str, colour: str = LIGHT.quiet) -> str:
    """A line of text."""
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{colour}" {FONT}>{escape(text)}</text>'


def diamond(x: float, y: float, *, filled: bool = True) -> str:
    """A diamond in the colour of a failure."""
    look = f'fill="{LIGHT.act}"' if filled else f'fill="{LIGHT.sheet}" stroke="{LIGHT.act}"'
    return f'<polygon points="{x:.1f},{y - 4:.1f} {x + 4:.1f},{y:.1f} {x:.1f},{y + 4:.1f} {x - 4:.1f},{y:.1f}" {look}/>'


def square(x: float, y: float) -> str:
    """An open square."""
    look = f'fill="{LIGHT.sheet}" stroke="{LIGHT.quiet}"'
    return f'<rect x="{x - 2.5:.1f}" y="{y - 2.5:.1f}" width="5" height="5" {look}/>'


def disc(x: float, y: float, radius: float = 2.4, colour: str = LIGHT.ink, *, filled: bool = True) -> str:
    """A disc."""
    look = f'fill="{colour}"' if filled else f'fill="{LIGHT.sheet}" stroke="{colour}"'
    return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{radius}" {look}/>'
