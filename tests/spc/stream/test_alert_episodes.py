"""One cause is one alert: how signals and the level between them fold into episodes."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats

from spc.future_mean import mean_margin
from spc.stream.alert_episodes import LOTS, ChartedLots, Episode, EpisodeEnd, episodes, runs, signal_runs
from spc.vocabulary.enums import WANDER
from spc.vocabulary.signal import Signal


def signals(*places: tuple[int, str, int], name: str = "step", start: float | None = None) -> list[Signal]:
    return [
        Signal(
            index, kind, direction, "look", name, 1.0, index - 3.0 if start is None else start, index - 5.0, index - 1.0
        )
        for index, kind, direction in places
    ]


def charted(
    level: np.ndarray, segment: np.ndarray | None = None, bag_variance: np.ndarray | None = None
) -> ChartedLots:
    nothing = np.full(level.size, np.nan)
    return ChartedLots(
        level,
        nothing if bag_variance is None else bag_variance,
        nothing,
        np.zeros(level.size, dtype=np.intp) if segment is None else segment,
    )


def level(*parts: tuple[int, float]) -> np.ndarray:
    """Lots that alternate by one about each level in turn: a standard deviation of about one, and nothing left to chance."""
    steps = np.concatenate([np.full(count, height) for count, height in parts])
    return np.tile([-1.0, 1.0], steps.size)[: steps.size] + steps


def story(grouped: list[Episode]) -> list[tuple[int, int, str]]:
    return [(one.opened, one.direction, "open" if one.end is None else str(one.end)) for one in grouped]


def test_no_signal_is_no_episode() -> None:
    assert episodes([], charted(level((30, 0.0)))) == []


def test_later_lots_with_the_same_evidence_update_the_one_alert() -> None:
    (episode,) = episodes(
        signals((22, "drift", 1), (23, "drift", 1), (26, "drift", 1)), charted(level((20, 0.0), (20, 4.0)))
    )

    assert (episode.opened, episode.latest, episode.lots, episode.start) == (22, 26, 3, 19.0)


def test_a_drift_stays_open_for_as_long_as_the_level_is_away_though_no_lot_completes_the_evidence() -> None:
    (episode,) = episodes(signals((22, "drift", 1)), charted(level((20, 0.0), (200, 3.0))))

    assert (episode.latest, episode.until, episode.end) == (22, 219, None)


def test_a_pause_in_the_evidence_makes_no_new_alert() -> None:
    (episode,) = episodes(signals((22, "drift", 1), (70, "drift", 1)), charted(level((20, 0.0), (60, 3.0))))

    assert (episode.opened, episode.latest, episode.lots) == (22, 70, 2)


def test_a_drift_ends_by_itself_when_the_mean_of_the_last_lots_is_back() -> None:
    (episode,) = episodes(signals((22, "drift", 1)), charted(level((20, 0.0), (20, 4.0), (20, 0.0))))

    # One moved lot in eight is within the margin of 0.9 standard deviations, two are not: lots 39 to 46 are back.
    assert (episode.until, episode.end) == (38, EpisodeEnd.BACK)


def test_a_level_that_comes_only_half_way_back_is_still_away() -> None:
    (episode,) = episodes(signals((22, "drift", 1)), charted(level((20, 0.0), (20, 4.0), (60, 2.0))))

    assert episode.end is None


def test_a_small_move_is_not_over_because_its_level_agrees_with_the_one_before() -> None:
    # 0.8 standard deviations are within the margin of 0.86; eight lots there are no twenty times likelier at the level before.
    (episode,) = episodes(signals((28, "drift", 1)), charted(level((25, 0.0), (80, 0.8))))
    (back,) = episodes(signals((28, "drift", 1)), charted(level((25, 0.0), (80, 0.8), (20, 0.0))))

    assert (episode.end, back.end) == (None, EpisodeEnd.BACK)


def test_the_return_of_a_level_is_no_second_alert() -> None:
    grouped = episodes(
        [*signals((22, "drift", 1)), *signals(*((at, "drift", -1) for at in range(42, 60)), start=39.0)],
        charted(level((20, 0.0), (20, 4.0), (40, 0.0))),
    )

    assert story(grouped) == [(22, 1, "back")]


def test_a_level_that_goes_past_where_it_began_is_another_alert() -> None:
    drift = [*signals((22, "drift", 1)), *signals(*((at, "drift", -1) for at in range(42, 60)), start=39.0)]
    grouped = episodes(drift, charted(level((20, 0.0), (20, 4.0), (40, -4.0))))
    back = episodes(drift, charted(level((20, 0.0), (20, 4.0), (20, -4.0), (20, 0.0))))

    assert [(direction, end) for _, direction, end in story(grouped)] == [(1, "back"), (-1, "open")]
    # It is compared with the level where both began, not with the level that the first one had reached.
    assert [end for _, _, end in story(back)] == ["back", "back"]


def test_a_level_that_leaps_to_the_other_side_closes_the_alert_on_the_first_move() -> None:
    grouped = episodes(
        signals((22, "drift", 1), (40, "drift", -1)), charted(level((20, 0.0), (20, 4.0), (1, -60.0), (9, -4.0)))
    )

    assert story(grouped) == [(22, 1, "reversed"), (40, -1, "open")]


def test_a_level_that_moves_on_is_the_same_alert_and_names_the_later_change() -> None:
    drift = signals((22, "drift", 1), (62, "drift", 1))
    (episode,) = episodes(drift, charted(level((20, 0.0), (40, 3.0), (40, 8.0))))
    (stays,) = episodes(drift, charted(level((20, 0.0), (80, 3.0))))
    (comes_nearer,) = episodes(drift, charted(level((20, 0.0), (40, 6.0), (40, 3.0))))

    assert (episode.opened, episode.start) == (22, 19.0)
    # The later change is at lot 60.
    assert 60 <= episode.moved_on <= 64
    assert np.isnan(stays.moved_on)
    assert np.isnan(comes_nearer.moved_on)


def test_setting_the_baseline_again_ends_a_drift() -> None:
    segment = np.repeat([0, 1], [40, 40])
    grouped = episodes(signals((22, "drift", 1)), charted(level((20, 0.0), (60, 4.0)), segment))
    again = episodes(
        signals((22, "drift", 1), (62, "drift", 1)), charted(level((20, 0.0), (40, 4.0), (20, 8.0)), segment)
    )

    assert [(one.until, one.end) for one in grouped] == [(39, EpisodeEnd.BASELINE)]
    assert story(again) == [(22, 1, "baseline"), (62, 1, "open")]


def test_lots_without_a_level_are_passed_over() -> None:
    values = level((20, 0.0), (20, 4.0), (20, 0.0))
    values[[5, 25, 45]] = np.nan

    assert story(episodes(signals((22, "drift", 1)), charted(values))) == [(22, 1, "back")]


def test_a_change_within_the_first_lots_is_compared_with_the_first_three() -> None:
    early = [Signal(8.0, "drift", 1, "look", "ramp", 1.0, -1.0, -1.0, 2.0)]

    assert episodes(early, charted(np.arange(30.0)))[0].end is None
    assert episodes(early, charted(np.concatenate([np.arange(20.0), level((20, 0.0))])))[0].end == EpisodeEnd.BACK


def test_spread_stays_open_while_bags_scatter_more_and_ends_when_they_do_not() -> None:
    scatter = np.exp(2 * 0.2 * level((20, 0.0), (20, 6.0), (20, 0.0)))
    wide = signals((22, "spread", 1), name="bag_spread")

    assert episodes(wide, charted(level((40, 0.0)), bag_variance=scatter[:40]))[0].end is None
    assert episodes(wide, charted(level((60, 0.0)), bag_variance=scatter))[0].end == EpisodeEnd.BACK


def test_another_kind_or_the_other_direction_is_not_silenced() -> None:
    grouped = episodes(
        signals((22, "drift", 1), (23, "spread", 1), (24, "point", -1)), charted(level((20, 0.0), (10, 4.0)))
    )

    assert [(episode.kind, episode.direction, episode.opened) for episode in grouped] == [
        ("drift", 1, 22),
        ("spread", 1, 23),
        ("point", -1, 24),
    ]


def test_other_kinds_end_after_eight_lots_without_a_signal() -> None:
    quiet_for_seven = episodes(signals((10, "point", 1), (18, "point", 1)), charted(level((19, 0.0))))
    quiet_for_eight = episodes(signals((10, "point", 1), (19, "point", 1)), charted(level((20, 0.0))))

    assert story(quiet_for_seven) == [(10, 1, "open")]
    assert story(quiet_for_eight) == [(10, 1, "quiet"), (19, 1, "open")]


def test_a_level_that_comes_and_goes_wanders_from_its_third_move_on() -> None:
    values = level((30, 0.0), *[(30, 5.0), (30, 0.0), (30, -5.0), (30, 0.0)] * 4)
    drift = signals(
        *((30 * part + 5, "drift", (1, -1, -1, 1)[(part - 1) % 4]) for part in range(1, 17) if part % 2),
    )

    grouped = episodes(drift, charted(values))

    assert story(grouped) == [(35, 1, "back"), (95, -1, "back"), (155, 0, "open")]
    assert [one.name == WANDER for one in grouped] == [False, False, True]


def test_moves_to_one_side_only_are_no_wandering() -> None:
    values = level((30, 0.0), *[(30, 5.0), (30, 0.0)] * 4)
    drift = signals(*((30 * part + 5, "drift", 1) for part in (1, 3, 5, 7)))

    assert story(episodes(drift, charted(values))) == [
        (35, 1, "back"),
        (95, 1, "back"),
        (155, 1, "back"),
        (215, 1, "back"),
    ]


def test_moves_before_the_baseline_was_set_again_do_not_count_for_wandering() -> None:
    values = level((30, 0.0), *[(30, 5.0), (30, 0.0), (30, -5.0), (30, 0.0)] * 2)
    drift = signals((35, "drift", 1), (95, "drift", -1), (155, "drift", 1))
    anew = np.repeat([0, 1], [130, values.size - 130])

    assert [one.name for one in episodes(drift, charted(values))][-1] == WANDER
    assert all(one.name != WANDER for one in episodes(drift, charted(values, anew)))


def test_moves_of_a_level_without_autocorrelation_are_no_wandering() -> None:
    rng = np.random.default_rng(5)
    values = rng.standard_normal(200)
    drift = signals((50, "drift", 1), (100, "drift", -1), (150, "drift", 1))

    assert all(one.name != WANDER for one in episodes(drift, charted(values)))


@st.composite
def streams(draw: st.DrawFn) -> tuple[np.ndarray, list[Signal]]:
    heights = draw(st.lists(st.sampled_from([-4.0, 0.0, 2.0, 5.0]), min_size=2, max_size=8))
    noise = np.random.default_rng(draw(st.integers(0, 50))).standard_normal(12 * len(heights))
    places = draw(st.sets(st.integers(8, 12 * len(heights) - 1), min_size=1, max_size=30))
    sides = draw(st.lists(st.sampled_from([-1, 1]), min_size=len(places), max_size=len(places)))
    return np.repeat(heights, 12) + noise, signals(*zip(sorted(places), ["drift"] * len(places), sides, strict=True))


@given(streams(), st.integers(10, 96))
def test_a_part_of_a_history_and_the_whole_open_and_end_the_same_episodes(
    stream: tuple[np.ndarray, list[Signal]], cut: int
) -> None:
    values, drift = stream
    whole = episodes(drift, charted(values))
    part = episodes([signal for signal in drift if signal.at < cut], charted(values[:cut]))

    def before(grouped: list[Episode]) -> list[tuple[object, ...]]:
        return [(one.opened, one.direction, one.name, one.start) for one in grouped if one.opened < cut]

    assert before(part) == before(whole)
    over = [one for one in part if one.end is not None]
    assert over == whole[: len(over)]
    assert all(late.opened > early.opened for early, late in pairwise(whole))
    assert sum(one.end is None for one in whole) <= 1


@given(st.sets(st.integers(0, 80), min_size=1), st.integers(1, 80))
def test_what_a_prefix_opened_stays_opened(places: set[int], cut: int) -> None:
    whole = signal_runs(signals(*((place, "limit", 1) for place in sorted(places))), 81)
    prefix = signal_runs(signals(*((place, "limit", 1) for place in sorted(places) if place < cut)), cut)

    assert [episode.opened for episode in prefix] == [episode.opened for episode in whole if episode.opened < cut]
    for early, late in pairwise(whole):
        assert late.opened - early.latest > LOTS


@pytest.mark.parametrize(("earlier", "coming"), [(25, 8), (3, 8), (10, 1)])
def test_the_margin_of_a_mean_is_that_of_the_t_distribution(earlier: int, coming: int) -> None:
    # Hahn (1970), mean of k future observations; the quantile is scipy's t, another route than the inverse used by us.
    expected = 2.0 * stats.t(earlier - 1).ppf(0.975) * np.sqrt(1 / coming + 1 / earlier)

    assert_allclose(mean_margin(2.0, earlier, coming), expected, rtol=1e-12)


def test_a_mean_of_eight_steady_lots_is_within_the_margin_as_often_as_it_says() -> None:
    # A simulation with a seed: 95 % within four standard errors of 4,000 streams.
    rng = np.random.default_rng(11)
    lots = rng.standard_normal((4000, 33))
    before, after = lots[:, :25], lots[:, 25:].mean(axis=1)
    half = np.array([mean_margin(float(sd), 25, 8) for sd in before.std(axis=1, ddof=1)])

    assert np.mean(np.abs(after - before.mean(axis=1)) <= half) == pytest.approx(0.95, abs=0.014)


@given(st.lists(st.booleans(), max_size=60))
def test_runs_are_those_of_the_signals_of_one_cause(flagged: list[bool]) -> None:
    signals = [
        Signal(float(at), "limit", 0, "look", "undecided", 1.0, np.nan, np.nan, np.nan)
        for at, is_flagged in enumerate(flagged)
        if is_flagged
    ]
    expected = [(one.opened, one.end is not None) for one in signal_runs(signals, len(flagged))]
    assert runs(np.array(flagged, dtype=bool)) == expected
