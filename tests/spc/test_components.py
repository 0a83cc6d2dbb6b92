"""Variance components against worked examples, certified data, dense matrices and statsmodels."""

import json
import warnings

import numpy as np
import pandas as pd
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from statsmodels.regression.mixed_linear_model import MixedLM

from spc.components import (
    LEVELS,
    batch,
    effective_readings,
    from_lots,
    level_variance,
    mean_squares,
    nested,
    variance_interval,
)
from spc.stream.session_summary import summarise

# D. C. Montgomery, Design and Analysis of Experiments, nested-design example (purity of raw material, coded): 3
# suppliers, 4 batches, 3 readings. Printed figures from memory; all recompute within the last digit.
PURITY = [
    [[1, -1, 0], [-2, -3, -4], [-2, 0, 1], [1, 4, 0]],
    [[1, -2, -3], [0, 4, 2], [-1, 0, -2], [0, 3, 2]],
    [[2, 4, 0], [-2, 0, 2], [1, -1, 2], [3, 2, 1]],
]

# G. W. Snedecor, W. G. Cochran, Statistical Methods, nested sampling of turnip greens (calcium, percent): 4 plants, 3
# leaves, 2 determinations. Printed figures from memory, recomputed.
TURNIP = [
    [[3.28, 3.09], [3.52, 3.48], [2.88, 2.8]],
    [[2.46, 2.44], [1.87, 1.92], [2.19, 2.19]],
    [[2.77, 2.66], [3.74, 3.44], [2.55, 2.55]],
    [[3.78, 3.87], [4.07, 4.12], [3.31, 3.31]],
]

# NIST/SEMATECH e-Handbook of Statistical Methods, section 3.2.3.3: 5 machines, 2 operators, 5 pins. From memory,
# recomputed; the operator component is negative.
LATHE = [
    [[0.125, 0.127, 0.125, 0.126, 0.128], [0.124, 0.128, 0.127, 0.126, 0.129]],
    [[0.118, 0.122, 0.12, 0.124, 0.119], [0.116, 0.125, 0.119, 0.125, 0.12]],
    [[0.123, 0.125, 0.125, 0.124, 0.126], [0.122, 0.121, 0.124, 0.126, 0.125]],
    [[0.126, 0.128, 0.126, 0.127, 0.129], [0.126, 0.129, 0.125, 0.13, 0.124]],
    [[0.118, 0.129, 0.127, 0.12, 0.121], [0.125, 0.123, 0.114, 0.124, 0.117]],
]

# O. L. Davies (1954); G. E. P. Box, G. C. Tiao, Bayesian Inference in Statistical Analysis (1973), tables 5.1.2
# (dyestuff, grams, 6 batches of 5) and 5.1.4 (generated, negative estimate between batches).
DYESTUFF = [
    [1545, 1440, 1440, 1520, 1580],
    [1540, 1555, 1490, 1560, 1495],
    [1595, 1550, 1605, 1510, 1560],
    [1445, 1440, 1595, 1465, 1545],
    [1595, 1630, 1515, 1635, 1625],
    [1520, 1455, 1450, 1480, 1445],
]
GENERATED = [
    [7.298, 3.846, 2.434, 9.566, 7.99],
    [5.22, 6.556, 0.608, 11.788, -0.892],
    [0.11, 10.386, 13.434, 5.51, 8.166],
    [2.212, 4.852, 7.092, 9.288, 4.98],
    [0.282, 9.014, 4.458, 9.446, 7.198],
    [1.722, 4.782, 8.106, 0.758, 3.758],
]


def three_levels(data):
    """Values, lot and bag of a balanced table lot x bag x reading."""
    table = np.asarray(data, dtype=float)
    lot, bag, _ = np.indices(table.shape)
    return table.ravel(), lot.ravel(), bag.ravel()


def two_levels(data):
    """Values, lot and bag where each value is a bag of its own."""
    table = np.asarray(data, dtype=float)
    return table.ravel(), np.repeat(np.arange(len(table)), table.shape[1]), np.arange(table.size)


def unbalanced(seed, lots=15, lot=0.6, bag=0.5, reading=0.4, bags=(2, 7), readings=(1, 5)):
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(lots):
        level = rng.normal(10.0, lot) if lot else 10.0
        for j in range(rng.integers(*bags)):
            of_bag = level + bag * rng.normal()
            rows += [(of_bag + reading * rng.normal(), i, j) for _ in range(rng.integers(*readings))]
    values, lots_of, bags_of = zip(*rows, strict=True)
    return np.array(values), np.array(lots_of), np.array(bags_of)


