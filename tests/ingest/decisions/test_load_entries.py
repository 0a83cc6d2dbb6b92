"""Events of loads from the form: stored like rows of the feed, told from them, and taken back."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from support.labs import MONDAY, Bench, csv_text, lot_rows

from ingest.common.errors import CallError
from ingest.common.instants import microseconds
from ingest.config.lab import load
from ingest.decisions.load_entries import (
    MOVE,
    PLAN,
    PUT_IN,
    TAKE_OUT,
    Outcome,
    load_events,
    record_load,
    take_back_event,
)
from ingest.documents.bench.load_events import LoadEvent
from ingest.sessions.ready import ready
from ingest.store.store import open_store

BOTH_STORES = True

LOADED = MONDAY - timedelta(hours=40)
LOT = {"supplier": "Alder Film", "product": "MB-10", "load_lot": "L1"}


def enter(bench: Bench, what: str, at: datetime | str, now: datetime = MONDAY, **fields: str) -> Outcome:
    store = open_store(bench.folder)
    written = {"load": "N-1", "chamber": "C1", "at": at.isoformat() if isinstance(at, datetime) else at, **fields}
    try:
        with store.writing() as connection:
            return record_load(connection, load(bench.folder), what, "Specialist", "", written, now)
    finally:
        store.close()


def events(bench: Bench) -> list[LoadEvent]:
    store = open_store(bench.folder)
    try:
        with store.reading() as connection:
            return load_events(connection, load(bench.folder), 20)
    finally:
        store.close()


def judged(bench: Bench) -> list[tuple[object, ...]]:
    store = open_store(bench.folder)
    try:
        with store.reading() as connection:
            rows = connection.exec_driver_sql("SELECT conditioning, round(hours), clock FROM session").fetchall()
    finally:
        store.close()
    return [tuple(row) for row in rows]


@pytest.fixture
def tested(bench: Bench) -> Bench:
    """A chamber inside tolerance for 60 hours, and a test of its load."""
    bench.drop_climate("c.csv", MONDAY - timedelta(hours=60), 61)
    bench.drop_tests("t.csv", [{**row, "load": "N-1"} for row in lot_rows("L1", MONDAY, [[10.0, 11.0], [10.5, 11.5]])])
    bench.run()
    assert judged(bench) == [("valid", 60, "chamber")]
    return bench


def test_a_late_entry_changes_the_state_of_a_test_and_taking_it_back_restores_it(tested: Bench) -> None:
    assert enter(tested, PUT_IN, LOADED, **LOT) == "stored"
    tested.run()
    assert judged(tested) == [("short", 40, "specimen")]

    (event,) = events(tested)
    store = open_store(tested.folder)
    with store.writing() as connection:
        assert take_back_event(connection, event["key"], "Specialist", "wrong hour", MONDAY) == "N-1"
        assert connection.exec_driver_sql("SELECT count(*) FROM earlier_event").scalar() == 1
    store.close()
    assert enter(tested, PUT_IN, MONDAY - timedelta(hours=50), **LOT) == "stored"
    tested.run()
    assert judged(tested) == [("valid", 50, "specimen")]


def test_an_event_that_names_only_the_lot_is_taken_back_from_its_tests_too(bench: Bench) -> None:
    bench.drop_climate("c.csv", MONDAY - timedelta(hours=60), 61)
    bench.drop_tests("t.csv", lot_rows("L1", MONDAY, [[10.0, 11.0]]))
    bench.run()
    enter(bench, PUT_IN, LOADED, **LOT)
    bench.run()
    assert judged(bench) == [("short", 40, "specimen")]
    store = open_store(bench.folder)
    with store.writing() as connection:
        take_back_event(connection, load_events(connection, load(bench.folder), 1)[0]["key"], "A", "b", MONDAY)
    store.close()
    bench.run()
    assert judged(bench) == [("valid", 60, "chamber")]


def test_twice_is_a_duplicate_and_another_chamber_at_the_same_moment_is_a_correction_as_in_the_feed(
    tested: Bench,
) -> None:
    assert enter(tested, PUT_IN, LOADED) == "stored"
    assert enter(tested, PUT_IN, LOADED) == "duplicate"
    assert enter(tested, PUT_IN, LOADED, chamber="C2") == "corrected"
    (event,) = events(tested)
    assert (event["chamber"], event["by_form"], event["source"]) == ("C2", True, "form of Specialist")

    # A file corrects what a form stored, and the other way round; each row says where it came from.
    (tested.folder / "drops" / "loads").mkdir()
    rows = [(LOADED.isoformat(), "N-1", "C1", "in")]
    tested.drop("l.csv", csv_text(("at", "load", "chamber", "event"), rows), "loads")
    (entry,) = tested.run().entries
    assert (entry.corrected, entry.stored) == (1, 0)
    (event,) = events(tested)
    assert (event["chamber"], event["by_form"], event["source"]) == ("C1", False, "l.csv, line 2")


def test_without_a_time_it_is_now_to_the_minute_so_that_a_second_tap_adds_nothing(tested: Bench) -> None:
    now = MONDAY.replace(second=12)
    assert enter(tested, PUT_IN, "", now=now) == "stored"
    assert enter(tested, PUT_IN, "", now=now + timedelta(seconds=20)) == "duplicate"
    (event,) = events(tested)
    assert datetime.fromisoformat(event["at"]) == MONDAY


def test_a_time_without_an_offset_is_that_of_the_labs_clocks(tested: Bench) -> None:
    enter(tested, PUT_IN, "2026-07-05T16:00", now=datetime(2026, 7, 6, tzinfo=UTC))
    (event,) = events(tested)
    assert event["at"] == "2026-07-05T16:00:00+01:00"


def test_a_move_and_an_out_end_the_stay_before_and_ready_names_the_form(tested: Bench) -> None:
    enter(tested, PUT_IN, LOADED, **LOT, laid="hung", specimens="1 to 6")
    enter(tested, MOVE, LOADED + timedelta(hours=10), chamber="C2")
    store = open_store(tested.folder)
    with store.reading() as connection:
        chambers = ready(connection, load(tested.folder), MONDAY)["chambers"]
        (loaded,) = [one for chamber in chambers for one in chamber["loads"]]
    assert [(one["name"], len(one["loads"])) for one in chambers] == [("C1", 0), ("C2", 1)]
    assert (loaded["laid"], loaded["recorded_in"], loaded["lots"][0]["specimens"]) == (
        "hung",
        "form of Specialist",
        "1 to 6",
    )
    store.close()
    enter(tested, TAKE_OUT, "", chamber="C2")
    store = open_store(tested.folder)
    with store.reading() as connection:
        chambers = ready(connection, load(tested.folder), MONDAY + timedelta(hours=1))["chambers"]
        assert not any(chamber["loads"] for chamber in chambers)
    store.close()


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"load": " "}, "put in: load: is blank"),
        ({"chamber": ""}, "put in: chamber: is blank"),
        ({"at": "yesterday"}, "put in: at: "),
        ({"at": "2027-01-05T09:00"}, "put in: at: "),
        ({"planned_test": "Friday"}, "put in: planned_test: "),
        ({"planned_test": "2027-02-05T09:00"}, 'put in: planned_test: "2027-02-05T09:00" is more than a year ahead'),
        ({"planned_test": "2026-01-01T09:00"}, "put in: planned_test: is before the event itself"),
        ({"laid": "flat"}, 'put in: laid: "flat" is no way of laying'),
        ({"supplier": "Alder Film"}, "put in: lot: a lot needs supplier, product and lot"),
        ({"load": "x" * 201}, "put in: load is too long"),
    ],
)
def test_what_the_feed_refuses_the_form_refuses_with_the_same_words_and_stores_nothing(
    tested: Bench, fields: dict[str, str], message: str
) -> None:
    with pytest.raises(CallError) as refused:
        enter(tested, PUT_IN, fields.get("at", LOADED), **{name: text for name, text in fields.items() if name != "at"})
    assert str(refused.value).startswith(message)
    assert events(tested) == []
    store = open_store(tested.folder)
    with store.reading() as connection:
        counted = connection.exec_driver_sql(
            "SELECT count(*) FROM act UNION ALL SELECT count(*) FROM \"drop\" WHERE folder = ''"
        )
        assert counted.scalars().all() == [0, 0]
    store.close()


@pytest.mark.parametrize("key", ["", "1.2.3", "1.2.3.x", "9.9.9.9", "1.2.3.4.5"])
def test_an_event_that_is_not_there_cannot_be_taken_back(tested: Bench, key: str) -> None:
    store = open_store(tested.folder)
    with pytest.raises(CallError, match="there is no such event"), store.writing() as connection:
        take_back_event(connection, key, "Specialist", "wrong", MONDAY)
    store.close()


def test_an_event_that_is_taken_back_or_corrected_keeps_its_list_of_bags_and_its_plan(tested: Bench) -> None:
    planned = MONDAY + timedelta(hours=8)
    enter(tested, PUT_IN, LOADED, **LOT, specimens="1 to 6", planned_test=planned.isoformat())
    assert enter(tested, PUT_IN, LOADED, **LOT, specimens="1 to 4") == "corrected"
    (event,) = events(tested)
    assert (event["specimens"], event["planned_at"]) == ("1 to 4", None)
    store = open_store(tested.folder)
    with store.writing() as connection:
        take_back_event(connection, event["key"], "Specialist", "wrong load", MONDAY)
        rows = connection.exec_driver_sql("SELECT specimens, planned_us FROM earlier_event ORDER BY id").fetchall()
    store.close()
    assert [tuple(row) for row in rows] == [("1 to 6", microseconds(planned)), ("1 to 4", 0)]


def test_a_plan_is_an_event_of_its_own_that_leaves_the_stays_and_the_tests_as_they_are(tested: Bench) -> None:
    enter(tested, PUT_IN, LOADED, **LOT)
    planned = MONDAY + timedelta(hours=3)
    assert enter(tested, PLAN, MONDAY - timedelta(hours=1), planned_test=planned.isoformat()) == "stored"
    tested.run()
    assert judged(tested) == [("short", 40, "specimen")]
    store = open_store(tested.folder)
    with store.reading() as connection:
        (chamber,) = ready(connection, load(tested.folder), MONDAY)["chambers"]
    store.close()
    (loaded,) = chamber["loads"]
    assert (loaded["in_since"], loaded["too_early"]) == (LOADED.isoformat(), True)
    assert datetime.fromisoformat(str(loaded["planned_at"])) == planned
    assert [one["lot"] for one in loaded["lots"]] == ["L1"]
