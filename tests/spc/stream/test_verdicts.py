"""Verdicts at the edges: strict above, inclusive below, guard bands, bounded values."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_array_equal

from spc.stream.session_summary import summarise
from spc.stream.verdicts import judge, to_unit
from spc.vocabulary.finite import LARGEST, exp_all


def session(
    values: list[float],
    bounds: list[int] | None = None,
    *,
    lower: float = np.nan,
    upper: float = np.nan,
    valid: bool = True,
) -> pd.DataFrame:
    readings = pd.DataFrame(
        {"session": 1, "specimen": range(len(values)), "value": values, "bound": bounds or [0] * len(values)}
    )
    return summarise(readings, "log").assign(valid=valid, limit_lower=lower, limit_upper=upper)


def verdict(frame: pd.DataFrame, judged: str = "mean", guard: float = 0.0) -> str:
    return str(judge(frame, "log", judged, guard)["verdict"].iloc[0])


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ([19.999] * 6, "pass"),
        ([20.0] * 6, "fail"),
        ([20.001] * 6, "fail"),
        ([10.0, 40.0], "fail"),
        ([10.0, 39.99], "pass"),
    ],
)
def test_an_upper_limit_is_strict_and_holds_for_the_geometric_mean(values: list[float], said: str) -> None:
    # 20.0 is not under 20 (common practice: the wording is "less than"); sqrt(10 * 40) is 20 exactly.
    assert verdict(session(values, upper=20.0)) == said


@pytest.mark.parametrize(("value", "said"), [(1e4, "pass"), (9.999e3, "fail"), (1.001e4, "pass")])
def test_a_lower_limit_is_inclusive(value: float, said: str) -> None:
    assert verdict(session([value] * 3, lower=1e4)) == said


def test_the_worst_reading_can_be_what_is_judged() -> None:
    frame = session([10.0, 21.0], upper=20.0)

    assert verdict(frame, "mean") == "pass"
    assert verdict(frame, "worst") == "fail"


@pytest.mark.parametrize(("value", "said"), [(17.9, "pass"), (18.1, "undecided"), (21.9, "undecided"), (22.1, "fail")])
def test_inside_the_guard_band_a_lot_is_undecided(value: float, said: str) -> None:
    assert verdict(session([value] * 2, upper=20.0), guard=10.0) == said


@pytest.mark.parametrize(
    ("values", "bounds", "said"),
    [
        # Computed in the trade facts: "> 1e12" is certainly not under 1e11; "> 1e10" leaves it open.
        ([1e12], [1], "fail"),
        ([1e10], [1], "undecided"),
        ([1e9], [-1], "pass"),
        ([1e12, 1e3], [1, 0], "undecided"),
    ],
)
def test_a_bounded_value_is_judged_only_where_it_settles(values: list[float], bounds: list[int], said: str) -> None:
    assert verdict(session(values, bounds, upper=1e11)) == said


def test_without_conditioning_there_is_no_judgement_and_no_breach() -> None:
    judged = judge(session([30.0], upper=20.0, valid=False), "log", "mean", 0.0).iloc[0]

    assert (judged["verdict"], bool(judged["breach"])) == ("invalid", False)


def test_without_a_limit_there_is_nothing_to_judge() -> None:
    assert verdict(session([30.0])) == "unlimited"


def test_a_breach_is_a_fact_that_the_guard_band_does_not_hide() -> None:
    judged = judge(session([20.5] * 2, upper=20.0), "log", "mean", 10.0).iloc[0]

    assert (judged["verdict"], bool(judged["breach"])) == ("undecided", True)


def test_what_is_shown_is_in_the_unit_and_free_of_the_logarithms_rounding() -> None:
    judged = judge(session([20.0] * 6, upper=20.0), "log", "mean", 0.0).iloc[0]

    assert (judged["level_unit"], judged["judged"], judged["worst"]) == (20.0, 20.0, 20.0)


def test_levels_are_rounded_as_their_decimal_texts_are() -> None:
    rng = np.random.default_rng(3)
    halves = rng.integers(10**14, 10**15, 20_000) + 0.5
    short = np.array(
        [float(f"{value:.{digits}g}") for digits in (1, 3, 15) for value in np.exp(rng.uniform(-9, 9, 5000))]
    )
    values = np.concatenate(
        [
            np.exp(rng.uniform(-700, 700, 20_000)),
            np.exp(rng.uniform(-5, 12, 100_000)),
            *(halves / power for power in (1, 8, 1024)),
            *(np.nextafter(short, end) for end in (0.0, np.inf)),
            [0.0, np.inf, np.nan, 5e-324, 1e14, 1e15, 9.999999999999999, 0.1 + 0.2],
        ]
    )
    with np.errstate(divide="ignore"):
        level = np.log(values)
    by_text = np.array([float(f"{value:.14e}") for value in exp_all(level).tolist()])
    assert_array_equal(to_unit(level, "log"), np.where(np.isfinite(by_text), np.minimum(by_text, LARGEST), by_text))
    # The shape stays, and so does a bound that is not the level.
    assert to_unit(level[:6].reshape(2, 3), "log").shape == (2, 3)
