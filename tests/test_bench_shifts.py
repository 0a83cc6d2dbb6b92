"""Film or bench: who is named, when, what is held under it, and that nothing looks ahead."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from numpy.testing import assert_allclose

from spc import bench
from spc.bench import Finding, as_of, common_shifts, explain
from spc.humidity import humidity_sensitivity
from spc.ownscores import own_scores

START = 30.0


def lab(seed: int, weeks: int = 36, check: bool = True) -> pd.DataFrame:
    """Five suppliers with four streams each, weekly lots, two chambers, a meter and a pulse tester, in control."""
    rng = np.random.default_rng(seed)
    rows = []
    for stream in range(20):
        kind, tester = (("energy", "pulse"), ("resistance", "meter"))[stream % 2]
        for week in range(weeks):
            chamber = "AB"[(week + stream // 2) % 2]
            when = week + rng.uniform(0, 0.9)
            rows.append(
                (
                    stream,
                    f"supplier {stream // 4}",
                    kind,
                    chamber,
                    tester,
                    f"{chamber}{week}",
                    when,
                    rng.normal(),
                    0.1,
                    False,
                )
            )
    for stream, (kind, tester) in enumerate([("energy", "pulse"), ("resistance", "meter")], start=20):
        rows += [
            (stream, "lab", kind, "AB"[w % 2], tester, "", w + 0.5, rng.normal(), 0.1, True)
            for w in range(weeks)
            if check
        ]
    return pd.DataFrame(rows, columns=list(bench.POINT_COLUMNS))


def moved(points: pd.DataFrame, size: float, **where: object) -> pd.DataFrame:
    held = points["weeks"] >= START
    for column, value in where.items():
        held &= points[column] == value
    return points.assign(z=points["z"] + size * held)


def new(points: pd.DataFrame) -> pd.DataFrame:
    findings = common_shifts(points)
    return findings[findings["completed_at"] >= START].reset_index(drop=True)


@pytest.mark.parametrize("check", [True, False])
def test_a_tester_that_moves_is_named_with_its_evidence(check: bool):
    found = new(moved(lab(1, check=check), 2.0, instrument="pulse")).iloc[0]
    assert (found["suspect_kind"], found["suspect"], found["direction"]) == ("instrument", "pulse", 1)
    assert found["completed_at"] <= START + 3
    assert START - 1 <= found["since"] <= found["completed_at"]
    assert found["agreeing"] >= 4
    assert abs(found["size"] - 2.0) < 4 * found["size_se"]
    assert found["chance"] < 1e-3
    assert set(found["explained"]) <= set(range(0, 20, 2)) | {20}


def test_a_chamber_that_moves_resistance_only_is_named_so():
    found = new(moved(lab(2), -2.5, chamber="A", characteristic="resistance")).iloc[-1]
    assert (found["suspect_kind"], found["suspect"], found["characteristic"]) == (
        "chamber and characteristic",
        "A",
        "resistance",
    )
    assert found["direction"] == -1


def test_a_check_standard_that_moves_is_decisive_alone():
    points = lab(3)
    alone = points[(points["is_check_standard"]) | (points["supplier"] == "supplier 0")]
    found = new(moved(alone, 2.5, is_check_standard=True, instrument="meter")).iloc[0]
    assert (found["suspect_kind"], found["suspect"]) == ("instrument", "meter")
    assert found["check_standard_score"] > 3


def test_one_supplier_that_drifts_is_no_matter_of_the_bench():
    assert new(moved(lab(4), 3.0, supplier="supplier 2")).empty


def test_a_supplier_that_moves_while_the_bench_moves_is_left_standing():
    points = moved(moved(lab(5), 1.5, instrument="pulse"), 3.0, supplier="supplier 3", instrument="pulse")
    findings = new(points)
    assert findings.iloc[0]["apart"] == ("supplier 3",)
    said = explain(points, findings)
    own = (points["supplier"] == "supplier 3") & (points["weeks"] >= START) & (points["instrument"] == "pulse")
    assert (said.loc[own, "finding"] == -1).all()
    # What is left is the supplier's own 3 sigma: 12 lots, and the error of the common size; 4 standard errors.
    assert abs((points["z"] - said["common"])[own].mean() - 3.0) < 4 * np.hypot(1 / np.sqrt(own.sum()), 0.5)


def test_what_is_repaired_is_a_return_and_ends_the_explanation():
    points = lab(6, weeks=48)
    away = (points["instrument"] == "pulse") & points["weeks"].between(START, START + 6)
    points["z"] += 3.0 * away
    findings = common_shifts(points)
    back = findings[findings["returns_from"] >= 0]
    assert len(back) == 1
    assert back.iloc[0]["direction"] == -1
    said = explain(points, findings)
    late = points["weeks"] > START + 8
    assert (said.loc[late, "finding"] == -1).all()
    assert (said.loc[away & (points["weeks"] > START + 1), "finding"] >= 0).all()


@pytest.mark.parametrize("day", [31.0, 33.0, 35.0])
def test_nothing_looks_ahead(day: float):
    points = moved(lab(7), 1.5, chamber="B")
    whole = common_shifts(points)
    then = common_shifts(points[points["weeks"] < day])
    pd.testing.assert_frame_equal(then, whole[whole["completed_at"] < day], check_dtype=False)


def test_order_of_rows_does_not_matter():
    points = moved(lab(8), 2.0, chamber="B")
    pd.testing.assert_frame_equal(common_shifts(points), common_shifts(points.sample(frac=1.0, random_state=1)))


def test_chance_findings_keep_to_the_budget():
    years = 12 * 36 / 52.1775
    number = sum(len(common_shifts(lab(100 + seed))) for seed in range(12))
    # Budget 1 a year; Poisson with that mean, 4 standard errors (chance of a false failure some 1e-3 with its skew).
    assert number <= years + 4 * np.sqrt(years)


def test_nothing_to_compare_is_an_empty_table():
    assert common_shifts(lab(1).iloc[:0]).columns.tolist() == list(FINDING_COLUMNS)
    assert common_shifts(lab(1).iloc[:1]).empty
    unknown = lab(1).assign(load=None, chamber="", instrument=None)
    assert set(common_shifts(unknown)["suspect_kind"]) <= {"characteristic"}


def test_wrong_input_says_what_is_wrong():
    with pytest.raises(ValueError, match="the columns load are missing"):
        common_shifts(lab(1).drop(columns="load"))
    with pytest.raises(ValueError, match="weeks must be finite"):
        common_shifts(lab(1).assign(weeks=np.inf))
    with pytest.raises(ValueError, match="false_findings_per_year must be above 0"):
        common_shifts(lab(1), false_findings_per_year=0)


def test_humidity_slope_is_the_fixed_effect_regression_of_another_library():
    rng = np.random.default_rng(9)
    table = pd.DataFrame({"stream": np.repeat(np.arange(6), 8), "humidity": rng.normal(12.0, 0.8, 48)})
    table["level"] = 20.0 + table["stream"] - 0.15 * table["humidity"] + 0.1 * rng.standard_normal(48)
    found = humidity_sensitivity(table["level"], table["humidity"], table["stream"])
    fit = smf.ols("level ~ humidity + C(stream)", table).fit()
    low, high = fit.conf_int().loc["humidity"]
    # Two least squares routes of 48 rows, levels near 20 with scatter 0.1.
    assert_allclose(
        [found.slope, found.se, found.lower, found.upper],
        [fit.params["humidity"], fit.bse["humidity"], low, high],
        rtol=1e-9,
    )
    assert found.degrees_of_freedom == fit.df_resid


def test_humidity_that_did_not_vary_says_nothing():
    assert humidity_sensitivity([1, 2, 3, 4, 5], [12] * 5, [1] * 5) is None
    assert humidity_sensitivity([], [], []) is None
    with pytest.raises(ValueError, match="must have one shape"):
        humidity_sensitivity([1, 2], [1, 2], [1])
    with pytest.raises(ValueError, match="confidence must be in"):
        humidity_sensitivity([1, 2], [1, 2], [1, 1], confidence=1.5)
