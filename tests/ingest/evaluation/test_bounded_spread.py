"""How far the bags of a lot differ is not stated where readings lie beyond the range of the meter."""

from __future__ import annotations

import json
from datetime import timedelta

import pytest
from support.commands import call
from support.labs import LAB_TOML, MONDAY, Bench, lot_rows

DECLARED = LAB_TOML.replace('scale = "log"\n', 'scale = "log"\nconditioning = false\n')
BEYOND = ">1e12"


def test_a_lot_beyond_the_range_has_no_variation_between_bags_and_sets_no_limit_of_it(bench: Bench) -> None:
    bench.declare(DECLARED)
    for number in range(12):
        whole = [[1e9 * (1 + 0.1 * bag), 1.05e9 * (1 + 0.1 * bag)] for bag in range(5)]
        # Two bags within the range, decades apart, and three beyond it.
        some = [[2e3, 2.1e3], [9e11, 9.5e11], [BEYOND] * 2, [BEYOND] * 2, [BEYOND] * 2]
        values = some if number % 3 == 2 else whole
        day = MONDAY + timedelta(weeks=number)
        rows = lot_rows(f"L{number}", day, values, characteristic="surface_resistance", unit="ohm")
        bench.drop_tests(f"t{number}.csv", rows)
    bench.run()
    stream = json.loads(call(bench.folder, "stream", "Alder Film", "MB-10", "surface_resistance", "--json").stdout)
    points = {point["lot"]: point for point in stream["points"]}

    bounded = [points[f"L{number}"] for number in (2, 5, 8, 11)]
    assert [point["bag_spread"] for point in bounded] == [None] * 4
    # The readings on a bag that is wholly within the range do show how they vary.
    assert all(point["reading_spread"] is not None for point in bounded)
    others = [point for name, point in points.items() if name not in {"L2", "L5", "L8", "L11"}]
    assert [point["bag_spread"] for point in others] == [pytest.approx(points["L0"]["bag_spread"])] * 8
    # All have the same variation: a limit that bounded lots had set would be many times as high.
    assert all(point["bag_spread_upper"] < 3 * point["bag_spread"] for point in others)
