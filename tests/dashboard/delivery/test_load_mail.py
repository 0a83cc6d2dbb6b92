"""The mail when a load is ready or its conditioning is broken: once an event, only where the lab wants it, and a line in the digest."""

from __future__ import annotations

import email
import re
from datetime import timedelta
from email import policy
from pathlib import Path

import pytest
from support.labs import LAB_TOML, MONDAY, Bench

from dashboard.delivery import dispatch, weekly_digest
from ingest.config.lab import load
from ingest.store.store import open_store

WANTED = '\n[loads]\nto = ["bench@example.org"]\n'
HOUR = timedelta(hours=1)


@pytest.fixture
def loaded(tmp_path: Path) -> Bench:
    """Load 178, put in at `MONDAY`; the chamber is inside for 50 hours."""
    bench = Bench(tmp_path / "lab", LAB_TOML + WANTED)
    bench.drop_climate("c.csv", MONDAY - 2 * HOUR, 52)
    (bench.folder / "drops" / "loads").mkdir()
    bench.drop("l.csv", f"at,load,chamber,event\n{MONDAY.isoformat()},178,C1,in\n", "loads")
    bench.run(MONDAY + 50 * HOUR)
    return bench


def sent(bench: Bench, hours: float) -> list[str]:
    """Deliver so many hours after the load went in; the new messages, subject and text."""
    outbox = bench.folder / "outbox"
    before = set(outbox.glob("*.eml"))
    store = open_store(bench.folder)
    assert dispatch.deliver(store, load(bench.folder), MONDAY + timedelta(hours=hours), {}) == []
    store.close()
    found = []
    for path in sorted(set(outbox.glob("*.eml")) - before):
        message = email.message_from_bytes(path.read_bytes(), policy=policy.default)
        body = message.get_body(("plain",))
        assert body is not None
        if "load" in str(message["Subject"]):
            assert message["To"] == "bench@example.org"
            found.append(f"{message['Subject']}\n{body.get_content()}")
    return found


def test_a_load_that_is_ready_is_sent_once(loaded: Bench) -> None:
    assert sent(loaded, 47) == []
    (message,) = sent(loaded, 48.5)
    assert message.startswith("[lotdrift] load 178 is ready\n")
    assert "- 178 in chamber C1: Ready since Wed 7 Jan, 09:00." in message
    assert sent(loaded, 49) == []


def test_a_break_is_an_event_and_the_next_completion_another(loaded: Bench) -> None:
    loaded.drop_climate("d.csv", MONDAY + 50.5 * HOUR, 1, humidity=20.0)
    loaded.drop_climate("e.csv", MONDAY + 52 * HOUR, 60)
    loaded.run(MONDAY + 112 * HOUR)
    assert len(sent(loaded, 49)) == 1
    (broken,) = sent(loaded, 51)
    assert broken.startswith("[lotdrift] load 178 is broken\n")
    assert "too humid; the 48 h start again" in broken
    assert sent(loaded, 51.2) == []
    assert sent(loaded, 60) == []
    (ready,) = sent(loaded, 101)
    assert ready.startswith("[lotdrift] load 178 is ready\n")


def test_a_test_that_is_planned_too_early_is_sent_once_a_plan_and_before_its_time(loaded: Bench) -> None:
    def plan(name: str, at: float, hours: float) -> None:
        written, planned = ((MONDAY + h * HOUR).isoformat() for h in (at, hours))
        loaded.drop(name, f"at,load,chamber,event,planned_test\n{written},178,C1,planned,{planned}\n", "loads")
        loaded.run(MONDAY + 50 * HOUR)

    plan("p.csv", 1, 46)
    (message,) = sent(loaded, 2)
    assert message.startswith("[lotdrift] load 178 is planned too early\n")
    assert "Test planned for Wed 7 Jan, 07:00, but ready at Wed 7 Jan, 09:00 at the earliest." in message
    assert sent(loaded, 3) == []
    plan("q.csv", 4, 47)
    assert len(sent(loaded, 5)) == 1
    plan("r.csv", 6, 48)
    assert sent(loaded, 7) == []
    # Nothing to warn of once its time has passed.
    plan("s.csv", 8, 45)
    assert sent(loaded, 45.5) == []


def test_a_break_that_makes_a_plan_too_early_is_one_line_about_the_load(loaded: Bench) -> None:
    planned = (MONDAY + 60 * HOUR).isoformat()
    loaded.drop("p.csv", f"at,load,chamber,event,planned_test\n{MONDAY.isoformat()},178,C1,in,{planned}\n", "loads")
    loaded.drop_climate("d.csv", MONDAY + 20 * HOUR, 0, humidity=20.0)
    loaded.run(MONDAY + 50 * HOUR)
    (message,) = sent(loaded, 20.2)
    assert message.startswith("[lotdrift] load 178 is broken\n")
    assert message.count("- 178 in chamber C1") == 1
    assert "Test planned for Wed 7 Jan, 21:00, but ready at Thu 8 Jan, 05:00 at the earliest." in message


def test_nothing_is_sent_where_the_lab_does_not_want_it(loaded: Bench) -> None:
    loaded.declare(LAB_TOML)
    assert sent(loaded, 49) == []


def test_two_loads_are_one_message_with_the_broken_one_first(loaded: Bench) -> None:
    start = (MONDAY + HOUR).isoformat()
    loaded.drop("m.csv", f"at,load,chamber,event\n{start},179,C2,in\n", "loads")
    loaded.drop_climate("f.csv", MONDAY, 50, humidity=20.0, chamber="C2")
    loaded.run(MONDAY + 50 * HOUR)
    (message,) = sent(loaded, 49)
    assert message.startswith("[lotdrift] 1 load ready to test, 1 broken\n")
    assert message.index("- 179 in chamber C2: Broken") < message.index("- 178 in chamber C1: Ready")
    # It has a name of its own, not that of one of the two.
    names = [path.stem for path in (loaded.folder / "outbox").glob("*.eml")]
    assert len([name for name in names if re.fullmatch("[0-9a-f]{12}", name)]) == 1


def test_the_digest_has_a_line_about_the_chambers(loaded: Bench) -> None:
    store = open_store(loaded.folder)
    with store.reading() as connection:
        week = weekly_digest.document(connection, load(loaded.folder), MONDAY + 49 * HOUR)
        text = weekly_digest.as_message(week, {}, None).text
        empty = weekly_digest.document(connection, load(loaded.folder), MONDAY - HOUR)
    store.close()
    assert "In the chambers\n- Ready to test: 178." in text
    assert empty["loads"] == ""


def test_a_planned_test_of_a_load_that_was_not_put_in_is_sent_once_it_can_not_be_ready_any_more(loaded: Bench) -> None:
    written, planned = ((MONDAY + h * HOUR).isoformat() for h in (1, 60))
    loaded.drop("p.csv", f"at,load,chamber,event,planned_test\n{written},180,C1,planned,{planned}\n", "loads")
    loaded.run(MONDAY + 50 * HOUR)
    assert sent(loaded, 12) == []
    (message,) = sent(loaded, 12.2)
    assert message.startswith("[lotdrift] load 180 is not put in\n")
    assert (
        "- 180, chamber C1: A test of load 180 is planned for Wed 7 Jan, 21:00, but the load was not put in" in message
    )
    assert sent(loaded, 13) == []
    assert not any("not put in" in one for one in sent(loaded, 60.5))
