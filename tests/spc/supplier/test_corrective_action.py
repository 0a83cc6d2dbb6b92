"""Whether a corrective action worked: against a published table, a general library, and a stated truth."""

from __future__ import annotations

import re

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from spc.supplier.corrective_action import FEWEST, MOST, compare
from spc.vocabulary.enums import Effectiveness

STEADY = [9.8, 10.1, 10.0, 10.3, 9.9, 10.2, 9.7, 10.0]


@pytest.mark.parametrize(
    # G. J. Hahn (1970), factors for the mean of k future observations, two-sided 95 %, here for k = n: from memory, and
    # recomputed as t(n - 1) sqrt(2 / n).
    ("n", "printed"),
    [(5, 1.76), (8, 1.18)],
)
def test_the_usual_place_is_left_by_the_published_factor(n: int, printed: float) -> None:
    before = stats.norm.ppf((np.arange(n) + 0.5) / n)
    before = (before - before.mean()) / before.std(ddof=1)

    found = compare(before, [9.0] * 3, [0.0] * n, direction=1)

    # Printed to two decimals: half a unit of the last digit.
    assert_allclose(found.back_within, printed, rtol=0, atol=0.005)


def test_with_as_many_steady_lots_as_a_sample_the_moved_place_is_that_of_a_two_sample_test() -> None:
    # With scatter known from many lots the bound is that of the two-sample z interval.
    rng = np.random.default_rng(3)
    before = rng.normal(0, 0.1, 200_000)
    moved, after = rng.normal(1, 0.1, 6), rng.normal(0.5, 0.1, 4)

    found = compare(before, moved, after, direction=1)

    half = stats.norm.ppf(0.975) * before.std(ddof=1) * np.sqrt(1 / 4 + 1 / 6)
    assert_allclose(found.left_beyond, moved.mean() - half, rtol=0, atol=1e-5)
    assert_allclose(found.mean, after.mean(), rtol=1e-12)


@pytest.mark.parametrize("direction", [1, -1])
@pytest.mark.parametrize(
    ("share_of_the_way", "lots", "answer"),
    [
        (0.0, 4, Effectiveness.WORKED),
        (-0.5, 4, Effectiveness.WORKED),
        (1.0, 4, Effectiveness.DID_NOT_WORK),
        (1.5, 4, Effectiveness.DID_NOT_WORK),
        (0.5, 4, Effectiveness.NOT_YET_SHOWN),
        (0.0, FEWEST - 1, Effectiveness.NOT_YET_SHOWN),
        (1.0, 0, Effectiveness.NOT_YET_SHOWN),
    ],
)
def test_the_answer_follows_where_the_lots_went(
    direction: int, share_of_the_way: float, lots: int, answer: Effectiveness
) -> None:
    moved = [10.0 + direction * 2.0] * 5
    after = [10.0 + direction * 2.0 * share_of_the_way] * lots

    assert compare(STEADY, moved, after, direction).answer == answer


def test_a_small_move_is_in_keeping_with_both_places() -> None:
    found = compare(STEADY, [10.1] * 3, [10.05] * 3, direction=1)

    assert found.answer == Effectiveness.NOT_YET_SHOWN
    assert found.reason.startswith("agrees with both")


def test_only_the_next_lots_count_and_only_the_last_that_had_moved() -> None:
    found = compare(STEADY, [10.2] * 20 + [12.0] * MOST, [10.0] * MOST + [99.0], direction=1)

    assert (found.lots, found.mean, found.moved) == (MOST, 10.0, 12.0)


@pytest.mark.parametrize(("truth", "wrong"), [(0.0, Effectiveness.DID_NOT_WORK), (3.0, Effectiveness.WORKED)])
def test_a_wrong_answer_is_as_rare_as_the_interval_says(truth: float, wrong: Effectiveness) -> None:
    rng = np.random.default_rng(17)
    answers = [
        compare(rng.normal(0, 1, 25), rng.normal(3, 1, 8), rng.normal(truth, 1, 4), direction=1).answer
        for _ in range(1500)
    ]

    # Each needs the mean beyond a one-sided 97.5 % bound: 2.5 % and 4 standard errors of 1500 draws.
    assert answers.count(wrong) / 1500 < 0.025 + 4 * np.sqrt(0.025 * 0.975 / 1500)
    # A return by three standard deviations is told by four lots nearly always.
    right = Effectiveness.WORKED if truth == 0 else Effectiveness.DID_NOT_WORK
    assert answers.count(right) / 1500 > 0.9


@pytest.mark.parametrize(
    ("before", "moved", "said"),
    [
        ([1.0, 2.0], [3.0], "fewer than 3 lots before the move"),
        ([1.0, 2.0, 1.5], [], "no lot with a level between the move and the action"),
    ],
)
def test_what_it_would_rest_on_is_named_where_it_is_missing(before: list[float], moved: list[float], said: str) -> None:
    found = compare(before, moved, [1.0] * 5, direction=1)

    assert (found.answer, found.reason) == (Effectiveness.NOT_YET_SHOWN, said)


@pytest.mark.parametrize(
    ("after", "direction", "confidence", "said"),
    [
        ([np.nan], 1, 0.95, "after must be finite"),
        ([1.0], 0, 0.95, "direction must be 1 (up) or -1 (down), got 0"),
        ([1.0], 1, 1.0, "confidence must be in (0, 1), got 1.0"),
    ],
)
def test_what_is_no_level_is_refused(after: list[float], direction: int, confidence: float, said: str) -> None:
    with pytest.raises(ValueError, match=re.escape(said)):
        compare(STEADY, [12.0], after, direction, confidence)
