"""Run lengths by a second route: counted permutations, integral equation, rounded chain, simulation, algebra."""

from __future__ import annotations

import math
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from numpy.lib.stride_tricks import sliding_window_view
from scipy.stats import geom, multivariate_normal, norm

from spc import runlength
from spc.distributions import bounded_walk, pattern_chain

ALL = list(pattern_chain.CRITERIA)
TREND = "six_rising_or_falling"
ALTERNATION = "fourteen_alternating"


def orders_without_signal(longest: int, trend: int, alternation: int) -> list[Fraction]:
    """Chance that 0, 1, ..., `longest` points hold no run of `trend` points one way and no `alternation` of points.

    Counts permutations in whole numbers, by the rank of the last point and the run it belongs to.
    """
    # State: (steps one way in a row, alternating steps in a row, last step up); counts[j] has the last at rank j.
    counts: dict[tuple[int, int, int], np.ndarray] = {(0, 0, 0): np.array([1], dtype=object)}
    chances = [Fraction(1), Fraction(1)]
    for points in range(2, longest + 1):
        grown: dict[tuple[int, int, int], np.ndarray] = {}
        for (same, other, up), count in counts.items():
            below = np.concatenate([[0], np.cumsum(count)])
            for way, number in ((1, below), (0, below[-1] - below)):
                turned = same > 0 and way != up
                state = (1, other + 1, way) if turned else (same + 1, 1, way)
                if state[0] + 1 < trend and state[1] + 1 < alternation:
                    grown[state] = grown.get(state, 0) + number
        counts = grown
        total = sum(sum(count.tolist()) for count in counts.values())
        chances.append(Fraction(total, math.factorial(points)))
    return chances


@pytest.mark.parametrize(
    ("patterns", "trend", "alternation"),
    [([TREND], 6, 99), ([ALTERNATION], 99, 14), ([TREND, ALTERNATION], 6, 14)],
    ids=["trend", "alternation", "both"],
)
def test_patterns_of_order_match_counted_permutations(patterns: list[str], trend: int, alternation: int) -> None:
    exact = orders_without_signal(70, trend, alternation)
    run = runlength.shewhart_distribution(0.7, patterns)  # a shift changes no order
    np.testing.assert_allclose([run.chance_within(n) for n in range(71)], [1 - float(s) for s in exact], atol=1e-11)
    stays = float(exact[70] / exact[69])
    mean = float(sum(exact[:70])) + float(exact[70]) / (1 - stays)
    assert run.mean == pytest.approx(mean, rel=1e-9)


@pytest.mark.parametrize("drift", [0.2, -1.0])
def test_a_trend_in_a_drift_has_the_chance_of_five_steps_one_way(drift: float) -> None:
    # Steps are normal with mean drift and variance 2, neighbours sharing one point have correlation -1/2.
    covariance = 2 * np.eye(5) - np.eye(5, k=1) - np.eye(5, k=-1)
    steps = multivariate_normal(np.full(5, drift), covariance, abseps=1e-7, releps=1e-7, maxpts=2_000_000, seed=1)
    one_way = steps.cdf(np.zeros(5)) + multivariate_normal(-steps.mean, covariance, seed=1).cdf(np.zeros(5))
    run = runlength.shewhart_distribution(0.0, [TREND], drift)
    assert run.chance_within(6) == pytest.approx(one_way, rel=1e-3)
    assert run.chance_within(5) == pytest.approx(0, abs=1e-12)


def test_runs_on_one_side_have_the_moments_of_fair_coin_runs() -> None:
    # A run of k of either face = a run of k - 1 "same as the last" after the first toss. Mean and variance of the wait
    # for a run of r with chance p: W. Feller, An Introduction to Probability Theory, vol. 1, XIII.7 (7.7).
    p, r = 0.5, 7
    q = 1 - p
    mean = (1 - p**r) / (q * p**r)
    variance = 1 / (q * p**r) ** 2 - (2 * r + 1) / (q * p**r) - p / q**2
    run = runlength.shewhart_distribution(0.0, ["eight_on_one_side"])
    assert run.mean == pytest.approx(1 + mean, rel=1e-9)
    assert run.sd == pytest.approx(math.sqrt(variance), rel=1e-9)


