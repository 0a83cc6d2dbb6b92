"""Gauge studies against published tables, the intervals of the reference note, and simulated studies."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm
from support.gauge_tables import TWENTY

from spc.gauge import study

# P. H. Houf and D. B. Berman (1988), IEEE Trans. CHMT 11, 516-524, thermal impedance, from memory: 10 x 3 x 3.
THERMAL = np.array(
    [
        37, 38, 37, 41, 41, 40, 41, 42, 41,
        42, 41, 43, 42, 42, 42, 43, 42, 43,
        30, 31, 31, 31, 31, 31, 29, 30, 28,
        42, 43, 42, 43, 43, 43, 42, 42, 42,
        28, 30, 29, 29, 30, 29, 31, 29, 29,
        42, 42, 43, 45, 45, 45, 44, 46, 45,
        25, 26, 27, 28, 28, 30, 29, 27, 27,
        40, 40, 40, 43, 42, 42, 43, 43, 41,
        25, 25, 25, 27, 29, 28, 26, 26, 26,
        35, 34, 34, 35, 35, 34, 35, 34, 35
    ],
    dtype=float,
).reshape(10, 3, 3)  # fmt: skip
# An industry handbook's crossed study of 10 x 3 x 3 (data sheet, from memory).
HANDBOOK = np.array(
    [
        0.29, 0.41, 0.64, 0.08, 0.25, 0.07, 0.04, -0.11, -0.15,
        -0.56, -0.68, -0.58, -0.47, -1.22, -0.68, -1.38, -1.13, -0.96,
        1.34, 1.17, 1.27, 1.19, 0.94, 1.34, 0.88, 1.09, 0.67,
        0.47, 0.5, 0.64, 0.01, 1.03, 0.2, 0.14, 0.2, 0.11,
        -0.8, -0.92, -0.84, -0.56, -1.2, -1.28, -1.46, -1.07, -1.45,
        0.02, -0.11, -0.21, -0.2, 0.22, 0.06, -0.29, -0.67, -0.49,
        0.59, 0.75, 0.66, 0.47, 0.55, 0.83, 0.02, 0.01, 0.21,
        -0.31, -0.2, -0.17, -0.63, 0.08, -0.34, -0.46, -0.56, -0.49,
        2.26, 1.99, 2.01, 1.8, 2.12, 2.19, 1.77, 1.45, 1.87,
        -1.36, -1.25, -1.31, -1.68, -1.62, -1.5, -1.49, -1.77, -2.16
    ]
).reshape(10, 3, 3)  # fmt: skip


def test_the_published_table_of_variance_is_reproduced():
    result = study(TWENTY)
    assert result.dfs == (19, 2, 38, 60)
    # Printed with three decimals: table 13.2 of the book.
    assert_allclose(result.mean_squares, [62.391, 1.308, 0.712, 0.992], rtol=0, atol=5e-4)
    assert_allclose(np.multiply(result.mean_squares, result.dfs), [1185.425, 2.617, 27.05, 59.5], rtol=0, atol=5e-4)
    assert_allclose(TWENTY.var() * TWENTY.size, 1274.592, rtol=0, atol=5e-4)
    components = [one.value for one in (result.specimen, result.session, result.interaction, result.repeat)]
    assert_allclose(components, [10.2798, 0.0149, -0.1399, 0.9917], rtol=0, atol=5e-5)
    # F and P of specimens and operators against the interaction, and of the interaction against the repeats.
    ms_p, ms_o, ms_po, ms_e = result.mean_squares
    f = [ms_p / ms_po, ms_o / ms_po, ms_po / ms_e]
    assert_allclose(f, [87.65, 1.84, 0.72], rtol=0, atol=5e-3)
    assert_allclose(stats.f.sf(f, [19, 2, 38], [38, 38, 60]), [0.0, 0.173, 0.861], rtol=0, atol=5e-4)


def test_the_intervals_are_those_of_the_formulas_worked_out_apart():
    # Computed by the writer of the reference note from the formulas of Burdick, Borror and Montgomery, 8 digits.
    result = study(TWENTY)
    for one, expected in (
        (result.specimen, (10.279825, 5.8946981, 22.062214)),
        (result.gauge, (0.86666667, 0.68663685, 2.1676995)),
        (result.ratio, (11.861336, 3.7144924, 25.987405)),
        (result.total, (11.146491, 6.7590702, 23.001138)),
        (result.repeat, (0.99166667, 0.71430565, 1.4697982)),
    ):
        assert_allclose([one.value, one.low, one.high], expected, rtol=1e-6)
    # Generalized intervals from another run of draws: within 0.1, 2 and 15 %; 0 to 1.273 for the operators.
    for one, ends, error in (
        (result.specimen, (5.8859953, 22.079092), 0.002),
        (result.gauge, (0.69838236, 2.1754926), 0.02),
        (result.ratio, (4.25785, 24.789621), 0.15),
    ):
        assert_allclose([one.low, one.high], ends, rtol=error)
    assert (result.session.low, result.session.high) == (0.0, pytest.approx(1.273, rel=0.1))


def test_a_study_with_a_real_interaction_gives_the_remembered_components():
    result = study(THERMAL)
    assert_allclose(np.multiply(result.mean_squares, result.dfs), [3935.96, 39.27, 48.51, 30.67], rtol=0, atol=5e-3)
    assert_allclose(THERMAL.var() * THERMAL.size, 4054.4, rtol=0, atol=5e-3)
    ms_p, ms_o, ms_po, ms_e = result.mean_squares
    assert_allclose([ms_p / ms_po, ms_o / ms_po, ms_po / ms_e], [162.27, 7.28, 5.27], rtol=0, atol=5e-3)
    components = [one.value for one in (result.specimen, result.session, result.interaction, result.repeat)]
    assert_allclose(components, [48.29, 0.565, 0.728, 0.511], rtol=0, atol=5e-3)
    assert_allclose(result.gauge.value, 1.8037037, rtol=1e-7)
    # "7 (2 to 15)" in the reference note.
    assert (round(result.categories.value), round(result.categories.low), round(result.categories.high)) == (7, 2, 15)


def test_the_handbooks_mean_squares_are_reproduced():
    result = study(HANDBOOK)
    assert_allclose(result.mean_squares, [9.81799, 1.58363, 0.01994, 0.04598], rtol=0, atol=5e-6)
    squares = [*np.multiply(result.mean_squares, result.dfs), HANDBOOK.var() * HANDBOOK.size]
    assert_allclose(squares, [88.3619, 3.1673, 0.359, 2.7589, 94.6471], rtol=0, atol=5e-5)
    # Without the interaction, pooled, as standard deviations: repeatability, operator, gauge and specimen; the total is 1.085.
    pooled = np.dot(result.mean_squares[2:], result.dfs[2:]) / sum(result.dfs[2:])
    operator, specimen = ((result.mean_squares[at] - pooled) / size for at, size in ((1, 30), (0, 9)))
    parts = np.sqrt([pooled, operator, pooled + operator, specimen])
    assert_allclose(parts, [0.199933, 0.226838, 0.302373, 1.042327], rtol=0, atol=2e-6)
    total = np.sqrt(pooled + operator + specimen)
    assert_allclose(total, 1.085, rtol=0, atol=5e-4)
    assert_allclose(100 * parts / total, [18.4, 20.9, 27.9, 96.0], rtol=0, atol=0.05)
    assert_allclose(np.sqrt(2) * parts[3] / parts[2], 4.8750414, rtol=1e-7)


def test_the_table_is_that_of_a_general_library():
    import pandas as pd

    p, o, r = THERMAL.shape
    place = np.indices(THERMAL.shape).reshape(3, -1)
    frame = pd.DataFrame({"x": THERMAL.ravel(), "p": place[0], "o": place[1]})
    table = anova_lm(ols("x ~ C(p) * C(o)", frame).fit())
    assert_allclose(study(THERMAL).mean_squares, table["mean_sq"], rtol=1e-9)
    assert (p, o, r) == (10, 3, 3)


def test_the_session_part_has_satterthwaites_degrees_of_freedom_and_a_safe_side():
    result = study(THERMAL)
    assert_allclose(result.session_part, 0.56460905, rtol=1e-7)
    expected = (19.633333 - 2.6950617) ** 2 / (19.633333**2 / 2 + 2.6950617**2 / 18)
    assert_allclose(result.session_df, expected, rtol=1e-6)
    # Sessions that differ less than the interaction explains: the whole variance of their means counts.
    flat = TWENTY - TWENTY.mean(axis=(0, 2), keepdims=True)
    flat[:, 0] += 0.02
    safe = study(flat)
    assert safe.session.value < 0 < safe.session_part
    assert safe.session_df == 2.0


def test_wear_from_repeat_to_repeat_is_seen():
    rng = np.random.default_rng(3)
    still = rng.normal(0.0, 0.05, (6, 4, 6))
    worn = still + 0.02 * np.arange(6)
    assert study(still).order_p_value > 0.01
    result = study(worn)
    assert result.order_p_value < 1e-6
    assert_allclose(result.order_slope, 0.02, atol=4 * 0.05 / np.sqrt(24 * 17.5))


def test_intervals_cover_the_variances_of_simulated_studies():
    # 2,000 studies of 8 bags x 5 sessions x 2; standard error 0.5 %. The note found 94.9 % for the gauge, 97 % for the ratio.
    rng = np.random.default_rng(8)
    truth = {"specimen": 4.0, "gauge": 0.25 + 0.09 + 0.36, "ratio": 4.0 / 0.7}
    hits = dict.fromkeys(truth, 0)
    for _ in range(2_000):
        x = (
            rng.normal(0, 2.0, (8, 1, 1))
            + rng.normal(0, 0.5, (1, 5, 1))
            + rng.normal(0, 0.3, (8, 5, 1))
            + rng.normal(0, 0.6, (8, 5, 2))
        )
        result = study(x)
        for name, value in truth.items():
            one = getattr(result, name)
            hits[name] += one.low <= value <= one.high
    assert abs(hits["specimen"] / 2_000 - 0.95) < 4 * 0.005
    assert abs(hits["gauge"] / 2_000 - 0.95) < 4 * 0.005
    assert 0.94 < hits["ratio"] / 2_000 < 0.99


@pytest.mark.parametrize(
    ("values", "message"),
    [
        (np.zeros((5, 2, 2)), "at least 2 x 3 x 2, got shape"),
        (np.where(np.arange(30).reshape(5, 3, 2) == 4, np.nan, 1.0), "1 of 30 readings are missing"),
        (np.repeat(np.arange(15.0).reshape(5, 3, 1), 2, axis=2), "the resolution is too coarse"),
    ],
)
def test_a_study_that_can_show_nothing_is_refused(values, message):
    with pytest.raises(ValueError, match=message):
        study(values)
