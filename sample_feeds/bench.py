"""What is tested when, and what the instruments show: lots to tests, tests to readings, drawn from seeds.

Every stream has a seed of its own, so that a change in one leaves the others as they are.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from random import Random

from sample_feeds.climate import ChamberLog
from sample_feeds.scenario import (
    CHAMBERS,
    CLOSED_WEEKS,
    COUPON,
    ENERGY,
    FIRST_WEEK,
    INSIDE,
    LAST_WEEK,
    ODD_LOTS,
    OUTSIDE,
    PRODUCTS,
    RESISTOR_OHM,
    RETESTED,
    SEED,
    STANDARDS,
    TESTER_GAIN,
    Measured,
    Odd,
    Product,
    course_at,
)

__all__ = ["Bag", "Test", "bags", "standards", "tests"]

BAGS, DISCHARGES = 6, 6
WEEK = timedelta(weeks=1)
BEGIN = time(8, 40, tzinfo=UTC)
STANDARDS_BEGIN = time(8, 5, tzinfo=UTC)
A_LOT = timedelta(minutes=22)
# When the first bag of a lot is measured after the lot is begun, and how long a bag takes, in minutes.
PACE = {ENERGY: (0, 3), INSIDE: (4, 2), OUTSIDE: (5, 2)}
# Of a lot a week this share does not come; the last weeks are left whole, they hold stories.
MISSED, WHOLE_FROM = 0.06, date(2026, 9, 7)


@dataclass(frozen=True, slots=True)
class Test:
    """One lot on the bench: its papers, its load, and when it was begun."""

    supplier: str
    product: str
    lot: str
    received: date
    made: date
    chamber: str
    load: str
    begun: datetime
    first_bag: int = 1

    @property
    def week(self) -> date:
        """The Monday of the test."""
        return self.begun.date() - timedelta(days=self.begun.weekday())


@dataclass(frozen=True, slots=True)
class Bag:
    """The readings of one bag at one moment, in the unit of the characteristic."""

    test: Test
    characteristic: str
    specimen: int
    tested_at: datetime
    values: tuple[float, ...]


# What is tested when


def tests() -> list[tuple[Product, Test]]:
    """All tests of suppliers' lots, in order of time."""
    planned = [pair for place, product in enumerate(PRODUCTS) for pair in _planned(place, product)]
    queues: dict[datetime, list[tuple[Product, Test]]] = defaultdict(list)
    for product, test in [*planned, *_again(planned)]:
        queues[test.begun].append((product, test))
    return [
        (product, replace(test, begun=begun + place * A_LOT))
        for begun in sorted(queues)
        for place, (product, test) in enumerate(queues[begun])
    ]