# Published worked examples


def test_the_purity_table_is_reproduced():
    table = mean_squares(*three_levels(PURITY))

    assert table["df"].tolist() == [2, 9, 24]
    # Printed to two decimals; the source rounds by hand, so one unit of the last digit.
    assert_allclose(table["sum_squares"], [15.06, 69.92, 63.33], rtol=0, atol=0.006)
    assert_allclose(table["mean_square"], [7.53, 7.77, 2.64], rtol=0, atol=0.006)
    assert_allclose(table["F"][:2], [0.97, 2.94], rtol=0, atol=0.006)
    assert_allclose(table["p"][:2], [0.42, 0.02], rtol=0, atol=0.006)


def test_the_purity_components_are_reproduced_and_the_negative_one_is_named():
    parts = nested(*three_levels(PURITY), method="anova")

    assert_allclose([parts.bag, parts.reading], [1.71, 2.64], rtol=0, atol=0.006)
    assert parts.lot == 0
    assert parts.negative == ("lot",)


@pytest.mark.parametrize("method", ["reml", "anova"])
def test_the_turnip_components_are_reproduced(method):
    parts = nested(*three_levels(TURNIP), method=method)

    # Printed to four decimals: 0.3652, 0.1610 (from rounded mean squares), 0.0067; the recomputed ones to six.
    assert_allclose([parts.lot, parts.bag, parts.reading], [0.3652, 0.161, 0.0067], rtol=0, atol=0.00011)
    assert_allclose([parts.lot, parts.bag, parts.reading], [0.365223, 0.16106, 0.006654], rtol=0, atol=5.1e-7)
    assert parts.negative == ()


def test_the_turnip_table_is_reproduced():
    table = mean_squares(*three_levels(TURNIP))

    assert table["df"].tolist() == [3, 8, 12]
    assert_allclose(table["sum_squares"], [7.5603, 2.6302, 0.0799], rtol=0, atol=0.00011)
    assert_allclose(table["mean_square"], [2.5201, 0.3288, 0.0067], rtol=0, atol=0.00011)


def test_the_lathe_table_is_reproduced_and_the_negative_operator_is_named():
    table = mean_squares(*three_levels(LATHE))

    assert table["df"].tolist() == [4, 5, 40]
    # Three digits are printed; the recomputed figures have five.
    assert_allclose(table["sum_squares"], [0.000303, 1.86e-5, 0.000346], rtol=0.006)
    assert_allclose(table["sum_squares"], [0.00030332, 1.86e-5, 0.000346], rtol=5e-6)
    assert_allclose(table["F"][:2], [20.38, 0.428], rtol=0.006)
    assert_allclose(table["F"][:2], [20.38441, 0.430058], rtol=5e-6)
    for method in ("reml", "anova"):
        assert nested(*three_levels(LATHE), method=method).negative == ("bag",)
    # (MS operator - MS pin) / 5, the size that the handbook's data give and that is not shown as a variance.
    square = table["mean_square"]
    assert_allclose((square["bag"] - square["reading"]) / 5, -9.86e-7, rtol=0, atol=5e-10)


def test_the_dyestuff_figures_are_reproduced():
    table = mean_squares(*two_levels(DYESTUFF))
    parts = nested(*two_levels(DYESTUFF), method="anova")

    assert_allclose(table["sum_squares"], [56357.5, 58830], rtol=1e-12)  # printed 56358 and 58830
    assert_allclose(table["mean_square"], [11271.5, 2451.25], rtol=1e-12)
    assert_allclose(table["F"].iloc[0], 4.598, rtol=0, atol=5e-4)
    assert_allclose(table["p"].iloc[0], 0.0044, rtol=0, atol=5e-5)
    assert_allclose([parts.lot, parts.bag], [1764.05, 2451.25], rtol=1e-12)
    assert_allclose(variance_interval(parts.bag, parts.bag_df), [1494.51, 4743.91], rtol=0, atol=0.005)
    # Maximum likelihood follows from the same mean squares: ((1 - 1/6) MS between - MS within) / 5.
    assert_allclose((5 / 6 * table["mean_square"].iloc[0] - table["mean_square"].iloc[1]) / 5, 1388.33, atol=0.005)
    # D. Bates, lme4: Mixed-effects Modeling with R, chapter 1, REML fit: 42.001 and 49.510, mean 1527.50 with standard
    # error 19.38 (from memory, recomputed).
    reml = nested(*two_levels(DYESTUFF))
    assert_allclose(np.sqrt([reml.lot, reml.bag]), [42.001, 49.510], rtol=0, atol=5e-4)
    assert_allclose([reml.mean, reml.mean_se], [1527.50, 19.38], rtol=0, atol=0.005)


