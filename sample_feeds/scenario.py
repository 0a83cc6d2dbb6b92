"""What is true in the invented scenario: the products, their levels through time, and the stories told with them.

Every name and every number is made up. Spreads and levels lie in the ranges that labs of this kind see (common
practice; no single source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, date, datetime
from itertools import pairwise

__all__ = [
    "CEILING_OHM",
    "CHAMBERS",
    "CLOSED_WEEKS",
    "COUPON",
    "ENERGY",
    "FIRST_WEEK",
    "HUMIDITY",
    "INSIDE",
    "LAST_WEEK",
    "MESSY",
    "ODD_LOTS",
    "OUTSIDE",
    "PRODUCTS",
    "RESISTOR_OHM",
    "RETESTED",
    "SEED",
    "STANDARDS",
    "TESTER_GAIN",
    "Measured",
    "Odd",
    "Product",
    "course_at",
]

# All random numbers depend on this word.
SEED = "skerrywell"
FIRST_WEEK, LAST_WEEK = date(2025, 6, 2), date(2026, 11, 16)
CLOSED_WEEKS = {date(2025, 12, 22), date(2025, 12, 29)}
ENERGY, INSIDE, OUTSIDE = "shielding_energy", "surface_resistance_inside", "surface_resistance_outside"
# Tests of a chamber's load are done on this day of the week, counted from Monday.
CHAMBERS = {"north": 3, "south": 4}
# Nothing above this can be read on the meter; it writes the ceiling as a bounded value.
CEILING_OHM = 1e12

Course = tuple[tuple[date, float], ...]
DECADE = math.log(10)


@dataclass(frozen=True, slots=True)
class Measured:
    """One characteristic of a product.

    `course` holds the level at some days, in nJ or ohm, straight on a log scale between them and level outside. The
    standard deviations between lots, between bags and between readings are those of natural logs. `per_percent` is the
    change of the natural log a percent of humidity above 12 %.
    """

    course: Course
    lots: float
    bags: float
    readings: float
    per_percent: float = 0.0


@dataclass(frozen=True, slots=True)
class Product:
    """A product of a supplier and its delivery: a lot every `every` weeks, counted so that week `phase` has one.

    `first` and `last` bound the weeks (by their Mondays) in which lots are tested. `roll` is the day from which on
    all lots are cut from one roll of film, made then.
    """

    supplier: str
    name: str
    first_lot: int
    measured: dict[str, Measured]
    every: int = 1
    phase: int = 0
    first: date = FIRST_WEEK
    last: date = LAST_WEEK
    roll: date | None = None


def _steady(level: float) -> Course:
    return ((FIRST_WEEK, level),)


def _energy(course: Course, lots: float = 0.07, bags: float = 0.09, readings: float = 0.05) -> Measured:
    return Measured(course, lots, bags, readings)


def _resistance(course: Course, lots: float = 0.14, slope: float = -0.05) -> Measured:
    """A face: spread between lots and humidity slope in decades; one reading a bag, so it holds the repeat as well."""
    return Measured(course, lots * DECADE, 0.08 * DECADE, 0.02 * DECADE, slope * DECADE)


def _faces(inside: float, outside: float, lots: float = 0.14) -> dict[str, Measured]:
    return {INSIDE: _resistance(_steady(inside), lots), OUTSIDE: _resistance(_steady(outside), lots)}


# Slow thinning, not breached: about 7 % a month, so that 20 nJ is some eleven weeks away at the end.
THINNING = ((date(2026, 4, 6), 9.5), (LAST_WEEK, 16.5))
# One step on the day on which a new laminator takes over.
NEW_LAMINATOR = ((date(2026, 2, 15), 9.8), (date(2026, 2, 16), 9.8 * 1.25))
THICKER_METAL = ((date(2026, 5, 4), 4.5), (LAST_WEEK, 2.8))
AGEING = ((date(2025, 11, 17), 4.5e9), (LAST_WEEK, 4.5e10))

PRODUCTS = (
    Product("Brackenfoil", "BF-110", 4103, {ENERGY: _energy(THINNING, lots=0.05), **_faces(6e9, 9e9)}),
    Product("Brackenfoil", "BF-210", 7018, {ENERGY: _energy(_steady(10.8)), **_faces(3e9, 2e6)}),
    Product(
        "Brackenfoil", "BF-330", 2207, {ENERGY: _energy(_steady(3.4)), **_faces(8e9, 5e9)},
        every=2, phase=1, last=date(2026, 5, 25),
    ),
    Product("Quillmere", "QM-31", 560, {ENERGY: _energy(NEW_LAMINATOR, lots=0.06), **_faces(4e9, 7e9)}),
    Product("Quillmere", "QM-52", 1311, {ENERGY: _energy(THICKER_METAL, lots=0.06), **_faces(9e9, 9e9)}, every=2),
    Product(
        "Tarnwick", "TW-Rose", 90,
        {INSIDE: _resistance(AGEING, lots=0.10), OUTSIDE: _resistance(_steady(3.5e9), lots=0.12)},
        roll=date(2025, 10, 13),
    ),
    Product(
        "Tarnwick", "TW-Clear", 31,
        {INSIDE: _resistance(_steady(3e8), 0.10, slope=0.0), OUTSIDE: _resistance(_steady(4e8), 0.10, slope=0.0)},
        every=4, phase=3,
    ),
    Product("Umberfold", "UM-7", 3320, {ENERGY: _energy(_steady(10.6), 0.13, 0.20, 0.09), **_faces(5e9, 6e6, 0.22)}),
    Product("Umberfold", "UM-9", 8140, {ENERGY: _energy(_steady(12.2), 0.06), **_faces(7e9, 9e9)}, every=2, phase=1),
    Product("Ostrelvane", "OV-1", 11, {ENERGY: _energy(_steady(11.4)), **_faces(5e9, 8e9)}, first=date(2026, 9, 28)),
)  # fmt: skip

STANDARDS = "Kept references"
COUPON = Measured(_steady(10.4), lots=0.015, bags=0.03, readings=0.02)
RESISTOR_OHM = 1.002e9

# The tester reads high by this factor from the first of these days until it is repaired on the second.
TESTER_GAIN = (date(2026, 8, 17), date(2026, 9, 5), 1.115)

# What a chamber's humidity adds to 12 %, straight between these moments.
HUMIDITY = {
    "north": (
        (datetime(2026, 5, 25, tzinfo=UTC), 0.0),
        (datetime(2026, 6, 8, tzinfo=UTC), 1.9),
        (datetime(2026, 6, 29, tzinfo=UTC), 1.9),
        (datetime(2026, 7, 6, tzinfo=UTC), 0.0),
    ),
    "south": (
        (datetime(2026, 3, 18, 12, tzinfo=UTC), 0.0),
        (datetime(2026, 3, 18, 22, tzinfo=UTC), 4.8),
        (datetime(2026, 3, 21, 10, tzinfo=UTC), 4.8),
        (datetime(2026, 3, 21, 20, tzinfo=UTC), 0.0),
    ),
}


@dataclass(frozen=True, slots=True)
class Odd:
    """What is special about one lot: a factor on all of it, and factors on some of its bags."""

    characteristic: str
    lot: float = 1.0
    bags: tuple[tuple[int, float], ...] = ()


# By product and Monday of the week of the test.
ODD_LOTS = {
    ("BF-210", date(2026, 11, 9)): Odd(ENERGY, bags=((2, 2.6), (3, 3.1), (5, 2.2))),
    ("UM-9", date(2026, 10, 26)): Odd(ENERGY, lot=1.95),
    ("TW-Clear", date(2026, 10, 12)): Odd(OUTSIDE, lot=10**3.4),
}
# The lot of this product and week is tested again, with bags 7 to 12, in the later week.
RETESTED = ("UM-9", date(2026, 10, 26), date(2026, 11, 9))


@dataclass(frozen=True, slots=True)
class _Messy:
    """The product whose tests arrive in an export of another form, and the weeks in which something is wrong in it."""

    product: str
    unit_slip: date
    slip_corrected: date
    per_square: date
    bad_rows: date


MESSY = _Messy("QM-52", date(2026, 9, 7), date(2026, 10, 5), date(2026, 10, 19), date(2026, 11, 2))


def course_at(course: Course, day: date) -> float:
    """Level on a day: straight on a log scale between the given days, level before the first and after the last."""
    if day <= course[0][0]:
        return course[0][1]
    for (early, low), (late, high) in pairwise(course):
        if day <= late:
            share = (day - early).days / (late - early).days
            return math.exp(math.log(low) + share * (math.log(high) - math.log(low)))
    return course[-1][1]
