"""Limits while a stream is learned, and a forecast that does not follow one outlier."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from spc.stream.evaluate import Evaluation, Settings, stream
from spc.stream.session_summary import summarise


def evaluated(levels: np.ndarray | list[float], upper: float = 20.0) -> Evaluation:
    """A stream of lots every two weeks, six bags each that vary by 8 %."""
    rng = np.random.default_rng(1)
    readings = pd.DataFrame(
        [
            {"session": number, "specimen": bag, "value": level * float(np.exp(0.08 * score)), "bound": 0}
            for number, level in enumerate(levels)
            for bag, score in enumerate(rng.standard_normal(6))
        ]
    )
    count = len(levels)
    sessions = summarise(readings, "log").assign(
        lot=[f"L{number:02}" for number in range(count)], weeks=2.0 * np.arange(count), valid=True, limit_lower=np.nan,
        limit_upper=upper,
    )  # fmt: skip
    return stream(sessions, Settings())


@pytest.mark.parametrize("rising", [True, False])
def test_limits_of_thirteen_lots_reach_no_farther_than_the_specification_limit(rising: bool) -> None:
    levels = np.linspace(9.8, 12.8, 13)
    evaluation = evaluated(levels if rising else np.random.default_rng(2).permutation(levels))
    lower, upper = np.exp(evaluation.points.floats("lower")), np.exp(evaluation.points.floats("upper"))

    assert not evaluation.segments[-1].settled
    assert not evaluation.segments[-1].widened
    assert (upper < 20.0).all()
    assert (lower > 5.0).all()


def test_there_are_no_limits_to_show_while_they_would_be_wider_than_what_they_guard() -> None:
    evaluation = evaluated([9.0, 16.0, 11.0, 17.5, 10.0, 15.0, 9.5, 17.0, 12.0])

    assert evaluation.segments[-1].withheld
    assert np.isnan(evaluation.points.floats("upper")).all()
    assert not any(evaluation.points["patterns"].tolist())


def test_a_complete_baseline_of_lots_that_rise_all_along_sets_no_limits() -> None:
    # No specification limit is there to compare with: the widening alone shows that nothing is known.
    segment = evaluated(np.linspace(9.8, 12.8, 25), upper=np.nan).segments[-1]

    assert segment.baseline.frozen
    assert segment.withheld
    assert not segment.settled


@pytest.mark.parametrize("place", [35, 36])
def test_the_level_and_the_coming_lots_do_not_follow_one_outlier(place: int) -> None:
    quiet = 12.0 * np.exp(0.06 * np.random.default_rng(3).standard_normal(37))
    wild = quiet.copy()
    wild[place] = 21.9
    before, after = evaluated(quiet).forecast, evaluated(wild).forecast

    assert after.level_now == pytest.approx(before.level_now, abs=0.03)
    assert np.exp(float(after.fan["p90"].iloc[-1])) < 15.0


def test_far_lots_in_a_row_are_a_move_that_the_level_follows() -> None:
    moved = 12.0 * np.exp(0.06 * np.random.default_rng(3).standard_normal(37))
    moved[35:] = [21.0, 22.0]
    evaluation = evaluated(moved, upper=40.0)

    assert [signal.at for signal in evaluation.signals if signal.kind == "point"] == [35.0]
    assert evaluation.in_forecast.all()
    assert np.exp(evaluation.forecast.level_now) > 18.0
