"""Ageing of film lots against published stability studies, recomputed values, and simulated labs where the truth is known."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from spc.ageing import (
    bounded_life,
    chance_over,
    furthest,
    lines,
    mean_line_life,
    own_date,
    poolability,
    slope_law,
    square_term,
    tolerance_life,
    weighed_slopes,
    with_bounds_filled,
)

# LeBlond, Griffith, Aubuchon (2011), Linear regression 102: stability shelf life estimation using analysis of covariance,
# Journal of Validation Technology 17(3), 47-68, tables V, IX and XIV; read through a stored copy of the data.
B5 = ([0, 1, 2, 3, 3, 6, 6, 12, 12, 24, 24], [102.0, 101.4, 100.8, 100.2, 99.7, 98.8, 98.5, 98.0, 97.1, 96.6, 96.1])
STABLE = {
    "b2": ([0, 1, 3, 3, 6, 6, 12, 12, 24, 24], [101.0, 101.3, 99.8, 99.2, 99.5, 97.8, 97.4, 97.2, 96.9, 96.0]),
    "b5": B5,
    "b7": ([0, 1, 3, 3, 6, 6, 12, 12, 24, 24], [101.3, 101.5, 100.2, 99.8, 99.0, 98.5, 98.5, 97.4, 96.6, 96.4]),
}
UNLIKE = {
    "b4": ([0, 3, 6, 6, 12, 12, 24, 24], [104.0, 103.2, 102.8, 103.3, 102.4, 101.2, 99.1, 99.5]),
    "b5": B5,
    "b8": ([0, 3, 6, 12, 12], [101.6, 100.0, 99.0, 97.8, 97.0]),
}
MONTHS = [0, 1, 2, 3, 3, 6, 6, 12, 12, 24, 24]
MOISTURE = {
    "b1": (MONTHS, [2.20059, 1.70372, 3.32395, 2.75907, 2.43192, 1.76331, 1.56801, 2.19423, 3.22311, 3.16325, 1.54837]),
    "b2": (MONTHS, [2.81078, 1.94915, 2.49058, 2.00485, 3.307, 2.99309, 3.30159, 2.72512, 1.88341, 2.77215, 1.69048]),
    "b3": (MONTHS, [2.45301, 2.16138, 2.26631, 2.12853, 2.51775, 2.31034, 3.36915, 2.3207, 2.72001, 2.19393, 3.45895]),
}
# Shao, Chow (1994), Statistical inference in stability analysis, Biometrics 50(3), 753-763: tablets, ten lots.
TABLETS = np.array([
    [104.8, 102.5, 101.5, 102.4, 99.4, 96.5], [103.9, 101.9, 103.2, 99.6, 100.2, 98.8],
    [103.5, 102.1, 101.9, 100.3, 99.2, 101.0], [101.5, 100.3, 101.1, 100.6, 100.7, 98.4],
    [106.1, 104.3, 101.5, 101.1, 99.4, 98.2], [102.0, 101.6, 100.9, 101.1, 101.7, 97.1],
    [104.7, 101.3, 103.8, 99.8, 98.9, 97.1], [102.5, 102.3, 100.0, 101.7, 99.0, 100.9],
    [100.1, 101.8, 101.4, 99.9, 99.2, 97.4], [105.2, 104.1, 102.4, 100.2, 99.6, 97.5],
])  # fmt: skip
TABLET_AGES = np.tile([0.0, 3, 6, 9, 12, 18], 10)
TABLET_LOTS = np.repeat(np.arange(10), 6)
# Obenchain (1990), as reprinted for random coefficients; fixed effects printed as -0.5259 with standard error 0.1194, from
# memory. All three lots have the same ages, so the fixed slope is the mean of the lots' slopes.
OBENCHAIN_AGES = [0] * 6 + [1] * 4 + [3] * 4 + [6] * 4 + [9] * 4 + [12] * 6
OBENCHAIN = [
    101.2, 103.3, 103.3, 102.1, 104.4, 102.4, 98.8, 99.4, 99.7, 99.5, 98.4, 99.0, 97.3, 99.8, 101.5, 100.2, 101.7, 102.7,
    96.3, 97.2, 97.2, 96.3, 97.3, 97.9, 96.8, 97.7, 97.7, 96.7,
    102.6, 102.7, 102.4, 102.1, 102.9, 102.6, 99.1, 99.0, 99.9, 100.6, 105.7, 103.3, 103.4, 104.0, 101.3, 101.5, 100.9,
    101.4, 94.1, 96.5, 97.2, 95.6, 93.1, 92.8, 95.4, 92.2, 92.2, 93.0,
    105.1, 103.9, 106.1, 104.1, 103.7, 104.6, 102.2, 102.0, 100.8, 99.8, 101.2, 101.8, 100.8, 102.6, 101.1, 102.0, 100.1,
    100.2, 100.9, 99.5, 102.2, 100.8, 97.8, 98.3, 96.9, 98.4, 96.9, 96.5,
]  # fmt: skip
OWN = {"slope": 0.06, "variance_of_lot_slopes": 0.00045, "lots": 6, "session_variance": 0.0064, "session_df": 6}


def columns(study):
    ages = [age for months, _ in study.values() for age in months]
    values = [value for _, levels in study.values() for value in levels]
    return ages, values, [name for name, (months, _) in study.items() for _ in months]


def test_lots_that_may_be_pooled_give_the_printed_line_and_shelf_life():
    pooled = poolability(*columns(STABLE))
    life = mean_line_life(*columns(STABLE), lower=95)

    assert (pooled.model, life.model) == ("one line", "one line")
    # Printed: F 0.436 and 0.229, half a unit of the third decimal; the longer figures are recomputed, six digits checked.
    assert_allclose([pooled.f_intercepts, pooled.f_slopes], [0.435993484727, 0.228684731019], rtol=1e-7)
    assert_allclose([pooled.p_intercepts, pooled.p_slopes], [0.651445083156, 0.797225239264], rtol=1e-7)
    # Printed: 100.567 - 0.192994 age, 26 months.
    assert_allclose([life.intercept, life.slope, life.life], [100.566878981, -0.192993630573, 25.9957631931], rtol=1e-7)


def test_lots_with_unlike_slopes_give_the_printed_life_of_the_worst_lot():
    pooled = poolability(*columns(UNLIKE))
    life = mean_line_life(*columns(UNLIKE), lower=95)
    alone = mean_line_life(*columns(UNLIKE), lower=95, each_lot_alone=True)

    # Printed: F 72.124 and 1.955, 15.6 months with one mean square.
    assert_allclose(
        [pooled.f_intercepts, pooled.f_slopes, pooled.p_slopes],
        [72.1242158003, 1.9554194432, 0.170420367305],
        rtol=1e-7,
    )
    assert life.model == "own lines"
    assert_allclose(
        [life.by_lot[name] for name in ("b4", "b5", "b8")], [38.9816059898, 24.1099394215, 15.6061305382], rtol=1e-7
    )
    assert_allclose(
        [alone.by_lot[name] for name in ("b4", "b5", "b8")], [40.7917619435, 23.1480421927, 15.8448779782], rtol=1e-7
    )
    assert life.life == life.by_lot["b8"]


def test_two_limits_give_the_printed_life_from_two_sided_bounds():
    life = mean_line_life(*columns(MOISTURE), lower=1.5, upper=3.5)

    # Printed: 45.35 months, 2.45678 + 0.0022724 age.
    assert_allclose(life.life, 45.3460468872, rtol=1e-6)
    assert_allclose(life.slope, 0.00227233851384, rtol=1e-6)
    only_lower = mean_line_life(*columns(MOISTURE), lower=1.5, confidence=0.975)
    assert_allclose(only_lower.life, 50.7665220787, rtol=1e-6)
    # ICH Q1E (2003), from memory: 24 months of data reach no further than 36.
    assert life.furthest == 36.0


def test_ten_lots_of_tablets_are_not_poolable_and_each_model_has_its_life():
    values = TABLETS.ravel()
    pooled = poolability(TABLET_AGES, values, TABLET_LOTS)
    # Computed from the published data, no printed figure.
    assert_allclose([pooled.f_slopes, pooled.p_slopes], [3.27832555771, 0.00445403866801], rtol=1e-7)

    def life(at, **options):
        return mean_line_life(TABLET_AGES, values, TABLET_LOTS, lower=90, at=at, **options)

    assert_allclose(life(0.25).life, 28.0665063414, rtol=1e-7)
    assert_allclose(life(0.25, each_lot_alone=True).life, 25.4676611367, rtol=1e-7)
    # A threshold below the tail probability of the slopes pools them; at 0 everything is pooled.
    assert_allclose(life(0.0).life, 41.3031874014, rtol=1e-7)
    assert pooled.p_intercepts > pooled.p_slopes or life(pooled.p_slopes / 2).life == pytest.approx(
        37.4295821039, rel=1e-7
    )


def test_the_tolerance_life_of_ten_lots_recomputes_from_the_published_data():
    def life(coverage):
        return tolerance_life(TABLET_AGES, TABLETS.ravel(), TABLET_LOTS, 90, "lower", coverage, 0.95)

    # Factors: NBS Handbook 91, table A-7, 2.911 and 2.355 printed.
    assert_allclose([life(0.95).factor, life(0.90).factor], [2.91096341308, 2.35464013183], rtol=1e-6)
    assert_allclose([life(0.95).life, life(0.90).life], [25.5192553245, 27.4769356153], rtol=1e-6)


def test_a_likelihood_with_its_peak_at_the_edge_still_gives_the_mean_of_the_lots_lines():
    fit = lines(TABLET_AGES, TABLETS.ravel(), TABLET_LOTS)
    law = weighed_slopes(TABLET_AGES, TABLETS.ravel(), TABLET_LOTS)

    assert_allclose(
        [fit.slope.mean(), (fit.level - fit.slope * fit.age).mean()], [-0.283761904762, 103.288428571], rtol=1e-6
    )
    assert_allclose(law.mean, -0.283761904762, rtol=1e-6)


def test_slopes_of_three_lots_agree_with_the_printed_random_coefficients():
    lots = np.repeat(["1", "2", "3"], 28)
    fit = lines(OBENCHAIN_AGES * 3, OBENCHAIN, lots)

    # Four printed digits: -0.5259 and 0.1194.
    assert_allclose(fit.slope.mean(), -0.525944767442, rtol=2e-4)
    assert_allclose(fit.slope.std(ddof=1) / np.sqrt(3), 0.119371889052, rtol=2e-4)
    assert_allclose(weighed_slopes(OBENCHAIN_AGES * 3, OBENCHAIN, lots).mean, -0.525944767442, rtol=2e-4)


def test_only_differences_within_a_lot_count():
    # Y. Mundlak (1978), Econometrica 46, 69-85, for the decomposition; data invented.
    lot = list("AAABBCCCDD")
    age = [1.0, 7, 13, 4, 10, 8, 14, 20, 12, 18]
    level = np.array([9.6, 9.95, 10.33, 9.58, 9.96, 9.64, 9.99, 10.38, 9.6, 9.97])
    fit = lines(age, level, lot)

    assert_allclose([fit.within, fit.within_se, fit.within_df], [0.0615, 0.000754001670103, 5], rtol=1e-9)
    # The line through all points sees little more than half of it.
    assert_allclose(np.polyfit(age, level, 1)[0], 0.0358377868595, rtol=1e-9)
    assert_allclose(weighed_slopes(age, level, lot).mean, 0.0615, atol=0.001)


def test_tests_over_the_range_of_the_meter_are_bounds():
    # Computed independently: invented log10 ohm against months, a meter that ends at 1e11.
    age = [0.5, 1, 2, 3, 4.5, 6, 7.5, 9, 10.5, 12, 13.5, 15.0]
    level = [9.31, 9.42, 9.55, 9.71, 9.8, 10.05, 10.31, 10.38, 10.72, 10.95, 11.0, 11.0]
    bound = [0] * 10 + [1, 1]
    life = bounded_life(age, level, bound, limit=11.0)

    # The optimiser of the reference stops at 1e-4.
    assert_allclose([life.intercept, life.slope, life.sd], [9.25384520413, 0.136857921769, 0.0495968722776], rtol=1e-4)
    assert_allclose(
        [life.log_likelihood, life.crossing, life.bound], [15.7768005225, 12.7588872701, 12.3541232804], rtol=1e-4
    )
    # Either substitution gives another date.
    wrong = [mean_line_life(age[:n], level[:n], ["A"] * n, upper=11.0).life for n in (12, 10)]
    assert_allclose(wrong, [12.9559225256, 12.2874585967], rtol=1e-4)
    filled = with_bounds_filled(age, level, bound, ["A"] * 12)
    assert_allclose(np.polyfit(age, filled, 1), [life.slope, life.intercept], rtol=1e-4)


def test_bounds_are_filled_within_lots_of_unlike_level():
    age = [1, 3, 6, 9] * 2
    low = with_bounds_filled(
        age, [9.0, 9.21, 9.49, 9.5, 10.0, 10.19, 10.52, 10.8], [0, 0, 0, 1, 0, 0, 0, 0], list("AAAABBBB")
    )
    assert low[3] > 9.7
    assert_allclose(low[4:], [10.0, 10.19, 10.52, 10.8], rtol=0, atol=0)


def test_a_lot_whose_tests_are_all_bounded_leaves_the_levels_as_they_are() -> None:
    # Nothing measured says where the lot lies: its constant runs away, and no warning may come of it.
    age = np.array([0.0, 23.0, 46.0, 69.0, 92.0, 674.6, 674.7])
    level = np.array([3.6930, 3.6938, 3.6947, 3.6934, 3.6943, 3.4129, 3.6633])
    bound = np.array([0, 0, 0, 0, 0, -1, -1])
    lot = ["A", "B", "C", "D", "E", "F", "F"]
    assert with_bounds_filled(age, level, bound, lot).tolist() == level.tolist()


def test_the_date_of_a_lot_with_one_test_is_the_computed_one():
    # The formula in `own_date`, computed independently.
    law = slope_law(**OWN)
    dates = own_date([9.8], 11.0, law)
    assert_allclose([dates.expected[0], dates.keep[0]], [20.0, 11.249642853], rtol=1e-7, atol=1e-4)
    chance = chance_over([9.8] * 3, 11.0, law, [6.0, 12.0, 18.0])
    assert_allclose(chance, [0.000346804268997, 0.0729994806338, 0.392919329064], rtol=1e-7)


def test_a_lower_limit_is_the_mirror_image_of_an_upper_one():
    law, falling = slope_law(**OWN), slope_law(**{**OWN, "slope": -0.06})
    assert_allclose(own_date([-9.8], -11.0, falling, "lower").keep, own_date([9.8], 11.0, law).keep, rtol=1e-9)


def test_a_lot_that_is_over_the_limit_may_be_kept_for_no_time():
    dates = own_date([11.2, 10.95], 11.0, slope_law(**OWN))
    assert dates.keep.tolist() == [0.0, 0.0]
    assert dates.expected[0] == 0.0


def test_the_furthest_age_is_twice_what_was_seen_and_at_most_a_year_beyond():
    # ICH Q1E (2003), from memory.
    assert [furthest(age) for age in (6, 9, 12, 18, 24, 36)] == [12, 18, 24, 30, 36, 48]


def test_a_bent_curve_is_seen_within_lots():
    rng = np.random.default_rng(5)
    age = np.tile([0.0, 4, 8, 12], 6)
    lot = np.repeat(np.arange(6), 4)
    straight = 9.5 + 0.05 * age + 0.02 * rng.standard_normal(24)
    bent = straight + 0.01 * age**2
    assert square_term(age, bent, lot)[1] > 0
    low, high = square_term(age, straight, lot)[1:]
    assert low < 0 < high
    assert square_term([0, 6, 0, 6], [1, 2, 1, 2], [1, 1, 2, 2]) is None


# Simulated labs: 9.5 + 0.06 age in log10 ohm, standard deviations 0.15 of the level, 0.015 of the slope, 0.08 of a test.


def lots_of_film(rng, lots, ages):
    lot = np.repeat(np.arange(lots), [len(one) for one in ages])
    age = np.concatenate(ages)
    start = 9.5 + 0.15 * rng.standard_normal(lots)
    pace = 0.06 + 0.015 * rng.standard_normal(lots)
    return age, start[lot] + pace[lot] * age + 0.08 * rng.standard_normal(age.size), lot


def test_the_tolerance_claim_is_held_in_the_stated_share_of_studies():
    rng = np.random.default_rng(20)
    ages = np.array([1.0, 7, 13])
    kept = 0
    for _ in range(800):
        life = tolerance_life(*lots_of_film(rng, 6, [ages] * 6), 11.0).life
        # Share of all lots over the limit at the stated age, by the law that made them.
        share = 1 - _normal((11.0 - 9.5 - 0.06 * life) / np.hypot(0.15, 0.015 * life))
        kept += share <= 0.10
    # Four standard errors of 800 studies are 3.1 points; a false failure has a chance under 1 in 10,000.
    assert 0.95 - 0.031 <= kept / 800 <= 0.95 + 0.031


def _normal(z):
    from scipy.special import ndtr

    return float(ndtr(z))


@pytest.mark.parametrize("ages", ["even", "odd"])
def test_at_most_five_percent_of_lots_pass_the_limit_before_their_stated_date(ages):
    rng = np.random.default_rng(31)
    early = dates = 0
    for _ in range(150):
        plans = [np.array([1.0, 7, 13])] * 8 if ages == "even" else [
            np.sort(rng.uniform(0, 15, rng.integers(2, 5))) for _ in range(8)
        ]  # fmt: skip
        law = weighed_slopes(*lots_of_film(rng, 8, plans))
        start = 9.9 + 0.15 * rng.standard_normal(20)
        pace = 0.06 + 0.015 * rng.standard_normal(20)
        keep = own_date(start + 0.08 * rng.standard_normal(20), 11.0, law, furthest=240.0).keep
        early += int(np.sum(start + pace * keep > 11.0))
        dates += 20
    # 3,000 lots in 150 labs; lots of a lab share its slope, so four standard errors are about 2 points.
    assert early / dates <= 0.05 + 0.02
    assert early / dates >= 0.01


def suspicious_lots(rng, lots):
    """Of four times as many lots, those that read highest at first are tested again after six months."""
    lot, age = np.repeat(np.arange(4 * lots), 2), np.tile([1.0, 7.0], 4 * lots)
    start, pace = 9.5 + 0.15 * rng.standard_normal(4 * lots), 0.06 + 0.015 * rng.standard_normal(4 * lots)
    level = start[lot] + pace[lot] * age + 0.08 * rng.standard_normal(age.size)
    again = np.isin(lot, np.argsort(level[age == 1.0])[-lots:])
    return age, level, lot, again


def test_retests_of_suspicious_lots_date_no_lot_too_late():
    rng = np.random.default_rng(53)
    early, alone, with_all = 0, [], []
    for _ in range(100):
        age, level, lot, again = suspicious_lots(rng, 20)
        tested = again | (age == 1.0)
        law = weighed_slopes(age[tested], level[tested], lot[tested])
        with_all.append(law.mean)
        alone.append(weighed_slopes(age[again], level[again], lot[again]).mean)
        start, pace = 9.9 + 0.15 * rng.standard_normal(20), 0.06 + 0.015 * rng.standard_normal(20)
        keep = own_date(start + 0.08 * rng.standard_normal(20), 11.0, law, furthest=240.0).keep
        early += int(np.sum(start + pace * keep > 11.0))
    # By the lots tested again alone the slope is 0.06 less 0.0080: their first tests read 0.048 too high, six months before.
    assert np.mean(alone) == pytest.approx(0.052, abs=0.0025)
    assert np.mean(with_all) > 0.058
    # Four standard errors of 2,000 lots in 100 labs are about 2 points.
    assert early / 2000 <= 0.05 + 0.02


def test_retested_lots_that_read_as_the_others_or_further_from_the_limit_keep_their_law():
    age, level, lot, again = suspicious_lots(np.random.default_rng(54), 8)
    alone = weighed_slopes(age[again], level[again], lot[again])
    mean = level[again & (age == 1.0)].mean()
    for others in (mean, mean + 0.5):
        law = weighed_slopes([*age[again], 1.0, 1.0], [*level[again], others, others], [*lot[again], 998, 999])
        assert_allclose(law.slope, alone.slope, rtol=1e-12)
        assert_allclose(law.weight, alone.weight, rtol=1e-12)
