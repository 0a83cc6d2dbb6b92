"""The week's summary: when it goes, what it holds, and how it is shown."""

from __future__ import annotations

import re
import shutil
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from playwright.sync_api import Browser
from support.alarms import WEDNESDAY, Alarms, text_of
from support.demolab import demo_lab
from support.labs import LAB_TOML, Bench, lot_rows
from support.receivers import MailBox, free_port, mail_server

from dashboard.delivery import weekly_digest
from dashboard.queries import stored_documents
from dashboard.queries.lab_reader import LabReader
from dashboard.web import digest_page, serve
from dashboard.web.app import make_app
from ingest.audit.audit_log import AuditEntry, record
from ingest.audit.subjects import Subject
from ingest.config.lab import load

NEXT_MONDAY = datetime(2026, 11, 30, 7, tzinfo=UTC)
NAME = "digest-2026-11-30.eml"
ELEMENTS = {
    "html", "head", "meta", "title", "style", "body", "main", "h1", "h2", "ul", "li", "p", "svg", "line", "polyline", "polygon",
    "circle",
}  # fmt: skip
HOSTILE = '<img src=x onerror="alert(1)">&amp;\x1b'


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


# When


@pytest.mark.parametrize(
    ("zone", "now", "monday"),
    [
        # Lisbon keeps UTC in winter and is an hour ahead in summer; the clocks change on 29 March and 25 October 2026.
        ("Europe/Lisbon", "2026-11-23T06:59:59", "2026-11-16T07:00:00+00:00"),
        ("Europe/Lisbon", "2026-11-23T07:00:00", "2026-11-23T07:00:00+00:00"),
        ("Europe/Lisbon", "2026-07-20T05:59:59", "2026-07-13T07:00:00+01:00"),
        ("Europe/Lisbon", "2026-07-20T06:00:00", "2026-07-20T07:00:00+01:00"),
        ("Europe/Lisbon", "2026-10-26T06:59:59", "2026-10-19T07:00:00+01:00"),
        ("Europe/Lisbon", "2026-10-25T23:59:59", "2026-10-19T07:00:00+01:00"),
        # There Monday at seven comes on Sunday evening, UTC.
        ("Pacific/Auckland", "2026-11-22T18:00:00", "2026-11-23T07:00:00+13:00"),
        ("Pacific/Auckland", "2026-11-22T17:59:59", "2026-11-16T07:00:00+13:00"),
    ],
)
def test_it_is_due_on_monday_at_seven_by_the_labs_zone(tmp_path: Path, zone: str, now: str, monday: str) -> None:
    Bench(tmp_path, LAB_TOML.replace("Europe/Lisbon", zone))

    assert weekly_digest.due_at(utc(now), load(tmp_path)).isoformat() == monday


def test_it_goes_once_a_week_from_the_first_monday_on(tmp_path: Path) -> None:
    alarms = Alarms(tmp_path)
    alarms.deliver()
    before_monday = list(alarms.outbox())
    for hour in range(0, 24 * 12, 6):
        alarms.clock = WEDNESDAY + timedelta(hours=hour)
        alarms.deliver()

    assert before_monday == []
    assert list(alarms.outbox()) == [NAME]
    alarms.deliver(after=timedelta(days=7))
    assert list(alarms.outbox()) == [NAME, "digest-2026-12-07.eml"]


def test_the_turn_of_monday_sends_it_and_a_round_beside_it_does_not_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    alarms = Alarms(tmp_path)
    monkeypatch.setattr(serve, "now", lambda: NEXT_MONDAY)
    serve._monday(tmp_path)
    assert list(alarms.outbox()) == [NAME]
    before = (tmp_path / "outbox" / NAME).stat().st_mtime_ns

    serve._round(tmp_path)
    serve._monday(tmp_path)

    assert list(alarms.outbox()) == [NAME]
    assert (tmp_path / "outbox" / NAME).stat().st_mtime_ns == before
    assert alarms.states() == {"sent": 1}


