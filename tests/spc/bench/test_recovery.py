"""Recovery after door openings: the fit against closed forms, the trend against a published line, and its false alerts."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import theilslopes

from spc.bench.recovery import Opening, openings, slowing

DAY = 1440.0


def log(
    seed: int, days: int, minutes: float, growth: float = 0.0, *, noise: float = 0.15, scatter: float = 0.15
) -> tuple[np.ndarray, np.ndarray]:
    """An invented log of 5 minutes: five openings a week, each with a time constant that scatters and grows by `growth` (log) a month."""
    rng = np.random.default_rng(seed)
    time = np.arange(0.0, days * DAY, 5.0)
    humidity = 12.0 + noise * rng.standard_normal(len(time))
    for at in rng.uniform(400, days * DAY, rng.poisson(5 * days / 7)):
        constant = minutes * np.exp(growth * at / DAY / 30.4375 + scatter * rng.standard_normal())
        after = np.flatnonzero(time >= at)[:200]
        humidity[after] += rng.lognormal(np.log(8.0), 0.5) * np.exp(-(time[after] - at) / constant)
    return time, np.round(humidity, 1)


@pytest.mark.parametrize("step", [1.0, 5.0, 10.0])
@pytest.mark.parametrize("constant", [15.0, 30.0, 60.0])
def test_an_exponential_without_noise_is_found_exactly(step: float, constant: float) -> None:
    time = np.arange(0.0, 3000.0, step)
    at = time[time >= 1000.0][0]
    (found,) = openings(time, 12.0 + np.where(time >= at, 9.0 * np.exp(-(time - at) / constant), 0.0))
    assert (found.at, found.rise) == (at, pytest.approx(9.0, abs=1e-9))
    assert found.time_constant == pytest.approx(constant, rel=1e-9)


def test_noisy_openings_have_the_right_median() -> None:
    # 100 openings and more with 15 % scatter: four standard errors of a median (1.25 sd / sqrt(n)) are 7 %.
    for seed, constant in ((1, 15.0), (2, 40.0)):
        found = openings(*log(seed, 183, constant))
        assert len(found) > 90
        assert np.median([one.time_constant for one in found]) == pytest.approx(constant, rel=0.08)


def test_what_can_not_be_fitted_is_left_out() -> None:
    time = np.arange(0.0, 2000.0, 30.0)
    # A logger that sees a recovery with two entries only, no opening at all, and a rise that stays.
    fast = 12.0 + np.where(time >= 900, 9.0 * np.exp(-(time - 900) / 15.0), 0.0)
    assert openings(time, fast) == []
    assert openings(time, np.full(len(time), 12.0)) == []
    assert openings(time, np.where(time >= 900, 20.0, 12.0)) == []
    with pytest.raises(ValueError, match="rising minutes"):
        openings([0.0, 0.0], [1.0, 2.0])


def test_the_line_is_that_of_sen_1968() -> None:
    # Sen (1968), the data and line of the paper as quoted by the tests of a public library: slope 4, 93 % interval 3.71 to 4.38.
    x, y = [1, 2, 3, 4, 10, 12, 18], [9, 15, 19, 20, 45, 55, 78]
    slope, _, low, high = theilslopes(y, x, 0.07)
    assert_allclose([slope, low, high], [4.0, 3.71, 4.38], atol=0.005)


def test_a_recovery_that_slows_is_shown_with_its_figures() -> None:
    # 10 % a month over half a year, 20 minutes at the beginning.
    shown = slowing(openings(*log(5, 183, 20.0, np.log(1.10))))
    assert shown is not None
    assert shown.low < 10.0 < shown.high
    assert shown.first == pytest.approx(20.0, rel=0.15)
    assert shown.last == pytest.approx(20.0 * 1.10**6, rel=0.15)


@pytest.mark.parametrize(
    "found",
    [
        [Opening(7.0 * day * DAY, 9.0, 20.0 * 1.05**day) for day in range(11)],
        [Opening(day * DAY, 9.0, 20.0 * 1.05**day) for day in range(40)],
        [Opening(3.0 * day * DAY, 9.0, 20.0 * 1.002**day) for day in range(40)],
        [Opening(3.0 * day * DAY, 9.0, 30.0 * 0.98**day) for day in range(40)],
        [Opening(3.0 * day * DAY, 9.0, 300.0 if day > 35 else 20.0 + day % 3) for day in range(40)],
    ],
)
def test_too_few_too_short_too_little_faster_and_lone_slow_ones_are_not_shown(found: list[Opening]) -> None:
    assert slowing(found) is None


def test_steady_chambers_raise_no_alert() -> None:
    # 120 half years of steady chambers. In 300 chambers judged each week for a year and a half, 2 alerted.
    raised = sum(slowing(openings(*log(100 + seed, 183, 25.0))) is not None for seed in range(120))
    # At a chance of 0.2 % a look, more than 2 of 120 happen once in 500 runs; the seeds are fixed.
    assert raised <= 2