def test_the_generated_batches_of_box_and_tiao_have_a_negative_component():
    values = two_levels(GENERATED)
    table = mean_squares(*values)

    # Printed to four decimals, F and the sum within to fewer.
    assert_allclose(table["sum_squares"], [41.6816, 358.7], rtol=1e-4)
    assert_allclose(table["mean_square"], [8.3363, 14.9459], rtol=0, atol=5e-5)
    assert_allclose(table["F"].iloc[0], 0.5578, rtol=0, atol=5e-5)
    assert_allclose(-np.diff(table["mean_square"])[0] / 5, -1.3219, rtol=0, atol=5e-5)
    assert nested(*values, method="anova").negative == ("lot",)
    # Bates, chapter 1: REML has batch 0 and residual 3.7157 (from memory); it pools both sums over 29 degrees.
    reml = nested(*values)
    assert (reml.lot, reml.negative) == (0.0, ("lot",))
    assert_allclose(np.sqrt(reml.bag), 3.7157, rtol=0, atol=5e-5)
    assert_allclose(reml.bag, table["sum_squares"].sum() / 29, rtol=1e-12)


# Independent routes


def dense(values, lot, bag):
    """Lots and bags as indicator matrices: the textbook form, n x n."""
    same_lot = np.equal.outer(lot, lot).astype(float)
    return same_lot, same_lot * np.equal.outer(bag, bag), np.eye(values.size)


def restricted(theta, values, parts):
    """Minus twice the restricted log likelihood of Patterson and Thompson (1971), by inverting n x n."""
    covariance = sum(t * part for t, part in zip(theta, parts, strict=True))
    inverse = np.linalg.inv(covariance)
    weight = inverse.sum()
    off = values - inverse.sum(axis=0) @ values / weight
    return np.linalg.slogdet(covariance)[1] + np.log(weight) + off @ inverse @ off


@pytest.mark.parametrize("seed", range(40))
def test_reml_is_at_the_top_of_the_dense_likelihood(seed):
    rng = np.random.default_rng(seed)
    lot, bag, reading = rng.choice([0.0, 0.3, 1.0]), rng.choice([0.0, 0.3, 1.0]), rng.choice([0.1, 1.0])
    values, lots, bags = unbalanced(seed, int(rng.integers(3, 7)), lot, bag, reading, (1, 5), (1, 5))
    parts = nested(values, lots, bags)
    theta = np.array([parts.lot, parts.bag, parts.reading])
    matrices = dense(values, lots, bags)
    top = restricted(theta, values, matrices)

    assert parts.unresolved == ()
    for at in range(3):
        for change in (1e-3, -1e-3):
            moved = theta.copy()
            moved[at] = max(moved[at] + change * theta.sum(), 0.0)
            # Rounding of the deviance: some hundred operations on numbers under a hundred.
            assert restricted(moved, values, matrices) >= top - 1e-10