def test_a_monday_that_fails_says_why_and_the_server_goes_on(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    alarms = Alarms(tmp_path)
    alarms.bench.declare("[lab]\n")

    serve._monday(tmp_path)

    assert [record.getMessage()[:9] for record in caplog.records] == ["lab.toml,"]


def test_a_lab_that_slept_over_several_mondays_gets_the_last_one(tmp_path: Path) -> None:
    alarms = Alarms(tmp_path)

    alarms.deliver(after=timedelta(days=21))

    assert list(alarms.outbox()) == ["digest-2026-12-14.eml"]


@pytest.mark.parametrize(
    ("declared", "readers"),
    [
        ("", {"all@example.org"}),
        ('[digest]\nto = ["head@example.org", "buyer@example.org"]\n', {"head@example.org", "buyer@example.org"}),
        ("[digest]\nto = []\n", set()),
    ],
)
def test_it_goes_to_its_own_readers_or_to_those_of_all_mail(tmp_path: Path, declared: str, readers: set[str]) -> None:
    box, port = MailBox(), free_port()
    mail = f'[mail]\nserver = "127.0.0.1"\nport = {port}\nsecurity = "none"\nfrom = "a@example.org"\nto = ["all@example.org"]\n'
    alarms = Alarms(tmp_path, mail + declared)

    with mail_server(box, port):
        alarms.deliver(after=timedelta(days=6))
        alarms.deliver(after=timedelta(hours=1))

    assert {reader for reader, _ in box.mails} == readers
    assert len(box.mails) == len(readers)


def test_without_a_mail_server_nobody_as_reader_means_no_file(tmp_path: Path) -> None:
    alarms = Alarms(tmp_path, "[digest]\nto = []\n")

    alarms.deliver(after=timedelta(days=6))

    assert alarms.outbox() == {}


# What


@pytest.fixture(scope="module")
def history(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three streams with a history: one rises to its limit, one is steady, one stopped in summer."""
    folder = tmp_path_factory.mktemp("history")
    bench = Bench(folder)
    start = datetime(2026, 3, 2, 9, tzinfo=UTC)
    bench.drop_climate("log.csv", start - timedelta(hours=72), 24 * 7 * 40)
    rows = []
    for number in range(38):
        tested = start + timedelta(weeks=number)
        rows += [
            *_lot(f"R{number}", tested, 9.0 * 1.015 ** max(number - 12, 0), supplier="Alder Film"),
            *_lot(f"S{number}", tested + timedelta(hours=1), 6.0, supplier="Birch Film"),
            *(_lot(f"Q{number}", tested + timedelta(hours=2), 7.0, supplier="Cedar Film") if number < 20 else []),
        ]
    bench.drop_tests("lots.csv", rows)
    bench.run(WEDNESDAY)
    return folder


@pytest.fixture
def lab(history: Path, tmp_path: Path) -> Alarms:
    """A copy of it that a test may change."""
    shutil.copytree(history, tmp_path, dirs_exist_ok=True)
    return Alarms(tmp_path)


def _lot(name: str, tested: datetime, level: float, **about: str) -> list[dict[str, object]]:
    wobble = 1 + 0.03 * ((hash_of(name) % 7) - 3)
    values = [[round(level * wobble * (1 + 0.02 * (bag - 1)), 3)] * 2 for bag in range(3)]
    return lot_rows(name, tested, values, **about)


def hash_of(name: str) -> int:
    return sum(map(ord, name)) * 2654435761 % 2**32


def week_of(alarms: Alarms, moment: datetime = NEXT_MONDAY) -> dict[str, Any]:
    with alarms.store.reading() as connection:
        return weekly_digest.document(connection, load(alarms.folder), moment)


def test_it_names_the_streams_that_come_closest_with_the_figures_of_the_board(lab: Alarms) -> None:
    week = week_of(lab)
    with lab.store.reading() as connection:
        board = {row["supplier"]: row for row in stored_documents.board(connection, load(lab.folder))}

    assert week["closest"][0]["supplier"] == "Alder Film"
    chances = [row["breach_probability"] for row in week["closest"]]
    # Under 1 % a stream is close to no limit.
    shares = sorted((row["breach_probability"] for row in board.values()), reverse=True)
    assert shares[-1] < 0.01
    assert chances == [share for share in shares if share >= 0.01]
    for row in week["closest"]:
        assert row == board[row["supplier"]]


def test_it_names_what_was_silent(lab: Alarms) -> None:
    text = weekly_digest.as_message(week_of(lab), {}, None).text

    silent = text.split("No new lots\n")[1].split("\n\n")[0]
    assert silent == "- Cedar Film MB-10, shielding energy: last lot Q19 on 13 Jul 2026"


def test_it_counts_the_weeks_tests_and_tells_what_is_new_open_and_settled(lab: Alarms) -> None:
    week = week_of(lab, datetime(2026, 11, 23, 7, tzinfo=UTC))
    # Week 37 was tested on Monday 16 November at nine and ten.
    assert sum(week["tested"].values()) == 2

    lab.raise_alert("fresh", raised_us=1_763_600_000_000_000, message="found late")
    lab.raise_alert("note", grade="note", message="a note")
    lab.raise_alert("held", held_under="fresh", message="explained")
    lab.raise_alert("done", state="closed", message="was settled")
    lab.deliver()
    with lab.store.writing() as connection:
        record(
            connection,
            AuditEntry(WEDNESDAY + timedelta(hours=1), "K.", "close", Subject.alert("done"), "other film", {}),
        )
    week = week_of(lab)

    new = [alert["message"] for alert in week["new"]]
    assert "found late" in new
    assert not {"a note", "explained"} & set(new)
    assert [(alert["message"], alert["reason"]) for alert in week["settled"]] == [("was settled", "other film")]
    messages = [alert["message"] for alert in week["open"]]
    assert {"found late", "a note"} <= set(messages)
    assert not {"explained", "was settled"} & set(messages)
    grades = [alert["grade"] for alert in week["open"]]
    assert grades == sorted(grades)  # act, look, note


def test_no_line_names_a_day_twice(tmp_path_factory: pytest.TempPathFactory) -> None:
    lab = demo_lab(tmp_path_factory.getbasetemp())
    client = make_app(lab).server.test_client()

    lines = " ".join(
        client.get("/digest", headers={"Host": "127.0.0.1"})
        .text.replace("&nbsp;", " ")
        .replace("\N{NO-BREAK SPACE}", " ")
        .split()
    )

    assert "(as of 12 Jun 2026)" in lines
    assert re.findall(r"\(as of ([^)]*)\)\s*\(\1", lines) == []


def test_a_week_in_which_nothing_happened_says_so(tmp_path: Path) -> None:
    letter = weekly_digest.as_message(week_of(Alarms(tmp_path)), {}, None)

    assert letter.subject == "[lotdrift] Week to 30 Nov 2026: 0 new alerts, 0 open, 0 urgent"
    assert [part.split("\n") for part in letter.text.split("\n\n")[1:6]] == [
        ["What changed", "- Nothing new."],
        ["Cases", "- No open case."],
        ["What else is open", "- Nothing else is open."],
        ["Closest to a limit", "- No forecast shows a chance of a failing lot of 1 % or more."],
        ["No new lots", "- None: every stream had a lot in its usual time."],
    ]


def test_the_mail_holds_the_same_lines_as_text_and_as_a_page(lab: Alarms) -> None:
    lab.raise_alert("fresh", message="found late")
    lab.deliver(after=timedelta(days=6))

    mail = lab.outbox()[NAME]
    page = mail.get_body(("html",))
    assert page is not None
    # The page keeps numbers and units together with no-break spaces.
    shown = " ".join("".join(_Words.of(str(page.get_content()))).split())
    lines = [line.removeprefix("- ") for line in text_of(mail).splitlines() if line.startswith("- ")]
    assert len(lines) > 5
    assert all(line in shown for line in lines)


def test_on_the_page_a_line_is_a_sentence_with_its_name_as_the_link(lab: Alarms) -> None:
    with lab.store.reading() as connection:
        week = weekly_digest.document(connection, load(lab.folder), NEXT_MONDAY)
        page = weekly_digest.as_html(week, stored_documents.all_sketches(connection), "")

    linked = re.findall(r"<li>([^<]*)<a [^>]*>([^<]*)</a>([^<]*)", page)
    assert ("Alder Film MB-10, shielding energy", True) in [(name, bool(rest)) for _, name, rest in linked]
    # A line that is all link would be underlined from end to end.
    assert not [name for _, name, rest in linked if not rest and len(name) > 60]


class _Words(HTMLParser):
    """The words of a page, and its elements with their attributes."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self.elements: list[tuple[str, list[tuple[str, str | None]]]] = []

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, attributes))

    @classmethod
    def of(cls, page: str) -> list[str]:
        parser = cls()
        parser.feed(page)
        return parser.words

    @classmethod
    def elements_of(cls, page: str) -> list[tuple[str, list[tuple[str, str | None]]]]:
        parser = cls()
        parser.feed(page)
        return parser.elements


