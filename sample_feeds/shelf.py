"""What lies on the shelf of the invented lab, and the lots of two films that it tested again as they aged."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from random import Random

from sample_feeds.bench import BAGS, Bag, Test
from sample_feeds.scenario import CLOSED_WEEKS, ENERGY, INSIDE, LAST_WEEK, OUTSIDE, SEED

__all__ = ["COUNTED", "aged_bags", "counts"]

COUNTED = date(2026, 11, 20)
# Beside the latest lots of each product, older ones of TW-Rose lie there: near their date, the first one past it.
OLD_LOTS = ("TW00203", "TW00207", "TW00230", "TW00241", "TW00260")
MONTH = 30.4375
WEEK = timedelta(weeks=1)
# Weeks after the first test, and how long after the lots of the week the aged ones are tested.
AGAIN, LATER = (22, 43), timedelta(hours=6)
PACE = {ENERGY: timedelta(minutes=3), INSIDE: timedelta(minutes=2), OUTSIDE: timedelta(minutes=2)}


@dataclass(frozen=True, slots=True)
class _Aged:
    """A film whose lots were tested again: one lot in so many, up to a day, and the change in decades a month."""

    product: str
    characteristic: str
    every: int
    until: date
    pace: float
    lots: float
    tests: float
    bags: float


AGED = (
    _Aged("TW-Rose", INSIDE, 4, date(2026, 1, 5), 0.085, 0.016, 0.06, 0.05),
    _Aged("TW-Rose", OUTSIDE, 4, date(2026, 1, 5), 0.0, 0.0, 0.03, 0.05),
    _Aged("UM-7", ENERGY, 5, date(2026, 1, 5), 0.0, 0.0, 0.02, 0.04),
)


def aged_bags(measured: Sequence[Bag]) -> list[Bag]:
    """The later tests of some lots, in order of time."""
    return sorted((bag for film in AGED for bag in _again(film, measured)), key=lambda bag: bag.tested_at)


def _again(film: _Aged, measured: Sequence[Bag]) -> Iterator[Bag]:
    first: dict[str, list[Bag]] = defaultdict(list)
    for bag in measured:
        if (bag.test.product, bag.characteristic) == (film.product, film.characteristic):
            first[bag.test.lot].append(bag)
    lots = [bags for bags in first.values() if bags[0].test.week <= film.until][:: film.every]
    for bags in lots:
        yield from _of_lot(film, bags, Random(f"{SEED} aged {film.product} {film.characteristic} {bags[0].test.lot}"))


def _of_lot(film: _Aged, bags: Sequence[Bag], rng: Random) -> Iterator[Bag]:
    logs = [math.log10(value) for bag in bags for value in bag.values]
    level, pace = sum(logs) / len(logs), film.pace + rng.gauss(0, film.lots)
    for number, weeks in enumerate(AGAIN, 1):
        test = bags[0].test
        week = test.week + weeks * WEEK
        while week in CLOSED_WEEKS:
            week += WEEK
        if week > LAST_WEEK:
            return
        moment = bags[0].tested_at + (week - test.week) + LATER
        now = level + pace * (week - test.week).days / MONTH + rng.gauss(0, film.tests)
        again = replace(test, begun=moment, load=_load(test, week))
        for place in range(BAGS):
            of_bag = now + rng.gauss(0, film.bags)
            values = tuple(10 ** (of_bag + rng.gauss(0, 0.02)) for _ in bags[0].values)
            yield Bag(
                again,
                film.characteristic,
                number * BAGS + place + 1,
                moment + place * PACE[film.characteristic],
                values,
            )


def _load(test: Test, week: date) -> str:
    chamber, first = test.load.rsplit(" ", 1)
    return f"{chamber} {int(first) + (week - test.week) // WEEK}"


def counts(tests: Sequence[Test]) -> Iterator[tuple[datetime, str]]:
    """The count of the store on the last day: the recent lots of each product, one opened package, and one lot that is gone."""
    recent: dict[str, list[Test]] = defaultdict(list)
    for test in {test.lot: test for test in tests}.values():
        recent[test.product].append(test)
    for product, of_product in sorted(recent.items()):
        rng = Random(f"{SEED} stock {product}")
        kept = [*of_product[-6:], *(one for one in of_product[:-6] if one.lot in OLD_LOTS)]
        for test in sorted(kept, key=lambda one: one.lot):
            quantity, opened, shelf = 100 * rng.randint(3, 30), "", f"shelf {rng.choice('ABC')}"
            if product == "TW-Rose" and test is of_product[-2]:
                opened = "2026-11-09"
            if product == "QM-31" and test is of_product[-6]:
                quantity = 0
            cells = [f"{COUNTED:%Y-%m-%d}", test.supplier, product, test.lot, str(quantity), "bags", shelf, opened]
            yield datetime.combine(COUNTED, datetime.min.time(), tzinfo=test.begun.tzinfo), ",".join(cells)
