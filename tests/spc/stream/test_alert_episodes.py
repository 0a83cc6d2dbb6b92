"""One cause is one alert: how signals fold into episodes."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from spc.stream.alert_episodes import QUIET_LOTS, episodes
from spc.vocabulary.signal import Signal

BOTH_STORES = True


def signals(*places: tuple[int, str, int]) -> list[Signal]:
    return [
        Signal(index, kind, direction, "look", "step", 1.0, index - 2.0, index - 4.0, index - 1.0)
        for index, kind, direction in places
    ]


def test_no_signal_is_no_episode() -> None:
    assert episodes([]) == []


def test_later_lots_with_the_same_evidence_update_the_one_alert() -> None:
    (episode,) = episodes(signals((10, "drift", 1), (11, "drift", 1), (14, "drift", 1)))

    assert (episode.opened, episode.latest, episode.lots, episode.start) == (10, 14, 3, 8.0)


def test_the_same_after_eight_quiet_lots_is_a_new_alert() -> None:
    quiet_for_seven = episodes(signals((10, "drift", 1), (18, "drift", 1)))
    quiet_for_eight = episodes(signals((10, "drift", 1), (19, "drift", 1)))

    assert [episode.opened for episode in quiet_for_seven] == [10]
    assert [episode.opened for episode in quiet_for_eight] == [10, 19]


def test_another_kind_or_the_other_direction_is_not_silenced() -> None:
    found = episodes(signals((10, "drift", 1), (11, "spread", 1), (12, "drift", -1)))

    assert [(episode.kind, episode.direction, episode.opened) for episode in found] == [
        ("drift", 1, 10),
        ("spread", 1, 11),
        ("drift", -1, 12),
    ]


@given(st.sets(st.integers(0, 80), min_size=1), st.integers(1, 80))
def test_what_a_prefix_opened_stays_opened(places: set[int], cut: int) -> None:
    whole = episodes(signals(*((place, "drift", 1) for place in sorted(places))))
    prefix = episodes(signals(*((place, "drift", 1) for place in sorted(places) if place < cut)))

    assert [episode.opened for episode in prefix] == [episode.opened for episode in whole if episode.opened < cut]
    for early, late in pairwise(whole):
        assert late.opened - early.latest > QUIET_LOTS
