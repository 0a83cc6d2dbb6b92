"""The trend of lots against two other routes, and what it refuses."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.testing import assert_allclose
from scipy import stats

from spc.trend import trend

RNG = np.random.default_rng(2)
WEEKS = np.sort(RNG.uniform(0, 52, 20))
LEVELS = 2.3 + 0.003 * WEEKS + 0.05 * RNG.standard_normal(20)


def test_independent_lots_have_the_line_of_the_textbook() -> None:
    result, line = trend(WEEKS, LEVELS), stats.linregress(WEEKS, LEVELS)

    assert result is not None
    # About 1e3 operations of float64.
    assert_allclose([result.slope, result.se, result.p_value], [line.slope, line.stderr, line.pvalue], rtol=1e-11)
    assert result.df == 18


@pytest.mark.parametrize("autocorrelation", [0.4, -0.3])
def test_autocorrelated_lots_have_the_generalised_least_squares_line(autocorrelation: float) -> None:
    result = trend(WEEKS, LEVELS, autocorrelation)
    lag = np.abs(np.subtract.outer(np.arange(20), np.arange(20)))
    line = sm.GLS(
        LEVELS,
        sm.add_constant(WEEKS),
        sigma=autocorrelation**lag if autocorrelation > 0 else np.float_power(-1.0, lag) * 0.3**lag,
    ).fit()

    assert result is not None
    assert_allclose(
        [result.slope, result.se, result.p_value], [line.params[1], line.bse[1], line.pvalues[1]], rtol=1e-10
    )


@pytest.mark.parametrize(
    ("weeks", "levels"),
    [([0, 1], [2.3, 2.4]), ([1, 1, 1], [2.3, 2.4, 2.5]), ([0, 1, 2], [2.3, 2.3, 2.3]), ([0, 1, 2], [2.3, 2.4, 2.5])],
)
def test_without_scatter_or_time_there_is_no_trend(weeks: list[float], levels: list[float]) -> None:
    assert trend(weeks, levels) is None


@pytest.mark.parametrize(
    ("weeks", "levels", "autocorrelation", "line"),
    [
        ([0, 1], [2.3], 0.0, "one shape"),
        ([0, 2, 1], [2.3, 2.4, 2.5], 0.0, "must not fall"),
        ([0, 1, 2], [2.3, 2.4, 2.5], 1.0, "autocorrelation must be between"),
    ],
)
def test_a_wrong_call_is_refused(weeks: list[float], levels: list[float], autocorrelation: float, line: str) -> None:
    with pytest.raises(ValueError, match=line):
        trend(weeks, levels, autocorrelation)
