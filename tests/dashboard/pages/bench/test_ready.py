"""What may be tested: the page and the command show the loads of the demo lab at its last log entry, and say what to do."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from support.commands import call
from support.demolab import demo_lab
from support.labs import LAB_TOML, MONDAY, Bench, csv_text

from dashboard.text.bench.advice import Urgency
from dashboard.text.bench.ready_text import advice, headline, load_line, next_step, plan_line
from ingest.config.lab import load
from ingest.sessions.ready import ready
from ingest.store.store import known_store

COLUMNS = ("at", "load", "chamber", "event", "laid")


def document(bench: Bench, at: datetime):
    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        result = ready(connection, load(bench.folder), at)
    store.close()
    return result


@pytest.fixture
def loaded(bench: Bench) -> Bench:
    """A chamber inside tolerance for 100 hours from Monday on, but for one entry at hour 30; a load in at hours 0 and 40."""
    (bench.folder / "drops" / "loads").mkdir()
    bench.drop_climate("a.csv", MONDAY, 29.5)
    bench.drop_climate("b.csv", MONDAY + timedelta(hours=30), 0, humidity=17.0)
    bench.drop_climate("c.csv", MONDAY + timedelta(hours=30.5), 69.5)
    rows = [
        ((MONDAY + timedelta(hours=h)).isoformat(), name, "C1", "in", laid)
        for h, name, laid in ((0, "N-1", "hung"), (40, "N-2", "closed"))
    ]
    bench.drop("l.csv", csv_text(COLUMNS, rows), "loads")
    bench.run()
    return bench


def test_the_hours_of_each_load_count_from_the_later_of_its_entry_and_the_run_of_the_chamber(loaded: Bench) -> None:
    (chamber,) = document(loaded, MONDAY + timedelta(hours=60))["chambers"]

    first, second = chamber["loads"]
    assert (first["load"], first["state"], first["hours"], first["lost_hours"]) == ("N-1", "waiting", 29.5, 30.5)
    assert (second["load"], second["hours"], second["restarted_at"]) == ("N-2", 20.0, None)
    ready_at = [datetime.fromisoformat(str(one["ready_at"])) for one in (first, second)]
    assert ready_at == [MONDAY + timedelta(hours=78.5), MONDAY + timedelta(hours=88)]
    assert "The clock started again at" in load_line(first)
    assert "too humid" in load_line(first)
    assert "Closed bags" in load_line(second)


def test_the_headline_names_what_is_ready_and_the_next_step_what_comes(loaded: Bench) -> None:
    early, late, ended = (document(loaded, MONDAY + timedelta(hours=h)) for h in (60, 79, 200))
    assert headline(early) == "No load is ready yet."
    assert next_step(early).startswith("Next: N-1 at ")
    assert headline(late) == "Ready to test: N-1."
    assert next_step(late).startswith("Next: N-2 at ")
    # The log ended at hour 100.
    assert headline(ended) == "No load is ready yet."
    assert next_step(ended) == "Bring the chamber log of N-1, N-2: without it no hours are shown."


def test_a_chamber_out_of_tolerance_breaks_its_loads(loaded: Bench) -> None:
    now = document(loaded, MONDAY + timedelta(hours=30, minutes=10))
    assert now["chambers"][0]["state"] == "outside"
    assert now["chambers"][0]["loads"][0]["state"] == "broken"
    assert next_step(now).startswith("Do not test N-1")


def test_a_load_that_was_taken_out_is_no_longer_listed(loaded: Bench) -> None:
    out = ((MONDAY + timedelta(hours=70)).isoformat(), "N-2", "C1", "out", "")
    loaded.drop("m.csv", csv_text(COLUMNS, [out]), "loads")
    loaded.run()
    loads = document(loaded, MONDAY + timedelta(hours=80))["chambers"][0]["loads"]
    assert [one["load"] for one in loads] == ["N-1"]


def test_without_loads_on_record_the_chambers_are_shown_and_the_page_asks_for_the_record(bench: Bench) -> None:
    bench.drop_climate("a.csv", MONDAY, 60)
    bench.run()
    now = document(bench, MONDAY + timedelta(hours=60))
    assert headline(now) == "1 chamber of 1 inside tolerance; no loads on record."
    assert next_step(now).startswith("Record what goes into a chamber and when")


def test_a_chamber_is_judged_by_the_conditioning_that_it_is_set_to(bench: Bench) -> None:
    second = """[conditioning.moderate]
humidity_percent = 50
humidity_tolerance = 5
temperature_c = 23
temperature_tolerance_c = 3
hours = 24
longest_gap_minutes = 60

