"""Verdicts against their definition, written out literally: every reading is a set of true values, every limit a half-line.

A measured reading is one value. One below a bound is anything from 0 to the bound, one above it anything from the bound on. A
lot passes where every set of true values that its readings allow passes, fails where none does, and is undecided else.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from spc.stream.session_summary import summarise
from spc.stream.verdicts import judge

BELOW, MEASURED, ABOVE = -1, 0, 1
Reading = tuple[float, int]
INF = math.inf


@dataclass(frozen=True)
class Lot:
    """Readings, one a bag, and what they are held against."""

    readings: list[Reading]
    lower: float | None = None
    upper: float | None = None
    judged: str = "mean"
    scale: str = "log"
    guard_percent: float = 0.0


def exact(number: float) -> Fraction:
    """The decimal number as it is written, not the double nearest to it."""
    return Fraction(repr(float(number)))


@dataclass(frozen=True)
class Zone:
    """The values from `low` (belongs to it) up to `high` (does not), None where that side has no end."""

    low: Fraction | None
    high: Fraction | None

    def holds(self, value: Fraction) -> bool:
        return (self.low is None or value >= self.low) and (self.high is None or value < self.high)


def zones(lot: Lot) -> tuple[Zone, Zone]:
    """Where a value surely conforms, and outside which it surely does not: the limits moved inwards and outwards."""
    guard = exact(lot.guard_percent) / 100

    def zone(inwards: int) -> Zone:
        return Zone(
            None if lot.lower is None else exact(lot.lower) * (1 + inwards * guard),
            None if lot.upper is None else exact(lot.upper) * (1 - inwards * guard),
        )

    return zone(+1), zone(-1)


# A set of values is an interval with both its ends; None is its end where it has none.
Span = tuple[Fraction, Fraction | None]


def span(reading: Reading) -> Span:
    value, bound = exact(reading[0]), reading[1]
    return (Fraction(0) if bound == BELOW else value), (None if bound == ABOVE else value)


def all_within(values: Span, zone: Zone) -> bool:
    low, high = values
    if high is None:
        return zone.high is None and zone.holds(low)
    return zone.holds(low) and zone.holds(high)


def none_within(values: Span, zone: Zone) -> bool:
    low, high = values
    all_above = zone.high is not None and low >= zone.high
    all_below = zone.low is not None and high is not None and high < zone.low
    return all_above or all_below


def spans(lot: Lot) -> tuple[list[Span], int]:
    """The sets of which every one has to lie within; for a mean on a log scale the mean to a power that is whole."""
    each = [span(reading) for reading in lot.readings]
    if lot.judged == "worst":
        return each, 1
    lows, highs = [low for low, _ in each], [high for _, high in each]
    if lot.scale == "linear":
        whole = None if None in highs else sum(highs, Fraction(0)) / len(each)
        return [(sum(lows, Fraction(0)) / len(each), whole)], 1
    whole = None if None in highs else math.prod(highs, start=Fraction(1))
    return [(math.prod(lows, start=Fraction(1)), whole)], len(each)


def to_power(zone: Zone, power: int) -> Zone:
    return Zone(*(None if end is None else end**power for end in (zone.low, zone.high)))


def literal_verdict(lot: Lot) -> str:
    if lot.lower is None and lot.upper is None:
        return "unlimited"
    every, power = spans(lot)
    conforms, allowed = (to_power(zone, power) for zone in zones(lot))
    if any(none_within(one, allowed) for one in every):
        return "fail"
    return "pass" if all(all_within(one, conforms) for one in every) else "undecided"


def literal_breach(lot: Lot) -> bool:
    every, power = spans(lot)
    limits = to_power(zones(Lot([], lot.lower, lot.upper))[0], power)
    return any(none_within(one, limits) for one in every)


def judged_together(lots: list[Lot]) -> pd.DataFrame:
    """The verdicts of lots that are judged alike, a row each."""
    readings = pd.DataFrame(
        [(number, bag, *reading) for number, lot in enumerate(lots) for bag, reading in enumerate(lot.readings)],
        columns=["session", "specimen", "value", "bound"],
    )
    limits = {
        f"limit_{side}": [np.nan if (end := getattr(lot, side)) is None else end for lot in lots]
        for side in ("lower", "upper")
    }
    one = lots[0]
    return judge(summarise(readings, one.scale).assign(valid=True, **limits), one.scale, one.judged, one.guard_percent)


def judged(lot: Lot) -> pd.Series:
    return judged_together([lot]).iloc[0]


# Single cases, each worked out by hand: a reader can follow them without the definition above


@pytest.mark.parametrize(
    ("lot", "expected"),
    [
        # 10,000 ohm at least, 10 % of it kept clear: passes from 11,000 on, fails under 9,000.
        (Lot([(11_000, 0)], lower=10_000, guard_percent=10), "pass"),
        (Lot([(10_999, 0)], lower=10_000, guard_percent=10), "undecided"),
        (Lot([(9_000, 0)], lower=10_000, guard_percent=10), "undecided"),
        (Lot([(8_999, 0)], lower=10_000, guard_percent=10), "fail"),
        # From 10 to under 20: the guards lie inside for a pass and outside for a failure.
        (Lot([(11, 0)], lower=10, upper=20, guard_percent=10), "pass"),
        (Lot([(18, 0)], lower=10, upper=20, guard_percent=10), "undecided"),
        (Lot([(9.5, 0)], lower=10, upper=20, guard_percent=10), "undecided"),
        (Lot([(22, 0)], lower=10, upper=20, guard_percent=10), "fail"),
        (Lot([(8.9, 0)], lower=10, upper=20, guard_percent=10), "fail"),
        # The worst bag is the one that is out, on either side, however good the mean.
        (Lot([(9, 0), (15, 0)], lower=10, upper=20, judged="worst"), "fail"),
        (Lot([(12, 0), (21, 0)], lower=10, upper=20, judged="worst"), "fail"),
        (Lot([(12, 0), (19, 0)], lower=10, upper=20, judged="worst"), "pass"),
        # "< 0.5" may be 0.4, or 0.001: nothing is sure of a lower limit of 0.2 or of 0.5, and all of one of 0.6.
        (Lot([(0.5, -1), (3, 0)], lower=0.2, judged="worst"), "undecided"),
        (Lot([(0.5, -1), (3, 0)], lower=0.5, judged="worst"), "undecided"),
        (Lot([(0.5, -1), (3, 0)], lower=0.6, judged="worst"), "fail"),
        # A bound beyond a measured reading hides nothing of it: 5 is not under 4 whatever "< 10" is, nor is 5 at least 6.
        (Lot([(5, 0), (10, -1)], upper=4, judged="worst"), "fail"),
        (Lot([(5, 0), (10, -1)], upper=7, judged="worst"), "undecided"),
        (Lot([(5, 0), (2, 1)], lower=6, judged="worst"), "fail"),
        (Lot([(5, 0), (2, 1)], lower=4, judged="worst"), "undecided"),
        # At the limit in decimals, though the doubles miss it: the mean is 0.44999999999999996, 0.1 * 0.9 is more than 0.09.
        (Lot([(0.2, 0), (0.7, 0)], lower=0.45, scale="linear"), "pass"),
        (Lot([(0.2, 0), (0.7, 0)], upper=0.45, scale="linear"), "fail"),
        (Lot([(0.09, 0)], upper=0.1, guard_percent=10), "undecided"),
        # "> 8" is at least 8.
        (Lot([(8, 1), (9, 0)], lower=8, judged="worst"), "pass"),
        (Lot([(8, 1), (9, 0)], lower=8, upper=20, judged="worst"), "undecided"),
    ],
)
def test_a_lot_is_judged_as_worked_out_by_hand(lot: Lot, expected: str) -> None:
    assert judged(lot)["verdict"] == expected
    assert literal_verdict(lot) == expected


@pytest.mark.parametrize(
    ("readings", "lower", "upper", "worst"),
    [
        # Room to a limit is a ratio: 20 / 16 is 1.25, 11 / 10 is 1.1.
        ([11, 16], 10, 20, 11),
        ([14, 19], 10, 20, 19),
        ([9, 15], 10, 20, 9),
        ([11, 30], 10, 20, 30),
        ([11, 16], 10, None, 11),
        ([11, 16], None, 20, 16),
        ([11, 16], None, None, 16),
        # As near to both: the upper one.
        ([20, 50], 10, 100, 50),
    ],
)
def test_the_worst_reading_is_the_one_nearest_to_its_limit_or_furthest_beyond(
    readings: list[float], lower: float | None, upper: float | None, worst: float
) -> None:
    lot = Lot([(value, 0) for value in readings], lower, upper, judged="worst")

    assert judged(lot)["worst"] == worst
    assert judged(lot)["judged"] == worst


@pytest.mark.parametrize(
    ("readings", "lower", "upper", "value"),
    [
        ([(0.5, -1), (3, 0)], 0.2, None, math.nan),  # the smallest is open
        ([(0.5, -1), (3, 0)], None, 4.0, 3.0),  # it does not matter to the upper limit
        ([(2, 0), (3, 1)], None, 4.0, math.nan),
        ([(2, 0), (3, 1)], 1.0, None, 2.0),
    ],
)
def test_what_was_judged_is_shown_only_where_no_bound_leaves_it_open(
    readings: list[Reading], lower: float | None, upper: float | None, value: float
) -> None:
    assert judged(Lot(readings, lower, upper, judged="worst"))["judged"] == pytest.approx(value, nan_ok=True)


# The definition against whatever comes


# Few digits, so that values often meet limits and guards exactly and are else far from them; 0.1, 0.3 and 0.7 are no doubles.
VALUES = st.sampled_from(
    [0.1, 0.3, 0.4, 0.5, 0.7, 0.8, 1.0, 2.0, 4.0, 5.0, 8.0, 9.0, 10.0, 11.0, 16.0, 18.0, 20.0, 22.0, 40.0, 100.0]
)
READINGS = st.lists(st.tuples(VALUES, st.sampled_from([MEASURED, MEASURED, BELOW, ABOVE])), min_size=1, max_size=5)
LIMITS = st.one_of(
    st.just((None, None)),
    VALUES.map(lambda limit: (limit, None)),
    VALUES.map(lambda limit: (None, limit)),
    st.tuples(VALUES, VALUES).filter(lambda pair: pair[0] < pair[1]),
)


@st.composite
def lots_judged_alike(draw: st.DrawFn) -> list[Lot]:
    alike = (
        draw(st.sampled_from(["mean", "worst"])),
        draw(st.sampled_from(["log", "linear"])),
        draw(st.sampled_from([0.0, 10.0, 12.5])),
    )
    return [
        Lot(readings, *limits, *alike)
        for readings, limits in draw(st.lists(st.tuples(READINGS, LIMITS), min_size=1, max_size=40))
    ]


@settings(max_examples=150, deadline=None)
@given(lots_judged_alike())
def test_verdict_and_breach_are_those_of_the_definition(lots: list[Lot]) -> None:
    found = judged_together(lots)

    for lot, verdict, breach in zip(lots, found["verdict"], found["breach"], strict=True):
        assert (verdict, breach) == (literal_verdict(lot), literal_breach(lot)), lot


@settings(max_examples=100, deadline=None)
@given(st.lists(VALUES, min_size=1, max_size=5), LIMITS, st.sampled_from(["mean", "worst"]))
def test_the_worst_reading_has_the_least_room_of_all(
    values: list[float], limits: tuple[float | None, float | None], what: str
) -> None:
    lower, upper = limits
    assume((lower, upper) != (None, None))
    found = judged(Lot([(value, 0) for value in values], lower, upper, what))

    def room(value: float) -> Fraction:
        ends = [] if lower is None else [exact(value) / exact(lower)]
        return min(ends + ([] if upper is None else [exact(upper) / exact(value)]))

    assert room(float(found["worst"])) == min(room(value) for value in values)
    if what == "worst":
        assert found["judged"] == found["worst"]


@pytest.mark.parametrize("judged_by", ["mean", "worst"])
@pytest.mark.parametrize("value", [5e-324, 1e-300, 1e308, 1.7976931348623157e308])
@pytest.mark.parametrize(("lower", "upper"), [(1e-307, None), (None, 1e307), (1e-307, 1.7976931348623157e308)])
def test_the_largest_and_smallest_numbers_there_are_bring_a_verdict(
    value: float, lower: float | None, upper: float | None, judged_by: str
) -> None:
    lot = Lot([(value, 0)], lower, upper, judged_by, guard_percent=10.0)

    assert judged(lot)["verdict"] == literal_verdict(lot)