@pytest.mark.parametrize("shift", [0.0, 0.4, 2.0])
def test_points_that_signal_alone_have_a_geometric_run_length(shift: float) -> None:
    signal = norm.sf(3 - shift) + norm.cdf(-3 - shift)
    expected = geom(signal)
    for run in (
        runlength.shewhart_distribution(shift, ["beyond_three_sigma"]),
        runlength.ewma_distribution(shift, weight=1.0, width=3.0),
    ):
        assert (run.mean, run.sd) == pytest.approx((expected.mean(), expected.std()), rel=1e-9)
        assert [run.percentile(x) for x in (1, 10, 50, 90, 99.9)] == expected.ppf([0.01, 0.1, 0.5, 0.9, 0.999]).tolist()
        assert [run.chance_within(n) for n in (0, 1, 10, 1000)] == pytest.approx(expected.cdf([0, 1, 10, 1000]))


def test_a_very_long_run_keeps_its_digits() -> None:
    assert runlength.ewma(0.0, weight=1.0, width=8.0) == pytest.approx(0.5 / norm.sf(8.0), rel=1e-9)


def integral_equation(shift: float, weight: float, width: float) -> float:
    """Crowder's integral equation for the mean, backward in time and solved at once: no step of ours is in it."""
    limit = width * math.sqrt(weight / (2 - weight))
    nodes, weights = np.polynomial.legendre.leggauss(120)
    at = limit * nodes
    kernel = norm.pdf((at - (1 - weight) * at[:, None]) / weight, loc=shift) * limit * weights / weight
    mean = np.linalg.solve(np.eye(at.size) - kernel, np.ones(at.size))
    return float(1 + norm.pdf(at / weight, loc=shift) * limit * weights / weight @ mean)


@pytest.mark.parametrize("design", [(0.05, 2.615), (0.2, 2.962), (0.7, 3.4)])
@pytest.mark.parametrize("shift", [0.0, 0.3, 2.5])
def test_ewma_matches_the_integral_equation(design: tuple[float, float], shift: float) -> None:
    assert runlength.ewma(shift, *design) == pytest.approx(integral_equation(shift, *design), rel=1e-8)


def rounded_chain(shift: float, decision: float, states: int) -> tuple[float, float]:
    """Mean and sd of the one-sided cusum of allowance 0.5, values rounded to `states` steps (Brook and Evans 1972)."""
    step = 2 * decision / (2 * states - 1)
    edges = (np.arange(states) + 0.5) * step
    reach = norm.cdf(edges - np.arange(states)[:, None] * step + 0.5 - shift)
    kept = np.diff(reach, prepend=0.0, axis=1)
    identity = np.eye(states)
    mean = np.linalg.solve(identity - kept, np.ones(states))
    factorial = 2 * np.linalg.solve(identity - kept, kept @ mean)  # E N (N - 1)
    return float(mean[0]), float(factorial[0] + mean[0])


@pytest.mark.parametrize("shift", [-0.2, 0.0, 0.5, 2.0])
def test_cusum_matches_the_rounded_chain_of_1972(shift: float) -> None:
    # The rounding error falls with the square of the step: Richardson's extrapolation takes it out.
    coarse, fine = np.array(rounded_chain(shift, 4.0, 150)), np.array(rounded_chain(shift, 4.0, 300))
    ratio = (599 / 299) ** 2
    mean, square = (ratio * fine - coarse) / (ratio - 1)
    run = runlength.cusum_distribution(shift, 0.5, 4.0, sides=1)
    assert run.mean == pytest.approx(mean, rel=1e-6)
    assert run.sd == pytest.approx(math.sqrt(square - mean**2), rel=1e-6)


