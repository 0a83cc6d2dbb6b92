"""A gauge study of surface resistance: one bag of each of eight films, measured in six loads of both chambers, drawn from a seed.

Films that age while the study lasts are left out.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from random import Random

from sample_feeds.bench import Test
from sample_feeds.scenario import INSIDE, SEED, Product, course_at

__all__ = ["HEADER", "study_lines"]

HEADER = "tested_at,chamber,operator,load,supplier,product,lot,specimen,reading,characteristic,value,unit"
FILMS = ("BF-110", "BF-210", "QM-31", "QM-52", "TW-Clear", "UM-7", "UM-9", "BF-330")
BEGIN, LOADS, READINGS = date(2026, 8, 10), 6, 2
# Standard deviations of natural logs: of a whole load, of a bag in a load, and of a reading.
LOAD_SD, BOTH_SD, READING_SD = 0.07, 0.02, 0.03
AFTER_THE_LOTS = timedelta(hours=5)


def study_lines(measured: Sequence[tuple[Product, Test]]) -> Iterator[str]:
    """The rows of the study; `measured` are the tests of lots, which give the bags and the loads."""
    bags = {product.name: (product, test) for product, test in measured if test.begun.date() < BEGIN}
    loads: dict[str, Test] = {}
    for _, test in measured:
        if test.begun.date() >= BEGIN:
            loads.setdefault(test.load, test)
    # A load a week, the chambers in turn.
    weeks = sorted({test.week for test in loads.values()})[:LOADS]
    chosen = [
        next(test for test in loads.values() if test.week == week and test.chamber == ("north", "south")[place % 2])
        for place, week in enumerate(weeks)
    ]
    rng = Random(f"{SEED} gauge study")
    level = {
        name: math.log(course_at(bags[name][0].measured[INSIDE].course, BEGIN)) + rng.normalvariate(0, 0.3)
        for name in FILMS
    }
    for load in chosen:
        whole = rng.normalvariate(0, LOAD_SD)
        for place, name in enumerate(FILMS):
            both, test = rng.normalvariate(0, BOTH_SD), bags[name][1]
            moment = load.begun + AFTER_THE_LOTS + place * timedelta(minutes=3)
            operator = "bench 1" if load.chamber == "north" else "bench 2"
            for reading in range(1, READINGS + 1):
                value = math.exp(level[name] + whole + both + rng.normalvariate(0, READING_SD))
                yield (
                    f"{moment:%Y-%m-%dT%H:%M},{load.chamber},{operator},{load.load},{test.supplier},{name},{test.lot},1,{reading},"
                    f"{INSIDE},{value:.3E},ohm"
                )
