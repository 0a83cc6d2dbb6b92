"""Read units and values as instruments and people write them, without losing a digit or guessing a meaning.

A unit belongs to a quantity. Units of one quantity convert into each other by whole powers of ten, so a decimal value is
converted to the float nearest to the exact product: 0.0125 uJ is 12.5 nJ.
"""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass
from functools import cache

from ingest.common.text import quoted

__all__ = [
    "BLANKS",
    "ENERGY",
    "RESISTANCE",
    "UNITS_AS_PRINTED",
    "Quantity",
    "Unit",
    "UnitError",
    "Value",
    "ValueTextError",
    "logger_unit",
    "names_a_unit",
    "parse_number",
    "parse_unit",
    "parse_value",
    "to_unit",
]

# Spaces that exports put around numbers: plain, tab, no-break, figure, thin, narrow no-break, and a byte order mark.
BLANKS = " \t\u00a0\u2007\u2009\u202f\ufeff"


class UnitError(ValueError):
    """The text is not a unit of the quantity, or is ambiguous; the message says what to write."""


class ValueTextError(ValueError):
    """The text is not a value; the message says why."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """A physical quantity and its units."""

    name: str
    units: tuple[str, ...]

    @property
    def choices(self) -> str:
        """The units as a message lists them: `nJ, uJ, mJ or J`."""
        return " or ".join(filter(None, (", ".join(self.units[:-1]), self.units[-1])))


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit: its name, its quantity, and its power of ten relative to the first unit of the quantity's system."""

    name: str
    quantity: Quantity
    exponent: int


ENERGY = Quantity("energy", ("nJ", "uJ", "mJ", "J"))
RESISTANCE = Quantity("resistance", ("ohm", "kohm", "Mohm", "Gohm", "Tohm"))
VOLTAGE = Quantity("voltage", ("V", "kV"))
TIME = Quantity("time", ("ms", "s"))
FORCE = Quantity("force", ("mN", "N"))
LENGTH = Quantity("length", ("um", "mm"))
PASSAGE = Quantity("moisture passage", ("g/m2/day",))
SHARE = Quantity("share", ("%",))

# The power of ten of each unit relative to the SI unit of its quantity; for moisture passage and share, to the unit itself.
EXPONENTS = {
    ENERGY: (-9, -6, -3, 0),
    RESISTANCE: (0, 3, 6, 9, 12),
    VOLTAGE: (0, 3),
    TIME: (-3, 0),
    FORCE: (-3, 0),
    LENGTH: (-6, -3),
    PASSAGE: (0,),
    SHARE: (0,),
}
UNITS = {
    name: Unit(name, quantity, exponent)
    for quantity, exponents in EXPONENTS.items()
    for name, exponent in zip(quantity.units, exponents, strict=True)
}
FOLDED = {name.lower(): unit for name, unit in UNITS.items()}
# Units with signs that a keyboard lacks, as print has them.
UNITS_AS_PRINTED = {"\u00b5J": "uJ", "\u03bcJ": "uJ", "\u00b5m": "um", "\u03bcm": "um", "g/m\u00b2/day": "g/m2/day"}
# Other spellings of one unit, in small letters and without blanks.
SPELLINGS = {
    **dict.fromkeys(
        ("g/m2/d", "g/m2/24h", "g/(m2day)", "g/(m2d)", "g/(m2\u00b7day)", "g/(m2\u00b7d)", "g/(m2\u00b724h)"),
        "g/m2/day",
    ),
    **dict.fromkeys(("percent", "pct"), "%"),
    **dict.fromkeys(("sec", "second", "seconds"), "s"),
    **{f"{prefix}ohms": f"{prefix}ohm" for prefix in ("", "k")},
    **{f"{prefix.lower()}ohms": f"{prefix}ohm" for prefix in ("G", "T")},
}

# Milli and mega differ by a factor of 10^9 but only in the case of one letter, so the case of that letter counts.
AMBIGUOUS = {
    "mohm": "it could mean milliohm or megohm; write Mohm, or give the value in ohm",
    "Mj": "it could mean megajoule or millijoule; write mJ, or give the value in J",
    "Mn": "it could mean meganewton or millinewton; write mN, or give the value in N",
    "S": "it could mean second or siemens; write s for a time",
}
# The only unit with digits in it.
PER_AREA = re.compile(r"g/\(?m[2\u00b2].*")
PER_SQUARE = re.compile(r"ohms?\s*(/|per)\s*(sq|\u25a1)", re.IGNORECASE)