@pytest.mark.parametrize("shift", [0.0, 0.25, 1.0])
@pytest.mark.parametrize("headstart", [0.0, 1.5, 3.0])
def test_two_sides_combine_as_lucas_and_crosier_state(shift: float, headstart: float) -> None:
    # J. M. Lucas and R. B. Crosier (1982), Technometrics 24, 199-205; it holds up to decision / 2 + allowance = 3.
    def one_side(way: int, start: float) -> float:
        return runlength.cusum(way * shift, 0.5, 5.0, start, sides=1)

    up, down, up0, down0 = one_side(1, headstart), one_side(-1, headstart), one_side(1, 0), one_side(-1, 0)
    combined = (up * down0 + down * up0 - up0 * down0) / (up0 + down0)
    assert runlength.cusum(shift, 0.5, 5.0, headstart) == pytest.approx(combined, rel=1e-8)


RUNS, POINTS = 20_000, 80


def agrees_with_simulation(run: runlength.RunLength, first: np.ndarray) -> None:
    """Compare with first signals (POINTS + 1 for none) of RUNS series; 4 standard errors each."""
    for points in (5, 20, POINTS):
        chance = run.chance_within(points)
        error = math.sqrt(chance * (1 - chance) / RUNS)
        assert abs(float(np.mean(first <= points)) - chance) <= 4 * error + 1e-12
    shortened = np.minimum(first, POINTS)
    expected = sum(1 - run.chance_within(points) for points in range(POINTS))  # E min(N, POINTS)
    assert abs(shortened.mean() - expected) <= 4 * shortened.std() / math.sqrt(RUNS)


def simulated(seed: int, shift: float, drift: float) -> np.ndarray:
    noise = np.random.default_rng(seed).standard_normal((RUNS, POINTS))
    return noise + shift + drift * np.arange(1, POINTS + 1)


def first_of(signals: np.ndarray) -> np.ndarray:
    return np.where(signals.any(axis=1), signals.argmax(axis=1) + 1, POINTS + 1)


def ends_of_windows(inside: np.ndarray, hits: int, of: int) -> np.ndarray:
    padded = np.pad(inside, ((0, 0), (of - 1, 0)))
    return inside & (sliding_window_view(padded, of, axis=1).sum(axis=2) >= hits)


def ends_of_orders(z: np.ndarray, points: int, *, alternating: bool) -> np.ndarray:
    sign = np.where(np.diff(z, axis=1) > 0, 1, -1)
    if alternating:
        sign = sign * np.where(np.arange(sign.shape[1]) % 2, 1, -1)
    runs = np.abs(sliding_window_view(sign, points - 1, axis=1).sum(axis=2)) == points - 1
    return np.pad(runs, ((0, 0), (points - 1, 0)))


def any_pattern(z: np.ndarray, patterns: list[str]) -> np.ndarray:
    """Write the patterns out once more from their definitions, over whole series."""
    found = {
        "beyond_three_sigma": lambda: np.abs(z) > 3,
        "two_of_three_beyond_two_sigma": lambda: ends_of_windows(z > 2, 2, 3) | ends_of_windows(z < -2, 2, 3),
        "four_of_five_beyond_one_sigma": lambda: ends_of_windows(z > 1, 4, 5) | ends_of_windows(z < -1, 4, 5),
        "eight_on_one_side": lambda: ends_of_windows(z > 0, 8, 8) | ends_of_windows(z < 0, 8, 8),
        "nine_on_one_side": lambda: ends_of_windows(z > 0, 9, 9) | ends_of_windows(z < 0, 9, 9),
        "six_rising_or_falling": lambda: ends_of_orders(z, 6, alternating=False),
        "fourteen_alternating": lambda: ends_of_orders(z, 14, alternating=True),
        "fifteen_within_one_sigma": lambda: ends_of_windows(np.abs(z) < 1, 15, 15),
        "eight_outside_one_sigma": lambda: ends_of_windows(np.abs(z) > 1, 8, 8),
    }
    return np.any([found[name]() for name in patterns], axis=0)


