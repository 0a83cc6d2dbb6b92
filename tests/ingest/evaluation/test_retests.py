"""The lots to test again, and the chambers in which a test is not valid yet."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any, get_args

import pytest
from support.commands import call, document
from support.labs import MONDAY, NOW, Bench, lot_rows
from support.stores import on_both_stores

from dashboard.queries import retest_list
from dashboard.queries.lab_reader import LabReader
from dashboard.text.retest_text import REASONS, chambers_to_wait_for, to_do
from dashboard.web.app import make_app, page
from ingest.documents.retest import RetestReason
from ingest.evaluation.retests import SessionResult, retest_of
from ingest.sessions.conditioning import State
from ingest.sessions.suspect_values import SET_ASIDE
from spc.vocabulary.enums import Verdict

pytestmark = pytest.mark.usefixtures("lab_clock")

PAGE = {"Host": "127.0.0.1", "Origin": "http://127.0.0.1", "Sec-Fetch-Site": "same-origin"}
GOOD, BAD = [[10.0, 10.5], [11.0, 10.2]], [[30.0, 31.0], [29.0, 32.0]]
# Longer than a session lasts, and than the hours in the chamber.
LATER = timedelta(days=7)


def result(number: int, verdict: str, conditioning: str = "valid", settled: str | None = None) -> SessionResult:
    return SessionResult(number, number, conditioning, verdict, settled)


@pytest.mark.parametrize(
    ("sessions", "reason"),
    [
        ([result(1, "pass")], None),
        ([result(1, "unlimited")], None),
        ([result(1, "invalid", "short")], "short"),
        ([result(1, "invalid", "humid"), result(2, "invalid", "unlogged")], "unlogged"),
        ([result(1, "invalid", "humid"), result(2, "pass")], None),
        # A later test that does not count takes nothing away from one that does.
        ([result(1, "pass"), result(2, "invalid", "humid")], None),
        ([result(1, "fail"), result(2, "invalid", "humid")], "fail"),
        ([result(1, "fail"), result(2, "pass")], None),
        # A second valid test confirms the failure.
        ([result(1, "fail"), result(2, "fail")], None),
        ([result(1, "pass"), result(2, "fail")], "fail"),
        ([result(1, "undecided")], "undecided"),
        ([result(1, "undecided"), result(2, "undecided")], "undecided"),
        ([result(1, "pass", settled=SET_ASIDE)], SET_ASIDE),
        ([result(1, "pass", settled="stands as written")], None),
        ([result(1, "fail"), result(2, "pass", settled=SET_ASIDE)], "fail"),
    ],
)
def test_a_lot_is_tested_again_until_a_valid_test_settles_it(sessions: list[SessionResult], reason: str | None) -> None:
    retest = retest_of(sessions)

    assert (None if retest is None else retest.reason) == reason


def test_every_reason_why_a_test_does_not_count_has_words_and_advice() -> None:
    reasons = {*State} - {State.VALID} | {SET_ASIDE, Verdict.FAIL, Verdict.UNDECIDED}

    assert set(get_args(RetestReason)) == set(REASONS) == reasons
    assert all("48 h" in to_do(reason, 48.0) for reason in REASONS)


def on_list(bench: Bench) -> dict[str, str]:
    return {one["lot"]: one["reason"] for one in document(bench.folder, "retest")}


@on_both_stores
def test_a_lot_leaves_the_list_with_a_valid_retest(bench: Bench) -> None:
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 30)
    early = MONDAY - timedelta(hours=30)
    bench.drop_tests(
        "first.csv", lot_rows("L1", early, GOOD) + lot_rows("L2", MONDAY, BAD) + lot_rows("L3", MONDAY, GOOD)
    )
    bench.run()
    assert on_list(bench) == {"L1": "short", "L2": "fail"}

    bench.drop_tests("second.csv", lot_rows("L1", MONDAY + LATER, GOOD))
    bench.run()
    assert on_list(bench) == {"L2": "fail"}

    bench.drop_tests("third.csv", lot_rows("L2", MONDAY + LATER, GOOD))
    bench.run()
    assert on_list(bench) == {}


def test_a_person_takes_a_lot_off_the_list_and_puts_it_back(bench: Bench) -> None:
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 30)
    bench.drop_tests("first.csv", lot_rows("L1", MONDAY, BAD) + lot_rows("L2", MONDAY, BAD))
    bench.run()
    browser = make_app(bench.folder, clock=lambda: NOW).server.test_client()

    def enter(what: str, lot: str = "L1") -> None:
        answer = browser.post(
            "/entry",
            data={"subject": f'lot:["Alder Film", "{lot}"]', "what": what, "who": "Bench 2", "reason": "none left"},
            headers=PAGE,
        )
        assert answer.status_code == 303, answer.text

    enter("hold")
    assert on_list(bench) == {"L1": "fail", "L2": "fail"}
    enter("no retest")
    assert on_list(bench) == {"L2": "fail"}
    enter("test again")
    assert on_list(bench) == {"L1": "fail", "L2": "fail"}
    enter("return")
    assert on_list(bench) == {"L2": "fail"}
    lot = str(page(LabReader(bench.folder), "/lot", "?supplier=Alder+Film&lot=L1"))
    assert "Decided: return, by Bench 2" in lot


def log(bench: Bench, hours: float, humidity: float, start: float) -> None:
    bench.drop_climate(f"log-{start:g}.csv", NOW + timedelta(hours=start), hours, humidity)


def headings(bench: Bench, path: str) -> str:
    made: Any = page(LabReader(bench.folder), path, "")
    return re.sub(r"\s+", " ", str(made))


@on_both_stores
@pytest.mark.parametrize(
    ("back_hours_ago", "words"),
    [
        (42.0, "was too humid from 22 Nov 2026, 23:30 to 23 Nov 2026, 18:00: valid again from 25 Nov 2026, 18:00."),
        (48.0, ""),
        (None, "is too humid since 22 Nov 2026, 23:30: no valid test before 48 h after it is back."),
    ],
)
def test_a_chamber_out_of_tolerance_is_in_the_headline_with_the_hours_to_wait(
    bench: Bench, back_hours_ago: float | None, words: str
) -> None:
    log(bench, 137.5, 12.0, -198.0)
    if back_hours_ago is None:
        log(bench, 60.5, 16.0, -60.5)
    else:
        log(bench, 60.0 - back_hours_ago, 16.0, -60.5)
        log(bench, back_hours_ago, 12.0, -back_hours_ago)
    bench.drop_tests("first.csv", lot_rows("L1", NOW - timedelta(hours=100), GOOD))
    bench.run()

    reader = LabReader(bench.folder)
    with reader.reading() as connection:
        sentences = chambers_to_wait_for(retest_list.chamber_states(connection, reader.lab, NOW))

    assert sentences == ([f"Chamber C1 {words}"] if words else [])
    for path in ("/", "/bench", "/retest"):
        assert (f"Chamber C1 {words}" in headings(bench, path)) is bool(words)


@on_both_stores
def test_a_silent_log_is_named_with_its_last_entry_where_tests_are_planned_again(bench: Bench) -> None:
    within = "Every chamber with a log is within tolerance"
    log(bench, 198.0, 12.0, -198.0)
    bench.drop_climate("c2.csv", NOW - timedelta(hours=198), 196, chamber="C2")
    bench.drop_tests("first.csv", lot_rows("L1", NOW - timedelta(hours=100), GOOD))
    bench.run()
    silent = "Chamber C2: no log entry since 25 Nov 2026, 10:00; bring its log, a test is not valid without it."
    for shown in (headings(bench, "/retest"), call(bench.folder, "retest").stdout):
        assert silent in shown
        assert "Chamber C1: no log entry" not in shown
        assert within not in shown
    # The page Ready calls the same log silent, since the same entry.
    assert "Chamber C2: no log entry since Wed 25 Nov, 10:00" in headings(bench, "/ready")

    bench.drop_climate("c2-rest.csv", NOW - timedelta(hours=2), 2, chamber="C2")
    bench.run()
    assert "no log entry" not in headings(bench, "/retest")
    assert within in headings(bench, "/retest")


def test_rounds_drop_by_drop_and_one_round_end_in_the_same_list(bench: Bench) -> None:
    drops = [
        ("one.csv", lot_rows("L1", MONDAY - timedelta(hours=30), GOOD) + lot_rows("L2", MONDAY, BAD)),
        ("two.csv", lot_rows("L1", MONDAY + LATER, BAD)),
        ("three.csv", lot_rows("L2", MONDAY + LATER, GOOD) + lot_rows("L4", MONDAY + LATER, BAD)),
    ]
    other = Bench(bench.folder.parent / "at-once")
    for lab in (bench, other):
        lab.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 30)
    for name, rows in drops:
        bench.drop_tests(name, rows)
        other.drop_tests(name, rows)
        bench.run()
    other.run()

    assert document(bench.folder, "retest") == document(other.folder, "retest") != []


def test_a_lot_whose_fresh_bags_are_in_a_load_says_before_when_a_test_would_not_be_valid(bench: Bench) -> None:
    put_in = NOW - timedelta(hours=10)
    bench.drop_tests("t.csv", lot_rows("L1", MONDAY, BAD))
    bench.drop_climate("c.csv", MONDAY - timedelta(hours=60), 61)
    bench.drop_climate("d.csv", NOW - timedelta(hours=20), 20)
    (bench.folder / "drops" / "loads").mkdir()
    event = f"at,load,chamber,event,supplier,product,lot\n{put_in.isoformat()},178,C1,in,Alder Film,MB-10,L1\n"
    bench.drop("l.csv", event, "loads")
    bench.run()
    (row,) = document(bench.folder, "retest", "--json")
    assert (row["load"], row["not_before_at"]) == ("178", (put_in + timedelta(hours=48)).isoformat())
    assert row["to_do"].endswith("Bags of it are in load 178: a test before 27 Nov 2026, 02:00 would not be valid.")

    # Once the hours are complete there is nothing to warn of.
    bench.drop_climate("e.csv", NOW, 40)
    bench.run(NOW + timedelta(hours=39))
    (row,) = document(bench.folder, "retest", "--json")
    assert (row["load"], row["not_before_at"]) == (None, None)
