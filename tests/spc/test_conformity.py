"""Conformity against JCGM 106, and the coverage of its probabilities with the bench part in the truth."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from spc.conformity import (
    AcceptanceLimits,
    acceptance_limits,
    combined_df,
    coverage_factor,
    probability,
    risks,
    with_prior,
)
from spc.distributions.bivariate_normal import both_below

# The lot of the user's guide: six bags of six discharges at 18.2 nJ under a limit of 20 nJ; bag sd 0.12, reading sd 0.05
# and a certificate of 0.03 in natural logarithms.
U_LOT = np.sqrt(0.12**2 / 6 + 0.05**2 / 36 + 0.03**2)


@pytest.mark.parametrize("h", [-40.0, -1.5, 0.0, 0.7, np.inf])
@pytest.mark.parametrize("k", [-2.0, 0.0, 1.0])
@pytest.mark.parametrize("rho", [0.0, 0.4, 0.95])
def test_the_bivariate_normal_agrees_with_the_integration_of_scipy(h, k, rho):
    expected = stats.multivariate_normal([0, 0], [[1, rho], [rho, 1]]).cdf([min(h, 50.0), k])
    # The stated absolute error of scipy's integration is 1e-5 near |rho| = 1; it is far below that here.
    assert_allclose(both_below(h, k, rho), expected, rtol=0, atol=1e-9)


def test_probabilities_and_factors_are_those_of_jcgm_106_table_1():
    # JCGM 106:2012, table 1: z for 80, 90, 95, 99 and 99.9 %, two decimals (1.645 is printed as 1.64).
    z = coverage_factor(1 - np.array([0.8, 0.9, 0.95, 0.99, 0.999]), np.inf)
    assert_allclose(z, [0.84, 1.28, 1.64, 2.33, 3.09], rtol=0, atol=0.0051)
    assert_allclose(z, [0.84162123, 1.2815516, 1.6448536, 2.3263479, 3.0902323], rtol=1e-7)


def test_one_sided_examples_of_jcgm_106():
    # JCGM 106:2012, 7.3.3: a diode at -5.47 V (limit -5.40 V, u 0.05) and a container at 509.7 kPa (limit 490, u 8.6).
    assert_allclose(probability(-5.47, 0.05, upper=-5.4), 0.91924334, rtol=1e-7)
    assert_allclose(probability(509.7, 8.6, lower=490.0), 0.98900955, rtol=1e-7)
    # Printed .92 and .99.
    assert [
        round(float(one), 2) for one in (probability(-5.47, 0.05, upper=-5.4), probability(509.7, 8.6, lower=490.0))
    ] == [0.92, 0.99]


def test_a_guarded_rejection_takes_the_uncertainty_at_the_reading():
    # JCGM 106:2012, 8.3.3.2: speed limit 100, u = 2 % of the reading, 99.9 %: 107 printed. On the log scale a relative
    # uncertainty belongs to the reading by itself, and to first order the limit is the printed one.
    limits = acceptance_limits(-np.inf, np.log(100.0), 0.02, wrong_fail=0.001)
    assert_allclose(np.exp(limits.fail_upper), 106.58761, rtol=0, atol=0.25)
    assert_allclose(np.exp(limits.fail_upper), 100 * np.exp(0.02 * 3.0902323), rtol=1e-8)
    # On a linear scale the printed reading is the limit of its own uncertainty.
    printed = acceptance_limits(-np.inf, 100.0, 0.02 * 106.58761, wrong_fail=0.001)
    assert_allclose(printed.fail_upper, 106.58761, rtol=1e-7)
    assert float(np.round(printed.fail_upper)) == 107


def test_guard_bands_in_multiples_of_u_hold_the_chances_of_the_table_of_rules():
    # ILAC-G8:09/2019, table of decision rules, from memory: guard r U with U = 2 u; recomputed to all digits.
    guard = np.array([0, 0.83, 1, 1.5, 3, -1])
    expected = [0.5, 0.048457226, 0.022750132, 0.001349898, 9.865877e-10, 0.97724987]
    # At 3 U the chance is the difference of 1 and nearly 1: 1e-16 absolute.
    assert_allclose(1 - probability(-2 * guard, 1.0, upper=0.0), expected, rtol=2e-7, atol=1e-16)


def test_the_decision_examples_of_a_report_are_the_normal_chances():
    # JCGM 106:2012, 7.3: limit 20.0, u 1.0, computed.
    assert_allclose(probability([18.5, 20.0, 18.0], 1.0, upper=20.0), [0.933192798731, 0.5, 0.977249868052], rtol=1e-11)


def test_global_risks_are_those_of_the_resistors_of_jcgm_106():
    # JCGM 106:2012, 9.5.3.2: N(1500, 0.12), u 0.04, limits +-0.2, acceptance +-0.18; printed .90, .01, .07.
    guarded = AcceptanceLimits(*(np.float64(edge) for edge in (1499.82, 1500.18, 1499.8, 1500.2)))
    found = risks(1500, 0.12**2, 0.04, guarded, 1499.8, 1500.2)
    assert_allclose(
        [found.conforming, found.wrong_pass, found.not_passed], [0.9044193, 0.0098782915, 0.06902651], rtol=1e-7
    )
    simple = risks(1500, 0.12**2, 0.04, acceptance_limits(1499.8, 1500.2, 0.04), 1499.8, 1500.2)
    assert_allclose([simple.wrong_pass, simple.not_passed], [0.018942207, 0.0372078], rtol=1e-6)
    # Between the limit and the acceptance limit a good lot is undecided, not failed.
    assert found.wrong_fail == pytest.approx(simple.wrong_fail, rel=1e-9)
    assert found.wrong_fail < found.not_passed


def test_global_risks_by_capability_are_those_of_jcgm_106():
    # JCGM 106:2012, 9.5.6: centred process with u0 = T/6, simple acceptance, capability T/(4u) of 2 and 10.
    found = [
        risks(0.0, (1 / 6) ** 2, 1 / (4 * c), acceptance_limits(-0.5, 0.5, 1 / (4 * c)), -0.5, 0.5) for c in (2, 10)
    ]
    assert_allclose([one.wrong_pass for one in found], [0.00098158092, 0.00040813109], rtol=1e-6)
    assert_allclose([one.not_passed for one in found], [0.014676857, 0.0007174127], rtol=1e-6)


def test_a_guard_of_five_percent_costs_good_lots():
    # A stream at 17 nJ with 10 % between lots: wrong passes 1.43 to .09 %, wrong fails 4.2 to 23 %.
    edge, rules = np.log(20.0), (None, 0.05)
    found = [
        risks(np.log(17.0), 0.01, U_LOT, acceptance_limits(-np.inf, edge, U_LOT, wrong_pass=one), upper=edge)
        for one in rules
    ]
    assert_allclose([100 * one.wrong_pass for one in found], [1.43, 0.093], rtol=0, atol=0.005)
    assert_allclose([100 * one.not_passed for one in found], [4.22, 22.99], rtol=0, atol=0.005)


def test_the_managed_guard_keeps_wrong_passes_at_two_percent_whatever_the_stream():
    # M. Dobbert (2008), from memory: A = limit - M U, M = 1.04 - exp(0.38 ln TUR - 0.54), TUR = half tolerance / U.
    for ratio, multiple in [
        (1, 0.45725175),
        (1.5, 0.36017731),
        (2, 0.28164531),
        (3, 0.15531827),
        (4, 0.053121298),
        (4.6, -0.00070815045),
    ]:
        assert_allclose(1.04 - np.exp(0.38 * np.log(ratio) - 0.54), multiple, rtol=1e-7)
        u = 1 / ratio / 2
        edge = 1 - multiple * 2 * u
        rule = AcceptanceLimits(*(np.float64(one) for one in (-edge, edge, -1.0, 1.0)))
        worst = max(risks(0.0, sd**2, u, rule, -1.0, 1.0).wrong_pass for sd in np.geomspace(0.2, 5, 60))
        # A fit by its author: it holds 2 % to within a tenth of it.
        assert 0.017 < worst < 0.0201


def test_the_lot_of_the_guide():
    level, edge = np.log(18.2), np.log(20.0)
    assert_allclose(U_LOT, 0.058046916, rtol=1e-7)
    assert_allclose(probability(level, U_LOT, upper=edge), 0.94789016, rtol=1e-7)
    assert_allclose(probability(level, U_LOT, 30, upper=edge), 0.94265932, rtol=1e-7)
    half, double = (acceptance_limits(-np.inf, edge, U_LOT, wrong_pass=risk) for risk in (0.05, 0.022750132))
    assert_allclose(np.exp([half.pass_upper, double.pass_upper]), [18.178755, 17.807833], rtol=1e-7)
    both = acceptance_limits(-np.inf, edge, U_LOT, wrong_fail=0.05)
    assert_allclose(np.exp([both.pass_upper, both.fail_upper]), [20.0, 22.003707], rtol=1e-7)
    # The next bag: the variance between bags joins. With endless bags the certificate stays.
    assert_allclose(1 - probability(level, np.hypot(U_LOT, 0.12), upper=edge), 0.23962917, rtol=1e-7)
    assert_allclose(probability(level, 0.03, upper=edge), 0.99917, rtol=0, atol=5e-6)
    # At 18.2 nJ seven bags reach 95 %, six do not.
    chances = [float(probability(level, np.sqrt(0.12**2 / n + 0.05**2 / n / 6 + 0.03**2), upper=edge)) for n in (6, 7)]
    assert chances[0] < 0.95 < chances[1]


def test_the_stream_as_prior_is_that_of_jcgm_106():
    # JCGM 106:2012, A.13 and A.14: N(1500, 0.12), reading 1500.19, u 0.04.
    level, u = with_prior(1500.19, 0.04, 1500.0, 0.12**2)
    assert_allclose([level, u], [1500.171, 0.037947332], rtol=1e-8)
    assert_allclose(probability(level, u, lower=1499.8, upper=1500.2), 0.77763106, rtol=1e-7)
    assert_allclose(probability(1500.19, 0.04, lower=1499.8, upper=1500.2), 0.59870633, rtol=1e-7)
    # The lot at 18.2 nJ in a stream at 15 nJ with 10 % between lots: 17.33 nJ and 99.8 %.
    level, u = with_prior(np.log(18.2), U_LOT, np.log(15.0), 0.01)
    assert_allclose([np.exp(level), probability(level, u, upper=np.log(20.0))], [17.33, 0.998], rtol=0, atol=0.005)


def test_the_worth_of_a_test_follows_from_the_posterior_and_the_joint_chance():
    # H. Raiffa and R. Schlaifer (1961), Applied Statistical Decision Theory, preposterior analysis: forecast of the level with sd .08,
    # a test with .05, limit 20; a bad lot that passes costs a, a good one that is held b. Loss now, after the test, and the worth of
    # the test, checked by a simulation of 1,000,000 lots.
    edge, sd, u = np.log(20.0), 0.08, 0.05
    for level, a, b, expected in (
        (18, 10, 1, (0.90608177, 0.2439197, 0.66216207)),
        (19, 10, 1, (0.73929264, 0.37792772, 0.36136492)),
        (19, 1, 1, (0.26070736, 0.14131458, 0.11939278)),
    ):
        mean = np.log(level)
        inside = float(probability(mean, sd, upper=edge))
        now = min(a * (1 - inside), b * inside)
        _, after_u = with_prior(mean, u, mean, sd**2)
        moves = np.sqrt(sd**2 - after_u**2)
        held_from = edge + after_u * stats.norm.ppf(b / (a + b))
        both = float(both_below((held_from - mean) / moves, (edge - mean) / sd, moves / sd))
        after = a * (stats.norm.cdf((held_from - mean) / moves) - both) + b * (inside - both)
        assert_allclose([now, after, now - after], expected, rtol=1e-7)


def test_degrees_of_freedom_combine_by_satterthwaite():
    # JCGM 100:2008, G.4.1: parts 1, 1 with 5 df each have 10; a known part adds none and raises the total.
    df = combined_df([[1.0, 1.0, 0.0], [1.0, 0.0, 0.0], [np.nan, 2.0, 1.0]], [[5.0], [5.0], [np.inf]])
    assert_allclose(df, [10.0, 45.0, np.inf])


def test_two_near_limits_count_both_tails():
    u, half = 1.0, 2.2
    rule = acceptance_limits(-half, half, u, wrong_pass=0.05)
    assert_allclose(probability(rule.pass_upper, u, lower=-half, upper=half), 0.95, rtol=1e-9)
    assert rule.pass_upper < half - 1.645
    assert rule.pass_lower == -rule.pass_upper
    # So near that no level passes: the test can't show conformity.
    none = acceptance_limits(-1.0, 1.0, u, wrong_pass=0.05)
    assert none.pass_lower > none.pass_upper
    assert risks(0.0, 1.0, u, none, -1.0, 1.0).not_passed == pytest.approx(0.6826895, abs=1e-7)


def test_bad_input_is_refused():
    with pytest.raises(ValueError, match=r"risk must be in \(0, 0.5\]"):
        coverage_factor(0.7, 5)
    with pytest.raises(ValueError, match="give a lower or an upper limit"):
        risks(0.0, 1.0, 1.0, acceptance_limits(-np.inf, 1.0, 1.0))
    with pytest.raises(ValueError, match="above 0"):
        risks(0.0, 0.0, 1.0, acceptance_limits(-np.inf, 1.0, 1.0), upper=1.0)
    with pytest.raises(ValueError, match="above 0"):
        with_prior(0.0, 0.0, 0.0, 1.0)


@pytest.mark.parametrize(("session_sd", "without"), [(0.04, 0.90), (0.06, 0.86), (0.08, 0.81)])
def test_a_claim_of_95_percent_holds_with_the_bench_part_and_fails_without(session_sd, without):
    """Lots that the rule passes at its edge conform in 95 % of cases with the bench part, in fewer without it.

    Six bags of six, bag sd 0.12, reading sd 0.05; the standard deviations are known, so that a level k u below the limit
    conforms with the claimed chance. 400,000 lots: standard error at most 0.06 %, four of them allowed.
    """
    rng, lots = np.random.default_rng(7), 400_000
    left_out = np.sqrt(0.12**2 / 6 + 0.05**2 / 36)
    error = rng.standard_normal(lots) * np.hypot(left_out, session_sd)
    conform = []
    for u in (np.hypot(left_out, session_sd), left_out):
        edge = float(acceptance_limits(-np.inf, 0.0, u, wrong_pass=0.05).pass_upper)
        conform.append(np.mean(edge - error < 0.0))
    assert abs(conform[0] - 0.95) < 0.0025
    # Stated to a percent: 90, 86 and 81 % of the lots for which 95 % is claimed.
    assert abs(conform[1] - without) < 0.01


def test_estimated_parts_with_their_degrees_of_freedom_keep_the_claim():
    """With bags, readings and bench part estimated anew each time, t with Satterthwaite's df holds 95 %; the normal fails.

    50,000 lots: six bags, V/n from 5 df, a bench part from 10 sessions. Standard error 0.1 %.
    """
    rng, lots = np.random.default_rng(11), 50_000
    bags, bench = 0.12**2 / 6, 0.06**2
    error = rng.standard_normal(lots) * np.sqrt(bags + bench)
    parts = np.array([bags * rng.chisquare(5, lots) / 5, bench * rng.chisquare(9, lots) / 9])
    u, df = np.sqrt(parts.sum(axis=0)), combined_df(parts, [[5.0], [9.0]])
    held = {
        name: np.mean(acceptance_limits(-np.inf, 0.0, u, freedom, wrong_pass=0.05).pass_upper - error < 0.0)
        for name, freedom in (("t", df), ("normal", np.inf))
    }
    assert abs(held["t"] - 0.95) < 0.01
    assert held["normal"] < 0.94


def test_the_risks_of_many_streams_are_those_of_each_alone():
    rng = np.random.default_rng(6)
    mean, variance, u = rng.normal(0.0, 0.2, 40), rng.uniform(0.001, 0.05, 40), rng.uniform(0.01, 0.1, 40)
    # Every third stream has no lower limit, every third no upper one.
    lower = np.where(np.arange(40) % 3 == 0, np.nan, -0.3)
    upper = np.where(np.arange(40) % 3 == 1, np.nan, 0.3)
    rule = acceptance_limits(lower, upper, u, 12.0, 0.05, 0.02)
    together = risks(mean, variance, u, rule, lower, upper)
    for at in range(40):
        low, high = (None if np.isnan(edge) else edge for edge in (lower[at], upper[at]))
        own = acceptance_limits(
            -np.inf if low is None else low, np.inf if high is None else high, u[at], 12.0, 0.05, 0.02
        )
        alone = risks(mean[at], variance[at], u[at], own, low, high)
        for name in ("conforming", "wrong_pass", "wrong_fail", "not_passed"):
            assert_allclose(getattr(together, name)[at], getattr(alone, name), rtol=1e-12, atol=1e-15)
    with pytest.raises(ValueError, match=r"got .*0\.1.* and .*-1\.0"):
        risks([0.0, 0.1], [0.1, 0.1], [1.0, -1.0], rule, upper=1.0)
