"""Failed logins slow the next ones down: by name and by address, longer each time; who was here before is counted apart."""

from __future__ import annotations

from datetime import timedelta

from dashboard.web.login_throttle import MOST_KEPT, Throttle, keys_of

NOW = timedelta(days=3)


def attempt(
    throttle: Throttle, name: str, address: str | None, now: timedelta = NOW, browser: str | None = None
) -> int:
    """Begin an attempt; the seconds to wait before it."""
    return throttle.begin(keys_of(name, address, browser), now)


def fail(throttle: Throttle, times: int, name: str, address: str, now: timedelta = NOW) -> timedelta:
    """Fail so many times, each as soon as it may be; the moment of the last."""
    for _ in range(times):
        wait = attempt(throttle, name, address, now)
        if wait:
            now += timedelta(seconds=wait)
            assert attempt(throttle, name, address, now) == 0
    return now


def test_waits_double_after_three_failures_of_a_name() -> None:
    throttle, now, waits = Throttle(), NOW, []
    for number in range(15):
        waits.append(attempt(throttle, "Ann", f"192.0.2.{number}", now))
        now += timedelta(seconds=waits[-1])
        if waits[-1]:
            attempt(throttle, "Ann", f"192.0.2.{number}", now)

    assert waits == [0, 0, 0, 1, 2, 4, 8, 16, 32, 64, 128, 256, 300, 300, 300]


def test_strangers_guess_fewer_than_three_hundred_times_a_day_however_many_they_are() -> None:
    throttle, now, guesses = Throttle(), NOW, 0
    while now < NOW + timedelta(days=1):
        wait = attempt(throttle, "Ann", f"192.0.2.{guesses % 250}", now)
        guesses += wait == 0
        now += timedelta(seconds=wait)

    assert guesses < 300


def test_an_attempt_that_came_too_early_is_not_counted() -> None:
    throttle = Throttle()
    fail(throttle, 3, "Ann", "192.0.2.1")

    assert [attempt(throttle, "Ann", "192.0.2.1") for _ in range(20)] == [1] * 20


def test_many_at_once_are_no_way_around() -> None:
    throttle = Throttle()

    # All begun before the first of them was found wrong.
    assert [attempt(throttle, "Ann", "192.0.2.1") for _ in range(6)] == [0, 0, 0, 1, 1, 1]


def test_an_address_that_tries_many_names_is_slowed_down() -> None:
    throttle = Throttle()
    waits = [attempt(throttle, f"name {number}", "192.0.2.1") for number in range(12)]

    assert waits == [0] * 10 + [1, 1]
    assert attempt(throttle, "Ann", "192.0.2.2") == 0


def test_an_address_from_which_many_ask_is_not_counted() -> None:
    throttle = Throttle()

    assert [attempt(throttle, f"name {number}", None) for number in range(50)] == [0] * 50


def test_success_frees_the_name_and_not_the_address() -> None:
    throttle = Throttle()
    now = fail(throttle, 9, "Ann", "192.0.2.1") + timedelta(seconds=60)
    assert attempt(throttle, "Sam", "192.0.2.1", now) == 0
    throttle.succeed(keys_of("Sam", "192.0.2.1", None), now)

    # Nine failures stay with the address: one more is free, and then it waits.
    assert [attempt(throttle, f"name {number}", "192.0.2.1", now) for number in range(2)] == [0, 1]
    assert [attempt(throttle, "Sam", f"192.0.2.{number}", now) for number in range(2, 5)] == [0, 0, 0]


def test_a_success_does_not_renew_the_wait_of_others_at_the_same_address() -> None:
    throttle, now = Throttle(), NOW
    for number in range(20):
        now += timedelta(seconds=attempt(throttle, f"name {number}", "192.0.2.1", now))
        attempt(throttle, f"other {number}", "192.0.2.1", now)
    now += timedelta(seconds=301)
    sam = keys_of("Sam", "192.0.2.1", None)
    assert throttle.begin(sam, now) == 0
    throttle.succeed(sam, now)

    assert attempt(throttle, "Ann", "192.0.2.1", now) == 0


def test_guesses_of_strangers_do_not_shut_out_a_browser_that_the_owner_used_before() -> None:
    throttle = Throttle()
    now = fail(throttle, 14, "Ann", "192.0.2.1")

    assert attempt(throttle, "Ann", "192.0.2.1", now) == 300
    # Also from the same address; and its own failures slow it down as they do a name's.
    waits = [attempt(throttle, "Ann", "192.0.2.1", now, "browser 1") for _ in range(4)]
    assert waits == [0, 0, 0, 1]
    assert attempt(throttle, "Ann", "192.0.2.1", now, "browser 2") == 0
    assert attempt(throttle, "Sam", "192.0.2.9", now, "browser 1") == 0


def test_a_quiet_hour_is_forgotten_and_the_memory_bounded() -> None:
    throttle = Throttle()
    fail(throttle, 3, "Ann", "192.0.2.1")

    assert attempt(throttle, "Ann", "192.0.2.9", NOW + timedelta(hours=1, seconds=1)) == 0
    for number in range(2 * MOST_KEPT):
        attempt(throttle, f"name {number}", f"address {number}")
    assert len(throttle._counts) == MOST_KEPT


def test_a_count_is_forgotten_after_more_than_an_hour_and_not_at_the_hour() -> None:
    throttle, hour = Throttle(), NOW + timedelta(hours=1)
    fail(throttle, 3, "Ann", "192.0.2.1")

    assert attempt(throttle, "Ann", "192.0.2.9", hour) == 0
    # The fourth failure, not the first of a new count.
    assert attempt(throttle, "Ann", "192.0.2.9", hour) == 2


def test_the_name_that_was_tried_longest_ago_is_forgotten_first() -> None:
    throttle = Throttle()
    for number in range(MOST_KEPT):
        attempt(throttle, f"name {number}", None)
    attempt(throttle, "name 0", None)
    attempt(throttle, "one more", None)

    names = {name for _, name in throttle._counts}
    assert {"name 0", "name 2", "one more"} <= names
    assert "name 1" not in names