def test_reml_errors_are_from_the_expected_information_of_the_dense_matrices():
    values, lots, bags = unbalanced(3)
    parts = nested(values, lots, bags)
    matrices = dense(values, lots, bags)
    inverse = np.linalg.inv(parts.lot * matrices[0] + parts.bag * matrices[1] + parts.reading * matrices[2])
    hat = inverse - np.outer(inverse.sum(axis=0), inverse.sum(axis=0)) / inverse.sum()
    # Searle, Casella and McCulloch (1992), section 6.6: half the trace of P V_a P V_b.
    information = [[0.5 * np.trace(hat @ a @ hat @ b) for b in matrices] for a in matrices]
    errors = np.sqrt(np.diag(np.linalg.inv(information)))

    assert_allclose([parts.lot_se, parts.bag_se, parts.reading_se], errors, rtol=1e-9)
    assert_allclose(parts.mean_se, inverse.sum() ** -0.5, rtol=1e-9)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_reml_agrees_with_statsmodels_on_unbalanced_data(seed):
    values, lots, bags = unbalanced(seed)
    frame = pd.DataFrame({"y": values, "lot": lots, "bag": [f"{i}.{j}" for i, j in zip(lots, bags, strict=True)]})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it remarks on its own optimiser
        model = MixedLM.from_formula("y ~ 1", frame, groups="lot", re_formula="1", vc_formula={"bag": "0 + C(bag)"})
        fit = model.fit(reml=True, method=["lbfgs", "powell"], gtol=1e-12)
    parts = nested(values, lots, bags)

    # Its optimiser leaves some six digits.
    wanted = [float(fit.cov_re.iloc[0, 0]), float(fit.vcomp[0]), fit.scale, float(fit.fe_params.iloc[0])]
    assert_allclose([parts.lot, parts.bag, parts.reading, parts.mean], wanted, rtol=2e-4)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_anova_equates_sums_of_squares_to_their_dense_expectation(seed):
    values, lots, bags = unbalanced(seed)
    same_lot, same_bag, unit = dense(values, lots, bags)
    of_lot, of_bag = same_lot / same_lot.sum(0), same_bag / same_bag.sum(0)
    forms = (of_lot - 1 / values.size, of_bag - of_lot, unit - of_bag)
    # E y' A y = sum of component x trace(A V_component), as A 1 = 0 (Searle, Casella and McCulloch 1992, section 5.1).
    expectation = [[np.trace(form @ part) for part in (same_lot, same_bag, unit)] for form in forms]
    wanted = np.linalg.solve(expectation, [values @ form @ values for form in forms])
    parts = nested(values, lots, bags, "anova")

    # The dense forms lose digits to the mean of 10: n^2 operations on 100, over components of 0.2.
    assert_allclose([parts.lot, parts.bag, parts.reading], wanted, rtol=1e-9)


# From lots, and many streams at once


def as_readings(values, lots, bags):
    return pd.DataFrame({"session": lots, "specimen": bags, "value": values, "bound": 0})


def numbers(parts):
    return [getattr(parts, name) for name in (*LEVELS, "lot_se", "bag_se", "reading_se", "mean", "mean_se", "total_df")]


@pytest.mark.parametrize("method", ["reml", "anova"])
def test_sums_of_lots_give_the_components_of_the_readings(method):
    # Lots of different numbers of bags, and of readings that are equal within a lot.
    rng = np.random.default_rng(4)
    rows = [
        (20.0 + level + of_bag + 0.2 * rng.normal(), i, j)
        for i, (bags, readings) in enumerate([(3, 6), (6, 6), (12, 2), (6, 1), (4, 6), (6, 3)])
        for level in [rng.normal()]
        for j in range(bags)
        for of_bag in [0.4 * rng.normal()]
        for _ in range(readings)
    ]
    values, lots, bags = (np.array(column) for column in zip(*rows, strict=True))
    direct = nested(values, lots, bags, method)

    summed = from_lots(summarise(as_readings(values, lots, bags), "linear"), method)
    # Two ways of summing; the climb to the top ends within 1e-11.
    assert_allclose(numbers(summed), numbers(direct), rtol=1e-8)
    assert (summed.lot_df, summed.bag_df, summed.reading_df) == (direct.lot_df, direct.bag_df, direct.reading_df)


def test_anova_from_lots_is_exact_for_any_sizes():
    values, lots, bags = unbalanced(5)
    direct = nested(values, lots, bags, "anova")
    summed = from_lots(summarise(as_readings(values, lots, bags), "linear"), "anova")

    assert_allclose(numbers(summed)[:6], numbers(direct)[:6], rtol=1e-10)


def test_reml_from_lots_is_near_for_bags_of_unequal_readings():
    # The harmonic mean of 1 to 4 readings a bag. What is given up must be small beside what the data leave open: a
    # quarter of a standard error, root mean square over 40 streams, adds 3 percent to the scatter of an estimate.
    apart = []
    for seed in range(40):
        values, lots, bags = unbalanced(seed)
        direct = nested(values, lots, bags)
        summed = from_lots(summarise(as_readings(values, lots, bags), "linear"))
        errors = np.array([direct.lot_se, direct.bag_se, direct.reading_se, direct.mean_se])
        apart.append((np.array(numbers(summed))[[0, 1, 2, 6]] - np.array(numbers(direct))[[0, 1, 2, 6]]) / errors)
    assert (np.sqrt(np.mean(np.square(apart), axis=0)) < 0.25).all()


