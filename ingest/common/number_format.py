"""Format values for readers: three significant digits, powers of ten, unit signs."""

from __future__ import annotations

import math

__all__ = ["SPOKEN_UNITS", "amount", "way"]

SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
SPOKEN_UNITS = {
    "ohm": "Ω",
    "kohm": "kΩ",
    "Mohm": "MΩ",
    "Gohm": "GΩ",
    "Tohm": "TΩ",
    "uJ": "µJ",
    "um": "µm",
    "g/m2/day": "g/m²/day",
}
# Percent a month; a slower change is described by its level, not by its direction.
LEAST_CHANGE = 0.5


def amount(value: float | None, unit: str = "", bound: int = 0) -> str:
    """Format a value with three significant digits and its unit: 14.2 nJ, 3.16 × 10⁹ Ω, > 10¹² Ω, or a dash."""
    if value is None:
        return "–"
    sign = {-1: "< ", 0: "", 1: "> "}[bound]
    return f"{sign}{_digits(value)} {SPOKEN_UNITS.get(unit, unit)}".strip()


def _digits(value: float) -> str:
    if value >= 1e4 and math.log10(value).is_integer():
        return f"10{str(round(math.log10(value))).translate(SUPERSCRIPT)}"
    if value == 0 or 1e-3 <= abs(value) < 1e5:
        decimals = 2 if value == 0 else max(0, 2 - math.floor(math.log10(abs(value))))
        return f"{value:.{decimals}f}"
    mantissa, exponent = f"{value:.2e}".split("e")
    return f"{mantissa} × 10{str(int(exponent)).translate(SUPERSCRIPT)}"


def way(direction: int, percent_a_month: float | None) -> str:
    """Describe a stream that left its centre line: still moving in that direction, or staying at the new level."""
    moving = percent_a_month is not None and percent_a_month * direction >= LEAST_CHANGE
    if direction == 0:
        return "moving"
    if percent_a_month is None or moving:
        return "rising" if direction > 0 else "falling"
    return "higher" if direction > 0 else "lower"