SETS = {
    "order and limits": ["beyond_three_sigma", TREND, ALTERNATION],
    "order and one side": ["nine_on_one_side", TREND],
    "order alone": [TREND, ALTERNATION],
    "close and alternating": [ALTERNATION, "fifteen_within_one_sigma", "eight_outside_one_sigma"],
    "all": ALL,
}


@pytest.mark.parametrize("chosen", SETS)
@pytest.mark.parametrize(("shift", "drift"), [(0.0, 0.0), (0.8, 0.0), (-0.5, 0.04), (-2.0, 0.3)])
def test_patterns_together_match_a_simulation(chosen: str, shift: float, drift: float) -> None:
    z = simulated(20, shift, drift)
    run = runlength.shewhart_distribution(shift, SETS[chosen], drift)
    agrees_with_simulation(run, first_of(any_pattern(z, SETS[chosen])))


CUSUMS = {  # allowance, decision, headstart; the last two start above decision / 2 + allowance
    "from zero": (0.25, 4.0, 0.0),
    "halfway": (0.25, 4.0, 2.0),
    "high": (0.25, 4.0, 3.9),
    "long together": (0.05, 8.0, 5.0),
}


@pytest.mark.parametrize("design", CUSUMS)
@pytest.mark.parametrize(("shift", "drift"), [(0.0, 0.0), (0.1, 0.02), (-0.3, 0.0)])
def test_two_sided_cusum_with_any_headstart_matches_a_simulation(design: str, shift: float, drift: float) -> None:
    allowance, decision, headstart = CUSUMS[design]
    z = simulated(21, shift, drift)
    high, low = np.full(RUNS, headstart), np.full(RUNS, headstart)
    signals = np.zeros_like(z, dtype=bool)
    for point in range(POINTS):
        high = np.maximum(0, high + z[:, point] - allowance)
        low = np.maximum(0, low - z[:, point] - allowance)
        signals[:, point] = (high > decision) | (low > decision)
    run = runlength.cusum_distribution(shift, allowance, decision, headstart, drift=drift)
    agrees_with_simulation(run, first_of(signals))


def test_ewma_in_a_drift_matches_a_simulation() -> None:
    z = simulated(22, -0.4, 0.03)
    average, signals = np.zeros(RUNS), np.zeros_like(z, dtype=bool)
    for point in range(POINTS):
        average = 0.8 * average + 0.2 * z[:, point]
        signals[:, point] = np.abs(average) > 2.5 / 3
    agrees_with_simulation(runlength.ewma_distribution(-0.4, 0.2, 2.5, drift=0.03), first_of(signals))


@pytest.mark.parametrize(
    "follow",
    [
        lambda: runlength._shewhart.__wrapped__(0.0, (TREND,), 0.0),
        lambda: runlength._shewhart.__wrapped__(0.0, (ALTERNATION,), 0.3),
        lambda: runlength._shewhart.__wrapped__(0.3, tuple(ALL), 0.01),
        lambda: runlength._shewhart.__wrapped__(0.0, ("nine_on_one_side", TREND), 0.1),
        lambda: runlength._ewma.__wrapped__(0.0, 0.02, 3.0, 0.0, math.inf),
        lambda: runlength._ewma.__wrapped__(0.5, 0.3, 3.0, 0.02, math.inf),
        lambda: runlength._cusum.__wrapped__(0.0, 0.25, 9.0, 4.0, 2, 0.0, math.inf),
        lambda: runlength._cusum.__wrapped__(0.0, 0.5, 2.0, 1.9, 2, 0.05, math.inf),
    ],
    ids=["trend", "alternation drifting", "all drifting", "side drifting", "ewma", "ewma drifting", "cusum", "short"],
)
def test_twice_as_many_nodes_change_nothing(follow, monkeypatch: pytest.MonkeyPatch) -> None:
    usual = follow().mean
    rule, nodes = bounded_walk.gauss_legendre, pattern_chain._node_count
    monkeypatch.setattr(bounded_walk, "gauss_legendre", lambda count: rule(2 * count))
    monkeypatch.setattr(pattern_chain, "_node_count", lambda chain: 2 * nodes(chain))
    assert follow().mean == pytest.approx(usual, rel=1e-9)


