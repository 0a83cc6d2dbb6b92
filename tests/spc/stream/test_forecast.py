"""Forecast: closed forms, certified fits, another library's regression, and what must not change the answer."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import integrate, stats

from spc.stream import trend_posterior
from spc.stream.forecast import FAN_COLUMNS, Outlook, forecast

NO_LIMITS = {"lower": None, "upper": None, "horizon_weeks": 13.0}
RNG = np.random.default_rng(11)
STEADY = 2.3 + 0.05 * RNG.standard_normal(30)

# Montgomery, Peck and Vining, Introduction to Linear Regression Analysis, examples 2.1 to 2.7 (rocket propellant).
AGE_WEEKS = [15.5, 23.75, 8, 17, 5.5, 19, 24, 2.5, 7.5, 11, 13, 3.75, 25, 9.75, 22, 18, 6, 12.5, 2, 21.5]
STRENGTH = [
    2158.7, 1678.15, 2316, 2061.3, 2207.5, 1708.3, 1784.7, 2575, 2357.9, 2256.7,
    2165.2, 2399.55, 1779.8, 2336.75, 1765.3, 2053.5, 2414.4, 2200.5, 2654.2, 1753.7,
]  # fmt: skip


def steady_world(monkeypatch: pytest.MonkeyPatch, *, ramps: bool = False) -> None:
    """One picture only: a level that never moves, or a ramp since the first lot with nothing known of its slope."""
    monkeypatch.setattr(trend_posterior, "_RANDOM_WALK", np.array([0.0]))
    monkeypatch.setattr(trend_posterior, "_AUTOCORRELATION", np.array([0.0]))
    monkeypatch.setattr(trend_posterior, "_LOG_ODDS", np.array([0.0]))
    monkeypatch.setattr(trend_posterior, "_STEP_ODDS", 1e-300)
    monkeypatch.setattr(trend_posterior, "_RAMP_ODDS", 1e-300)
    monkeypatch.setattr(trend_posterior, "_OLD_RAMP_ODDS", 1e60 if ramps else 1e-300)
    monkeypatch.setattr(trend_posterior, "_RAMP_SLOPES", np.array([1e6]))
    monkeypatch.setattr(trend_posterior, "_RAMP_SHARES", np.array([1.0]))


def test_a_ramp_with_nothing_known_of_its_slope_is_the_published_straight_line(monkeypatch: pytest.MonkeyPatch):
    steady_world(monkeypatch, ramps=True)
    order = np.argsort(AGE_WEEKS)
    weeks, levels = np.array(AGE_WEEKS)[order], np.array(STRENGTH)[order]

    found = trend_posterior.posterior(weeks, levels, np.ones(20), 1.0, 1.0, 1e-9)
    slope = float(found.weight @ (found.move * found.is_ramp))
    now = float(found.weight @ (found.base + found.coefficient * found.move))

    # Printed to 2 decimals.
    assert_allclose(slope, -37.15, rtol=0, atol=0.005)
    assert_allclose(now, 2627.82 - 37.15 * 25.0, rtol=0, atol=0.005 + 25 * 0.005)
    # Residual variance 9236.381 in the recomputation at hand; the prior is worth 1e-9 degrees of freedom.
    best = int(np.argmax(found.weight))
    assert_allclose(found.squares[best] / 18, 9236.381, rtol=1e-6)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.integers(5, 30))
def test_each_ramp_and_step_is_the_regression_of_another_library(seed: int, n: int):
    rng = np.random.default_rng(seed)
    weeks, relative = np.cumsum(rng.uniform(0.2, 3.0, n)), rng.uniform(0.5, 2.0, n)
    levels = rng.standard_normal(n) + 0.1 * weeks

    found = trend_posterior.posterior(weeks, levels, relative, 1.0, 1.0, 2.0)
    moves = trend_posterior._moves(weeks, 1.0)
    for number in (1, n // 2, n, moves.is_ramp.size - 2):
        # The prior on the move as one more observation of 0 whose variance is the prior's.
        design = np.vstack([np.column_stack([np.ones(n), moves.columns[:, moves.column_of[number]]]), [0.0, 1.0]])
        fit = sm.WLS(np.append(levels, 0.0), design, weights=np.append(1 / relative, 1 / moves.prior_var[number])).fit()
        # Two least squares routes of at most 31 rows: conditioned to about 1e6 at worst.
        assert_allclose(found.move[number], fit.params[1], rtol=1e-8, atol=1e-9)
        assert_allclose(found.squares[number] - 2.0, np.sum(fit.wresid**2), rtol=1e-7, atol=1e-9)
        at_last = np.array([1.0, moves.columns[-1, moves.column_of[number]]])
        assert_allclose(
            found.base[number] + found.coefficient[number] * found.move[number],
            at_last @ fit.params,
            rtol=1e-8,
            atol=1e-8,
        )


def test_a_wandering_level_is_what_a_state_space_filter_says():
    levels = np.cumsum(0.3 * RNG.standard_normal(25)) + RNG.standard_normal(25)
    model = sm.tsa.UnobservedComponents(levels, "local level", use_exact_diffuse=True)
    # Unit noise; the third picture wanders by 0.06 of it from lot to lot.
    smoothed = model.smooth([1.0, 0.06])

    found = trend_posterior.posterior(np.arange(25.0), levels, np.ones(25), 1.0, 1.0, 2.0)
    still = 2 * (found.move.size // 5)

    # Two exact routes through 25 lots; what is left is rounding.
    assert_allclose(found.base[still], smoothed.filtered_state[0, -1], rtol=1e-9)
    assert_allclose(found.base_var[still], smoothed.filtered_state_cov[0, 0, -1], rtol=1e-9)


def test_the_chance_of_a_breach_is_the_predictive_t_in_closed_form(monkeypatch: pytest.MonkeyPatch):
    steady_world(monkeypatch)
    monkeypatch.setattr("spc.stream.forecast._WILD_SHARE", 0.0)
    monkeypatch.setattr("spc.stream.forecast._FIT_DOUBT", 1.0)
    levels = 5.0 + 0.1 * RNG.standard_normal(12)
    found = forecast(np.arange(12.0), levels, np.zeros(12), lower=None, upper=5.25, horizon_weeks=4.0)

    # Gelman et al. (2013), section 3.2: level and variance have a normal and a scaled inverse chi-square posterior; the
    # prior is worth two degrees of freedom of half the mean squared difference of neighbours.
    df = 13.0
    squares = np.sum((levels - levels.mean()) ** 2) + np.mean(np.diff(levels) ** 2)

    def no_breach(score: float, chance: float) -> float:
        sigma = np.sqrt(squares / stats.chi2.ppf(chance, df))
        level = levels.mean() + sigma / np.sqrt(12) * score
        return float(stats.norm.cdf((5.25 - level) / sigma) ** 4 * stats.norm.pdf(score))

    exact = 1.0 - integrate.dblquad(no_breach, 0.0, 1.0, -6.0, 6.0, epsabs=1e-5)[0]
    # 512 futures of a low-discrepancy sequence: the error of three dimensions is some (log 512)^3 / 512 of the range at
    # worst and was held to a point in a hundred.
    assert_allclose(found.breach_probability, exact, rtol=0, atol=0.01)


@settings(max_examples=20, deadline=None)
@given(st.floats(-50, 50), st.floats(0.01, 100), st.floats(-1e4, 1e4))
@example(0.0, 1.0, 3.91)  # the sight is a whole number of steps, less a rounding or not
def test_units_and_origins_do_not_matter(shift: float, scale: float, origin: float):
    weeks = np.arange(30.0)
    plain = forecast(weeks, STEADY, np.full(30, 4e-4), lower=2.0, upper=2.45, horizon_weeks=13)
    moved = forecast(
        weeks + origin, shift + scale * STEADY, np.full(30, 4e-4 * scale**2),
        lower=shift + scale * 2.0, upper=shift + scale * 2.45, horizon_weeks=13,
    )  # fmt: skip

    # Rounding of levels near 50 with scatter of 5e-4: 1e-11 relative, a thousandfold through the fit.
    assert_allclose(moved.breach_probability, plain.breach_probability, rtol=1e-5, atol=1e-7)
    assert_allclose(moved.level_now, shift + scale * plain.level_now, rtol=1e-7, atol=1e-7)
    assert_allclose(moved.slope, scale * plain.slope, rtol=1e-4, atol=1e-7 * scale)


def test_up_is_down_in_a_mirror():
    weeks = np.arange(30.0)
    up = forecast(weeks, STEADY, np.full(30, 4e-4), lower=None, upper=2.40, horizon_weeks=13)
    down = forecast(weeks, -STEADY, np.full(30, 4e-4), lower=-2.40, upper=None, horizon_weeks=13)
    assert_allclose(down.level_now, -up.level_now, rtol=1e-12)
    # The futures are not mirrored, so the two agree within the error of 512 of them.
    assert_allclose(down.breach_probability, up.breach_probability, rtol=0, atol=0.02)


def test_a_stable_stream_says_no_date():
    found = forecast(np.arange(30.0), STEADY, np.full(30, 4e-4), lower=None, upper=3.0, horizon_weeks=13)
    assert found.state is Outlook.SEEN
    assert found.breach_probability < 0.02
    assert (found.weeks_p10, found.weeks_p50, found.weeks_p90) == (None, None, None)


def test_a_ramp_meets_its_limit_when_a_straight_line_says_so():
    weeks = np.arange(40.0)
    levels = 2.3 + 0.02 * weeks + 0.03 * np.random.default_rng(4).standard_normal(40)
    found = forecast(weeks, levels, np.full(40, 1e-4), lower=None, upper=3.30, horizon_weeks=13)
    crossing = (3.30 - 2.3) / 0.02 - 39.0
    assert found.weeks_p10 < found.weeks_p50 < found.weeks_p90
    # A lot scatters by 1.5 weeks of drift, so the first one over comes a little before the level.
    assert crossing - 5.0 < found.weeks_p50 < crossing + 1.0
    assert found.change_low < 100 * np.expm1(0.02 * 52.1775 / 12) < found.change_high


def test_a_passed_limit_is_zero_weeks_away():
    found = forecast(np.arange(30.0), STEADY, np.full(30, 4e-4), lower=None, upper=2.0, horizon_weeks=13)
    assert (found.weeks_p10, found.weeks_p50, found.weeks_p90) == (0.0, 0.0, 0.0)
    assert found.breach_probability > 0.99


def test_eighty_percent_of_coming_lots_fall_into_the_fan():
    inside = []
    for seed in range(150):
        rng = np.random.default_rng(seed)
        levels = rng.standard_normal(26)
        fan = forecast(np.arange(20.0), levels[:20], np.zeros(20), horizon_weeks=6.0, lower=None, upper=9.0).fan
        ahead = np.arange(1.0, 7.0)
        low, high = (np.interp(ahead, fan["weeks"], fan[name]) for name in ("p10", "p90"))
        inside.append(np.mean((levels[20:] > low) & (levels[20:] < high)))
    # Seeded; 4 standard errors of the mean over streams, estimated from the same streams (chance of a false failure 6e-5).
    assert abs(np.mean(inside) - 0.8) < 4 * np.std(inside) / np.sqrt(150)


def test_few_lots_no_limit_and_lots_that_say_nothing_have_their_words():
    assert forecast([0, 1], [1, 1], [0, 0], **NO_LIMITS).state is Outlook.TOO_FEW_LOTS
    assert forecast([], [], [], **NO_LIMITS).fan.columns.tolist() == list(FAN_COLUMNS)
    unlimited = forecast(np.arange(30.0), STEADY, np.zeros(30), **NO_LIMITS)
    assert unlimited.state is Outlook.NO_LIMIT
    assert unlimited.breach_probability is None
    assert len(unlimited.fan) > 2
    silent = np.full(30, np.inf)
    silent[:2] = 0.0
    assert forecast(np.arange(30.0), STEADY, silent, **NO_LIMITS).state is Outlook.TOO_FEW_LOTS


@pytest.mark.parametrize("levels", [[2.0, 2.0, 2.0], [2.0, 2.1, 1.9], [0.0, 0.0, 0.0]])
def test_three_lots_on_one_day_give_finite_figures(levels: list[float]):
    found = forecast([1, 1, 1], levels, [0, 0, 0], lower=None, upper=2.5, horizon_weeks=13)
    assert np.isfinite([found.level_now, found.level_se, found.slope, found.slope_se, found.breach_probability]).all()
    assert np.isfinite(found.fan.to_numpy()).all()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"weeks": [2, 1, 3]}, "weeks must not fall"),
        ({"levels": [1, 2]}, "must have one shape"),
        ({"variances": [0, -1, 0]}, "variances must be 0 or above"),
        ({"levels": [1, np.nan, 2]}, "levels must be finite"),
        ({"lower": 2.0, "upper": 1.0}, "lower must be below upper"),
        ({"horizon_weeks": 0.0}, "horizon_weeks must be above 0"),
        ({"scale": "ln"}, 'scale must be "log" or "linear"'),
        ({"lot_sigma": 0.0}, "lot_sigma must be above 0"),
    ],
)
def test_wrong_input_says_what_is_wrong(change: dict[str, object], message: str):
    asked = {
        "weeks": [1, 2, 3],
        "levels": [1, 2, 1],
        "variances": [0, 0, 0],
        "lower": None,
        "upper": 3.0,
        "horizon_weeks": 13.0,
    }
    with pytest.raises(ValueError, match=message):
        forecast(**(asked | change))
