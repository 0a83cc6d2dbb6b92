"""One stream's sessions in, one evaluation out: which sessions are points, which lots set limits, what stands out."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from spc import runlength
from spc.stream.evaluate import (
    CHART_PATTERNS,
    Evaluation,
    EvaluationCache,
    EvaluationRequest,
    Settings,
    stream,
    streams,
)
from spc.stream.session_summary import summarise


def sessions(
    levels: list[float],
    *,
    spread: float = 0.05,
    bags: int = 6,
    lots: list[str] | None = None,
    valid: list[bool] | None = None,
    upper: float = np.nan,
) -> pd.DataFrame:
    """A session a week with bags at fixed places around each level (in nJ), so that nothing is left to chance."""
    place = np.linspace(-1, 1, bags) * spread
    rows = [
        {"session": number, "specimen": bag, "value": level * np.exp(place[bag]), "bound": 0}
        for number, level in enumerate(levels)
        for bag in range(bags)
    ]
    return summarise(pd.DataFrame(rows), "log").assign(
        lot=lots or [f"L{number:03}" for number in range(len(levels))],
        weeks=np.arange(len(levels), dtype=float),
        valid=valid or [True] * len(levels),
        limit_lower=np.nan,
        limit_upper=upper,
    )


def steady(lots: int, seed: int = 1) -> list[float]:
    """Lot levels of a stream in control, near 10 nJ."""
    return list(10 * np.exp(np.random.default_rng(seed).normal(0, 0.05, lots)))


def kinds(evaluation: Evaluation) -> set[str]:
    return {episode.kind for episode in evaluation.episodes}


def test_a_lot_tested_again_keeps_its_first_result_on_the_chart() -> None:
    found = stream(sessions([10.0, 11.0, 15.0], lots=["A", "B", "A"]), Settings())

    assert found.points["lot"].tolist() == ["A", "B"]
    assert found.points.index.tolist() == [0, 1]
    assert len(found.verdicts) == 3


def test_the_first_valid_session_of_a_lot_is_its_point() -> None:
    found = stream(sessions([10.0, 11.0, 15.0], lots=["A", "B", "A"], valid=[False, True, True]), Settings())

    assert found.points["lot"].tolist() == ["B", "A"]
    assert found.points.index.tolist() == [1, 2]


def test_a_lot_that_was_never_valid_is_shown_and_sets_no_limit() -> None:
    found = stream(sessions([10.0, 30.0, 11.0], valid=[True, False, True]), Settings())

    assert found.points["valid"].tolist() == [True, False, True]
    assert found.segments[0].points["lot"].tolist() == ["L000", "L002"]
    assert found.episodes == []


def test_every_session_of_a_check_standard_is_a_point() -> None:
    found = stream(sessions([10.0, 10.1, 10.2], lots=["C", "C", "C"]), Settings(every_session_is_a_point=True))

    assert len(found.points) == 3


def test_points_stand_in_order_of_test_time_and_ties_by_lot() -> None:
    frame = sessions([10.0, 11.0, 12.0], lots=["B", "A", "C"]).assign(weeks=[1.0, 1.0, 0.0])

    assert stream(frame, Settings()).points["lot"].tolist() == ["C", "A", "B"]


def test_the_first_lots_set_the_limits_and_later_ones_do_not_move_them() -> None:
    levels = steady(25)
    alone, with_drift = stream(sessions(levels), Settings()), stream(sessions([*levels, *[14.0] * 10]), Settings())

    assert alone.segments[0].baseline.frozen
    assert with_drift.segments[0].baseline.center == alone.segments[0].baseline.center
    assert with_drift.points["upper"][24] == alone.points["upper"][24]


def test_limits_come_from_the_scatter_between_lots_not_from_the_readings_of_a_bag() -> None:
    few = sessions(steady(30), spread=0.3, bags=3)
    many = sessions(steady(30), spread=0.3, bags=12)

    narrow, wide = (stream(frame, Settings()).points for frame in (many, few))

    # The level of three bags is known less well than that of twelve, and both scatter at least as the lots do.
    assert (wide["upper"] - wide["center"])[-1] > (narrow["upper"] - narrow["center"])[-1]
    assert (narrow["upper"] - narrow["center"])[-1] > 2 * 0.05


def test_three_is_at_the_control_limit_of_every_point() -> None:
    points = stream(sessions(steady(30)), Settings()).points

    half = points["upper"] - points["center"]
    np.testing.assert_allclose(points["z"], 3 * (points["level"] - points["center"]) / half, rtol=1e-12)


def test_a_breach_is_told_from_the_first_lot_on_and_is_one_alert() -> None:
    found = stream(sessions([10.0, 25.0, 26.0], upper=20.0), Settings())

    (episode,) = [episode for episode in found.episodes if episode.kind == "limit"]
    assert (episode.opened, episode.latest, episode.lots, episode.grade) == (1, 2, 2, "act")


def test_an_invalid_breach_raises_nothing() -> None:
    assert stream(sessions([10.0, 25.0], upper=20.0, valid=[True, False]), Settings()).episodes == []


def test_a_step_is_found_as_drift_with_its_direction() -> None:
    found = stream(sessions([*steady(25), *[12.5] * 12]), Settings())

    (episode,) = [episode for episode in found.episodes if episode.kind == "drift"]
    assert episode.direction == 1
    assert 25 <= episode.opened <= 30
    assert episode.start == pytest.approx(24, abs=2)


def test_a_lot_of_scattered_bags_is_found_as_spread_though_its_level_is_usual() -> None:
    calm = sessions(steady(30))
    wild = calm.copy()
    wild.loc[29, "bag_variance"] *= 30

    assert "spread" in kinds(stream(wild, Settings()))
    assert "spread" not in kinds(stream(calm, Settings()))


def test_setting_the_baseline_again_starts_a_new_segment_with_its_own_limits() -> None:
    levels = [*steady(25), *[value * 1.3 for value in steady(25, seed=2)]]
    found = stream(sessions(levels), Settings(restarts=(25.0,)))

    first, second = (segment.baseline.center for segment in found.segments)
    assert second - first == pytest.approx(np.log(1.3), abs=0.05)
    assert "drift" not in kinds(found)


def test_a_baseline_that_moved_while_it_was_learnt_is_found_and_one_set_again_after_the_move_is_not() -> None:
    ramp = np.concatenate([np.zeros(6), 0.06 * np.arange(1, 20), np.full(35, 0.06 * 19)])
    levels = list(np.array(steady(60)) * np.exp(ramp))
    move = stream(sessions(levels), Settings()).baseline_move
    assert move is not None
    assert 3 <= move.since <= 12
    assert (move.direction, move.lots) == (1, 25 - move.since)
    again = stream(sessions(levels), Settings(restarts=(25.0,)))
    assert len(again.segments) == 2
    assert again.baseline_move is None


def test_a_move_after_the_baseline_is_no_move_of_the_baseline() -> None:
    levels = list(np.array(steady(60)) * np.exp(0.8 * (np.arange(60) >= 40)))
    evaluation = stream(sessions(levels), Settings())
    assert "drift" in kinds(evaluation)
    assert evaluation.baseline_move is None


def test_a_lot_left_out_by_a_person_does_not_set_the_limits() -> None:
    levels = steady(25)
    found = stream(sessions(levels), Settings(excluded=frozenset({3})))

    assert not found.segments[0].baseline.used[3]
    assert [one.index for one in found.segments[0].baseline.left_out if str(one.reason) == "by_hand"] == [3]


def test_a_stream_of_which_every_lot_was_left_out_has_no_limits() -> None:
    found = stream(sessions(steady(3)), Settings(excluded=frozenset({0, 1, 2})))

    assert found.segments == []
    assert np.isnan(found.points["center"]).all()


def test_a_lot_wholly_over_range_stands_out_and_is_no_level() -> None:
    frame = sessions([*steady(20), 10.0], upper=20.0)
    over = pd.DataFrame({"session": 20, "specimen": range(6), "value": 50.0, "bound": 1})
    frame.loc[20, summarise(over, "log").columns] = summarise(over, "log").loc[20]

    found = stream(frame, Settings())

    assert not found.points["measured"][-1]
    assert {"limit", "point"} <= kinds(found)


def test_one_lot_partly_over_range_begins_no_drift_and_moves_no_forecast() -> None:
    """Four of six bags of one lot are beyond the range of the meter; the next five lots are as before it. Only the lot is an outlier."""
    frame = sessions([*steady(32)], upper=1e4)
    values = [10.0, 10.2, *[5e4] * 4]
    over = pd.DataFrame({"session": 26, "specimen": range(6), "value": values, "bound": [0, 0, 1, 1, 1, 1]})
    frame.loc[26, summarise(over, "log").columns] = summarise(over, "log").loc[26]
    assert frame.loc[26, "level"] > np.log(1e4)

    found = stream(frame, Settings())

    assert "point" in kinds(found)
    assert "drift" not in kinds(found)
    assert "forecast" not in kinds(found)
    assert_allclose(np.exp(found.forecast.level_now), 10.0, rtol=0.03)
    assert found.forecast.breach_probability is not None
    assert found.forecast.breach_probability < 0.05


def test_nothing_looks_ahead() -> None:
    levels = [*steady(30), *[12.5] * 15]
    whole = stream(sessions(levels, upper=20.0), Settings())
    first = min(episode.opened for episode in whole.episodes)

    # From the lot on that opens the first alert there is something to compare; before, there must be none.
    for cut in (9, 25, first, first + 1, first + 2, 44):
        part = stream(sessions(levels[:cut], upper=20.0), Settings())
        opened = [(episode.kind, episode.direction, episode.opened) for episode in part.episodes]
        assert opened == [
            (episode.kind, episode.direction, episode.opened) for episode in whole.episodes if episode.opened < cut
        ]


@pytest.mark.parametrize("lots", [1, 2, 3])
def test_few_lots_give_what_is_known_and_no_more(lots: int) -> None:
    found = stream(sessions(steady(lots), upper=20.0), Settings())

    assert len(found.points) == lots
    assert found.segments[0].baseline.learning
    assert str(found.capability) == "too_few_lots"


def test_equal_levels_do_no_harm() -> None:
    found = stream(sessions([10.0] * 30, upper=20.0), Settings())

    assert found.episodes == []
    assert np.isfinite(found.points["center"]).all()


def test_the_patterns_on_the_chart_have_their_price_in_lots_and_weeks() -> None:
    # The price in lots of this set by the exact chain is checked in test_runlength_routes.py; the pace is one lot a week
    # in `sessions`, here every second one is left out.
    every, half = (stream(sessions(steady(30)).iloc[::step], Settings()).pattern_run_length for step in (1, 2))

    assert every.lots == runlength.shewhart(0.0, CHART_PATTERNS)
    assert every.weeks is not None
    assert half.weeks is not None
    assert_allclose(half.weeks, 2 * every.weeks, rtol=1e-12)
    assert_allclose(every.weeks, every.lots * np.ptp(sessions(steady(30))["weeks"]) / 29, rtol=1e-12)
    assert stream(sessions([10.0]), Settings()).pattern_run_length.weeks is None


def test_a_mark_on_the_chart_raises_no_alert() -> None:
    # Steady lots of two years: some complete a pattern by chance, and none of these is a signal.
    found = stream(sessions(steady(100, seed=3)), Settings())

    assert any(found.points["patterns"])
    assert kinds(found) == set()


def same(one: Evaluation, other: Evaluation) -> bool:
    """Whether all figures of two evaluations are the same to the last bit."""
    pd.testing.assert_frame_equal(one.points.frame(), other.points.frame(), check_exact=True)
    parts = [
        (
            found.capability,
            found.episodes,
            [(part.components, part.dependence) for part in found.segments],
            found.cache.figures,
        )
        for found in (one, other)
    ]
    # In words, as nan is not equal to itself.
    return repr(parts[0]) == repr(parts[1])


def moving() -> list[float]:
    """Steady lots that begin to rise towards a limit of 20."""
    rising = np.concatenate([np.zeros(40), 0.03 * np.arange(20)])
    return [float(level) for level in np.array(steady(60)) * np.exp(rising)]


def test_what_an_earlier_evaluation_said_changes_no_figure() -> None:
    levels = moving()
    whole = stream(sessions(levels, upper=20.0), Settings())
    step = EvaluationCache()
    for lots in (10, 30, 45, 59):
        step = stream(sessions(levels[:lots], upper=20.0), Settings(), cache=step).cache

    again = stream(sessions(levels, upper=20.0), Settings(), cache=step)

    assert "forecast" in kinds(whole)
    assert same(again, whole)
    # Taken over: the very objects of before.
    assert any(again.cache.figures[key] is step.figures.get(key) for key in again.cache.figures if key[0] == "c")


@pytest.mark.parametrize("lot", [3, 50])
def test_a_corrected_lot_is_not_told_from_what_was_said_before(lot: int) -> None:
    levels = moving()
    before = stream(sessions(levels, upper=20.0), Settings()).cache
    levels[lot] *= 1.1

    corrected = stream(sessions(levels, upper=20.0), Settings(), cache=before)

    assert same(corrected, stream(sessions(levels, upper=20.0), Settings()))


@pytest.mark.parametrize("levels", [steady(40), moving()])
def test_another_limit_is_not_told_from_what_was_said_before(levels: list[float]) -> None:
    before = stream(sessions(levels, upper=30.0), Settings()).cache

    found = stream(sessions(levels, upper=20.0), Settings(), cache=before)

    assert same(found, stream(sessions(levels, upper=20.0), Settings()))


def test_streams_together_are_as_each_alone() -> None:
    frames = [sessions(moving(), upper=20.0), sessions(steady(5)), sessions(steady(30, seed=7), upper=12.0)]
    budgets = (0.2, 0.2, 1.0)
    asked = [
        EvaluationRequest(frame, Settings(false_alerts_per_year=budget))
        for frame, budget in zip(frames, budgets, strict=True)
    ]

    for one, together in zip(asked, streams(asked), strict=True):
        assert same(stream(one.sessions, one.settings), together)


def test_an_alert_keeps_the_forecast_of_its_day() -> None:
    """It is that of the stream with the lots up to that day, whatever came later."""
    levels = [*steady(40), *(10 * np.exp(0.04 * np.arange(1, 16))), *(18 * np.ones(6))]
    rows = sessions(levels, upper=20.0)
    now = stream(rows, Settings())
    begun = [episode.opened for episode in now.episodes if episode.kind == "drift"]
    assert begun
    assert begun[0] < len(levels) - 1

    for place in begun:
        then = stream(rows.iloc[: place + 1], Settings()).forecast
        assert now.forecast_then[place] == (then.breach_probability, then.change_percent_per_month)


@pytest.mark.parametrize("baseline_lots", [25, 60])
@pytest.mark.parametrize("restarts", [(), (20.0,)])
def test_an_alert_keeps_the_baseline_of_its_day(baseline_lots: int, restarts: tuple[float, ...]) -> None:
    """It is that of the stream with the lots up to that day, whether the baseline was complete then or not."""
    levels = [*steady(40), *(10 * np.exp(0.04 * np.arange(1, 16))), *(18 * np.ones(20))]
    rows, settings = sessions(levels, upper=20.0), Settings(baseline_lots=baseline_lots, restarts=restarts)
    now = stream(rows, settings)
    assert now.baseline_then

    for place, kept in now.baseline_then.items():
        then = stream(rows.iloc[: place + 1], settings).segments[-1]
        assert kept.center == then.baseline.center
        assert kept.levels.tolist() == then.points.floats("level")[then.baseline.used].tolist()
