"""The table of what has to reach people: what is due and when, what is forgotten, what the bench page tells of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest
from sqlalchemy import Connection
from support.labs import Bench

from ingest.alerts import delivery_queue
from ingest.alerts.delivery_queue import Due, claim, due, mark_sent, note, reschedule, tell_waiting
from ingest.common.instants import MINUTE_US
from ingest.store.store import open_store

BOTH_STORES = True

START = 1_787_000_000_000_000
SIX_HOURS = 360 * MINUTE_US


@pytest.fixture
def connection(bench: Bench) -> Iterator[Connection]:
    bench.run()
    with open_store(bench.folder).writing() as connection:
        yield connection


def states(connection: Connection) -> dict[str, tuple[str, str | None, int | None]]:
    rows = connection.exec_driver_sql("SELECT about, state, message, sent_us FROM delivery")
    return {row[0]: (row[1], row[2], row[3]) for row in rows}


def test_what_is_due_comes_in_the_order_in_which_it_was_noted(connection: Connection) -> None:
    note(connection, [("z", "mail")], START)
    note(connection, [("z", "mail"), ("b", "post"), ("b", "mail"), ("a", "post")], START + 1)

    assert due(connection, START) == [
        Due("z", "mail", None, START, 0),
        Due("a", "post", None, START + 1, 0),
        Due("b", "mail", None, START + 1, 0),
        Due("b", "post", None, START + 1, 0),
    ]


def test_what_waits_and_is_wanted_no_more_is_forgotten_and_what_may_have_arrived_is_kept(
    connection: Connection,
) -> None:
    note(connection, [("waits", "mail"), ("waits", "post"), ("claimed", "mail"), ("sent", "mail")], START)
    items = {item.about: item for item in due(connection, START)}
    claim(connection, [items["claimed"], items["sent"]], "one message")
    mark_sent(connection, [items["sent"]], START + 5)

    note(connection, [("waits", "mail")], START + 9)

    assert states(connection) == {
        "waits": ("waiting", None, None),
        "claimed": ("claimed", "one message", None),
        "sent": ("sent", "one message", START + 5),
    }
    assert [(item.about, item.channel) for item in due(connection, START)] == [("claimed", "mail"), ("waits", "mail")]


@pytest.mark.parametrize(
    ("tries", "minutes"), [(0, 5), (1, 10), (5, 160), (6, 320), (7, 360), (delivery_queue.DOUBLINGS + 90, 360)]
)
def test_a_try_that_failed_is_made_again_after_twice_the_pause_up_to_six_hours(
    connection: Connection, tries: int, minutes: int
) -> None:
    note(connection, [("a", "mail")], START)
    (item,) = due(connection, START)

    reschedule(connection, [replace(item, tries=tries)], START, "down")

    again = START + minutes * MINUTE_US
    assert due(connection, again - 1) == []
    assert due(connection, again) == [replace(item, tries=tries + 1)]


def test_a_server_that_refuses_for_good_is_spared_for_six_hours_at_once(connection: Connection) -> None:
    # RFC 5321, section 4.2.1: a client should not repeat the exact request after a permanent refusal.
    note(connection, [("a", "mail")], START)

    reschedule(connection, due(connection, START), START, "no such reader", lasting=True)

    assert due(connection, START + SIX_HOURS - 1) == []
    assert len(due(connection, START + SIX_HOURS)) == 1


def test_what_certainly_did_not_arrive_waits_without_a_name_and_what_may_have_keeps_it(connection: Connection) -> None:
    note(connection, [("sure", "mail"), ("unsure", "mail"), ("unsure before", "mail")], START)
    items = {item.about: item for item in due(connection, START)}
    claim(connection, list(items.values()), "the message")

    reschedule(connection, [items["sure"]], START, "refused")
    reschedule(connection, [items["unsure"]], START, "cut off", unsure=True)
    reschedule(connection, [replace(items["unsure before"], message="the message")], START, "refused")

    assert states(connection) == {
        "sure": ("waiting", None, None),
        "unsure": ("claimed", "the message", None),
        "unsure before": ("claimed", "the message", None),
    }


def test_the_bench_page_tells_each_channel_that_failed_with_its_oldest_note_and_its_last_try(
    connection: Connection,
) -> None:
    note(connection, [("a", "post"), ("a", "mail")], START)
    note(connection, [("a", "post"), ("a", "mail"), ("b", "mail"), ("c", "mail"), ("c", "new")], START + 7)
    items = {(item.about, item.channel): item for item in due(connection, START)}
    reschedule(connection, [items["a", "mail"]], START, "cut off", unsure=True)
    reschedule(connection, [items["b", "mail"], items["c", "mail"]], START + MINUTE_US, "cut off", unsure=True)
    reschedule(connection, [items["a", "post"]], START, "refused")
    mark_sent(connection, [items["c", "mail"]], START + 2 * MINUTE_US)

    assert tell_waiting(connection) == [
        ("mail", 2, START, START + 6 * MINUTE_US, "cut off"),
        ("post", 1, START, START + 5 * MINUTE_US, "refused"),
    ]