@pytest.mark.parametrize("method", ["reml", "anova"])
def test_a_batch_is_its_streams_one_by_one(method):
    parts = [unbalanced(seed, lots=int(3 + seed), lot=0.0 if seed % 2 else 0.5) for seed in range(8)]
    parts.append((np.array([3.0, 3.0, 4.0]), np.array([0, 0, 1]), np.array([0, 0, 0])))  # readings that agree
    parts.append((np.array([3.0]), np.array([0]), np.array([0])))
    summaries = [summarise(as_readings(*part), "linear") for part in parts]
    labels = np.repeat([f"stream {i}" for i in range(len(parts))], [len(part) for part in summaries])
    together = batch(pd.concat(summaries), labels, method)

    for label, summary in zip([f"stream {i}" for i in range(len(parts))], summaries, strict=True):
        alone = from_lots(summary, method)
        row = together.loc[label]
        assert_allclose(
            [row[name] for name in (*LEVELS, "mean", "mean_se", "lot_se")],
            [*numbers(alone)[:3], alone.mean, alone.mean_se, alone.lot_se],
            rtol=1e-8,
        )
        assert tuple(name for name in LEVELS if row[f"{name}_unresolved"]) == alone.unresolved


def test_lots_of_unknown_scatter_are_left_out_and_counted():
    values, lots, bags = unbalanced(6)
    summary = summarise(as_readings(values, lots, bags), "linear")
    spoiled = summary.copy()
    spoiled.loc[[2, 5], ["weighted_mean", "sum_squares_bags", "sum_squares_readings", "bag_variance", "level"]] = np.nan
    parts = from_lots(spoiled)

    assert parts.left_out == 2
    assert_allclose(numbers(parts), numbers(from_lots(summary.drop([2, 5]))), rtol=1e-12)
    nothing = from_lots(spoiled.loc[[2, 5]])
    assert (nothing.unresolved, nothing.left_out, nothing.mean_se) == (LEVELS, 2, np.inf)


# Properties


def closely(first, second, factor=1.0):
    for name, power in (("lot", 2), ("bag", 2), ("reading", 2), ("lot_se", 2), ("bag_se", 2), ("mean_se", 1)):
        wanted = getattr(second, name) * factor**power
        # A component beside a larger one keeps the digits of the larger.
        assert_allclose(
            getattr(first, name), wanted, rtol=1e-7, atol=1e-9 * np.nan_to_num(second.total) * factor**power
        )


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.01, 100.0), st.floats(-50.0, 50.0), st.sampled_from(["reml", "anova"]))
def test_scale_shift_and_order_do_what_they_must(seed, factor, shift, method):
    values, lots, bags = unbalanced(seed, lots=6)
    parts = nested(values, lots, bags, method)
    order = np.random.default_rng(seed).permutation(values.size)

    moved = nested(values * factor + shift, lots, bags, method)
    closely(moved, parts, factor)
    assert_allclose(moved.mean, parts.mean * factor + shift, rtol=1e-9, atol=1e-9 * factor)
    closely(nested(values[order], 7 - lots[order], [f"bag {b}" for b in bags[order]], method), parts)