def parse_unit(text: str, quantity: Quantity | None = None) -> Unit:
    """Read a unit.

    Parameters
    ----------
    text : str
        As written in a cell, a header or `lab.toml`; surrounding blanks, both micro signs and the ohm sign are accepted.
    quantity : Quantity, optional
        The quantity that it must belong to.

    Raises
    ------
    UnitError
        If it is unknown, ambiguous, or a unit of another quantity (such as ohm per square).

    Examples
    --------
    >>> parse_unit("\u00b5J").name, parse_unit("OHM").name, parse_unit("gohm").name
    ('uJ', 'ohm', 'Gohm')
    """
    plain = _plain(text)
    unit = UNITS.get(plain) or _by_letters(plain, text)
    if unit is None:
        raise UnitError(_unknown(text, plain, quantity))
    if quantity is not None and unit.quantity is not quantity:
        raise UnitError(
            f"{quoted(text)} is a unit of {unit.quantity.name}, not of {quantity.name}; write {quantity.choices}"
        )
    return unit


@cache
def _plain(text: str) -> str:
    """Strip blanks; replace both micro signs by `u`, both ohm signs by `ohm`."""
    plain = unicodedata.normalize("NFKC", text.strip(BLANKS))
    return plain.replace("\u03bc", "u").replace("\u03a9", "ohm")


def _by_letters(plain: str, text: str) -> Unit | None:
    """The unit in another letter case, unless the case could change the meaning."""
    reason = AMBIGUOUS.get(plain[:1] + plain[1:].lower())
    if reason is not None:
        raise UnitError(f"{quoted(text)} is refused: {reason}")
    folded = plain.lower()
    return FOLDED.get(folded) or UNITS.get(SPELLINGS.get(re.sub(r"\s", "", folded), ""))


def _unknown(text: str, plain: str, quantity: Quantity | None) -> str:
    if _per_square(plain):
        return (
            f"{quoted(text)} is a unit of sheet resistance, another quantity; "
            f"give the resistance between the electrodes in {RESISTANCE.choices}"
        )
    if quantity is not None:
        return f"{quoted(text)} is not a unit of {quantity.name}; write {quantity.choices}"
    choices = ", ".join(f"{one.choices} for {one.name}" for one in EXPONENTS)
    return f"{quoted(text)} is not a unit; write {choices}"


# The names that loggers use for units, in lower case.
LOGGER_UNITS = {
    "%": ("%", "%rh", "% rh", "%r.h.", "percent"),
    "degC": ("degc", "\u00b0c", "c", "\u2103"),
    "degF": ("degf", "\u00b0f", "f", "\u2109"),
}


def logger_unit(text: str) -> str | None:
    """Read the unit of a climate column: `%`, `degC` or `degF`; None for any other text."""
    plain = text.strip(BLANKS).casefold()
    return next((unit for unit, spellings in LOGGER_UNITS.items() if plain in spellings), None)


def names_a_unit(text: str) -> bool:
    """Whether a text in a header is meant as a unit, even if that unit is refused."""
    try:
        parse_unit(text)
    except UnitError:
        plain = _plain(text)
        return logger_unit(text) is not None or plain[:1] + plain[1:].lower() in AMBIGUOUS or _per_square(plain)
    return True


def _per_square(plain: str) -> bool:
    return PER_SQUARE.search(plain) is not None


# Values

NUMBER = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,5})?"
VALUE = re.compile(rf"([<>]?)[{BLANKS}]*({NUMBER})[{BLANKS}]*(.*)", re.DOTALL)
BOUNDS = {"<": -1, "": 0, ">": 1}
THOUSANDS = re.compile(r"[0-9]{1,3}(?:[,.'\u2019 \u00a0\u202f][0-9]{3})+(?![0-9])")


