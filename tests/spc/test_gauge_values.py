"""Repeatability and session parts of published studies, by the functions that the verdicts use."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats
from support.gauge_tables import TWENTY

from spc import gauge
from spc.components import nested
from spc.conformity import acceptance_limits, combined_df, coverage_factor, probability, risks
from spc.gauge import linearity, study
from spc.stream.level_uncertainty import bench_part
from spc.supplier.quarter import spread

# NIST/SEMATECH e-Handbook of Statistical Methods, section 2.6.2, data MPC62.DAT: a check standard (wafer 137, probe 2362) on 25
# occasions, mean and standard deviation of six readings each.
OCCASION_MEANS = [
    97.07,
    97.049,
    97.048,
    97.084,
    97.106,
    97.014,
    97.047,
    97.078,
    97.065,
    97.061,
    97.06,
    97.102,
    97.096,
    97.035,
    97.114,
    97.069,
    97.095,
    97.088,
    97.079,
    97.016,
    97.051,
    97.07,
    97.065,
    97.111,
    97.073,
]
OCCASION_SDS = [
    0.085,
    0.052,
    0.038,
    0.036,
    0.049,
    0.036,
    0.052,
    0.117,
    0.085,
    0.052,
    0.06,
    0.048,
    0.026,
    0.088,
    0.031,
    0.037,
    0.032,
    0.056,
    0.067,
    0.116,
    0.046,
    0.078,
    0.04,
    0.038,
    0.039,
]
# The same handbook, sections 2.6.1 and 2.6.3, data MPC61.DAT: probe 2362, mean of six readings on six days, by run and wafer.
PROBE = {
    (1, 138): [95.1162, 95.0569, 95.0598, 95.1487, 95.0743, 95.101],
    (1, 139): [99.2939, 99.3234, 99.2748, 99.3512, 99.235, 99.3574],
    (1, 140): [96.0771, 95.9976, 96.0148, 96.0397, 96.0407, 96.0445],
    (1, 141): [101.0471, 101.0224, 101.0702, 101.0904, 101.0626, 101.0686],
    (1, 142): [94.2437, 94.2115, 94.2348, 94.2124, 94.2214, 94.1651],
    (2, 138): [95.1687, 95.1564, 95.1354, 95.0422, 95.1354, 95.1075],
    (2, 139): [99.3408, 99.3116, 99.3241, 99.2991, 99.3049, 99.2782],
    (2, 140): [96.0793, 96.1115, 96.0803, 96.0411, 96.0988, 96.0482],
    (2, 141): [101.1353, 101.1201, 101.0946, 100.9977, 101.0963, 101.03],
    (2, 142): [94.2052, 94.2824, 94.2396, 94.2087, 94.2937, 94.233],
}
PROBE_SDS = [
    0.048,
    0.0577,
    0.0516,
    0.0386,
    0.0256,
    0.042,
    0.0818,
    0.0723,
    0.0756,
    0.0475,
    0.0517,
    0.0485,
    0.1024,
    0.0943,
    0.0622,
    0.0702,
    0.0627,
    0.0622,
    0.032,
    0.102,
    0.058,
    0.1049,
    0.0702,
    0.0661,
    0.0503,
    0.0919,
    0.0282,
    0.0513,
    0.0627,
    0.101,
    0.0785,
    0.043,
    0.0983,
    0.0773,
    0.0587,
    0.0776,
    0.1279,
    0.1131,
    0.0519,
    0.0903,
    0.0783,
    0.0718,
    0.0996,
    0.0533,
    0.0364,
    0.0768,
    0.1042,
    0.0868,
    0.0585,
    0.0868,
    0.0855,
    0.0645,
    0.0638,
    0.0549,
    0.0813,
    0.0605,
    0.0882,
    0.0702,
    0.0591,
    0.0556,
]
# JCGM 100:2008 (GUM), H.5, table H.9: a voltage standard on 10 days, five readings a day, in microvolts above 10 V.
DAY_MEANS = np.array([172.0, 116.0, 13.0, 144.0, 106.0, 31.0, 60.0, 125.0, 163.0, 41.0])
DAY_SDS = np.array([60.0, 77.0, 111.0, 101.0, 67.0, 93.0, 80.0, 73.0, 88.0, 86.0])
# United States Pharmacopeia, general chapter 1010 (USP 29), appendix B: five runs of three replicates.
RUNS = [
    [100.7, 101.05, 101.15], [99.46, 99.37, 99.59], [99.96, 100.17, 101.01], [101.8, 102.16, 102.44], [101.91, 102.0, 101.67],
]  # fmt: skip

LINEARITY = [
    [2.7, 2.5, 2.4, 2.5, 2.7, 2.3, 2.5, 2.5, 2.4, 2.4, 2.6, 2.4],
    [5.1, 3.9, 4.2, 5.0, 3.8, 3.9, 3.9, 3.9, 3.9, 4.0, 4.1, 3.8],
    [5.8, 5.7, 5.9, 5.9, 6.0, 6.1, 6.0, 6.1, 6.4, 6.3, 6.0, 6.1],
    [7.6, 7.7, 7.8, 7.7, 7.8, 7.8, 7.8, 7.7, 7.8, 7.5, 7.6, 7.7],
    [9.1, 9.3, 9.5, 9.3, 9.4, 9.5, 9.5, 9.5, 9.6, 9.2, 9.3, 9.4],
]


def session_part(means: list[float], noise: float = 0.0, group: list[int] | None = None) -> tuple[float, float]:
    """Variance between sessions of check standards and its degrees of freedom, by the function of the verdicts."""
    part = bench_part(
        np.zeros(len(means), int) if group is None else np.array(group), np.arange(float(len(means))), np.array(means),
        np.full(len(means), noise),
    )  # fmt: skip
    return float(part.variance[-1]), float(part.df[-1])


def test_a_check_standard_has_its_published_scatter_within_and_between_sessions():
    # Printed from memory in the reference: .06139 with 125 degrees of freedom, .02680 with 24.
    variance, df = session_part(OCCASION_MEANS)
    assert (round(variance**0.5, 4), df) == (0.0268, 24.0)
    assert_allclose(variance**0.5, 0.026798134, rtol=1e-7)
    assert_allclose(np.sqrt(np.mean(np.square(OCCASION_SDS))), 0.061387947, rtol=1e-7)


def test_five_wafers_pool_to_the_published_day_to_day_scatter_of_a_probe():
    # Printed: level 1 .0729 with 300 degrees of freedom, level 2 .0362 with 50, five wafers in two runs.
    means, groups = [], []
    for number, group_of in enumerate(PROBE.values()):
        means += group_of
        groups += [number] * len(group_of)
    variance, df = session_part(means, group=groups)
    assert (round(variance**0.5, 4), df) == (0.0362, 50.0)
    assert_allclose(variance**0.5, 0.036168241, rtol=1e-6)
    assert_allclose(np.sqrt(np.mean(np.square(PROBE_SDS))), 0.072866725, rtol=1e-6)
    # Level 3: between the two runs of each wafer, with 5 degrees of freedom; printed .0197.
    first, second = (
        np.array([np.mean(group_of) for (run, _), group_of in PROBE.items() if run == one]) for one in (1, 2)
    )
    runs, df = session_part([*first, *second], group=[*range(5), *range(5)])
    assert df == 5.0
    assert_allclose(runs**0.5, 0.019645236, rtol=1e-5)


def test_the_day_is_part_of_the_uncertainty_in_the_example_of_the_guide():
    # Printed: s of the day means 57, day component 43, u of the mean 13 without the day and 18 with it, on 9 degrees of freedom.
    noise = float(np.mean(DAY_SDS**2)) / 5
    variance, df = session_part(DAY_MEANS.tolist(), noise=noise)
    assert_allclose(variance**0.5, 42.638611, rtol=1e-7)
    assert df == 9.0
    assert_allclose(DAY_MEANS.std(ddof=1), 57.089501, rtol=1e-7)
    assert_allclose(DAY_MEANS.std(ddof=1) / np.sqrt(10), 18.053285, rtol=1e-7)
    # The same by the nested analysis of variance, from readings with those means and standard deviations.
    five = np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
    readings = DAY_MEANS[:, None] + DAY_SDS[:, None] * five / five.std(ddof=1)
    result = nested(readings.ravel(), np.repeat(np.arange(10), 5), np.arange(50), method="anova")
    assert_allclose(result.lot, 42.638611**2, rtol=1e-6)
    # Printed: s_a 128 between days, s_b 85 within them, F 2.25 (2.26 unrounded); 13 for the mean of 50 readings without the day, 49 df.
    within = result.bag
    between = within + 5 * result.lot
    assert_allclose(np.sqrt([between, within]), [127.656, 84.886984], rtol=1e-6)
    assert_allclose(between / within, 2.2615193, rtol=1e-6)
    assert_allclose(stats.f.ppf([0.95, 0.975], 9, 40), [2.12, 2.45], rtol=0, atol=5e-3)
    assert_allclose(readings.std(ddof=1) / np.sqrt(50), 13.323242, rtol=1e-6)
    assert_allclose(10 + 1e-6 * readings.mean(), 10.000097, rtol=0, atol=5e-7)


def test_runs_and_replicates_of_the_pharmacopeia():
    # Printed mean squares 3.55 and 0.102, F = 34.8 (34.886 from the data).
    values = np.array(RUNS)
    result = nested(values.ravel(), np.repeat(np.arange(5), 3), np.arange(15), method="anova")
    assert_allclose(result.lot, 1.1494044, rtol=1e-7)
    within = float(values.var(axis=1, ddof=1).mean())
    assert_allclose([within, 3 * float(values.mean(axis=1).var(ddof=1))], [0.10176, 3.5499733], rtol=1e-7)
    assert_allclose(3.5499733 / 0.10176, 34.885744, rtol=1e-6)


def test_the_published_analyses_without_interaction_and_with_fixed_operators_follow_from_the_table():
    # D. C. Montgomery (2013), tables 13.3 and 13.5 of the same data, four decimals.
    result = study(TWENTY)
    ms_p, ms_o, ms_po, ms_e = result.mean_squares
    pooled = (38 * ms_po + 60 * ms_e) / 98
    assert_allclose([pooled, (ms_p - pooled) / 6, (ms_o - pooled) / 40], [0.8832, 10.2513, 0.0106], rtol=0, atol=5e-5)
    assert_allclose([ms_p / pooled, ms_o / pooled], [70.64, 1.48], rtol=0, atol=5e-3)
    assert_allclose(stats.f.sf(ms_o / pooled, 2, 98), 0.232, rtol=0, atol=5e-4)
    # Printed .8908 for the gauge adds rounded parts; from unrounded ones it is .8938.
    assert_allclose(pooled + (ms_o - pooled) / 40, 0.89379252, rtol=1e-7)
    assert_allclose([(ms_p - ms_e) / 6, (ms_po - ms_e) / 2, ms_e], [10.2332, -0.1399, 0.9917], rtol=0, atol=5e-5)
    assert_allclose([ms_p / ms_e, ms_o / ms_po], [62.92, 1.84], rtol=0, atol=5e-3)


def test_repeatability_pools_over_wafers_as_printed():
    # NIST/SEMATECH e-Handbook, section 2.4.4.4: five wafers, 60 degrees of freedom each; total 3.17635, 300 df, 0.1029.
    squares = np.array([0.48115, 0.69209, 0.48483, 1.21752, 0.30076])
    pooled = spread(squares / 60, [60] * 5)
    assert_allclose([pooled.df * pooled.value**2, pooled.value], [3.17635, 0.1028972], rtol=1e-6)
    assert (pooled.df, round(pooled.value, 4)) == (300.0, 0.1029)


# ISO 5725-2:1994, annex B.1, from memory: sulfur in coal, 8 laboratories, 4 levels, unequal replicates.
COAL = [
    [[0.71, 0.71, 0.7, 0.71], [0.69, 0.67, 0.68], [0.66, 0.65, 0.69], [0.67, 0.65, 0.66], [0.7, 0.69, 0.66, 0.71, 0.69],
     [0.73, 0.74, 0.73], [0.71, 0.71, 0.69], [0.7, 0.65, 0.68]],
    [[1.2, 1.18, 1.23, 1.21], [1.22, 1.21, 1.22], [1.28, 1.31, 1.3], [1.23, 1.18, 1.2], [1.31, 1.22, 1.22, 1.24],
     [1.39, 1.36, 1.37], [1.2, 1.26, 1.26], [1.24, 1.22, 1.3]],
    [[1.68, 1.7, 1.68, 1.69], [1.64, 1.64, 1.65], [1.61, 1.61, 1.62], [1.68, 1.66, 1.66], [1.64, 1.67, 1.6, 1.66, 1.68],
     [1.7, 1.73, 1.73], [1.69, 1.7, 1.68], [1.67, 1.68, 1.67]],
    [[3.26, 3.26, 3.2, 3.24], [3.2, 3.2, 3.2], [3.37, 3.36, 3.38], [3.16, 3.22, 3.23], [3.2, 3.19, 3.18, 3.27, 3.24],
     [3.27, 3.31, 3.29], [3.27, 3.24, 3.23], [3.25, 3.26, 3.26]],
]  # fmt: skip
# ASTM E691-99, table 1 (data in usnistgov/dataplot, GLUCOSE2.DAT): 8 laboratories, 5 materials, 3 replicates.
GLUCOSE = np.array(
    [41.03, 78.28, 132.66, 193.71, 292.78, 41.45, 78.18, 133.83, 193.59, 294.09, 41.37, 78.49, 133.1, 193.65, 292.89,
     41.17, 77.78, 132.92, 190.88, 292.27, 42.0, 80.38, 136.9, 200.14, 309.4, 41.15, 79.54, 136.4, 194.3, 295.08,
     41.01, 79.18, 132.61, 192.71, 295.53, 40.68, 79.72, 135.8, 193.28, 290.14, 42.66, 80.81, 135.36, 190.28, 292.34,
     39.37, 84.08, 138.5, 195.85, 295.19, 42.37, 78.6, 148.3, 196.36, 295.44, 42.63, 81.92, 135.69, 199.43, 296.83,
     41.88, 78.16, 131.9, 192.59, 293.93, 41.19, 79.58, 134.14, 191.44, 292.48, 41.32, 78.33, 133.76, 195.12, 294.28,
     43.28, 78.66, 137.21, 195.34, 297.74, 40.5, 79.27, 135.14, 198.26, 296.8, 42.28, 81.75, 137.5, 198.13, 290.33,
     41.08, 79.76, 130.97, 194.66, 287.29, 41.27, 81.45, 131.59, 191.99, 293.76, 39.02, 77.35, 134.92, 187.13, 289.36,
     43.36, 80.44, 135.46, 197.56, 298.46, 42.65, 80.8, 135.14, 195.99, 295.28, 41.72, 79.8, 133.63, 200.82, 296.12]
).reshape(8, 3, 5)  # fmt: skip


def repeatability_and_reproducibility(labs: Sequence[Sequence[float]]) -> tuple[float, float, float]:
    """s_r, s_L and s_R of one level by the nested analysis of variance, a laboratory in the place of the lot."""
    values, lab = (
        np.concatenate([np.asarray(one) for one in labs]),
        np.repeat(range(len(labs)), [len(one) for one in labs]),
    )
    result = nested(values, lab, np.arange(values.size), method="anova")
    return float(np.sqrt(result.bag)), float(np.sqrt(result.lot)), float(np.sqrt(result.lot + result.bag))


def test_laboratories_with_unequal_replicates_have_the_printed_precision():
    # Printed with three decimals: the mean, s_r and s_R.
    printed = [(0.69, 0.015, 0.026), (1.252, 0.029, 0.061), (1.667, 0.017, 0.035), (3.25, 0.026, 0.058)]
    between = [0.021599555, 0.05333685, 0.030283883, 0.052050085]
    for level, (mean, s_r, s_rr), s_l in zip(COAL, printed, between, strict=True):
        precision = repeatability_and_reproducibility(level)
        assert_allclose(
            [np.concatenate(level).mean(), precision[0], precision[2]], [mean, s_r, s_rr], rtol=0, atol=5.1e-4
        )
        assert_allclose(precision[1], s_l, rtol=1e-6)


def test_an_interlaboratory_study_has_the_printed_repeatability_and_reproducibility():
    # Printed with four decimals, from memory. Where the laboratories differ less than their replicates explain, s_R is s_r.
    means = [41.5183, 79.6796, 135.1429, 194.7171, 294.4921]
    s_r = [1.0632, 1.4949, 2.7483, 2.6251, 3.935]
    s_rr = [1.0632, 1.5796, 3.477, 3.3657, 4.1923]
    precisions = [repeatability_and_reproducibility(GLUCOSE[:, :, material].tolist()) for material in range(5)]
    assert_allclose(GLUCOSE.mean(axis=(0, 1)), means, rtol=0, atol=5e-5)
    assert_allclose([one[0] for one in precisions], s_r, rtol=0, atol=5e-5)
    assert_allclose([one[2] for one in precisions], s_rr, rtol=0, atol=5e-5)


def test_a_standard_deviation_is_known_as_well_as_its_degrees_of_freedom_allow():
    # Chi-square factors of any handbook of quality control.
    df = [2, 5, 10, 20, 30, 50, 100]
    low = [0.52065827, 0.624208, 0.69871704, 0.76505914, 0.79911195, 0.83670909, 0.87854199]
    high = [6.2847347, 2.452614, 1.7549335, 1.4440695, 1.3366734, 1.2430782, 1.1607372]
    estimates = [spread([1.0], [one]) for one in df]
    assert_allclose([one.low for one in estimates], low, rtol=1e-7)
    assert_allclose([one.high for one in estimates], high, rtol=1e-7)


@pytest.mark.parametrize(
    ("shape", "low", "high"),
    [((5, 3, 3), 0.79911195, 1.3366734), ((5, 5, 3), 0.83670909, 1.2430782), ((10, 5, 3), 0.87854199, 1.1607372)],
)
def test_a_repeat_sd_is_known_as_well_as_its_degrees_of_freedom_allow(
    shape: tuple[int, int, int], low: float, high: float
):
    # Chi-square factors of any handbook for 30, 50 and 100 degrees of freedom.
    result = study(np.random.default_rng(1).normal(size=shape))
    assert result.dfs[3] in (30, 50, 100)
    ends = np.sqrt([result.repeat.low / result.repeat.value, result.repeat.high / result.repeat.value])
    assert_allclose(ends, [low, high], rtol=1e-6)


@pytest.mark.parametrize(("guard", "risk"), [(0.0, 0.5), (1.0, 0.158655253931), (2.0, 0.0227501319482)])
def test_a_guard_in_uncertainties_is_the_printed_risk_at_its_edge(guard: float, risk: float):
    # ILAC-G8:09/2019: simple acceptance up to 50 % wrong passes at the limit, a guard of U (k = 2) under 2.5 %.
    edge, u = np.log(20.0), 0.05
    assert_allclose(1 - probability(edge - guard * u, u, upper=edge), risk, rtol=1e-9)
    assert_allclose(coverage_factor(risk, np.inf), guard, atol=1e-9)
    limits = acceptance_limits(-np.inf, edge, u, wrong_pass=risk)
    assert_allclose(limits.pass_upper, edge - guard * u, atol=1e-9)
    assert_allclose(stats.norm.sf(guard), risk, rtol=1e-9)


def test_the_bias_over_the_range_is_the_published_line():
    # Measurement Systems Analysis reference manual (2002), linearity example, from memory: 5 references, 12 readings each.
    reference = np.repeat([2.0, 4.0, 6.0, 8.0, 10.0], 12)
    bias = np.array(LINEARITY).ravel() - reference
    assert_allclose(bias.reshape(5, 12).mean(axis=1), [0.491667, 0.125, 0.025, -0.29167, -0.61667], rtol=0, atol=5e-6)
    line = linearity(reference, bias)
    assert_allclose([line.slope, line.intercept], [-0.1317, 0.7367], rtol=0, atol=5e-5)
    assert_allclose(line.r_squared, 0.714, rtol=0, atol=5e-4)
    assert_allclose([line.slope_t, line.intercept_t], [-12.043, 10.158], rtol=0, atol=5.1e-4)
    assert_allclose(stats.t.ppf(0.975, line.df), 2.00172, rtol=0, atol=5e-6)
    recomputed = [-0.13166667, 0.73666667, 0.23953979, 0.71431842, -12.042559, 10.157519]
    assert_allclose(
        [line.slope, line.intercept, line.sd, line.r_squared, line.slope_t, line.intercept_t],
        recomputed,
        rtol=1e-7,
    )
    # Computed beside it in the reference: lack of fit 1.098 on 3 and 55 df, p .36.
    assert_allclose([line.lack_of_fit_f, line.lack_of_fit_p], [1.098, 0.36], rtol=0, atol=0.005)
    reference_fit = stats.linregress(reference, bias)
    assert_allclose(
        [line.slope, line.slope / line.slope_t, line.p_value],
        [reference_fit.slope, reference_fit.stderr, reference_fit.pvalue], rtol=1e-9,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("reference", "bias", "message"),
    [
        ([1.0, 2.0, 3.0], [0.1, 0.2], "bias must hold at least 3"),
        ([1.0, 2.0, 3.0], [0.1, 0.2, 0.3, 0.4], "every bias needs its reference value"),
        ([2.0, 2.0, 2.0], [0.1, 0.2, 0.3], "one reference value"),
        ([1.0, 2.0, 3.0], [0.0, 0.0, 0.0], "exactly on a line"),
    ],
)
def test_a_bias_without_a_line_is_refused(reference: list[float], bias: list[float], message: str):
    with pytest.raises(ValueError, match=message):
        linearity(reference, bias)


# The claim with a session part from a study, the session in the truth


@pytest.mark.parametrize(("sessions", "session_sd"), [(3, 0.04), (5, 0.06), (8, 0.06)])
def test_a_claim_of_95_percent_holds_with_the_session_part_of_a_study(sessions: int, session_sd: float):
    # 1,200 labs, each with its own study; standard error 0.63 %. Six bags with sd 12 %, known from many lots. Left out, the session
    # part leaves 90 and 86 % (the reference note). From three sessions the claim is on the safe side.
    rng = np.random.default_rng(sessions)
    sampling, held, without = 0.12**2 / 6, 0, 0
    for _ in range(1_200):
        lab = rng.normal(0, session_sd, (1, sessions, 1))
        result = study(rng.normal(0, 0.3, (8, 1, 1)) + lab + rng.normal(0, 0.04, (8, sessions, 2)))
        u = np.sqrt(sampling + result.session_part)
        df = float(combined_df([sampling, result.session_part], [125.0, result.session_df]))
        level = rng.normal(0, np.sqrt(sampling)) + rng.normal(0, session_sd)
        held += level < float(coverage_factor(0.05, df)) * u
        without += level < float(coverage_factor(0.05, 125.0)) * np.sqrt(sampling)
    assert 0.95 - 4 * 0.0063 < held / 1_200 < 0.99
    assert without / 1_200 < 0.92


def test_the_risks_of_a_rule_are_those_of_simulated_lots_with_the_session_in_the_truth():
    # A stream at 17 nJ under 20, 10 % between lots, six bags with 12 %, sessions that differ by 5 %: 200,000 lots, standard errors
    # below 0.1 %. The rule knows the session part.
    rng = np.random.default_rng(17)
    u, edge, n = float(np.sqrt(0.12**2 / 6 + 0.05**2)), np.log(20.0), 200_000
    truth = rng.normal(np.log(17.0), 0.1, n)
    seen = truth + rng.normal(0, 0.05, n) + rng.normal(0, 0.12, (6, n)).mean(axis=0)
    for wrong_pass, wrong_fail in ((None, None), (0.05, None), (0.05, 0.05)):
        rule = acceptance_limits(-np.inf, edge, u, wrong_pass=wrong_pass, wrong_fail=wrong_fail)
        result = risks(np.log(17.0), 0.1**2, u, rule, upper=edge)
        passes, fails, good = seen <= rule.pass_upper, seen > rule.fail_upper, truth < edge
        for stated, simulated in (
            (result.wrong_pass, passes & ~good), (result.not_passed, ~passes & good), (result.wrong_fail, fails & good),
        ):  # fmt: skip
            error = np.sqrt(max(stated * (1 - stated), 1e-6) / n)
            assert abs(simulated.mean() - stated) < 4 * error
        if wrong_pass is not None:
            # Of the lots that just pass, one in twenty at most is outside.
            near = passes & (seen > rule.pass_upper - 0.005)
            assert (~good)[near].mean() < 0.05 + 4 * np.sqrt(0.05 * 0.95 / near.sum())


# ISO 5725-2:1994, tables 4 to 7, from memory: sessions are laboratories there.


@pytest.mark.parametrize(
    ("risk", "printed"),
    [
        (0.01, [1.15, 1.49, 1.72, 1.87, 1.98, 2.06, 2.13, 2.18]),
        (0.05, [1.15, 1.42, 1.57, 1.66, 1.71, 1.75, 1.78, 1.80]),
    ],
)
def test_limits_of_a_level_are_those_of_the_standard(risk: float, printed: list[float]) -> None:
    result = [gauge.level_limit(sessions, risk) for sessions in range(3, 11)]
    # The printed figure of four laboratories at 1 % is 0.005 off the formula, rounded up.
    assert_allclose(result, printed, rtol=0, atol=0.00501)
    recomputed = {0.01: (1.1545581, 2.1760684), 0.05: (1.151141, 1.79841)}[risk]
    assert_allclose((result[0], result[-1]), recomputed, rtol=1e-6)


@pytest.mark.parametrize(
    ("risk", "printed", "recomputed"),
    [
        (0.01, [2.25, 1.96, 1.81, 1.72], [2.2561832, 1.963777, 1.8121346, 1.7155537]),
        (0.05, [1.88, 1.67, 1.56, 1.50], [1.8848175, 1.6689246, 1.5621426, 1.4950483]),
    ],
)
def test_limits_of_a_spread_are_those_of_the_standard(
    risk: float, printed: list[float], recomputed: list[float]
) -> None:
    result = [gauge.spread_limit(8, results - 1, risk) for results in (2, 3, 4, 5)]
    # One entry, remembered as 2.25, is 2.26 by the formula.
    assert_allclose(result, printed, rtol=0, atol=0.0065)
    assert_allclose(result, recomputed, rtol=1e-7)


def test_limits_for_all_sessions_together_are_those_of_cochran_and_grubbs() -> None:
    cochran = [gauge.spread_limit(8, 2, risk / 8) ** 2 / 8 for risk in (0.05, 0.01)]
    assert_allclose(cochran, [0.516, 0.615], rtol=0, atol=0.0005)
    assert_allclose(cochran, [0.51568746, 0.61516651], rtol=1e-7)
    grubbs = [gauge.level_limit(8, risk / 8) for risk in (0.05, 0.01)]
    assert_allclose(grubbs, [2.126, 2.274], rtol=0, atol=0.0007)
    assert_allclose(grubbs, [2.1266451, 2.2743651], rtol=1e-7)


def test_one_percent_of_studies_without_a_difference_name_a_session() -> None:
    rng = np.random.default_rng(5)
    studies = 4000
    wrong = np.zeros(2)
    for _ in range(studies):
        values = (
            rng.standard_normal((5, 1, 1)) + 0.5 * rng.standard_normal((1, 6, 1)) + 0.3 * rng.standard_normal((5, 6, 3))
        )
        result = gauge.consistency(values)
        wrong += (np.abs(result.level).max() > result.level_limit, result.spread.max() > result.spread_limit)
    # Three standard errors of 1 % of 4000 are 0.47 %.
    assert_allclose(wrong / studies, 0.01, rtol=0, atol=0.0047)


def test_a_session_that_is_off_and_one_that_varies_exceed_their_limits() -> None:
    rng = np.random.default_rng(6)
    values = rng.standard_normal((8, 1, 1)) + 0.05 * rng.standard_normal((8, 6, 3))
    values[:, 2] -= 0.5
    values[:, 4] += 0.2 * rng.standard_normal((8, 3))
    result = gauge.consistency(values)
    assert np.flatnonzero(np.abs(result.level) > result.level_limit).tolist() == [2]
    assert result.level[2] < 0
    assert np.flatnonzero(result.spread > result.spread_limit).tolist() == [4]
