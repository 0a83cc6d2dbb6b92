"""Run lengths against published tables: each case names its source and what is known of the print."""

from __future__ import annotations

import numpy as np
import pytest

from spc import runlength
from spc._patternchain import CRITERIA, Window, chain_of, pattern_hazards

INF = float("inf")
ONE = "beyond_three_sigma"
TWO = "two_of_three_beyond_two_sigma"
FOUR = "four_of_five_beyond_one_sigma"
EIGHT = "eight_on_one_side"
NINE = "nine_on_one_side"
TREND = "six_rising_or_falling"
ALTERNATION = "fourteen_alternating"
WITHIN = "fifteen_within_one_sigma"
OUTSIDE = "eight_outside_one_sigma"

# C. W. Champ and W. H. Woodall (1987), Exact results for Shewhart control charts with supplementary runs rules,
# Technometrics 29, 393-399, Table 1: zero-state average run lengths at shifts 0, 0.2, ..., 3.0.
CHAMP_WOODALL = {
    (ONE,): "370.40 308.43 200.08 119.67 71.55 43.89 27.82 18.25 12.38 8.69 6.30 4.72 3.65 2.90 2.38 2.00",
    (ONE, TWO): "225.44 177.56 104.46 57.92 33.12 20.01 12.81 8.69 6.21 4.66 3.65 2.96 2.48 2.13 1.87 1.68",
    (ONE, EIGHT): "152.73 110.52 59.76 33.64 21.07 14.58 10.90 8.60 7.03 5.85 4.89 4.08 3.38 2.81 2.35 1.99",
    (ONE, TWO, FOUR): "132.89 97.86 52.93 28.70 16.93 10.95 7.68 5.76 4.54 3.73 3.14 2.70 2.35 2.07 1.85 1.67",
    (ONE, TWO, FOUR, EIGHT): "91.75 66.80 36.61 20.90 13.25 9.22 6.89 5.41 4.41 3.68 3.13 2.70 2.35 2.07 1.85 1.67",
}


@pytest.mark.parametrize(
    ("shift", "printed"), [(0, 370.4), (0.5, 155.22), (1, 43.89), (1.5, 14.97), (2, 6.3), (3, 2.0)]
)
def test_three_sigma_limits_alone_match_the_textbook_row(shift: float, printed: float) -> None:
    # D. C. Montgomery, Introduction to Statistical Quality Control: 1 / P(signal).
    assert runlength.shewhart(shift, [ONE]) == pytest.approx(printed, abs=0.006)


@pytest.mark.parametrize("patterns", CHAMP_WOODALL)
def test_patterns_together_match_the_tables_of_1987(patterns: tuple[str, ...]) -> None:
    printed = [float(value) for value in CHAMP_WOODALL[patterns].split()]
    computed = [runlength.shewhart(0.2 * step, patterns) for step in range(16)]
    # Half a unit of the last printed digit, and one unit at rounding edges (20.905, 5.755 and 5.419 are among them).
    np.testing.assert_allclose(computed, printed, rtol=0, atol=0.0105)


@pytest.mark.parametrize(("hits", "of", "beyond", "printed"), [(2, 2, 2.0, 278.03), (5, 5, 1.0, 349.38)])
def test_other_windows_match_the_tables_of_1987(hits: int, of: int, beyond: float, printed: float) -> None:
    # Champ and Woodall (1987): each with the point beyond three sigma. Recomputed 278.04 and 349.39.
    windows = (Window(hits, of, ((beyond, INF),)), Window(hits, of, ((-INF, -beyond),)))
    hazards = pattern_hazards(chain_of((*CRITERIA[ONE], *windows)), 0.0, 0.0)
    assert runlength._collect(hazards, steady=True).mean == pytest.approx(printed, abs=0.015)


@pytest.mark.parametrize(
    ("patterns", "expected"),
    [([NINE], 511.0), ([ONE, NINE], 216.7), ([ONE, TWO, FOUR, NINE], 109.05), ([EIGHT], 255.0)],
)
def test_nine_on_one_side_costs_less_than_eight(patterns: list[str], expected: float) -> None:
    # A run of k of one of two equally likely kinds takes 2**k - 1 trials: W. Feller, An Introduction to Probability
    # Theory and Its Applications, vol. 1, XIII.7. The mixed sets are an independent exact chain, not a printed table.
    assert runlength.shewhart(0.0, patterns) == pytest.approx(expected, abs=0.006)


