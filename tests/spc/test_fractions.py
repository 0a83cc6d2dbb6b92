"""Fractions by counting, and the statistics of one lot for a report."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from spc import capability
from spc.acceptance import fraction_beyond
from spc.fractions import count_interval
from spc.lot_statistics import describe

# Levels in nJ of twenty invented lots; figures computed by the exact binomial and the noncentral t distribution.
LEVELS = [
    8.4,
    9.1,
    9.6,
    10.2,
    8.9,
    11.5,
    10.8,
    9.9,
    12.4,
    13.1,
    10.5,
    11.9,
    14.8,
    9.4,
    12.9,
    16.2,
    11.1,
    13.7,
    18.9,
    22.6,
]


def test_the_interval_of_a_count_is_the_printed_one():
    # NIST/SEMATECH e-Handbook, section 7.2.4.2, digits from memory: 4 of 20, exact 90 % interval .071354 to .401029. The last
    # digit may be misremembered: the exact end is .4010281.
    low, high = count_interval(4, 0, 20, 0.9)
    assert_allclose([low, high], [0.0713538843086, 0.401028117332], rtol=1e-11)
    assert_allclose([low, high], [0.071354, 0.401029], rtol=0, atol=1.01e-6)


def test_none_of_n_is_not_never():
    n = np.array([6, 12, 20, 29])
    low, high = count_interval(0, 0, n)
    assert_allclose(high, [0.45925812644, 0.264648469397, 0.168433470983, 0.11944486907], rtol=1e-10)
    assert not low.any()
    assert_allclose(count_interval([0, 5], 0, [0, 5]), [[0.0, 0.025 ** (1 / 5)], [1.0, 1.0]], rtol=1e-12)


def test_open_lots_count_for_neither_side():
    low, high = count_interval(3, 2, 20)
    assert_allclose([low, high], [0.0320709371855, 0.491045871708], rtol=1e-11)


@pytest.mark.parametrize(
    ("limit", "failing", "count", "unbiased", "law"),
    [
        (
            20,
            1,
            [0.00126508949795, 0.248732762772],
            0.0174795992433,
            [0.00276676209347, 0.109044701632],
        ),
        (10, 14, [0.457210817724, 0.881068409594], 0.745266858345, [0.568474713219, 0.873816189184]),
    ],
)
def test_twenty_lots_under_another_limit(limit, failing, count, unbiased, law):
    levels, edge = np.log(LEVELS), np.log(limit)
    assert int((np.array(LEVELS) >= limit).sum()) == failing
    assert_allclose(np.ravel(count_interval(failing, 0, 20)), count, rtol=1e-10)
    assert_allclose(fraction_beyond((edge - levels.mean()) / levels.std(ddof=1), 20), unbiased, rtol=1e-10)
    found = capability.capability(levels, upper=edge)
    assert_allclose([found.fraction_lower, found.fraction_upper], law, rtol=1e-7)


def test_a_report_takes_its_interval_from_bags_and_not_from_readings():
    bags = [
        [9.1, 9.4, 8.8, 9.0, 9.3, 9.2], [11.2, 10.9, 11.5, 11.0, 11.4, 11.1], [8.4, 8.6, 8.2, 8.5, 8.3, 8.7],
        [10.1, 9.8, 10.3, 10.0, 10.4, 9.9], [12.6, 12.2, 12.9, 12.4, 12.7, 12.5], [9.6, 9.9, 9.4, 9.7, 9.5, 9.8],
    ]  # fmt: skip
    found = describe(np.ravel(bags), np.repeat(range(6), 6))
    assert (found.minimum, found.maximum, found.bags, found.readings) == (8.2, 12.9, 6, 36)
    assert_allclose([found.mean, found.sd_bags, found.sd_within], [10.175, 1.48338014907, 0.217178881723], rtol=1e-10)
    assert_allclose([found.mean_low, found.mean_high], [8.61828800405, 11.731711996], rtol=1e-10)
    assert_allclose(
        [found.geometric_mean, found.geometric_low, found.geometric_high], [10.0860758986, 8.68476170964, 11.7134966317],
        rtol=1e-10,
    )  # fmt: skip
    # From 36 "independent" readings it would be a third as wide: 9.71 to 10.64.
    wrong = stats.t.interval(0.95, 35, np.mean(bags), stats.sem(np.ravel(bags)))
    assert_allclose(wrong, [9.70537372888, 10.6446262711], rtol=1e-10)
    assert wrong[1] - wrong[0] < (found.mean_high - found.mean_low) / 3


def test_one_bag_has_no_interval():
    found = describe([9.0, 9.2], [1, 1])
    assert (found.mean_low, found.sd_bags) == (None, None)
    assert found.sd_within is not None
    assert describe([9.0, 9.2], [1, 2]).sd_within is None


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: count_interval(3, 2, 4), "failed \\+ undecided <= of"),
        (lambda: describe([1.0, 2.0], [1]), "bag must name the bag"),
    ],
)
def test_bad_counts_are_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()
