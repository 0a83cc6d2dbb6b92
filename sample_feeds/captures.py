"""The captured discharges of one bag, drawn from a seed: a shielding tester that had recorded a quarter of their energy.

A discharge is two exponentials through the sensing resistor, recorded by a converter of coarse steps.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from random import Random

from sample_feeds.bench import Bag
from sample_feeds.scenario import SEED

__all__ = ["capture_lines"]

FACTOR = 4.0
RESISTOR_OHM = 500.0
SLOW_NS, FAST_NS = 24.0, 6.0
STEP_NS, FIRST_NS, LAST_NS = 2, -130, 170
# One step of the converter, in mA.
CODE = 0.05
# Energy of (exp(-t / SLOW) - exp(-t / FAST)) with 1 A in the resistor, in nJ.
OF_ONE_AMPERE = RESISTOR_OHM * (SLOW_NS / 2 + FAST_NS / 2 - 2 * SLOW_NS * FAST_NS / (SLOW_NS + FAST_NS))


def capture_lines(bag: Bag) -> Iterator[str]:
    """The lines of a file: a column of times and one of currents for each discharge."""
    rng = Random(f"{SEED} captures {bag.test.lot} {bag.specimen}")
    peaks = [1e3 * math.sqrt(FACTOR * value / OF_ONE_AMPERE) for value in bag.values]
    yield ",".join(["time [ns]", *(f"discharge {number} [mA]" for number in range(1, len(peaks) + 1))])
    for time in range(FIRST_NS, LAST_NS + STEP_NS, STEP_NS):
        course = math.exp(-time / SLOW_NS) - math.exp(-time / FAST_NS) if time > 0 else 0.0
        steps = [round((peak * course + rng.gauss(0.0, 0.7 * CODE)) / CODE) for peak in peaks]
        yield ",".join([str(time), *(f"{CODE * step:g}" for step in steps)])