@dataclass(frozen=True, slots=True)
class Value:
    """A value as written: the number with a decimal point, the open side, and the unit if the cell has one.

    `bound` is -1 if the true value is below the number, +1 if above, or else 0.
    """

    number: str
    bound: int
    unit: str


def parse_value(text: str, decimal: str = ".") -> Value:
    """Read one value above 0, exact or bounded.

    Parameters
    ----------
    text : str
        Such as `12.5`, `<0.5`, `> 1.0E12` or `12.5 nJ`.
    decimal : str
        The decimal mark of the column, `.` or `,`.

    Raises
    ------
    ValueTextError
        If it is not a finite number above 0 in decimal or exponent form.

    Examples
    --------
    >>> parse_value("> 1.0E12")
    Value(number='1.0E12', bound=1, unit='')
    """
    value = parse_number(text, decimal)
    _check_range(text, float(value.number))
    return value


def parse_number(text: str, decimal: str = ".") -> Value:
    """Read one number of either sign, exact or bounded; raises ValueTextError for anything else."""
    plain = text.strip(BLANKS)
    pointed = _pointed(plain, decimal)
    match = VALUE.fullmatch(pointed)
    if match is None or (match[3] and not _can_be_unit(match[3])):
        raise ValueTextError(_why_no_number(plain, decimal))
    return Value(match[2], BOUNDS[match[1]], match[3])


def _pointed(plain: str, decimal: str) -> str:
    if decimal == ".":
        return plain
    if "." in plain:
        raise ValueTextError(
            f"{quoted(plain)} has a decimal point in a column of decimal commas; write it with a comma"
        )
    return plain.replace(",", ".", 1)


def _can_be_unit(rest: str) -> bool:
    if PER_AREA.fullmatch(rest):
        return True
    return not rest[0].isdigit() and rest[0] not in "+-.,<>'" and not any(c.isdigit() for c in rest)


def _why_no_number(plain: str, decimal: str) -> str:
    if not plain:
        return "is blank; write a number"
    if plain.lower().lstrip("<>+- ") in {"nan", "inf", "infinity"}:
        return f"{quoted(plain)} is not finite; write a number, or a bounded value such as >1E12"
    if decimal == "." and "," in plain:
        return (
            f"{quoted(plain)} has a comma; write it with a decimal point and no thousands separators, "
            'or declare decimal = "," in [[source]]'
        )
    if THOUSANDS.search(plain):
        return f"{quoted(plain)} has thousands separators; write the digits without them"
    if not any(c.isdigit() for c in plain):
        return (
            f'{quoted(plain)} is a word; write a number, or map it in [[source]], such as words = {{ "OL" = ">1E13" }}'
        )
    return f"{quoted(plain)} is not a number; write it as 12.5, 1.2E9, <0.5 or >1E12"


def _check_range(text: str, number: float) -> None:
    plain = text.strip(BLANKS)
    if number < 0 or (number == 0 and "-" in plain):
        raise ValueTextError(f"{quoted(plain)} is not above 0; write a number above 0")
    if number == 0:
        raise ValueTextError(
            f"{quoted(plain)} is not above 0; write the floor of the instrument as a bounded value, such as <0.5"
        )
    if not math.isfinite(number):
        raise ValueTextError(f"{quoted(plain)} is too large for a number; write it as the instrument showed it")


def to_unit(number: str, unit: Unit, target: Unit) -> float:
    """Convert a number as written to another unit: the float nearest to the exact product.

    Parameters
    ----------
    number : str
        A number with a decimal point, as in `Value.number`.
    unit, target : Unit
        Units of one quantity.

    Raises
    ------
    UnitError
        If the units belong to different quantities.

    Examples
    --------
    >>> to_unit("0.0125", parse_unit("uJ"), parse_unit("nJ"))
    12.5
    """
    if unit.quantity is not target.quantity:
        raise UnitError(
            f'"{unit.name}" is a unit of {unit.quantity.name}, not of {target.quantity.name}; '
            f"write {target.quantity.choices}"
        )
    mantissa, _, exponent = number.lower().partition("e")
    # Shifting the exponent in the text means that only the conversion of the decimal rounds.
    return float(f"{mantissa}e{int(exponent or 0) + unit.exponent - target.exponent}")