"""
    named = LAB_TOML.replace("[[characteristic]]", '[[characteristic]]\nconditioning = "dry"')
    moderate = named.replace("[[characteristic]]", f"{second}[[characteristic]]", 1)
    bench.declare(moderate)
    bench.drop_climate("a.csv", MONDAY, 60)
    bench.drop_climate("b.csv", MONDAY, 60, humidity=51.0, chamber="C2")
    bench.run()
    chambers = document(bench, MONDAY + timedelta(hours=60))["chambers"]
    assert [(one["name"], one["conditioning"], one["state"]) for one in chambers] == [
        ("C1", "dry", "inside"),
        ("C2", "moderate", "inside"),
    ]


def test_the_demo_answers_what_was_loaded_on_friday(tmp_path_factory: pytest.TempPathFactory) -> None:
    lab = demo_lab(Path(str(tmp_path_factory.getbasetemp())))
    friday = datetime(2026, 11, 20, 10, tzinfo=UTC)

    shown = call(lab, "ready", "--at", friday.isoformat())
    as_json = json.loads(call(lab, "ready", "--at", friday.isoformat(), "--json").stdout)

    assert shown.stdout.startswith("Ready to test: north 178.\nNext: south 178 at Sun 22 Nov, 08:50")
    states = {one["load"]: one["state"] for chamber in as_json["chambers"] for one in chamber["loads"]}
    assert states == {"north 178": "ready", "south 178": "waiting"}
    assert "Test planned for Mon 23 Nov, 08:00." in shown.stdout
    before = call(lab, "ready", "--at", (friday - timedelta(hours=16)).isoformat()).stdout
    assert (
        "Do not test north 178 at Fri 20 Nov, 08:00 as planned: it is ready at Fri 20 Nov, 08:30 at the earliest."
        in before
    )
    assert call(lab, "ready", "--at", "friday").exit_code == 2


def plan(bench: Bench, name: str, hour: float, *, event: str = "planned", at: float = 41, load: str = "N-2") -> None:
    """A row of the record that plans the test of a load; hours since Monday."""
    written, planned = ((MONDAY + timedelta(hours=h)).isoformat() if h is not None else "" for h in (at, hour))
    rows = [(written, load, "C1", event, planned)]
    bench.drop(name, csv_text(("at", "load", "chamber", "event", "planned_test"), rows), "loads")
    bench.run()


def load_named(bench: Bench, name: str, hour: float):
    chambers = document(bench, MONDAY + timedelta(hours=hour))["chambers"]
    return next(one for chamber in chambers for one in chamber["loads"] if one["load"] == name)


def test_a_test_that_is_planned_before_its_load_is_ready_is_warned_of_and_one_after_it_is_not(loaded: Bench) -> None:
    # N-2 went in at hour 40: ready at hour 88, which is Friday 01:00.
    plan(loaded, "p.csv", 86)
    early = load_named(loaded, "N-2", 60)
    assert early["too_early"]
    assert datetime.fromisoformat(str(early["planned_at"])) == MONDAY + timedelta(hours=86)
    assert plan_line(early) == "Test planned for Thu 8 Jan, 23:00, but ready at Fri 9 Jan, 01:00 at the earliest."
    step = next_step(document(loaded, MONDAY + timedelta(hours=60)))
    assert "Do not test N-2 at Thu 8 Jan, 23:00 as planned: it is ready at Fri 9 Jan, 01:00 at the earliest." in step
    # Once the planned time has gone by, nobody can be kept from the test any more.
    gone = next_step(document(loaded, MONDAY + timedelta(hours=87)))
    assert "A test of N-2 at Thu 8 Jan, 23:00, as planned, was too early" in gone
    assert "Do not test N-2" not in gone

    plan(loaded, "q.csv", 88, at=42)
    later = load_named(loaded, "N-2", 60)
    assert (later["too_early"], plan_line(later)) == (False, "Test planned for Fri 9 Jan, 01:00.")
    assert "as planned" not in next_step(document(loaded, MONDAY + timedelta(hours=60)))
    # A plan without a time ends the plan.
    plan(loaded, "r.csv", None, at=43)
    assert load_named(loaded, "N-2", 60)["planned_at"] is None


def test_a_break_makes_a_plan_too_early_that_was_not_before(loaded: Bench) -> None:
    # N-1 went in at hour 0 and would have been ready at hour 48; one entry at hour 30 was too humid.
    plan(loaded, "p.csv", 49, event="in", at=0, load="N-1")
    assert [load_named(loaded, "N-1", hour)["too_early"] for hour in (29, 30.2, 40, 60)] == [False, True, True, True]
    assert load_named(loaded, "N-1", 30.2)["state"] == "broken"
    assert load_named(loaded, "N-1", 79)["too_early"] is False


def test_the_plans_of_two_lots_of_a_load_hold_side_by_side_until_one_for_the_whole_load_replaces_them(
    loaded: Bench,
) -> None:
    columns = ("at", "load", "chamber", "event", "supplier", "product", "lot", "planned_test")
    rows = [
        ((MONDAY + timedelta(hours=41)).isoformat(), "N-2", "C1", "in", "Alder Film", "MB-10", lot, (MONDAY + timedelta(hours=h)).isoformat())
        for lot, h in (("L1", 95), ("L2", 90))
    ]  # fmt: skip
    loaded.drop("two.csv", csv_text(columns, rows), "loads")
    loaded.run()
    first = load_named(loaded, "N-2", 60)
    assert datetime.fromisoformat(str(first["planned_at"])) == MONDAY + timedelta(hours=90)
    plan(loaded, "p.csv", 97, at=42)
    assert datetime.fromisoformat(str(load_named(loaded, "N-2", 60)["planned_at"])) == MONDAY + timedelta(hours=97)


def test_a_planned_test_of_a_load_that_was_never_put_in_is_warned_of_until_it_is_put_in(loaded: Bench) -> None:
    # The 48 hours end at hour 110 for a load that goes in at hour 62 at the latest.
    columns = ("at", "load", "chamber", "event", "supplier", "product", "lot", "planned_test")
    times = [(MONDAY + timedelta(hours=h)).isoformat() for h in (41, 110)]
    row = (times[0], "N-3", "C1", "planned", "Alder Film", "MB-10", "L9", times[1])
    loaded.drop("p.csv", csv_text(columns, [row]), "loads")
    loaded.run()

    early, late, gone, over = (document(loaded, MONDAY + timedelta(hours=h)) for h in (62, 62.1, 111, 110 + 24 * 14.1))
    (plan_of,) = early["not_put_in"]
    assert (plan_of["load"], plan_of["chamber"], plan_of["too_early"]) == ("N-3", "C1", False)
    assert datetime.fromisoformat(plan_of["put_in_by"]) == MONDAY + timedelta(hours=62)
    assert [one["lot"] for one in plan_of["lots"]] == ["L9"]
    assert (
        "A test of load N-3 is planned for Fri 9 Jan, 23:00, but the load was not put in. Put it in by Wed 7 Jan, 23:00, as it needs 48 h"
        in next_step(early)
    )
    assert [one.urgency for one in advice(early) if "N-3" in one.text] == [Urgency.RECORD]
    assert "is planned for Fri 9 Jan, 23:00, but the load was not put in, and it needs 48 h." in next_step(late)
    assert [one.urgency for one in advice(late) if "N-3" in one.text] == [Urgency.STOP]
    # Once the planned time has gone by, only the record can be put right; two weeks later nobody asks.
    assert "was planned for Fri 9 Jan, 23:00, but no record says that the load was put in" in next_step(gone)
    assert [one.urgency for one in advice(gone) if "N-3" in one.text] == [Urgency.RECORD]
    assert over["not_put_in"] == []
    shown = call(loaded.folder, "ready", "--at", (MONDAY + timedelta(hours=62)).isoformat()).stdout
    assert (
        "Planned, but not put in:\n  N-3, chamber C1: test planned for Fri 9 Jan, 23:00\n    Alder Film MB-10 L9"
        in shown
    )

    # A late record puts it in; its plan stays.
    plan(loaded, "q.csv", None, event="in", at=50, load="N-3")
    assert document(loaded, MONDAY + timedelta(hours=49))["not_put_in"] != []
    assert document(loaded, MONDAY + timedelta(hours=62))["not_put_in"] == []
    assert load_named(loaded, "N-3", 62)["planned_at"] == plan_of["planned_at"]


def test_a_plan_that_was_ended_or_made_months_ahead_asks_as_it_should(loaded: Bench) -> None:
    plan(loaded, "p.csv", 24 * 100, load="N-3")
    assert [one["load"] for one in document(loaded, MONDAY + timedelta(days=95))["not_put_in"]] == ["N-3"]
    plan(loaded, "q.csv", None, at=42, load="N-3")
    assert document(loaded, MONDAY + timedelta(days=95))["not_put_in"] == []
    # The plan of a load that went in long ago does not bring it back into the chamber.
    plan(loaded, "r.csv", 24 * 100, at=43, load="N-2")
    assert document(loaded, MONDAY + timedelta(days=95))["chambers"][0]["loads"] == []


def test_the_line_of_piled_bags_states_the_hours_of_a_stack(loaded: Bench) -> None:
    row = ((MONDAY + timedelta(hours=41)).isoformat(), "N-4", "C1", "in", "piled")
    loaded.drop("s.csv", csv_text(COLUMNS, [row]), "loads")
    loaded.run()
    piled, hung = load_named(loaded, "N-4", 60), load_named(loaded, "N-1", 60)
    assert piled["stack_hours"] == (16.5, 34.2)
    assert "Piled bags: the middle of a stack needs about 16 to 34 h by itself" in load_line(piled)
    assert hung["stack_hours"] is None
    assert "Piled" not in load_line(hung)
