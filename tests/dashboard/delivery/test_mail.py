"""What a mail says and how it looks on the wire, and conversations with a mail server that goes wrong in every way."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from email import message_from_bytes
from email.policy import default
from pathlib import Path
from typing import Any

import pytest
from support.alarms import LATER, Alarms, text_of
from support.receivers import PASSWORD, USER, MailBox, authority_file, dripping, free_port, mail_server

from dashboard.charts.sparkline import SparklineData
from dashboard.delivery.alert_messages import LOOK_AT, Message, MessageContext, about_many, about_one
from dashboard.delivery.mail_message import as_mail, message_id
from dashboard.text.formatting import CAUTIONS
from spc.vocabulary.enums import Kind

PATIENCE = 60  # seconds
MOMENT = datetime(2026, 11, 25, 12, tzinfo=UTC)
STREAM = ("Alder Film", "MB-10", "shielding_energy")
AROUND = MessageContext(
    lab_name="Test bench",
    horizon_weeks=13.0,
    dashboard=None,
    rows={STREAM: {"weeks_to_limit": {"p10": 9.0, "p50": 13.0, "p90": 21.0}}},
    pictures={STREAM: SparklineData(lots=[(-10.0, 2.0), (0.0, 2.7)], fan=[], usual=2.2, lower=None, upper=3.0)},
    explained={},
)
PNG = b"\x89PNG\r\n\x1a\n"


def alert(**other: Any) -> dict[str, Any]:
    return {
        "id": "b9324f743d2c",
        "kind": "forecast",
        "grade": "act",
        "supplier": STREAM[0],
        "product": STREAM[1],
        "characteristic": STREAM[2],
        "lot": "L-31",
        "raised_at": "2026-08-21T08:40:00+00:00",
        "message": "Alder Film MB-10, shielding energy: 77 % chance of a breach within the horizon; now 16.3 nJ",
        "now": {
            "level": 16.7, "unit": "nJ", "last_lot": "L-40", "last_tested_at": "2026-11-19T08:00:00+00:00",
            "change_percent_per_month": 6.499, "breach_probability": 0.774,
        },
        "evidence": {
            "unit": "nJ", "lots": 14, "latest_lot": "L-40", "latest_tested_at": "2026-11-19T08:00:00+00:00", "level": 14.6,
            "latest_level": 16.33, "usual": 9.51, "limit_lower": None, "limit_upper": 20.0,
            "since_at": "2026-04-03T00:00:00+00:00", "since_low_at": "2026-01-23T00:00:00+00:00",
            "since_high_at": "2026-05-07T00:00:00+00:00", "change_percent_per_month": 6.499, "breach_probability": 0.774,
        },
        "state": "open",
        "held_under": None,
        **other,
    }  # fmt: skip


# What it says


def test_the_first_line_says_what_changed_and_the_subject_has_no_values() -> None:
    letter = about_one(alert(), AROUND)

    assert letter.text.split("\n")[0] == (
        "act: Alder Film MB-10, shielding energy: 77 % chance of a breach within the horizon; now 16.3 nJ. "
        "Look at the forecast, and talk to the supplier before the limit is reached."
    )
    assert letter.subject == ("[lotdrift] act: Alder Film MB-10, shielding energy, a failing lot is likely")


def test_every_kind_of_alert_says_what_to_look_at() -> None:
    assert set(LOOK_AT) == set(Kind)


def test_the_numbers_stand_as_text_in_the_unit() -> None:
    paragraph = about_one(alert(), AROUND).text.split("\n\n")[1]

    assert paragraph.split("\n") == [
        "kind: forecast, grade act",
        "supplier: Alder Film",
        "product: MB-10",
        "characteristic: shielding energy",
        "lot: L-31",
        "tested: 21 Aug 2026",
        "level: 14.6 nJ",
        "normal level: 9.51 nJ",
        "last lot of it: lot L-40, 19 Nov 2026, at 16.3 nJ",
        "now: level 16.7 nJ, last lot L-40, +6.5 % a month, chance of a failing lot 77 %",
        "limit: under 20.0 nJ",
        "began about: 3 Apr 2026 (between 23 Jan 2026 and 7 May 2026)",
        "chance of a failing lot within 13 weeks: 77 %",
        "to the limit: likely 9 to 21 weeks after the last test; 50 % within 13",
    ]


def test_an_alert_about_no_stream_says_what_it_knows() -> None:
    nothing = dict.fromkeys(("supplier", "product", "characteristic", "lot"))
    evidence = {"what": "climate", "lots": ["Alder L-1", "Birch L-2"], "since_at": "2026-03-18T00:00:00+00:00"}
    letter = about_one(alert(kind="climate", grade="note", evidence=evidence, now=None, **nothing), AROUND)

    assert letter.text.split("\n\n")[1].split("\n") == [
        "kind: climate, grade note",
        "since: 21 Aug 2026",
        "lots: Alder L-1, Birch L-2",
        "began about: 18 Mar 2026",
    ]
    assert letter.picture == b""


def test_a_bench_alert_counts_the_supplier_alerts_it_explains() -> None:
    around = MessageContext("Test bench", 13.0, None, {}, {}, {"b9324f743d2c": 3})

    assert "explains: 3 supplier alerts" in about_one(alert(kind="bench"), around).text


def test_the_caution_and_the_way_to_the_page_stand_at_the_end() -> None:
    around = MessageContext("Test bench", 13.0, "http://bench-pc:8050/", {}, {}, {})

    for letter, page in [
        (about_one(alert(), around), "/stream?supplier=Alder+Film&product=MB-10&characteristic=shielding_energy"),
        (about_many([alert()] * 6, around), "/alerts"),
    ]:
        see, lab, caution = letter.text.strip().split("\n\n")[-3:]
        assert see == f"Open the dashboard: http://bench-pc:8050{page}"
        assert lab == "Test bench"
        assert caution == CAUTIONS


def test_a_long_storm_is_counted_in_full_and_listed_in_part() -> None:
    letter = about_many([alert()] * 300, AROUND)

    assert letter.subject == "[lotdrift] 300 urgent of 300 alerts"
    assert "and 280 more: lotdrift alerts" in letter.text


def test_the_chart_is_a_picture_that_mail_programs_show() -> None:
    mail = message_from_bytes(as_mail(about_one(alert(), AROUND), "<a@b>", None, (), MOMENT).as_bytes(), policy=default)

    (picture,) = mail.iter_attachments()
    assert picture.get_content_type() == "image/png"
    assert picture.get_content().startswith(PNG)
    # RFC 2083, section 11.2.1: width and height lead the first chunk.
    assert int.from_bytes(picture.get_content()[16:20]) > 800


# How it is put together


def test_headers_follow_the_standards_for_mail_by_machines() -> None:
    mail = as_mail(Message("s", "t\n"), "<a@example.org>", "lotdrift@example.org", ("head@example.org",), MOMENT)

    assert mail["From"] == "lotdrift <lotdrift@example.org>"
    assert mail["To"] == "head@example.org"
    assert mail["Date"] == "Wed, 25 Nov 2026 12:00:00 +0000"  # RFC 5322, section 3.3
    assert mail["Auto-Submitted"] == "auto-generated"  # RFC 3834, section 5
    assert max(map(len, mail.as_bytes().splitlines())) <= 998  # RFC 5322, section 2.1.1


def test_the_name_of_a_message_depends_on_its_reader_and_on_nothing_that_changes() -> None:
    one, other = (message_id("a1", f"mail {name}@example.org", "x@example.org") for name in ("one", "other"))

    assert one == message_id("a1", "mail one@example.org", "x@example.org")
    assert one != other
    assert one.endswith("@example.org>")
    assert message_id("a1", "outbox", None).endswith("@lotdrift.invalid>")


def test_the_same_letter_gives_the_same_bytes() -> None:
    letter = about_one(alert(), AROUND)

    assert len({as_mail(letter, "<a@b>", None, (), MOMENT).as_bytes() for _ in range(3)}) == 1


HEADERS = {
    "Subject", "From", "To", "Date", "Message-ID", "Auto-Submitted", "Content-Type", "Content-Transfer-Encoding",
    "MIME-Version",
}  # fmt: skip
HOSTILE = [
    "Alder\r\nBcc: thief@example.org",
    "Alder\nSubject: other",
    "Alder\r\n\r\n<script>alert(1)</script>",
    "\x1b[2J\x00Alder",
    "=?utf-8?q?Alder?=",
    "\u202eredlA",
    "Alder\u2028.\u2028",
    "#image(\"/etc/passwd\") $x$ *b*",
    "\r\n.\r\nMAIL FROM:<x@y>",
]  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_stay_text(tmp_path: Path, name: str) -> None:
    box, port = MailBox(), free_port()
    alarms = Alarms(tmp_path, declared(port))
    alarms.raise_alert("one", supplier=name, product=name, lot=name, message=f"{name}: rising")

    with mail_server(box, port):
        assert alarms.deliver() == []

    ((reader, mail),) = box.mails
    assert reader == "head@example.org"
    assert set(mail.keys()) == HEADERS
    assert len(mail.keys()) == len(HEADERS)
    shown = str(mail["Subject"]) + text_of(mail).replace("\r\n", "")
    assert all(sign.isprintable() for sign in shown)


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_reach_the_picture_as_data(name: str) -> None:
    stream = (name, name, name)
    around = MessageContext("Test bench", 13.0, None, {}, {stream: AROUND.pictures[STREAM]}, {})

    letter = about_one(alert(supplier=name, product=name, characteristic=name), around)

    assert letter.picture.startswith(PNG)


# Conversations

# The test server takes a line that is encrypted from the start for one that is not.
OVER_TLS = pytest.mark.filterwarnings("ignore:Requiring AUTH while not requiring TLS")


def declared(port: int, security: str = "none", seconds: float = 2.0, host: str = "127.0.0.1") -> str:
    return (
        f'[mail]\nserver = "{host}"\nport = {port}\nsecurity = "{security}"\nfrom = "lotdrift@example.org"\n'
        f'to = ["head@example.org"]\ntimeout_seconds = {seconds}\n'
    )


@OVER_TLS
@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_mail_goes_encrypted_and_with_a_login(tmp_path: Path, security: str) -> None:
    box, port = MailBox(), free_port()
    alarms = Alarms(tmp_path, declared(port, security, host="localhost"))
    alarms.raise_alert("one")
    environ = login(tmp_path)

    with mail_server(box, port, security, login=True):
        assert alarms.deliver(environ) == []

    assert [reader for reader, _ in box.mails] == ["head@example.org"]


def login(folder: Path, password: str = PASSWORD) -> dict[str, str]:
    return {
        "LOTDRIFT_MAIL_USER": USER,
        "LOTDRIFT_MAIL_PASSWORD": password,
        "SSL_CERT_FILE": authority_file(folder),
    }


@OVER_TLS
@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_a_server_whose_certificate_does_not_hold_hears_nothing(tmp_path: Path, security: str) -> None:
    box, port = MailBox(), free_port()
    alarms = Alarms(tmp_path, declared(port, security, host="localhost"))
    alarms.raise_alert("one")
    environ = {**login(tmp_path), "SSL_CERT_FILE": ""}

    with mail_server(box, port, security, login=True):
        (line,) = alarms.deliver(environ)

    assert line.startswith("mail server localhost: its certificate is not trusted (")
    assert "name your own authority in SSL_CERT_FILE" in line
    assert box.mails == []


def test_a_certificate_for_another_name_does_not_hold(tmp_path: Path) -> None:
    box, port = MailBox(), free_port()
    alarms = Alarms(tmp_path, declared(port, "starttls", host="127.0.0.1"))
    alarms.raise_alert("one")

    with mail_server(box, port, "starttls", login=True):
        (line,) = alarms.deliver(login(tmp_path))

    assert "its certificate is not trusted (IP address mismatch" in line


def test_a_server_that_offers_no_encryption_gets_no_password(tmp_path: Path) -> None:
    box, port = MailBox(), free_port()
    alarms = Alarms(tmp_path, declared(port, "starttls"))
    alarms.raise_alert("one")

    with mail_server(box, port):
        (line,) = alarms.deliver(login(tmp_path))

    assert "does not support what lab.toml asks for (STARTTLS" in line
    assert box.mails == []


@OVER_TLS
def test_no_password_is_said_over_a_line_that_is_not_encrypted(tmp_path: Path) -> None:
    box, port = MailBox(), free_port()
    alarms = Alarms(tmp_path, declared(port, "none"))
    alarms.raise_alert("one")
    alarms.raise_alert("two")

    with mail_server(box, port, login=True):
        (line,) = alarms.deliver(login(tmp_path))

    assert line == (
        "mail server 127.0.0.1: accepts no mail from lotdrift@example.org (530 5.7.0 Authentication required); "
        "2 messages to send again"
    )
    assert box.mails == []


def test_a_wrong_password_is_told_without_the_password_and_mail_goes_once_it_is_right(tmp_path: Path) -> None:
    box, port = MailBox(), free_port()
    alarms = Alarms(tmp_path, declared(port, "starttls", host="localhost"))
    alarms.raise_alert("one")

    with mail_server(box, port, "starttls", login=True):
        (line,) = alarms.deliver(login(tmp_path, "wrong, and long"))
        assert box.mails == []
        alarms.deliver(login(tmp_path), after=timedelta(minutes=5))

    assert line == (
        "mail server localhost: did not accept the login (535 5.7.8 Authentication credentials invalid); check "
        "LOTDRIFT_MAIL_USER and LOTDRIFT_MAIL_PASSWORD; 1 message to send again"
    )
    assert len(box.mails) == 1


def test_a_user_without_a_password_is_told(tmp_path: Path) -> None:
    box, port = MailBox(), free_port()
    alarms = Alarms(tmp_path, declared(port, "starttls", host="localhost"))
    alarms.raise_alert("one")

    with mail_server(box, port, "starttls", login=True):
        (line,) = alarms.deliver({**login(tmp_path), "LOTDRIFT_MAIL_PASSWORD": ""})

    assert "LOTDRIFT_MAIL_USER is set in the environment, LOTDRIFT_MAIL_PASSWORD is not; set both" in line


@pytest.mark.parametrize(
    ("answer", "minutes"),
    [
        ("450 4.2.1 Mailbox busy", 5),
        ("452 4.2.2 Mailbox full", 5),
        ("552 5.2.2 Mailbox full", 360),
        ("550 5.1.1 No such mailbox", 360),
    ],
)
@pytest.mark.parametrize("at", ["to_recipient", "to_data"])
def test_a_refusal_waits_longer_where_the_server_means_it(tmp_path: Path, answer: str, minutes: int, at: str) -> None:
    # RFC 5321, section 4.2.1: after 4yz one should try again, after 5yz not soon. A full mailbox is emptied in the end.
    box, port = MailBox(), free_port()
    alarms = Alarms(tmp_path, declared(port))
    alarms.raise_alert("one")
    setattr(box, at, answer)

    with mail_server(box, port):
        lines = alarms.deliver()
        setattr(box, at, "250 OK")
        alarms.deliver(after=timedelta(minutes=minutes - 1))
        too_early = len(box.mails)
        alarms.deliver(after=timedelta(minutes=1))

    assert lines == [f"mail head@example.org: did not accept it ({answer}); 1 message to send again"]
    assert (too_early, len(box.mails)) == (0, 1)


def test_one_reader_who_is_refused_keeps_no_other_from_the_mail(tmp_path: Path) -> None:
    class Choosy(MailBox):
        async def handle_RCPT(self, server: Any, session: Any, envelope: Any, address: str, options: Any) -> str:
            self.to_recipient = "550 no" if address.startswith("gone") else "250 OK"
            return await super().handle_RCPT(server, session, envelope, address, options)

    box, port = Choosy(), free_port()
    alarms = Alarms(tmp_path, declared(port).replace("head@", 'gone@example.org", "head@'))
    alarms.raise_alert("one")

    with mail_server(box, port):
        (line,) = alarms.deliver()

    assert line.startswith("mail gone@example.org: ")
    assert [reader for reader, _ in box.mails] == ["head@example.org"]


def test_a_slow_server_is_given_up_once_for_all_and_asked_again_under_the_same_names(tmp_path: Path) -> None:
    box, port = MailBox(seconds=PATIENCE), free_port()
    alarms = Alarms(tmp_path, declared(port, seconds=0.2))
    for number in range(4):
        alarms.raise_alert(f"a{number}")

    with mail_server(box, port):
        began = time.monotonic()
        (line,) = alarms.deliver()
        took, begun = time.monotonic() - began, box.begun
        box.seconds = 0.0
        alarms.deliver(after=LATER)

    assert (
        line
        == "mail server 127.0.0.1: did not answer (Connection unexpectedly closed: timed out); 4 messages to send again"
    )
    # Long before it would have answered, and without a try of the other messages.
    assert took < PATIENCE / 2
    assert begun <= 1
    # The one that was cut off may be there twice, under one name; the others are there once.
    assert len(set(box.names)) == 4
    assert len(box.names) in (4, 5)


def test_a_server_that_hangs_up_after_it_took_the_mail_sees_the_same_name_again(tmp_path: Path) -> None:
    box, port = MailBox(hang_up=True), free_port()
    alarms = Alarms(tmp_path, declared(port))
    alarms.raise_alert("one")

    with mail_server(box, port):
        (line,) = alarms.deliver()
        box.hang_up = False
        alarms.raise_alert("two")
        alarms.deliver(after=LATER)

    assert line.startswith("mail server 127.0.0.1: did not answer (Connection unexpectedly closed")
    assert [name.partition(".")[0] for name in box.names] == ["<one", "<one", "<two"]
    assert len(set(box.names)) == 2


@OVER_TLS
def test_a_server_killed_between_two_mails_of_a_round_gets_the_rest_once_it_is_back(tmp_path: Path) -> None:
    class Dying(MailBox):
        """Takes two mails; then its connection breaks in the middle of the third, until it was started again."""

        alive = 2

        async def handle_RCPT(self, server: Any, session: Any, envelope: Any, address: str, options: Any) -> str:
            if len(self.mails) >= self.alive:
                server.transport.abort()
            return await super().handle_RCPT(server, session, envelope, address, options)

    box, port = Dying(), free_port()
    alarms = Alarms(tmp_path, declared(port, "tls", host="localhost"))
    for name in ("one", "two", "three", "four"):
        alarms.raise_alert(name)
    with mail_server(box, port, "tls", login=True):
        (line,) = alarms.deliver(login(tmp_path))
    assert len(box.mails) == 2
    assert line.startswith("mail server localhost: ")
    assert alarms.states()["sent"] == 2
    box.alive = 100

    with mail_server(box, port, "tls", login=True):
        for _ in range(3):
            alarms.deliver(login(tmp_path), after=LATER)

    told = sorted(name.strip("<").partition(".")[0] for name in box.names if "digest" not in name)
    assert told == ["four", "one", "three", "two"]
    assert set(alarms.states()) == {"sent"}


def test_a_server_that_drips_is_cut_off(tmp_path: Path) -> None:
    port = free_port()
    alarms = Alarms(tmp_path, declared(port, seconds=0.2))
    alarms.raise_alert("one")

    with dripping(port):
        began = time.monotonic()
        (line,) = alarms.deliver()

    assert line.startswith("mail server 127.0.0.1: ")
    assert time.monotonic() - began < 2


def test_a_server_that_is_out_of_service_is_left_alone_for_the_round(tmp_path: Path) -> None:
    box, port = MailBox(to_recipient="421 4.3.2 Going down"), free_port()
    alarms = Alarms(tmp_path, declared(port))
    for number in range(3):
        alarms.raise_alert(f"a{number}")

    with mail_server(box, port):
        lines = alarms.deliver()

    assert lines == ["mail server 127.0.0.1: did not accept it (421 4.3.2 Going down); 3 messages to send again"]


def test_what_a_server_says_is_shown_without_control_characters(tmp_path: Path) -> None:
    box, port = MailBox(to_recipient="550 \x1b[2J" + "x" * 300), free_port()
    alarms = Alarms(tmp_path, declared(port))
    alarms.raise_alert("one")

    with mail_server(box, port):
        (line,) = alarms.deliver()

    assert line.isprintable()
    assert len(line) < 300