@pytest.mark.parametrize(
    ("pattern", "points", "chance"),
    [
        (ONE, 1, 0.0026998),
        (NINE, 9, 0.00390625),
        (EIGHT, 8, 0.0078125),
        (TWO, 3, 0.00305831),
        (FOUR, 5, 0.00553184),
        (WITHIN, 15, 0.00326098),
        (OUTSIDE, 8, 0.000102772),
        (TREND, 6, 0.00277778),
        (ALTERNATION, 14, 0.00457364),
    ],
)
def test_first_window_has_its_closed_form_chance(pattern: str, points: int, chance: float) -> None:
    # Binomial sums; 2 / 6! for the trend; the zigzag number 199360981 over 14! / 2 for the alternation.
    in_control = runlength.shewhart_distribution(0.0, [pattern])
    assert in_control.chance_within(points) == pytest.approx(chance, rel=1e-5)
    assert in_control.chance_within(1) == (pytest.approx(chance, rel=1e-5) if points == 1 else 0.0)


# J. M. Lucas and M. S. Saccucci (1990), Exponentially weighted moving average control schemes, Technometrics 32, 1-12,
# as reprinted by Montgomery; shifts as below. Beside each the integral equation; 84.1, 18.2 and 15.9 are one unit
# too high in print (at weights 0.05, 0.2, 0.1).
EWMA_SHIFTS = [0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4]
LUCAS_SACCUCCI = {
    (0.4, 3.054): (
        [500, 224, 71.2, 28.4, 14.3, 5.9, 3.5, 2.5, 2.0, 1.4],
        [499.951, 223.728, 71.2005, 28.4184, 14.2628, 5.8749, 3.5215, 2.5392, 2.0186, 1.4399],
    ),
    (0.2, 2.962): (
        [500, 150, 41.8, 18.2, 10.5, 5.5, 3.7, 2.9, 2.4, 1.9],
        [499.735, 150.216, 41.7644, 18.1496, 10.5417, 5.5006, 3.7434, 2.8803, 2.3809, 1.8644],
    ),
    (0.1, 2.814): (
        [500, 106, 31.3, 15.9, 10.3, 6.1, 4.4, 3.4, 2.9, 2.2],
        [499.58, 106.322, 31.2974, 15.8475, 10.3307, 6.0842, 4.3623, 3.4417, 2.868, 2.1931],
    ),
    (0.05, 2.615): (
        [500, 84.1, 28.8, 16.4, 11.4, 7.1, 5.2, 4.2, 3.5, 2.7],
        [499.933, 84.0059, 28.7637, 16.3742, 11.3828, 7.1125, 5.2249, 4.1679, 3.4962, 2.6945],
    ),
}


@pytest.mark.parametrize("design", LUCAS_SACCUCCI)
def test_ewma_matches_the_tables_of_1990(design: tuple[float, float]) -> None:
    printed, integral = LUCAS_SACCUCCI[design]
    computed = [runlength.ewma(shift, *design) for shift in EWMA_SHIFTS]
    np.testing.assert_allclose(computed, integral, rtol=1e-4)
    half_unit = [0.5 if value >= 100 else 0.11 if value in (84.1, 18.2, 15.9) else 0.05 for value in printed]
    assert np.all(np.abs(np.subtract(computed, printed)) <= half_unit)


def test_ewma_of_weight_a_quarter_matches_the_print() -> None:
    # The same tables, weight 0.25 and width 2.998; from memory, but for 48.2, which the integral equation has as 48.29.
    printed = [500, 170, 48.2, 20.1, 11.1, 5.5, 3.6, 2.7, 2.3, 1.7]
    computed = [runlength.ewma(shift, 0.25, 2.998) for shift in EWMA_SHIFTS]
    np.testing.assert_allclose(computed[:2], printed[:2], atol=0.5, rtol=0)
    np.testing.assert_allclose(computed[2:], printed[2:], atol=0.11, rtol=0)


