"""Uncertainty of a lot's level: pooled parts, the bench part and its bound, acceptance limits, and their calibration."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from spc.conformity import probability
from spc.kernels.columns import Rows
from spc.stream.level_uncertainty import (
    NO_BENCH_PART,
    BenchPart,
    bench_part,
    conformity,
    may_turn,
    rule_limits,
    uncertainty,
)
from spc.stream.session_summary import summarise
from spc.stream.verdicts import judge_rows


def sessions_of(values: list[list[list[float]]], lots: list[str] | None = None, bounds: dict | None = None) -> Rows:
    """Sessions from their readings by bag, one a week, under a limit of 20 nJ."""
    readings = pd.DataFrame(
        [
            {"session": number, "specimen": bag, "value": value, "bound": (bounds or {}).get((number, bag), 0)}
            for number, session in enumerate(values)
            for bag, own in enumerate(session)
            for value in own
        ]
    )
    found = summarise(readings, "log").assign(limit_lower=np.nan, limit_upper=20.0, valid=True)
    found["weeks"] = np.arange(len(found), dtype=float)
    found["lot"] = lots or [f"L{number}" for number in range(len(found))]
    return Rows.of(found)


def drawn(seed: int, lots: int, level: float = 18.2, lot_sd: float = 0.1, bag_sd: float = 0.12) -> list:
    rng = np.random.default_rng(seed)
    centre = np.log(level) + lot_sd * rng.standard_normal(lots)
    bags = centre[:, None] + bag_sd * rng.standard_normal((lots, 6))
    return np.exp(bags[:, :, None] + 0.05 * rng.standard_normal((lots, 6, 6))).tolist()


def found(sessions: Rows, bench: BenchPart = NO_BENCH_PART, certificate: float = 0.03, usable=None) -> Rows:
    n = len(sessions)
    learnt = np.ones(n, bool) if usable is None else usable
    return sessions.adding(uncertainty(sessions, learnt, "log", bench, np.full(n, certificate)))


def test_parts_are_pooled_up_to_the_day_of_the_test_and_no_further() -> None:
    values = drawn(1, 12)
    early, late = found(sessions_of(values[:8])), found(sessions_of(values))
    for name in ("u", "df", "u_high", "u_bags", "u_readings", "bag_df"):
        assert_allclose(late.floats(name)[:8], early.floats(name), rtol=1e-12)
    squares = np.array([np.log(lot).mean(axis=1).var(ddof=1) for lot in np.array(values)])
    assert_allclose(late.floats("mean_variance")[-1], squares.mean(), rtol=1e-12)
    assert late.floats("bag_df")[-1] == 60
    parts = sum(late.floats(f"u_{name}") ** 2 for name in ("bags", "readings", "instrument"))
    assert_allclose(late.floats("u") ** 2, parts, rtol=1e-12)


def test_an_unknown_bench_part_is_bounded_by_the_lots_and_never_left_out_silently() -> None:
    one = found(sessions_of(drawn(2, 30)))
    assert set(one["bench_source"]) == {"not known"}
    assert np.isnan(one.floats("u_bench")).all()
    # No bound from fewer than five lots.
    assert np.isnan(one.floats("u_high")[:4]).all()
    assert (one.floats("u_high")[5:] > one.floats("u")[5:]).all()
    chances = conformity(one, "log", "mean")
    assert np.isnan(chances["p_low"][:4]).all()
    assert not np.isnan(chances["p"]).any()
    # Half the mean squared difference of neighbours, by hand.
    level = one.floats("level")
    expected = np.mean(np.diff(level) ** 2) / 2 + 0.03**2
    assert_allclose(one.floats("u_high")[-1] ** 2, expected, rtol=1e-9)


def test_a_film_that_drifts_does_not_widen_the_bound_of_the_bench_part() -> None:
    steady, moving = np.array(drawn(3, 40)), np.array(drawn(3, 40))
    moving *= np.exp(np.linspace(0, 1.5, 40))[:, None, None]
    bounds = [found(sessions_of(values.tolist())).floats("u_high")[-1] for values in (steady, moving)]
    assert bounds[1] < 1.1 * bounds[0]


def test_a_check_standard_gives_the_bench_part_from_its_day_on() -> None:
    part = BenchPart(np.array([5.0]), np.array([0.04**2]), np.array([9.0]))
    one = found(sessions_of(drawn(4, 10)), part)
    assert one["bench_source"].tolist() == ["not known"] * 5 + ["check standard"] * 5
    assert_allclose(one.floats("u_bench")[5:], 0.04)
    assert_allclose(one.floats("u_high")[5:], one.floats("u")[5:])
    # The few sessions of the standard rule the degrees of freedom of their share.
    assert one.floats("df")[-1] < 60


def test_the_bench_part_of_standards_is_pooled_over_them_without_their_readings() -> None:
    rng = np.random.default_rng(5)
    groups, level = np.repeat([0, 1], 200), rng.normal(0, 0.05, 400) + np.repeat([1.0, 3.0], 200)
    level += rng.normal(0, 0.02, 400)
    order = rng.permutation(400)
    part = bench_part(groups[order], np.arange(400.0), level[order], np.full(400, 0.02**2))
    assert part.df[-1] == 398
    pooled = np.mean([level[groups == one].var(ddof=1) for one in (0, 1)])
    assert_allclose(part.variance[-1], pooled - 0.02**2, rtol=1e-9)
    # Nothing left after the readings: the whole variance, the safe side.
    whole = bench_part(np.zeros(9, int), np.arange(9.0), level[:9], np.full(9, 1.0))
    assert_allclose(whole.variance[-1], level[:9].var(ddof=1), rtol=1e-9)
    assert bench_part(np.zeros(3, int), np.arange(3.0), level[:3], np.zeros(3)) is NO_BENCH_PART


def test_lots_tested_again_give_a_bench_part_where_no_standard_does() -> None:
    rng = np.random.default_rng(6)
    values, lots = [], []
    for number in range(30):
        bags = rng.normal(np.log(15), 0.02, (6, 1))
        for _ in range(2):
            values.append(np.exp(bags + rng.normal(0, 0.08) + rng.normal(0, 0.005, (6, 6))).tolist())
            lots.append(f"L{number}")
    one = found(sessions_of(values, lots))
    assert one["bench_source"][-1] == "repeated lots"
    assert one["bench_source"][2] == "not known"
    assert_allclose(one.floats("u_bench")[-1], 0.08, rtol=0.35)


def test_a_lot_with_wider_bags_is_judged_by_its_own_variance() -> None:
    values = drawn(7, 15)
    values[-1] = np.exp(np.log(np.array(values[-1])) + np.array([0.9, -0.9, 0.9, -0.9, 0.9, -0.9])[:, None]).tolist()
    one = found(sessions_of(values))
    assert one["own_variance"].tolist() == [False] * 14 + [True]
    assert one.floats("bag_df")[-1] == 5
    assert_allclose(one.floats("mean_variance")[-1], one.floats("bag_variance")[-1])


def test_one_bag_borrows_its_variance_and_without_any_there_is_no_chance() -> None:
    one = found(sessions_of([[[18.0, 18.2]], *drawn(8, 8), [[18.0, 18.1]]]))
    assert np.isnan(one.floats("u")[0])
    assert np.isnan(conformity(one, "log", "mean")["p"][0])
    assert_allclose(one.floats("u")[-1] ** 2, one.floats("mean_variance")[-1] + 0.03**2, rtol=1e-9)


def test_a_guarded_rule_passes_only_what_is_sure_and_keeps_the_words() -> None:
    part = BenchPart(np.array([-1.0]), np.array([0.02**2]), np.array([60.0]))
    values = drawn(9, 30, level=12.0, lot_sd=0.02)
    for level in (17.0, 19.0, 20.5, 26.0):
        values += (np.array(drawn(10, 1, level=level, lot_sd=0.0, bag_sd=0.11))).tolist()
    one = found(sessions_of(values), part)
    n = len(one)

    def verdicts(wrong_pass: float, wrong_fail: float) -> list[str]:
        limits = rule_limits(one, "log", "mean", np.zeros(n), np.full(n, wrong_pass), np.full(n, wrong_fail))
        return [str(word) for word in judge_rows(one.adding(limits), "log", "mean", 0.0)["verdict"][-4:]]

    simple = [str(word) for word in judge_rows(one, "log", "mean", 0.0)["verdict"][-4:]]
    assert verdicts(np.nan, np.nan) == simple == ["pass", "pass", "fail", "fail"]
    assert verdicts(0.05, np.nan) == ["pass", "undecided", "fail", "fail"]
    assert verdicts(0.05, 0.05) == ["pass", "undecided", "undecided", "fail"]


def test_a_guard_without_a_known_uncertainty_lets_nothing_pass() -> None:
    one = found(sessions_of(drawn(11, 3, level=5.0)))
    limits = rule_limits(one, "log", "mean", np.zeros(3), np.full(3, 0.05), np.full(3, np.nan))
    assert set(judge_rows(one.adding(limits), "log", "mean", 0.0)["verdict"]) == {"undecided"}


def test_bounded_readings_make_the_chance_an_interval_and_the_worst_reading_has_none() -> None:
    values = drawn(12, 10)
    one = found(sessions_of(values, bounds={(9, 0): 1}))
    chances = conformity(one, "log", "mean")
    assert np.isnan(chances["p"][-1])
    assert chances["p_low"][-1] == 0.0
    assert 0 < chances["p_high"][-1] < 1
    worst = conformity(one, "log", "worst")
    assert np.isnan(worst["p"]).all()
    assert np.isnan(worst["p_high"]).all()
    assert not np.isnan(worst["next_bag"][:9]).any()


def test_an_invalid_session_and_one_without_a_limit_have_no_chance() -> None:
    one = found(sessions_of(drawn(13, 6)))
    valid = np.array([True] * 5 + [False])
    limit = np.where(np.arange(6) == 2, np.nan, 20.0)
    chances = conformity(one.adding({"valid": valid, "limit_upper": limit}), "log", "mean")
    assert np.isnan(chances["p"][[2, 5]]).all()
    assert not np.isnan(chances["p"][[0, 1, 3, 4]]).any()


@pytest.mark.parametrize(("known", "held"), [(True, True), (False, False)])
def test_the_chance_is_calibrated_with_the_bench_part_and_too_sure_without(known: bool, held: bool) -> None:
    """Of the levels with a chance near 90 %, 90 % conform; with a session sd of 8 % left out, clearly fewer.

    No prior is used, so the true levels are drawn flat around the limit. About 8,000 levels fall near 90 %: standard error
    0.35 %.
    """
    rng, session = np.random.default_rng(14), 0.08
    truth = rng.uniform(np.log(12.0), np.log(30.0), 200_000)
    level = truth + rng.standard_normal(truth.size) * np.sqrt(0.12**2 / 6 + session**2)
    chance = probability(level, np.sqrt(0.12**2 / 6 + (session**2 if known else 0.0)), upper=np.log(20.0))
    near = np.abs(chance - 0.9) < 0.03
    conform = np.mean(truth[near] < np.log(20.0))
    assert near.sum() > 3000
    assert (abs(conform - chance[near].mean()) < 0.02) == held
    if not held:
        assert conform < 0.82


@pytest.mark.parametrize("scale", ["log", "linear"])
def test_a_lot_that_may_not_turn_has_one_verdict_by_every_rule(scale: str) -> None:
    rng, n = np.random.default_rng(21), 4_000
    level = rng.uniform(2.0, 3.4, n)
    wide = rng.uniform(0.0, 0.3, n) * (rng.random(n) < 0.2)
    limits = {
        "limit_lower": np.where(rng.random(n) < 0.5, np.nan, 10.0 if scale == "log" else 2.3),
        "limit_upper": np.where(rng.random(n) < 0.2, np.nan, 20.0 if scale == "log" else 3.0),
    }
    columns = limits | {
        "level": level,
        "level_low": level - wide,
        "level_high": level + wide,
        "valid": rng.random(n) < 0.9,
    }
    columns |= {
        "u_high": np.where(rng.random(n) < 0.1, np.nan, rng.uniform(0.005, 0.2, n)),
        "df_high": rng.uniform(1.0, 60.0, n),
    }
    columns |= dict.fromkeys(("smallest", "largest", "smallest_high", "largest_low"), np.full(n, np.nan))
    sessions = Rows(np.arange(n), columns | dict.fromkeys(("smallest_bound", "largest_bound"), np.zeros(n)))
    verdicts = [judge_rows(sessions, scale, "mean", 0.0)["verdict"]]
    for wrong_pass, wrong_fail in ((0.05, np.nan), (0.05, 0.05), (0.2, 0.05)):
        risks = np.full(n, wrong_pass), np.full(n, wrong_fail)
        edges = rule_limits(sessions, scale, "mean", np.zeros(n), *risks)
        verdicts.append(judge_rows(sessions.adding(edges), scale, "mean", 0.0)["verdict"])
    differ = np.any([one != verdicts[0] for one in verdicts[1:]], axis=0)
    turns = may_turn(sessions, scale, 0.05)
    assert differ.any()
    assert not (differ & ~turns).any()
    # It leaves out what is far from the limits: not everything may turn.
    assert 0.2 < turns.mean() < 0.9
