"""Format values for readers: as many digits as their scatter needs, powers of ten, unit signs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NotRequired, TypedDict

__all__ = [
    "LEAST_CHANCE",
    "LEAST_DIGITS",
    "Measured",
    "amount",
    "amounts",
    "chance_text",
    "digits_for",
    "digits_of",
    "in_unit",
    "percent_change",
    "printed_unit",
    "shown_difference",
    "signed",
    "way",
]

SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
PRINTED_UNITS = {
    "ohm": "Ω",
    "kohm": "kΩ",
    "Mohm": "MΩ",
    "Gohm": "GΩ",
    "Tohm": "TΩ",
    "uJ": "µJ",
    "um": "µm",
    "g/m2/day": "g/m²/day",
}
LEAST_DIGITS, MOST_DIGITS = 3, 9
# A smaller chance of a failing lot is no reason to look at a stream.
LEAST_CHANCE = 0.01
# The last digit is worth a quarter of the scatter or less, so that a difference within the scatter is seen (common practice).
PARTS = 4.0
# Percent a month, of values with three digits; a slower change is described by its level, not by its direction.
LEAST_CHANGE = 0.5


class Measured(TypedDict):
    """Any document with values of one stream: their unit, and their significant digits where the stream sets them."""

    unit: str
    digits: NotRequired[int]


def digits_of(document: Measured) -> int:
    """Significant digits of the values of a document."""
    return document.get("digits", LEAST_DIGITS)


def in_unit(document: Measured, value: float | None, bound: int = 0) -> str:
    """Format a value of a document, as `amount` does."""
    return amount(value, document["unit"], bound, digits_of(document))


def amount(value: float | None, unit: str = "", bound: int = 0, digits: int = LEAST_DIGITS) -> str:
    """Format a value with its significant digits and its unit: 14.2 nJ, 3.16 × 10⁹ Ω, > 10¹² Ω, or a dash."""
    if value is None:
        return "–"
    sign = {-1: "< ", 0: "", 1: "> "}[bound]
    return f"{sign}{_text(value, digits)} {printed_unit(unit)}".strip()


def printed_unit(unit: str) -> str:
    """Return a unit as it is printed: Ω for ohm."""
    return PRINTED_UNITS.get(unit, unit)


def amounts(values: Sequence[float | None], unit: str = "", digits: int = LEAST_DIGITS) -> list[str]:
    """Format values that are compared: with more digits where unlike values would read alike."""
    distinct = {value for value in values if value is not None}
    while digits < MOST_DIGITS and len({_text(value, digits) for value in distinct}) < len(distinct):
        digits += 1
    return [amount(value, unit, digits=digits) for value in values]


def shown_difference(value: float, earlier: float, digits: int = LEAST_DIGITS) -> float:
    """The difference of two values as `amounts` prints them, so that a reader who subtracts finds the same."""
    while digits < MOST_DIGITS and value != earlier and _text(value, digits) == _text(earlier, digits):
        digits += 1
    return _rounded(value, digits) - _rounded(earlier, digits)


def _rounded(value: float, digits: int) -> float:
    if value == 0 or 1e-3 <= abs(value) < 1e5:
        return round(value, _decimals(value, digits))
    return float(f"{value:.{digits - 1}e}")


def _decimals(value: float, digits: int) -> int:
    return digits - 1 if value == 0 else max(0, digits - 1 - math.floor(math.log10(abs(value))))


def signed(value: float, digits: str) -> str:
    """A number with its sign; the minus is the printed one, and what rounds to zero has no sign."""
    text = f"{value:+{digits}}"
    return text[1:] if text[0] in "+-" and float(text) == 0 else text.replace("-", "−")


def digits_for(scatter: float, level: float | None = None) -> int:
    """Significant digits that show a difference within the scatter of a stream.

    `scatter` is the standard deviation of a lot level: in the unit for values near `level`, or without `level` in natural
    logarithms, as a share of any value.
    """
    share = scatter if level is None else scatter / abs(level) if level else 0.0
    if not 0 < share < math.inf:
        return LEAST_DIGITS
    # Without a level a value may begin with any digit, and one that begins with 1 has the coarsest digits.
    leading = 1.0 if level is None else abs(level) / 10 ** math.floor(math.log10(abs(level)))
    needed = 1 - math.log10(share * leading / PARTS)
    return min(max(math.ceil(needed - 1e-9), LEAST_DIGITS), MOST_DIGITS)


def chance_text(share: float | None) -> str:
    """A chance in whole percent, or a dash where it is unknown; a model is never certain, so it is never 0 % or 100 %."""
    if share is None:
        return "–"
    if share < LEAST_CHANCE:
        return "under 1 %"
    return "over 99 %" if share > 1 - LEAST_CHANCE else f"{100 * share:.0f} %"


def percent_change(percent_a_month: float, digits: int = LEAST_DIGITS) -> str:
    """A change a month in percent, with its sign and as many decimals as the values have digits above two."""
    decimals = digits - LEAST_DIGITS + 1
    if abs(percent_a_month) < 0.5 * 10**-decimals:
        return f"{0:.{decimals}f}"
    return f"{percent_a_month:+.{decimals}f}".replace("-", "−")


def _text(value: float, digits: int) -> str:
    if value >= 1e4 and math.log10(value).is_integer():
        return f"10{str(round(math.log10(value))).translate(SUPERSCRIPT)}"
    if value == 0 or 1e-3 <= abs(value) < 1e5:
        return f"{value:.{_decimals(value, digits)}f}"
    mantissa, exponent = f"{value:.{digits - 1}e}".split("e")
    return f"{mantissa} × 10{str(int(exponent)).translate(SUPERSCRIPT)}"


def way(direction: int, percent_a_month: float | None, digits: int = LEAST_DIGITS) -> str:
    """Describe a stream that left its centre line: still moving in that direction, or staying at the new level.

    A level that moves both ways has direction 0.
    """
    least = LEAST_CHANGE * 10.0 ** (LEAST_DIGITS - digits)
    moving = percent_a_month is not None and percent_a_month * direction >= least
    if direction == 0:
        return "wandering"
    if percent_a_month is None or moving:
        return "rising" if direction > 0 else "falling"
    return "higher" if direction > 0 else "lower"