def test_ewma_of_width_three_matches_crowder() -> None:
    # S. V. Crowder (1987), Technometrics 29, 401-407; 374.5 recomputed.
    computed = [runlength.ewma(0.0, weight, 3.0) for weight in (1, 0.75, 0.5, 0.25, 0.1, 0.05)]
    np.testing.assert_allclose(computed, [370.4, 374.5, 397.46, 502.9, 842.15, 1379.35], rtol=1e-5)


# (headstart, decision): print, integral equation. D. C. Montgomery, Introduction to Statistical Quality Control, Table
# 9.3, and NIST/SEMATECH e-Handbook 6.3.2.3 without headstart; with one: J. M. Lucas and R. B. Crosier (1982), Fast
# initial response for CUSUM quality control schemes, Technometrics 24, 199-205. Those without integral: from memory.
CUSUM = {
    (0.0, 4.0): (
        [168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71],
        [167.684, 74.224, 26.6302, 13.2851, 8.3831, 4.7472, 3.3428, 2.6195, 2.1945, 1.7085],
    ),
    (2.5, 5.0): (
        [430, 122, 28.7, 11.2, 6.35, 3.37, 2.36, 1.86, 1.54, 1.16],
        [430.391, 121.688, 28.6658, 11.2358, 6.3469, 3.372, 2.3623, 1.8562, 1.5396, 1.1594],
    ),
    (0.0, 5.0): ([465, 139, 38.0, 17.0, 10.4, 5.75, 4.01, 3.11, 2.57, 2.01], None),
    (2.0, 4.0): ([149, 62.7, 20.1, 8.97, 5.29, 2.86, 2.01, 1.59, 1.32, 1.07], None),
}


@pytest.mark.parametrize("design", CUSUM)
def test_two_sided_cusum_matches_the_tables(design: tuple[float, float]) -> None:
    headstart, decision = design
    printed, integral = CUSUM[design]
    computed = [runlength.cusum(shift, 0.5, decision, headstart) for shift in EWMA_SHIFTS]
    np.testing.assert_allclose(computed, printed, rtol=0.0045)
    if integral is not None:
        np.testing.assert_allclose(computed, integral, rtol=1e-4)


def test_one_sided_cusum_matches_the_classical_values() -> None:
    # Brook and Evans (1972), Goel and Wu (1971), Vance (1986): in control, allowance 0.5.
    computed = [runlength.cusum(0.0, 0.5, decision, sides=1) for decision in (2, 3, 4, 5)]
    np.testing.assert_allclose(computed, [38.55, 117.6, 335.37, 930.89], rtol=1e-4)


@pytest.mark.parametrize(
    ("allowance", "printed", "recomputed"),
    [
        (0.25, 8.01, 8.0083),
        (0.5, 4.77, 4.7738),
        (0.75, 3.34, 3.339),
        (1, 2.52, 2.5163),
        (1.25, 1.99, 1.9862),
        (1.5, 1.61, 1.6041),
    ],
)
def test_decision_values_for_370_match_hawkins(allowance: float, printed: float, recomputed: float) -> None:
    # D. M. Hawkins (1993), Cumulative sum control charting, Quality Engineering 5, 463-477. 1.61 is printed for 1.604.
    below, above = (runlength.cusum(0.0, allowance, recomputed + way * 0.0002) for way in (-1, 1))
    assert below < 370 < above
    assert recomputed == pytest.approx(printed, abs=0.0062)


def test_cusum_with_limits_for_single_points_matches_an_independent_chain() -> None:
    # Setting of J. M. Lucas (1982), Combined Shewhart-CUSUM quality control schemes, Journal of Quality Technology 14,
    # 51-59. The figures are an independent Markov chain, confirmed by simulation: the print, as remembered (391, 130.9,
    # 37.15, ...), lies 1 to 3 percent below both.
    expected = [397.84, 132.29, 37.37, 16.87, 10.26, 5.627, 3.827, 2.834, 2.17, 1.366]
    computed = [runlength.cusum(shift, 0.5, 5.0, point_limit=3.5) for shift in EWMA_SHIFTS]
    np.testing.assert_allclose(computed, expected, rtol=5e-4)


DRIFTS = [0.001, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0]