@pytest.mark.parametrize("method", ["reml", "anova"])
def test_a_level_without_repetition_is_named_and_counts_in_the_next_outward(method):
    values, lots, bags = three_levels(TURNIP)
    one_reading = nested(values[::2], lots[::2], bags[::2], method)
    one_bag = nested(values, np.arange(values.size) // 2, np.zeros(values.size), method)
    single = nested(values[::6], lots[::6], bags[::6], method)
    one_lot = nested(values[:6], lots[:6], bags[:6], method)

    assert one_reading.unresolved == ("reading",)
    assert_allclose(one_reading.bag, mean_squares(values[::2], lots[::2], bags[::2])["mean_square"].iloc[-1], rtol=1e-9)
    assert one_bag.unresolved == ("bag",)
    assert single.unresolved == ("bag", "reading")
    assert_allclose(
        [single.lot, single.mean_se], [np.var(values[::6], ddof=1), np.std(values[::6], ddof=1) / 2], rtol=1e-9
    )
    assert one_lot.unresolved == ("lot",)
    assert np.isnan([one_reading.reading, one_bag.bag, single.reading, one_lot.lot]).all()


@pytest.mark.parametrize("method", ["reml", "anova"])
def test_constant_readings_have_components_of_zero(method):
    values, lots, bags = three_levels(np.full((3, 2, 2), 20.0))
    parts = nested(np.log(values), lots, bags, method)

    assert (parts.lot, parts.bag, parts.reading, parts.mean_se) == (0.0, 0.0, 0.0, 0.0)
    assert parts.mean == np.log(20.0)
    assert parts.negative == ()


@pytest.mark.parametrize("method", ["reml", "anova"])
def test_readings_that_agree_within_each_bag_leave_bag_and_lot(method):
    table = np.repeat([[[1.0], [1.2]], [[2.0], [2.4]], [[0.6], [1.0]]], 3, axis=2)
    parts = nested(*three_levels(table), method=method)

    assert parts.reading == 0
    assert_allclose(parts.bag, np.mean([0.02, 0.08, 0.08]), rtol=1e-12)
    assert_allclose(parts.lot + parts.bag / 2, np.var([1.1, 2.2, 0.8], ddof=1), rtol=1e-12)


def test_a_single_reading_resolves_nothing():
    parts = nested([3.0], [1], [1])

    assert parts.unresolved == LEVELS
    assert (parts.mean, parts.mean_se) == (3.0, np.inf)
    assert level_variance(parts, 6, 6) == np.inf


# What the components are for


def test_the_variance_of_a_level_follows_from_the_components():
    parts = nested(*three_levels(TURNIP))

    # A level of the example itself: its mean square over 6 readings (balanced nesting: E MS lot = 6 var(level)).
    assert_allclose(level_variance(parts, 3, 2), 2.5201152777777777 / 6, rtol=1e-9)
    assert_allclose(level_variance(parts, 3, 2, with_lot=False), 0.328775 / 6, rtol=1e-9)
    assert level_variance(parts, [3, 12], 6).shape == (2,)
    assert np.diff(level_variance(parts, [3, 12], 6))[0] < 0


def test_thirty_six_discharges_are_worth_what_their_bags_share():
    # n / (1 + 5 rho) for six discharges a bag: 10.3 at a bag share of one half, 7.2 at 0.8 (Kish 1965, design effect).
    class Half:
        bag, reading = 1.0, 1.0

    class Most:
        bag, reading = 0.8, 0.2

    assert_allclose(effective_readings(Half, 6, 6), 10.3, rtol=0, atol=0.05)
    assert_allclose(effective_readings(Most, 6, 6), 7.2, rtol=1e-12)


def test_effective_readings_divide_the_scatter_within_a_lot_into_that_of_its_level():
    parts = nested(*unbalanced(2))
    within = parts.bag + parts.reading

    assert_allclose(within / effective_readings(parts, 6, 6), level_variance(parts, 6, 6, with_lot=False), rtol=1e-12)


def test_the_interval_of_a_variance_is_that_of_scipy():
    low, high = variance_interval(2.0, 7.5, 0.9)

    assert_allclose([low, high], 15.0 / scipy.stats.chi2.ppf([0.95, 0.05], 7.5), rtol=1e-12)


# Refusals


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: nested([1.0, np.nan], [1, 1], [1, 2]), "values must be finite"),
        (lambda: nested([], [], []), "at least 1 points"),
        (lambda: nested([1.0, 2.0], [1], [1, 2]), "lot must label each of the 2 values"),
        (lambda: nested([1.0, 2.0], [1, 1], [[1, 2]]), "bag must label each of the 2 values"),
        (lambda: nested([1.0, 2.0], [1, 1], [1, 2], "ml"), 'method must be "reml" or "anova"'),
        (lambda: from_lots(pd.DataFrame({"weighted_mean": [1.0]})), "summary lacks the columns"),
        (lambda: batch(summarise(as_readings([1.0], [1], [1]), "log"), [1, 2]), "stream must name"),
        (lambda: level_variance(nested([1.0, 2.0], [1, 1], [1, 2]), 0, 6), "bags must be at least 1"),
        (lambda: effective_readings(nested([1.0, 2.0], [1, 1], [1, 2]), 6, 0), "readings_per_bag must be at least 1"),
        (lambda: variance_interval(-1.0, 3.0), "variance must be a finite number"),
        (lambda: variance_interval(1.0, 0.0), "df must be above 0"),
        (lambda: variance_interval(1.0, 3.0, 95), "confidence must be between 0 and 1"),
    ],
)
def test_impossible_input_is_refused_by_name(call, words):
    with pytest.raises(ValueError, match=words):
        call()


def test_a_result_is_plain_numbers():
    parts = nested(*three_levels(TURNIP))

    assert json.loads(json.dumps([parts.lot, parts.lot_df, parts.negative])) == [parts.lot, 3, []]