def _planned(place: int, product: Product) -> Iterator[tuple[Product, Test]]:
    rng = Random(f"{SEED} lots {product.name}")
    lot = product.first_lot
    for count, week in enumerate(_weeks(product, rng)):
        lot += rng.randint(1, 4)
        chamber = tuple(CHAMBERS)[(count + place // 2) % len(CHAMBERS)]
        received = week - timedelta(days=rng.randint(3, 6))
        made = received - timedelta(days=rng.randint(18, 45))
        if product.roll is not None:
            made = min(made, product.roll)
        name = f"{product.name[:2]}{lot:05d}"
        test = Test(
            product.supplier, product.name, name, received, made, chamber, _load(chamber, week), _begin(chamber, week)
        )
        yield product, test


def _weeks(product: Product, rng: Random) -> Iterator[date]:
    for number in range((LAST_WEEK - FIRST_WEEK) // WEEK + 1):
        week = FIRST_WEEK + number * WEEK
        missed = rng.random() < MISSED and week < WHOLE_FROM and product.every == 1
        due = (number - product.phase) % product.every == 0 and product.first <= week <= product.last
        if due and not missed and week not in CLOSED_WEEKS:
            yield week


def _again(planned: Sequence[tuple[Product, Test]]) -> Iterator[tuple[Product, Test]]:
    name, first, later = RETESTED
    for product, test in planned:
        if (product.name, test.week) == (name, first):
            load, begun = _load(test.chamber, later), _begin(test.chamber, later)
            yield product, replace(test, load=load, begun=begun, first_bag=BAGS + 1)


def _load(chamber: str, week: date) -> str:
    return f"{chamber} {101 + (week - FIRST_WEEK) // WEEK}"


def _begin(chamber: str, week: date, at: time = BEGIN) -> datetime:
    return datetime.combine(week + timedelta(days=CHAMBERS[chamber]), at)


# What the instruments show


def bags(product: Product, test: Test, logs: Mapping[str, ChamberLog]) -> Iterator[Bag]:
    """Measure one lot: all its characteristics, bag by bag."""
    for characteristic, measured in product.measured.items():
        rng = Random(f"{SEED} readings {product.name} {characteristic} {test.lot} {test.first_bag}")
        odd = _odd(test, characteristic)
        moved = measured.per_percent * (logs[test.chamber].soaked_at(test.begun) - 12)
        level = course_at(measured.course, test.week) * math.exp(rng.normalvariate(0, measured.lots) + moved) * odd.lot
        factors = dict(odd.bags)
        after, pace = PACE[characteristic]
        for number in range(BAGS):
            its = level * math.exp(rng.normalvariate(0, measured.bags)) * factors.get(number + 1, 1)
            at = test.begun + timedelta(minutes=after + pace * number)
            yield Bag(test, characteristic, test.first_bag + number, at, _read(rng, its, measured, characteristic, at))


def _odd(test: Test, characteristic: str) -> Odd:
    """What is special about the lot; a retest of a lot is a new look with fresh bags, and finds it as usual."""
    odd = ODD_LOTS.get((test.product, test.week))
    return (
        odd if odd is not None and odd.characteristic == characteristic and test.first_bag == 1 else Odd(characteristic)
    )


def _read(rng: Random, level: float, measured: Measured, characteristic: str, at: datetime) -> tuple[float, ...]:
    count = DISCHARGES if characteristic == ENERGY else 1
    gain = _gain(at.date()) if characteristic == ENERGY else 1.0
    return tuple(level * gain * math.exp(rng.normalvariate(0, measured.readings)) for _ in range(count))


def _gain(day: date) -> float:
    broken, repaired, gain = TESTER_GAIN
    return gain if broken <= day < repaired else 1.0


# The check standards


def standards() -> Iterator[Bag]:
    """The weekly measurement of what must not move: three kept coupons, and a resistor read with either face's set."""
    rng = Random(f"{SEED} kept references")
    kept = [COUPON.course[0][1] * math.exp(rng.normalvariate(0, COUPON.bags)) for _ in range(3)]
    for number in range((LAST_WEEK - FIRST_WEEK) // WEEK + 1):
        week = FIRST_WEEK + number * WEEK
        if week not in CLOSED_WEEKS:
            yield from _coupons(rng, week, kept)
            yield from _resistor(rng, week)


def _standard(product: str, lot: str, week: date) -> Test:
    begun = _begin("north", week, STANDARDS_BEGIN)
    made = date(2024, 3, 4)
    return Test(STANDARDS, product, lot, made, made, "north", _load("north", week), begun)


def _coupons(rng: Random, week: date, kept: Sequence[float]) -> Iterator[Bag]:
    test = _standard("coupon C", "C-1", week)
    today = math.exp(rng.normalvariate(0, COUPON.lots))
    for number, level in enumerate(kept):
        at = test.begun + timedelta(minutes=10 + 3 * number)
        yield Bag(test, ENERGY, number + 1, at, _read(rng, level * today, COUPON, ENERGY, at))


def _resistor(rng: Random, week: date) -> Iterator[Bag]:
    test = _standard("resistor 1E9", "R-1", week)
    today = math.exp(rng.normalvariate(0, 0.002))
    for minutes, face in enumerate((INSIDE, OUTSIDE)):
        values = tuple(RESISTOR_OHM * today * math.exp(rng.normalvariate(0, 0.003)) for _ in range(3))
        yield Bag(test, face, 1, test.begun + timedelta(minutes=minutes), values)