def test_three_sigma_limits_in_a_drift_match_the_product_of_chances() -> None:
    # Setting of Aerne, Champ and Rigdon (1991), Communications in Statistics; computed independently, no print read.
    expected = [269.2812, 134.1046, 89.5601, 57.3746, 30.4519, 18.4285, 11.0111, 5.5186, 3.2772]
    computed = [runlength.shewhart(0.0, [ONE], drift) for drift in DRIFTS]
    np.testing.assert_allclose(computed, expected, rtol=1e-5)


def test_ewma_in_a_drift_matches_an_independent_recursion() -> None:
    # Setting of F. F. Gan (1991), Journal of Statistical Computation and Simulation 37; no print read.
    expected = [222.5657, 90.3074, 58.2713, 37.1367, 20.429, 13.1219, 8.5526, 4.9854, 3.384]
    computed = [runlength.ewma(0.0, 0.2, 2.962, drift) for drift in DRIFTS]
    np.testing.assert_allclose(computed, expected, rtol=1e-5)


@pytest.mark.parametrize("shift", [12.0, -60.0, 1e6])
def test_a_huge_shift_signals_as_soon_as_the_chart_can(shift: float) -> None:
    assert runlength.shewhart(shift, [ONE, TREND, ALTERNATION]) == pytest.approx(1)
    assert runlength.shewhart(shift, [FOUR, EIGHT]) == pytest.approx(4)
    assert runlength.shewhart(shift, [TWO], drift=shift) == pytest.approx(2)
    assert runlength.ewma(shift, 0.2, 3) == pytest.approx(1)
    assert runlength.cusum(shift, 0.5, 5, point_limit=3) == pytest.approx(1)
    assert runlength.cusum(shift, 0.5, 5, 4.5, drift=shift) == pytest.approx(1)


REFUSED = {
    "no pattern": (runlength.shewhart, (0, []), "patterns must be one or more of beyond_three_sigma"),
    "unknown pattern": (runlength.shewhart, (0, ["seven_in_a_row"]), "seven_in_a_row"),
    "shift nan": (runlength.shewhart, (float("nan"), [ONE]), "shift"),
    "drift infinite": (runlength.shewhart, (0, [ONE], INF), "drift"),
    "within alone in a drift": (runlength.shewhart, (0, [WITHIN], 0.1), "may never signal"),
    "drift too slow for a wide chart": (runlength.ewma, (0, 0.5, 6, 1e-9), "cannot be computed"),
    "weight zero": (runlength.ewma, (0, 0, 3), "weight must be in"),
    "weight above one": (runlength.ewma, (0, 1.1, 3), "weight must be in"),
    "width zero": (runlength.ewma, (0, 0.2, 0), "width"),
    "weight tiny": (runlength.ewma, (0, 1e-6, 3), "raise the weight"),
    "allowance negative": (runlength.cusum, (0, -0.5, 4), "allowance"),
    "decision zero": (runlength.cusum, (0, 0.5, 0), "decision"),
    "decision huge": (runlength.cusum, (0, 0.5, 1e6), "lower the decision value"),
    "headstart at the decision": (runlength.cusum, (0, 0.5, 4, 4), "headstart"),
    "point limit zero": (runlength.cusum, (0, 0.5, 4, 0, 2, 0, 0), "point_limit"),
    "three sides": (runlength.cusum, (0, 0.5, 4, 0, 3), "sides"),
    "upper sum drifting down": (runlength.cusum, (0, 0.5, 4, 0, 1, -0.1), "may never signal"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_impossible_input_is_refused_by_name(case: str) -> None:
    function, arguments, message = REFUSED[case]
    with pytest.raises(ValueError, match=message):
        function(*arguments)


def test_impossible_questions_to_a_distribution_are_refused_by_name() -> None:
    run = runlength.ewma_distribution(0, 0.2, 3)
    with pytest.raises(ValueError, match="percent must be above 0"):
        run.percentile(100)
    with pytest.raises(ValueError, match="points must be a whole number"):
        run.chance_within(-1)


def test_one_string_of_patterns_is_refused() -> None:
    with pytest.raises(TypeError, match="put it in a list"):
        runlength.shewhart(0, ONE)
