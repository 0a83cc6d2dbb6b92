"""The strokes of which pictures for paper are made: lines, marks and words as SVG, in colours that also read in grey."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from html import escape

from spc.vocabulary.finite import SMALLEST

__all__ = ["EDGE", "HAIR", "INK", "MEAN", "QUIET", "Frame", "diamond", "disc", "drawing", "line", "square", "words"]

INK, QUIET, HAIR, EDGE, MEAN = "#1d2730", "#566472", "#c9c5ba", "#9b2c1f", "#1f4e79"
# Typst brings the first of these; a browser takes what it has.
FONT = 'font-family="Libertinus Serif, Georgia, serif" font-size="9"'


@dataclass(frozen=True, slots=True)
class Frame:
    """Where days and levels of a picture over time lie, in its pixels.

    `left`, `right`, `top` and `bottom` are the edges of the room for lots; `start` and the `days` after it fill its
    width, the levels from `low` to `high`, in the charted scale, its height.
    """

    left: float
    right: float
    top: float
    bottom: float
    start: date
    days: int
    low: float
    high: float
    is_log: bool

    def charted(self, value: float) -> float:
        """A value of the unit in the charted scale; the end of an interval may be too small for any number but 0."""
        return math.log(value or SMALLEST) if self.is_log else value

    def x(self, day: date) -> float:
        """Where a day lies; one outside lies on the nearer edge."""
        share = min(max((day - self.start).days / self.days, 0.0), 1.0)
        return self.left + share * (self.right - self.left)

    def y(self, value: float) -> float:
        """Where a value of the unit lies."""
        # Halves, as the height of a linear scale may be more than the largest number.
        share = (self.charted(value) / 2 - self.low / 2) / (self.high / 2 - self.low / 2)
        return self.bottom - share * (self.bottom - self.top)

    def holds(self, value: float | None) -> bool:
        """Whether a value of the unit lies in the picture."""
        if value is None or (self.is_log and value <= 0):
            return False
        return self.low <= self.charted(value) <= self.high


def drawing(width: int, height: int, title: str, parts: Sequence[str]) -> str:
    """A whole picture."""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}" '
        f'role="img"><title>{escape(title)}</title>{"".join(parts)}</svg>'
    )


def line(x1: float, y1: float, x2: float, y2: float, colour: str, weight: float = 0.8, *, dashed: bool = False) -> str:
    """A straight line."""
    dashes = ' stroke-dasharray="2 3"' if dashed else ""
    ends = f'x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"'
    return f'<line {ends} stroke="{colour}" stroke-width="{weight}"{dashes}/>'


def words(x: float, y: float, said: str, anchor: str, colour: str = QUIET) -> str:
    """A line of text."""
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{colour}" {FONT}>{escape(said)}</text>'


def diamond(x: float, y: float, look: str) -> str:
    """A diamond with the given fill and stroke."""
    return f'<polygon points="{x:.1f},{y - 4:.1f} {x + 4:.1f},{y:.1f} {x:.1f},{y + 4:.1f} {x - 4:.1f},{y:.1f}" {look}/>'


def square(x: float, y: float) -> str:
    """An open square."""
    return f'<rect x="{x - 2.5:.1f}" y="{y - 2.5:.1f}" width="5" height="5" fill="#fff" stroke="{QUIET}"/>'


def disc(x: float, y: float, radius: float = 2.4, look: str = f'fill="{INK}"') -> str:
    """A disc."""
    return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{radius}" {look}/>'
