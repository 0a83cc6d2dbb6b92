"""Failed logins slow the next ones down: by name and by address, longer each time, and not for ever."""

from __future__ import annotations

from datetime import timedelta

from dashboard.throttle import MOST_KEPT, Throttle

NOW = timedelta(days=3)


def fail(throttle: Throttle, times: int, name: str, address: str, now: timedelta = NOW) -> timedelta:
    """Fail so many times, each as soon as it may be; the moment of the last."""
    for _ in range(times):
        wait = throttle.begin(name, address, now)
        if wait:
            now += timedelta(seconds=wait)
            assert throttle.begin(name, address, now) == 0
    return now


def test_waits_double_after_three_failures_of_a_name() -> None:
    throttle, now, waits = Throttle(), NOW, []
    for number in range(12):
        waits.append(throttle.begin("Ann", f"192.0.2.{number}", now))
        now += timedelta(seconds=waits[-1])
        if waits[-1]:
            throttle.begin("Ann", f"192.0.2.{number}", now)

    assert waits == [0, 0, 0, 1, 2, 4, 8, 16, 32, 60, 60, 60]


def test_an_attempt_that_came_too_early_is_not_counted() -> None:
    throttle = Throttle()
    fail(throttle, 3, "Ann", "192.0.2.1")

    assert [throttle.begin("Ann", "192.0.2.1", NOW) for _ in range(20)] == [1] * 20


def test_many_at_once_are_no_way_around() -> None:
    throttle = Throttle()

    # All begun before the first of them was found wrong.
    assert [throttle.begin("Ann", "192.0.2.1", NOW) for _ in range(6)] == [0, 0, 0, 1, 1, 1]


def test_an_address_that_tries_many_names_is_slowed_down() -> None:
    throttle = Throttle()
    waits = [throttle.begin(f"name {number}", "192.0.2.1", NOW) for number in range(12)]

    assert waits == [0] * 10 + [1, 1]
    assert throttle.begin("Ann", "192.0.2.2", NOW) == 0


def test_success_frees_the_name_and_not_the_address() -> None:
    throttle = Throttle()
    now = fail(throttle, 9, "Ann", "192.0.2.1") + timedelta(seconds=60)
    assert throttle.begin("Sam", "192.0.2.1", now) == 0
    throttle.succeed("Sam", "192.0.2.1")

    # Nine failures stay with the address: one more is free, and then it waits.
    assert [throttle.begin(f"name {number}", "192.0.2.1", now) for number in range(2)] == [0, 1]
    assert [throttle.begin("Sam", f"192.0.2.{number}", now) for number in range(2, 5)] == [0, 0, 0]


def test_a_quiet_hour_is_forgotten_and_the_memory_bounded() -> None:
    throttle = Throttle()
    fail(throttle, 3, "Ann", "192.0.2.1")

    assert throttle.begin("Ann", "192.0.2.9", NOW + timedelta(hours=1, seconds=1)) == 0
    for number in range(2 * MOST_KEPT):
        throttle.begin(f"name {number}", f"address {number}", NOW)
    assert len(throttle._counts) == MOST_KEPT
