"""Round numbers for the level axis of a chart, on screen and on paper."""

from __future__ import annotations

import math

from dashboard.text.formatting import amount
from spc.vocabulary.finite import LARGEST, SMALLEST

__all__ = ["LEAST_POWER", "MOST_POWER", "round_ticks", "tick_text"]

# Ticks a decade, from few to many; the first set that gives enough of them is taken.
DECADES: tuple[tuple[float, ...], ...] = (
    (1,), (1, 3), (1, 2, 5), (1, 1.5, 2, 3, 5, 7), (1, 1.2, 1.4, 1.6, 1.8, 2, 2.5, 3, 3.5, 4, 5, 6, 7, 8, 9),
)  # fmt: skip
# Of ten, within the numbers; a little air around the largest of them reaches beyond.
LEAST_POWER, MOST_POWER = math.log10(SMALLEST), math.log10(LARGEST) - 1e-12


def round_ticks(low: float, high: float, enough: int = 4, most_decades: int = 9) -> list[float]:
    """Return round numbers between two levels above 0, about `enough` of them however near or far the two are.

    Over more than `most_decades` decades some decades are skipped. Between two levels that lie near each other the ticks are
    equally spaced, as a log scale is nearly straight there.
    """
    first, last = math.floor(math.log10(low)), min(math.ceil(math.log10(high)), math.floor(MOST_POWER))
    ticks: list[float] = []
    for decade in DECADES:
        step = max(1, (last - first) // most_decades) if len(decade) == 1 else 1
        ticks = [
            tick
            for power in range(first, last + 1, step)
            for part in decade
            if low <= (tick := part * 10.0**power) <= high
        ]
        if len(ticks) >= enough:
            return ticks
    return ticks if len(ticks) >= enough - 1 else _equal_steps(low, high, enough)


def _equal_steps(low: float, high: float, enough: int) -> list[float]:
    """Multiples of 1, 2 or 5 times a power of ten between two levels: at least `enough` of them, and at most about twice as many."""
    widest = (high - low) / enough
    if not widest > 0:
        return []
    power = 10.0 ** math.floor(math.log10(widest))
    step = next(part * power for part in (5, 2, 1) if part * power <= widest)
    return [number * step for number in range(math.ceil(low / step), math.floor(high / step) + 1)]


def tick_text(value: float) -> str:
    """A round number without the zeros that say how well a value is known: 12, 3 × 10⁹."""
    if value < 1e4:
        return f"{value:g}"
    mantissa, _, power = amount(value, digits=6).partition(" × ")
    return f"{float(mantissa):g} × {power}" if power else mantissa