@pytest.mark.parametrize("design", [(0.05, 2.615, 3.0), (0.2, 2.962, 3.5)])
def test_twice_as_many_nodes_keep_four_digits_where_single_points_are_limited(
    design: tuple[float, float, float], monkeypatch: pytest.MonkeyPatch
) -> None:
    weight, width, limit = design
    usual = runlength.ewma(0.8, weight, width, point_limit=limit)
    monkeypatch.setattr(bounded_walk, "_FINE", 800)
    again = runlength._ewma.__wrapped__(0.8, weight, width, 0.0, limit).mean
    assert again == pytest.approx(usual, rel=5e-5)


@pytest.mark.parametrize("shift", [0.0, 1.3])
@pytest.mark.parametrize(("width", "limit"), [(3.0, 2.5), (2.5, 3.0), (2.0, 2.0)])
def test_without_memory_the_narrower_of_two_limits_decides(shift: float, width: float, limit: float) -> None:
    narrower = min(width, limit)
    expected = 1 / (norm.sf(narrower - shift) + norm.cdf(-narrower - shift))
    assert runlength.ewma(shift, 1.0, width, point_limit=limit) == pytest.approx(expected, rel=5e-5)


@pytest.mark.parametrize(("shift", "drift"), [(0.0, 0.0), (0.3, 0.03)])
def test_ewma_with_limits_for_single_points_matches_a_simulation(shift: float, drift: float) -> None:
    z = simulated(23, shift, drift)
    average, signals = np.zeros(RUNS), np.zeros_like(z, dtype=bool)
    for point in range(POINTS):
        average = 0.8 * average + 0.2 * z[:, point]
        signals[:, point] = (np.abs(average) > 0.9) | (np.abs(z[:, point]) > 2.2)
    agrees_with_simulation(runlength.ewma_distribution(shift, 0.2, 2.7, drift, point_limit=2.2), first_of(signals))


def charts(shift: float, drift: float) -> list[runlength.RunLength]:
    return [
        runlength.shewhart_distribution(shift, ALL, drift),
        runlength.shewhart_distribution(shift, ["beyond_three_sigma", TREND], drift),
        runlength.ewma_distribution(shift, 0.2, 2.962, drift),
        runlength.cusum_distribution(shift, 0.5, 5.0, 2.5, drift=drift),
    ]


@pytest.mark.parametrize(("shift", "drift"), [(0.6, 0.0), (0.3, -0.02), (-1.0, 0.05)])
def test_upward_and_downward_changes_take_equally_long(shift: float, drift: float) -> None:
    for run, mirrored in zip(charts(shift, drift), charts(-shift, -drift), strict=True):
        assert (run.mean, run.sd) == pytest.approx((mirrored.mean, mirrored.sd), rel=1e-8)


def test_a_vanishing_drift_ends_in_no_drift() -> None:
    for run, still in zip(charts(0.5, 1e-10), charts(0.5, 0.0), strict=True):
        assert (run.mean, run.sd) == pytest.approx((still.mean, still.sd), rel=1e-6)


def test_one_more_pattern_never_lengthens_the_run() -> None:
    for shift in (0.0, 1.0):
        means = [runlength.shewhart(shift, ALL[:count]) for count in range(1, len(ALL) + 1)]
        assert all(later <= earlier + 1e-9 for earlier, later in pairwise(means))


@pytest.mark.parametrize(("shift", "drift"), [(0.0, 0.0), (0.0, 0.01)])
def test_percentiles_and_chances_are_each_others_inverse(shift: float, drift: float) -> None:
    for run in charts(shift, drift):
        assert np.all(np.diff(run.survival) <= 0)
        for percent in (0.5, 10, 50, 90, 99.99):
            points = run.percentile(percent)
            assert run.chance_within(points) >= percent / 100 - 1e-12
            assert run.chance_within(points - 1) < percent / 100
