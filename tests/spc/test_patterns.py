"""Run patterns against their published criteria, their exact chances, and a literal slow version of each."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise, permutations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from scipy import stats

from spc import patterns

NAN = float("nan")
ALL = list(patterns.PATTERNS)
Z = list[float]


# The criteria, word by word, over the window of points that ends with the completing one (fewer points at the start of
# a stream). The published ones:
#   Western Electric Co. (1956), Statistical Quality Control Handbook, pp. 23-28 and 180-183: one beyond 3 sigma; 2 of 3
#   beyond 2 sigma and 4 of 5 beyond 1 sigma, each on one side; 8 on one side; 15 within 1 sigma; 8 with none within.
#   L. S. Nelson (1984), Journal of Quality Technology 16, 237-239 (from memory): 9 on one side; 6 rising or falling;
#   14 alternating; else the same.
# The odd point of 2 of 3 and 4 of 5 may lie anywhere; the signal belongs to the last point that qualifies.


def hits(window: Z, needed: int, beyond: float) -> bool:
    above = [value > beyond for value in window]
    below = [value < -beyond for value in window]
    return any(side[-1] and sum(side) >= needed for side in (above, below))


def full(window: Z, points: int) -> bool:
    return len(window) == points


def monotone(window: Z) -> bool:
    steps = list(pairwise(window))
    return all(a < b for a, b in steps) or all(a > b for a, b in steps)


def alternating(window: Z) -> bool:
    steps = [b - a for a, b in pairwise(window)]
    return all((a > 0 > b) or (a < 0 < b) for a, b in pairwise(steps))


LITERAL: dict[str, tuple[int, Callable[[Z], bool]]] = {
    "beyond_three_sigma": (1, lambda w: abs(w[-1]) > 3),
    "two_of_three_beyond_two_sigma": (3, lambda w: hits(w, 2, 2.0)),
    "four_of_five_beyond_one_sigma": (5, lambda w: hits(w, 4, 1.0)),
    "eight_on_one_side": (8, lambda w: full(w, 8) and (min(w) > 0 or max(w) < 0)),
    "nine_on_one_side": (9, lambda w: full(w, 9) and (min(w) > 0 or max(w) < 0)),
    "six_rising_or_falling": (6, lambda w: full(w, 6) and monotone(w)),
    "fourteen_alternating": (14, lambda w: full(w, 14) and alternating(w)),
    "fifteen_within_one_sigma": (15, lambda w: full(w, 15) and all(abs(value) < 1 for value in w)),
    "eight_outside_one_sigma": (8, lambda w: full(w, 8) and all(abs(value) > 1 for value in w)),
}


def literal(z: Z, names: list[str]) -> list[tuple[str, int]]:
    present = [index for index, value in enumerate(z) if value == value]
    found = []
    for place, index in enumerate(present):
        for name in names:
            length, holds = LITERAL[name]
            if holds([z[i] for i in present[max(0, place + 1 - length) : place + 1]]):
                found.append((name, index))
    return found


# Values that crowd at the edges of the criteria, with runs and trends that random numbers hardly hold.
edges = st.sampled_from([NAN, 0.0, 0.5, -0.5, 1.0, -1.0, 1.2, -1.2, 2.0, -2.0, 2.3, -2.3, 3.0, -3.0, 3.4, -3.4])
run = st.builds(lambda value, times: [value] * times, edges, st.integers(1, 16))
trend = st.builds(lambda start, step, times: [start + step * t for t in range(times)],
                  st.floats(-2, 2), st.sampled_from([-0.3, 0.0, 0.3]), st.integers(1, 8))  # fmt: skip
zigzag = st.builds(lambda size, times: [size * (-1) ** t for t in range(times)], st.floats(-2, 2), st.integers(1, 16))
stretches = st.lists(st.one_of(run, trend, zigzag, st.lists(edges, max_size=4)), max_size=8)
series = stretches.map(lambda parts: [value for part in parts for value in part])


@given(series)
@settings(max_examples=400)
def test_find_is_the_literal_reading_of_the_criteria(z: Z) -> None:
    assert patterns.find(z) == literal(z, ALL)


@pytest.mark.parametrize("name", ALL)
def test_each_pattern_occurs_in_noise_as_the_literal_reading_says(name: str) -> None:
    # Heavy shares of every pattern: values thinned to one decimal so that ties occur, pushed and ordered in stretches.
    rng = np.random.default_rng(41)
    noise = rng.normal(rng.choice([0.0, 1.6, -1.6], (40, 1)), rng.choice([0.3, 1.0, 1.6], (40, 1)), (40, 50)).round(1)
    noise[::5, ::2] += 0.9
    noise[1::5] = np.sort(noise[1::5].reshape(-1, 10)).reshape(-1, 50)
    occurred = 0
    for row in noise.tolist():
        found = patterns.find(row, [name])
        assert found == literal(row, [name])
        occurred += len(found)
    assert occurred > 0


def first(name: str, z: Z) -> int | None:
    """Position from 1 of the first completing point."""
    found = patterns.find(z, [name])
    return found[0][1] + 1 if found else None


# Sequences built from the definitions above; ties and odd points where publications leave a choice are stated in the
# docstring of `find`.
ALTERNATING_HALVES = [0.5, -0.5] * 7 + [0.5]
SEQUENCES = [
    ("eight_on_one_side", [-0.2, 0.3, 0.4, 0.1, 0.6, 0.2, 0.5, 0.3, 0.4, 0.2], 9),
    ("nine_on_one_side", [-0.2, 0.3, 0.4, 0.1, 0.6, 0.2, 0.5, 0.3, 0.4, 0.2], 10),
    ("six_rising_or_falling", [0.9, -0.5, -0.3, -0.1, 0.1, 0.3, 0.5, 0.2], 7),
    ("two_of_three_beyond_two_sigma", [2.1, 0.5, 2.2], 3),
    ("two_of_three_beyond_two_sigma", [2.1, 0.5, -2.2], None),
    ("four_of_five_beyond_one_sigma", [1.2, 1.3, -0.2, 1.1, 0.4], None),
    ("fifteen_within_one_sigma", ALTERNATING_HALVES, 15),
    ("fourteen_alternating", ALTERNATING_HALVES, 14),
    ("eight_outside_one_sigma", [1.5, -1.5, 1.4, -1.3, 1.6, -1.2, 1.1, -1.7], 8),
    ("fourteen_alternating", [0, 0.4, -0.1, 0.3, -0.2, 0.5, -0.3, 0.2, -0.4, 0.1, -0.5, 0.3, -0.1, 0.4], 14),
    # Two of the first two points, four of the first four: the window need not be full.
    ("two_of_three_beyond_two_sigma", [2.1, 2.2], 2),
    ("four_of_five_beyond_one_sigma", [1.1, 1.2, 1.1, 1.2], 4),
    # Strict inequalities: on the line is not beyond it, equal neighbours do not rise.
    ("beyond_three_sigma", [3.0, -3.0], None),
    ("beyond_three_sigma", [3.0, -3.001], 2),
    ("eight_on_one_side", [0.1] * 7 + [0.0] + [0.1] * 7, None),
    ("six_rising_or_falling", [1, 2, 3, 3, 4, 5, 6], None),
    ("fifteen_within_one_sigma", [1.0] + [0.9] * 14, None),
    ("eight_outside_one_sigma", [1.1] * 7 + [1.0], None),
]  # fmt: skip


@pytest.mark.parametrize(("name", "z", "expected"), SEQUENCES)
def test_sequences_signal_at_the_stated_point(name: str, z: Z, expected: int | None) -> None:
    assert first(name, z) == expected
    assert first(name, [-value for value in z]) == expected  # no pattern knows up from down


def test_a_trend_of_six_points_does_not_wait_for_a_seventh() -> None:
    # Nelson (1984) counts the first point; others want six increments, so seven points: here that never comes.
    z = [0.9, -0.5, -0.3, -0.1, 0.1, 0.3, 0.5, 0.2]
    assert patterns.find(z, ["six_rising_or_falling"]) == [("six_rising_or_falling", 6)]


def test_every_further_point_of_a_run_completes_it_again() -> None:
    assert patterns.find([0.5] * 10, ["eight_on_one_side"]) == [("eight_on_one_side", index) for index in (7, 8, 9)]


def test_the_odd_point_completes_nothing() -> None:
    # Two of the last three are beyond two sigma at index 2 also, but that point is not one of them.
    assert patterns.find([2.1, 2.2, 0.0], ["two_of_three_beyond_two_sigma"]) == [("two_of_three_beyond_two_sigma", 1)]


def test_the_criteria_are_those_published() -> None:
    # The windows, from the sources above the literal versions.
    windows = {name: length for name, (length, _) in LITERAL.items()}
    assert {name: pattern.window for name, pattern in patterns.PATTERNS.items()} == windows
    for name, pattern in patterns.PATTERNS.items():
        assert pattern.criterion, name
        assert ("Nelson (1984)" in pattern.source) == (name in {"nine_on_one_side", "six_rising_or_falling",
                                                               "fourteen_alternating"})  # fmt: skip


# The chance that one window of independent normal points meets the criterion, both sides; closed forms, alternation
# from the zigzag number 199360981 of 14 over 14! / 2. Those for one side of the first four are printed by Western
# Electric (1956) as 0.0013, 0.0015, 0.0027 (for 0.00277) and 0.0039.
WINDOW_CHANCES = {
    "beyond_three_sigma": 0.0026998,
    "two_of_three_beyond_two_sigma": 0.00305831,
    "four_of_five_beyond_one_sigma": 0.00553184,
    "eight_on_one_side": 0.0078125,
    "nine_on_one_side": 0.00390625,
    "six_rising_or_falling": 0.00277778,
    "fourteen_alternating": 0.00457364,
    "fifteen_within_one_sigma": 0.00326098,
    "eight_outside_one_sigma": 0.000102772,
}
ONE_SIDE_PRINTED = {
    "beyond_three_sigma": 0.0013,
    "two_of_three_beyond_two_sigma": 0.0015,
    "four_of_five_beyond_one_sigma": 0.0027,
    "eight_on_one_side": 0.0039,
}


def chance_by_cells(name: str, cuts: list[float]) -> float:
    """Chance that a full window meets the criterion anywhere in it, by all ways to fill it from a few cells."""
    points = [cuts[0] - 1, *((a + b) / 2 for a, b in pairwise(cuts)), cuts[-1] + 1]
    weights = np.diff(stats.norm.cdf([-np.inf, *cuts, np.inf]))
    length = patterns.PATTERNS[name].window
    cells = np.indices((len(points),) * length).reshape(length, -1)
    met = patterns.marks(np.array(points)[cells], [name])[0].any(axis=0)
    return float(weights[cells].prod(axis=0)[met].sum())


@pytest.mark.parametrize(
    ("name", "cuts"),
    [
        ("beyond_three_sigma", [-3, 3]),
        ("two_of_three_beyond_two_sigma", [-2, 2]),
        ("four_of_five_beyond_one_sigma", [-1, 1]),
        ("eight_on_one_side", [0]),
        ("nine_on_one_side", [0]),
        ("fifteen_within_one_sigma", [-1, 1]),
        ("eight_outside_one_sigma", [-1, 1]),
    ],
)
def test_windows_are_met_with_the_exact_chance(name: str, cuts: list[float]) -> None:
    if name == "fifteen_within_one_sigma":
        cuts = [1.0]  # 2**15 windows in the place of 3**15: inside or not, each weighed by its two-sided chance
        length = patterns.PATTERNS[name].window
        cells = np.indices((2,) * length).reshape(length, -1)
        met = patterns.marks(np.array([0.0, 2.0])[cells], [name])[0].any(axis=0)
        weights = np.array([stats.norm.cdf(1) - stats.norm.cdf(-1), 2 * stats.norm.sf(1)])
        chance = float(weights[cells].prod(axis=0)[met].sum())
    else:
        chance = chance_by_cells(name, cuts)
    assert chance == pytest.approx(WINDOW_CHANCES[name], rel=1e-5)
    if name in ONE_SIDE_PRINTED:
        # The third is cut off in print: one unit of the last digit.
        assert chance / 2 == pytest.approx(ONE_SIDE_PRINTED[name], abs=1e-4)


def test_six_points_rise_or_fall_in_two_of_720_orders() -> None:
    orders = np.array(list(permutations(range(6)))).T
    met = patterns.marks(orders, ["six_rising_or_falling"])[0, -1]
    assert np.mean(met) == pytest.approx(WINDOW_CHANCES["six_rising_or_falling"], rel=1e-5)


def test_fourteen_points_alternate_as_often_as_zigzag_permutations() -> None:
    # 2 * 199360981 / 14! = 0.00457364 (D. Andre, 1879). 1,000,000 windows: 4 standard errors, missed once in 16,000.
    z = np.random.default_rng(14).random((14, 1_000_000))
    share = np.mean(patterns.marks(z, ["fourteen_alternating"])[0, -1])
    exact = 2 * 199360981 / 87178291200
    assert exact == pytest.approx(WINDOW_CHANCES["fourteen_alternating"], rel=1e-5)
    assert abs(share - exact) < 4 * np.sqrt(exact / 1e6)


# Missing lots and invalid points


@given(series, st.data())
def test_a_point_without_a_value_changes_nothing(z: Z, data: st.DataObject) -> None:
    present = [value for value in z if value == value]
    gaps = data.draw(st.lists(st.integers(0, 3), min_size=len(present) + 1, max_size=len(present) + 1))
    spread: Z = [NAN] * gaps[0]
    places = []
    for value, gap in zip(present, gaps[1:], strict=True):
        places.append(len(spread))
        spread += [value] + [NAN] * gap
    assert patterns.find(spread) == [(name, places[index]) for name, index in patterns.find(present)]


def test_an_invalid_point_takes_no_part_and_breaks_no_run() -> None:
    z = [0.4, 0.3, NAN, 0.2, 0.6, 0.1, NAN, 0.3, 0.5, 0.2]
    assert patterns.find(z, ["eight_on_one_side"]) == [("eight_on_one_side", 9)]
    assert patterns.participants("eight_on_one_side", z, 9) == [0, 1, 3, 4, 5, 7, 8, 9]


@given(arrays.arrays(np.float64, (20, 5), elements=edges))
@example(np.full((20, 5), NAN))
def test_a_batch_marks_what_each_stream_shows_alone(z: np.ndarray) -> None:
    found = patterns.marks(z)
    assert found.shape == (len(ALL), 20, 5)
    for stream in range(5):
        alone = {(name, index) for name, index in patterns.find(z[:, stream])}
        assert {(ALL[which], int(index)) for which, index in np.argwhere(found[:, :, stream])} == alone


def test_a_batch_larger_than_one_block_is_whole() -> None:
    rng = np.random.default_rng(6)
    z = rng.normal(size=(64, 5000))
    z[rng.random(z.shape) < 0.02] = NAN
    # Read from the other end, the blocks are cut elsewhere.
    assert np.array_equal(patterns.marks(z), patterns.marks(z[:, ::-1])[:, :, ::-1])
    assert np.array_equal(patterns.marks(z)[:, :, :50], patterns.marks(z[:, :50]))


@pytest.mark.parametrize("shape", [(0, 3), (3, 0), (0, 0), (1, 1)])
def test_a_batch_of_next_to_nothing_has_no_marks(shape: tuple[int, int]) -> None:
    assert not patterns.marks(np.zeros(shape)).any()
    assert patterns.marks(np.zeros(shape)).shape == (len(ALL), *shape)
    assert patterns.find([]) == []


# Who takes part


# A series that completes every pattern there is, so that each is looked at whatever else is drawn.
EVERY = (
    [0.5, -0.5] * 8
    + [0.2] * 9
    + [2.2, 2.3, 0.1, 1.1, 1.2, 1.3, 1.4, 3.5]
    + [1.5, -1.5] * 4
    + [-2.0, -1.0, 0.0, 1.0, 2.0, 3.0]
)


def test_the_series_of_every_pattern_completes_each() -> None:
    assert {name for name, _ in patterns.find(EVERY)} == set(ALL)


@given(series)
@example(EVERY)
def test_participants_meet_the_criterion_and_end_with_the_completing_point(z: Z) -> None:
    for name, index in patterns.find(z):
        part = patterns.participants(name, z, index)
        length, holds = LITERAL[name]
        assert part == sorted(set(part))
        assert part[-1] == index
        assert len(part) <= length
        assert holds([z[i] for i in part])  # what takes part is enough


def test_participants_leave_out_the_odd_point() -> None:
    z = [0.0, 2.4, 0.3, 2.1, 2.2]
    assert patterns.participants("two_of_three_beyond_two_sigma", z, 3) == [1, 3]
    assert patterns.participants("two_of_three_beyond_two_sigma", z, 4) == [3, 4]
    assert patterns.participants("four_of_five_beyond_one_sigma", [-1.1, -1.2, 9.0, -1.3, -1.4], 4) == [0, 1, 3, 4]
    assert patterns.participants("six_rising_or_falling", [9, 1, 2, 3, 4, 5, 6], 6) == [1, 2, 3, 4, 5, 6]


# Choice of patterns, and refusals


def test_only_the_patterns_asked_for_are_found_in_a_fixed_order() -> None:
    z = [2.2, 3.3]
    assert patterns.find(z, ["two_of_three_beyond_two_sigma", "beyond_three_sigma"]) == [
        ("beyond_three_sigma", 1),
        ("two_of_three_beyond_two_sigma", 1),
    ]
    assert patterns.find(z, iter(["beyond_three_sigma"])) == [("beyond_three_sigma", 1)]
    assert patterns.find(z, []) == []


def test_the_registry_cannot_be_changed() -> None:
    with pytest.raises(TypeError, match="does not support item assignment"):
        patterns.PATTERNS["mine"] = patterns.PATTERNS["nine_on_one_side"]  # type: ignore[index]


REFUSED: dict[str, tuple[Callable[[], object], type[Exception], str]] = {
    "one string": (lambda: patterns.find([1.0], "nine_on_one_side"), TypeError, "got the one string 'nine_on_one"),
    "a name that is none": (lambda: patterns.find([1.0], ["twelve"]), ValueError, "patterns must be of .*got 'twelve'"),
    "a table": (lambda: patterns.find([[1.0]]), ValueError, "z must be one-dimensional, one value a point"),
    "an infinity": (lambda: patterns.find([0.0, np.inf]), ValueError, "1 of 2 values are inf, the first at index 1"),
    "a batch of one dimension": (lambda: patterns.marks([1.0]), ValueError, "z must be two-dimensional, a column a"),
    "a batch with an infinity": (lambda: patterns.marks([[np.inf]]), ValueError, "z must be finite, or nan where"),
    "participants of nothing": (
        lambda: patterns.participants("beyond_three_sigma", [3.1, 0.0], 1),
        ValueError,
        "index must be a point that completes beyond_three_sigma, got 1; take it from spc.patterns.find",
    ),
    "participants at a gap": (
        lambda: patterns.participants("beyond_three_sigma", [3.1, NAN], 1), ValueError, "index must be a point that"),
    "participants of no pattern": (lambda: patterns.participants("x", [0.0], 0), ValueError, "patterns must be of"),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED)
def test_impossible_input_is_refused_by_name(case: str) -> None:
    call, error, message = REFUSED[case]
    with pytest.raises(error, match=message):
        call()