def hostile_page(alarms: Alarms) -> str:
    alarms.raise_alert("evil", supplier=HOSTILE, message=f"{HOSTILE}: rising {'x' * 300}")
    with alarms.store.writing() as connection:
        connection.exec_driver_sql("UPDATE stream SET supplier = ? WHERE supplier = 'Alder Film'", (HOSTILE,))
    with alarms.store.reading() as connection:
        week = weekly_digest.document(connection, load(alarms.folder), NEXT_MONDAY)
        return weekly_digest.as_html(week, stored_documents.all_sketches(connection))


def test_hostile_names_stay_text_on_the_page(lab: Alarms) -> None:
    parser = _Words()
    page = hostile_page(lab)
    parser.feed(page)

    assert {tag for tag, _ in parser.elements} <= ELEMENTS
    assert not [name for _, attributes in parser.elements for name, _ in attributes if name.startswith("on")]
    assert "\x1b" not in page
    assert any('<img src=x onerror="alert(1)">&amp;' in word for word in parser.words)


def test_the_page_on_the_dashboard_and_in_a_mail_leads_to_the_pages_it_names(lab: Alarms) -> None:
    lab.raise_alert("fresh", message="found late")
    week = week_of(lab)
    client = make_app(lab.folder).server.test_client()

    page = weekly_digest.as_html(week, {}, base="")
    mail = weekly_digest.as_message(week, {}, "http://bench-pc:8050/").html
    links = [dict(attributes)["href"] or "" for tag, attributes in _Words.elements_of(page) if tag == "a"]

    assert len(links) > 4
    assert {link.partition("?")[0] for link in links} == {"/", "/alerts", "/cases", "/stream"}
    assert all(client.get(link, headers={"Host": "127.0.0.1"}).status_code == 200 for link in links)
    assert [dict(found)["href"] for tag, found in _Words.elements_of(mail) if tag == "a"] == [
        f"http://bench-pc:8050{link}" for link in links
    ]
    # A file that is opened from a folder leads nowhere.
    assert not [tag for tag, _ in _Words.elements_of(weekly_digest.as_html(week, {})) if tag == "a"]


