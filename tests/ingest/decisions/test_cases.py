"""One cause is one case: over all its alerts, with an owner and a due date, and for longer than the alerts."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from email import message_from_bytes, policy
from math import inf
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from support.commands import document
from support.labs import MONDAY, NOW, Bench, lot_rows
from support.stores import on_both_stores

from dashboard.cli import main
from dashboard.delivery import weekly_digest
from dashboard.delivery.dispatch import deliver
from dashboard.queries import stored_documents
from dashboard.queries.lab_reader import LabReader
from dashboard.web.app import make_app, page
from ingest.alerts.case_groups import Episode, grouped
from ingest.config.lab import load
from ingest.rounds import rounds
from ingest.store.store import open_store

pytestmark = pytest.mark.usefixtures("lab_clock")

PAGE = {"Host": "127.0.0.1", "Origin": "http://127.0.0.1", "Sec-Fetch-Site": "same-origin"}
STREAM = ("Alder Film", "MB-10", "shielding_energy")
BEFORE, MOVED = 18, 8
USUAL, HIGH = 9.0, 14.0
ASKED = date(2026, 7, 6)


def week(number: int) -> datetime:
    return MONDAY + timedelta(weeks=number)


def rows(first: int, levels: list[float]) -> list[dict[str, object]]:
    rng = np.random.default_rng(first)
    readings = []
    for number, level in enumerate(levels, first):
        lot = level * np.exp(rng.normal(0, 0.03))
        values = [(lot * np.exp(rng.normal(0, 0.03, 3))).round(3).tolist() for _ in range(4)]
        readings += lot_rows(f"L{number:02d}", week(number), values)
    return readings


def moved(bench: Bench) -> None:
    """Steady lots, then some that have moved up by half."""
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 45)
    bench.drop_tests("all.csv", rows(0, [USUAL] * BEFORE + [HIGH] * MOVED))
    bench.run()


def cases_of(bench: Bench, *options: str) -> list[Any]:
    return list(document(bench.folder, "cases", *options))


def enter(bench: Bench, subjects: list[str], what: str, now: datetime = NOW, **fields: str) -> Any:
    browser = make_app(bench.folder, clock=lambda: now).server.test_client()
    sent = {"subject": subjects, "what": what, "who": "Bench 2", "reason": "see the report", **fields}
    return browser.post("/entry", data=sent, headers={**PAGE, "Accept": "text/html"})


def alerts_of(bench: Bench, *options: str) -> list[Any]:
    return list(document(bench.folder, "alerts", *options))


def digest_text(bench: Bench) -> str:
    reader = LabReader(bench.folder)
    with reader.reading() as connection:
        return weekly_digest.as_html(weekly_digest.document(connection, reader.lab, NOW), {}).replace("\xa0", " ")


def headline(bench: Bench, path: str = "/") -> str:
    return str(page(LabReader(bench.folder), path, ""))


# Which alerts are one case


@pytest.mark.parametrize(
    ("episodes", "cases"),
    [
        ([(5, "a", 5, 5), (9, "b", 9, 9)], {"a": "a", "b": "b"}),
        # A drift that began before an outlier, and is still there, has the outlier in its case.
        ([(30, "drift", 10, inf), (12, "outlier", 12, 20)], {"drift": "outlier", "outlier": "outlier"}),
        # One that links two others makes them one case.
        ([(5, "a", 5, 10), (20, "c", 20, 25), (30, "b", 8, 22)], {"a": "a", "b": "a", "c": "a"}),
        ([(5, "b", 5, 5), (5, "a", 5, 5)], {"a": "a", "b": "a"}),
        ([], {}),
    ],
)
def test_alerts_whose_time_overlaps_are_one_case_named_after_the_first(
    episodes: list[tuple[int, str, int, float]], cases: dict[str, str]
) -> None:
    for order in (episodes, episodes[::-1]):
        assert grouped(Episode(*one) for one in order) == cases


# How a case stands


def test_all_alerts_of_a_stream_are_answered_at_once_and_the_headline_is_quiet(bench: Bench) -> None:
    moved(bench)
    (case,) = cases_of(bench)
    open_alerts = [alert["id"] for alert in alerts_of(bench)]
    assert len(open_alerts) > 1
    assert set(open_alerts) <= set(case["alerts"])
    assert (case["state"], case["waiting"]) == ("new", True)
    assert "Alder Film" in headline(bench).split("H1")[1][:80]

    answer = enter(bench, [f"alert:{one}" for one in open_alerts], "acknowledge")

    assert answer.status_code == 303
    assert answer.headers["Location"] == f"/cases?case={open_alerts[0]}"
    assert {alert["state"] for alert in alerts_of(bench)} == {"acknowledged"}
    (case,) = cases_of(bench)
    assert (case["state"], case["waiting"]) == ("seen", False)
    assert "No supplier to call: nothing new in 1 stream. 1 case in hand." in headline(bench)


def test_an_error_in_one_of_several_answers_takes_back_all_and_keeps_what_was_written(bench: Bench) -> None:
    moved(bench)
    known = alerts_of(bench)[0]["id"]

    answer = enter(bench, [f"alert:{known}", "alert:unknown"], "acknowledge", reason="a <long> report")

    assert answer.status_code == 400
    assert "there is no such alert" in answer.text
    assert 'name="who" value="Bench 2"' in answer.text
    assert 'name="reason" value="a &lt;long&gt; report"' in answer.text
    assert f'name="subject" value="alert:{known}"' in answer.text
    assert '<button type="submit" name="what" value="acknowledge">' in answer.text
    assert {alert["state"] for alert in alerts_of(bench)} == {"open"}


def test_a_wrong_day_is_corrected_in_the_form_that_comes_back(bench: Bench) -> None:
    moved(bench)
    alert = cases_of(bench)[0]["alert"]

    answer = enter(bench, [f"alert:{alert}"], "supplier asked", on="18.03.2026")

    assert answer.status_code == 400
    assert '<input type="date" name="on" value="18.03.2026">' in answer.text
    assert enter(bench, [f"alert:{alert}"], "supplier asked", on=ASKED.isoformat()).status_code == 303


def test_the_name_that_was_written_last_is_in_the_next_form(bench: Bench) -> None:
    moved(bench)
    alert = cases_of(bench)[0]["alert"]
    browser = make_app(bench.folder, clock=lambda: NOW).server.test_client()
    sent = {"subject": f"alert:{alert}", "what": "note", "who": "Zoë Ó", "reason": "seen"}

    answer = browser.post("/entry", data=sent, headers=PAGE)

    assert "lotdrift-name=Zo%C3%AB%20%C3%93" in answer.headers["Set-Cookie"]
    assert "HttpOnly" in answer.headers["Set-Cookie"]


@on_both_stores
def test_an_alert_that_sleeps_comes_back_with_the_next_valid_lot(bench: Bench) -> None:
    moved(bench)
    subjects = [f"alert:{alert['id']}" for alert in alerts_of(bench)]

    enter(bench, subjects, "sleep")
    bench.run()
    assert [(one["state"], one["waiting"]) for one in cases_of(bench)] == [("asleep", False)]

    # A test without conditioning is no next lot.
    number = BEFORE + MOVED
    dry = lot_rows(f"L{number}", week(60), [[HIGH, HIGH]])
    bench.drop_tests("unlogged.csv", dry)
    rounds.run(load(bench.folder), week(61))
    assert [one["state"] for one in cases_of(bench)] == ["asleep"]

    bench.drop_tests("next.csv", rows(number + 1, [HIGH]))
    bench.run()
    (case,) = cases_of(bench)
    assert (case["state"], case["waiting"]) == ("new", True)


def test_an_alert_about_no_stream_can_not_sleep(bench: Bench) -> None:
    moved(bench)
    bench.drop_tests("short.csv", lot_rows("L99", MONDAY - timedelta(hours=30), [[9.0, 9.1]]))
    bench.run()
    climate = next(alert["id"] for alert in alerts_of(bench) if alert["kind"] == "climate")

    assert "no next lot would end it" in enter(bench, [f"alert:{climate}"], "sleep").text


def test_a_case_has_an_owner_and_a_due_date_and_a_mail_reminds_once_of_each(bench: Bench) -> None:
    moved(bench)
    alert = cases_of(bench)[0]["alert"]
    assert enter(bench, [f"alert:{alert}"], "assign", owner="Purchasing", due="2026-11-30").status_code == 303
    assert enter(bench, [f"alert:{alert}"], "assign", due="2026-11-01").status_code == 400
    assert enter(bench, [f"alert:{alert}"], "assign").status_code == 400
    (case,) = cases_of(bench)
    assert (case["owner"], case["due_on"], case["waiting"]) == ("Purchasing", "2026-11-30", False)

    lab = load(bench.folder)
    for day in (28, 29, 30, 31, 32):
        now = datetime(2026, 11, 1, 12, tzinfo=UTC) + timedelta(days=day)
        rounds.run(lab, now)
        deliver(open_store(bench.folder), lab, now, {})

    mails = [
        message_from_bytes(path.read_bytes(), policy=policy.default) for path in (bench.folder / "outbox").iterdir()
    ]
    overdue = [mail for mail in mails if "overdue" in mail["Subject"]]
    assert len(overdue) == 1
    text = overdue[0].get_body(("plain",)).get_content()
    assert "owner Purchasing" in text
    assert "due 30 Nov 2026" in text
    (case,) = cases_of(bench)
    assert (case["waiting"], case["overdue_days"]) == (True, 3)


@on_both_stores
def test_a_supplier_that_was_asked_stays_asked_after_a_new_baseline(bench: Bench) -> None:
    moved(bench)
    alert = next(one["id"] for one in alerts_of(bench) if one["kind"] == "drift")
    enter(bench, [f"alert:{alert}"], "supplier asked", on=ASKED.isoformat())
    assert [one["state"] for one in cases_of(bench)] == ["asked"]

    baseline = [
        "baseline",
        *STREAM,
        "--from",
        week(BEFORE).date().isoformat(),
        "--by",
        "Bench 2",
        "--because",
        "new film",
    ]
    done = CliRunner().invoke(main, [*baseline, "--lab", str(bench.folder)])
    assert done.exit_code == 0, done.stderr

    assert alert not in {one["id"] for one in alerts_of(bench, "--all")}
    (case,) = cases_of(bench)
    assert (case["state"], case["corrective_action"]["asked_on"]) == ("asked", ASKED.isoformat())
    assert alert in case["withdrawn"]
    assert "Case" in headline(bench, "/cases")
    supplier = str(page(LabReader(bench.folder), "/supplier", "?name=Alder+Film"))
    assert "supplier asked" in supplier or "answer overdue" in supplier
    # The answer is entered on what is left of the case, and a person closes it.
    answered = enter(
        bench, [f"alert:{alert}"], "supplier answered", on="2026-07-20", cause="a new roll", action="the old roll again"
    )
    assert answered.status_code == 303, answered.text
    assert [one["state"] for one in cases_of(bench)] == ["answered"]
    assert enter(bench, [f"alert:{alert}"], "close").status_code == 303
    assert cases_of(bench) == []
    assert [one["state"] for one in cases_of(bench, "--all")] == ["closed"]


@pytest.mark.parametrize("due", ["", "2026-12-10"])
def test_an_answer_ends_the_days_of_the_request_and_keeps_a_day_that_a_person_set(bench: Bench, due: str) -> None:
    moved(bench)
    alert = next(one["id"] for one in alerts_of(bench) if one["kind"] == "drift")
    enter(bench, [f"alert:{alert}"], "supplier asked", on=ASKED.isoformat())
    assert cases_of(bench)[0]["due_on"] == (ASKED + timedelta(days=14)).isoformat()
    if due:
        enter(bench, [f"alert:{alert}"], "assign", owner="Purchasing", due=due)
    enter(
        bench, [f"alert:{alert}"], "supplier answered", on="2026-07-20", cause="a new roll", action="the old roll again"
    )
    (case,) = cases_of(bench)
    assert case["due_on"] == (due or None)


def test_a_request_asks_to_wait_until_its_due_day_and_to_remind_only_after_it(bench: Bench) -> None:
    moved(bench)
    alert = next(one["id"] for one in alerts_of(bench) if one["kind"] == "drift")
    enter(bench, [f"alert:{alert}"], "supplier asked", on=NOW.date().isoformat())
    pages = {
        "/": "",
        "/supplier": "?name=Alder+Film",
        "/stream": "?supplier=Alder+Film&product=MB-10&characteristic=shielding_energy",
    }
    for days, step in (
        (0, "Wait for the answer until 9 Dec 2026"),
        (14, "Wait for the answer until 9 Dec 2026"),
        (15, "Remind Alder Film"),
    ):
        rounds.run(load(bench.folder), NOW + timedelta(days=days))
        for path, search in pages.items():
            text = str(page(LabReader(bench.folder), path, search))
            assert step in text, (days, path)
            assert ("Remind" in text) == (days > 14), (days, path)


@pytest.mark.parametrize(("due", "in_digest"), [("2026-12-31", "due 31 Dec 2026"), ("2026-11-25", "due 25 Nov 2026")])
def test_a_due_date_that_a_person_set_stays_when_the_supplier_is_asked(bench: Bench, due: str, in_digest: str) -> None:
    moved(bench)
    alert = next(one["id"] for one in alerts_of(bench) if one["kind"] == "drift")
    enter(bench, [f"alert:{alert}"], "assign", owner="Purchasing", due=due)

    enter(bench, [f"alert:{alert}"], "supplier asked", on="2026-11-25")

    assert cases_of(bench)[0]["due_on"] == due
    assert in_digest in digest_text(bench)
    # A person changes it.
    enter(bench, [f"alert:{alert}"], "assign", due="2026-12-20")
    enter(bench, [f"alert:{alert}"], "supplier asked", on="2026-11-25")
    assert cases_of(bench)[0]["due_on"] == "2026-12-20"


def test_a_due_date_before_the_request_is_none_for_its_answer(bench: Bench) -> None:
    moved(bench)
    alert = next(one["id"] for one in alerts_of(bench) if one["kind"] == "drift")
    enter(bench, [f"alert:{alert}"], "assign", due="2026-11-25")

    enter(bench, [f"alert:{alert}"], "supplier asked", NOW + timedelta(days=3), on="2026-11-28")

    assert cases_of(bench)[0]["due_on"] == "2026-12-12"


def test_the_digest_reminds_of_no_notice_whose_agreed_day_has_not_come(bench: Bench) -> None:
    moved(bench)
    alert = next(one["id"] for one in alerts_of(bench) if one["kind"] == "drift")
    enter(bench, [f"alert:{alert}"], "supplier asked", on=ASKED.isoformat())
    assert "notice on " in digest_text(bench)

    enter(bench, [f"alert:{alert}"], "assign", due="2026-12-31")

    assert "notice on " not in digest_text(bench)


def test_both_alerts_of_a_case_know_the_corrective_action_and_it_is_counted_once(bench: Bench) -> None:
    moved(bench)
    alert = next(one["id"] for one in alerts_of(bench) if one["kind"] == "drift")

    enter(bench, [f"alert:{alert}"], "supplier asked", on=ASKED.isoformat())

    actions = [one["corrective_action"] for one in alerts_of(bench)]
    assert len(actions) > 1
    assert {action["asked_on"] for action in actions} == {ASKED.isoformat()}
    supplier = str(page(LabReader(bench.folder), "/supplier", "?name=Alder+Film"))
    assert "1 notice" in supplier or "1 asked" in supplier


def test_a_step_of_an_earlier_version_answers_the_alerts_of_its_day(bench: Bench) -> None:
    moved(bench)
    alert = next(one["id"] for one in alerts_of(bench) if one["kind"] == "drift")
    enter(bench, [f"alert:{alert}"], "supplier asked", on="2026-11-20")
    with open_store(bench.folder).writing() as connection:
        connection.exec_driver_sql("UPDATE act SET body = '{\"on\": \"2026-11-20\"}', about = ''")

    assert [(one["state"], one["waiting"]) for one in cases_of(bench)] == [("asked", False)]


def test_new_evidence_in_a_case_that_was_answered_waits_again(bench: Bench) -> None:
    moved(bench)
    alert = next(one["id"] for one in alerts_of(bench) if one["kind"] == "drift")
    enter(bench, [f"alert:{alert}"], "supplier asked", on="2026-11-20")
    assert [one["waiting"] for one in cases_of(bench)] == [False]

    bench.drop_tests("next.csv", rows(BEFORE + MOVED, [30.0]))
    bench.run()

    (case,) = cases_of(bench)
    assert (case["state"], case["waiting"], case["grade"]) == ("new", True, "act")


def test_rounds_drop_by_drop_and_one_round_end_in_the_same_cases(bench: Bench, tmp_path: Any) -> None:
    other = Bench(tmp_path / "at-once")
    for lab in (bench, other):
        lab.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 45)
    levels = [USUAL] * BEFORE + [HIGH] * MOVED + [30.0, USUAL, USUAL]
    for number, level in enumerate(levels):
        for lab in (bench, other):
            lab.drop_tests(f"{number:02d}.csv", rows(number, [level]))
        if number >= BEFORE:
            bench.run()
    other.run()

    assert cases_of(bench, "--all") == cases_of(other, "--all") != []


def test_a_case_of_the_demo_is_the_same_on_alerts_board_and_command(bench: Bench) -> None:
    moved(bench)
    (case,) = cases_of(bench)
    reader = LabReader(bench.folder)
    with reader.reading() as connection:
        assert case["alert"] in {one["id"] for one in stored_documents.alerts(connection, reader.lab)}
    shown = headline(bench, "/alerts")
    assert shown.count("className='button first'") == 1
    assert "1 open case: 1 to respond to" in shown