def test_the_page_stands_alone(lab: Alarms) -> None:
    page = hostile_page(lab).replace("http://www.w3.org/2000/svg", "")

    assert not re.search(r"https?://|@import|url\(|<script|<link", page)
    assert '<meta name="viewport" content="width=device-width,initial-scale=1">' in page
    # The one stream of the three that is close to its limit.
    assert page.count("<svg") == 1


def test_the_page_fits_a_phone(lab: Alarms, browser: Browser) -> None:
    page = browser.new_page(viewport={"width": 360, "height": 740})
    page.set_content(hostile_page(lab))
    width = page.evaluate("document.documentElement.scrollWidth")
    smallest = page.evaluate(
        "Math.min(...[...document.querySelectorAll('li')].map(e => parseFloat(getComputedStyle(e).fontSize)))"
    )
    page.close()

    assert width <= 360
    assert smallest >= 16


def test_the_dashboard_serves_it_at_any_time(lab: Alarms, tmp_path: Path) -> None:
    server = Flask("test")
    digest_page.add_digest(server, LabReader(tmp_path))

    answer = server.test_client().get("/digest")

    assert answer.status_code == 200
    assert answer.content_type == "text/html; charset=utf-8"
    assert "Closest to a limit" in answer.text


def test_before_the_first_round_there_is_no_page(tmp_path: Path) -> None:
    Bench(tmp_path)
    answer = make_app(tmp_path).server.test_client().get("/digest", headers={"Host": "127.0.0.1"})

    assert (answer.status_code, "No data yet." in answer.text) == (404, True)


def test_a_summary_left_half_sent_by_a_kill_is_the_same_file_again(
    lab: Alarms, monkeypatch: pytest.MonkeyPatch
) -> None:
    from dashboard.delivery import dispatch

    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    lab.deliver()
    with monkeypatch.context() as patched:
        patched.setattr(dispatch.delivery_queue, "mark_sent", interrupt)
        with pytest.raises(KeyboardInterrupt):
            lab.deliver(after=timedelta(days=6))
    path = lab.folder / "outbox" / NAME
    before = path.read_bytes()

    lab.deliver(after=timedelta(hours=1))

    assert path.read_bytes() == before
    assert len([name for name in lab.outbox() if name.startswith("digest")]) == 1
    assert set(lab.states()) == {"sent"}
