"""The tables of `lab.toml` for mail, webhooks, routes and the week's summary, and what is said of each mistake."""

from __future__ import annotations

from datetime import date, datetime, time
from pathlib import Path

import pytest
from support.labs import LAB_TOML

from ingest.common.errors import LabFileError
from ingest.config.lab import Lab, load
from ingest.config.notification_models import Hours

SERVER = '[mail]\nserver = "mail.example.org"\nfrom = "lotdrift@example.org"\nto = ["head@example.org"]\n'
HOOK = '[[webhook]]\nname = "hall"\nurl = "https://hall.example.org:8443/in?room=3"\n'


def declared(folder: Path, text: str) -> Lab:
    (folder / "lab.toml").write_text(LAB_TOML + text, encoding="utf-8")
    return load(folder)


def test_the_tables_may_be_left_out(tmp_path: Path) -> None:
    lab = declared(tmp_path, "")

    assert (lab.mail.server, lab.webhooks, lab.routes, lab.digest.to) == (None, (), (), None)


@pytest.mark.parametrize(("security", "port"), [("starttls", 587), ("tls", 465), ("none", 25)])
def test_the_port_is_the_usual_one_of_the_security(tmp_path: Path, security: str, port: int) -> None:
    # RFC 6409 (587), RFC 8314 (465), RFC 5321 (25).
    assert declared(tmp_path, f'{SERVER}security = "{security}"\n').mail.server_port == port
    assert declared(tmp_path, f'{SERVER}security = "{security}"\nport = 2525\n').mail.server_port == 2525


def test_encryption_is_what_one_gets_without_asking(tmp_path: Path) -> None:
    assert declared(tmp_path, SERVER).mail.security == "starttls"


@pytest.mark.parametrize(
    ("hours", "moment", "inside"),
    [
        ("18:00-06:30", time(18), True),
        ("18:00-06:30", time(23, 59), True),
        ("18:00-06:30", time(0), True),
        ("18:00-06:30", time(6, 29, 59), True),
        ("18:00-06:30", time(6, 30), False),
        ("18:00-06:30", time(17, 59), False),
        ("12:00-13:00", time(12), True),
        ("12:00-13:00", time(13), False),
        ("12:00-13:00", time(2), False),
    ],
)
def test_quiet_hours_begin_inside_and_may_reach_over_midnight(
    tmp_path: Path, hours: str, moment: time, inside: bool
) -> None:
    lab = declared(tmp_path, f'[mail]\nquiet_hours = "{hours}"\n')

    assert isinstance(lab.mail.quiet_hours, Hours)
    assert lab.mail.is_quiet(datetime.combine(date(2026, 11, 25), moment, tzinfo=lab.zone)) is inside


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[mail]\nserver = "s"\n', 'mail: expected from beside server, got only "s"'),
        (
            SERVER.replace('to = ["head@example.org"]\n', ""),
            "mail.to: expected at least one address beside server, or a [[route]] with to; got none",
        ),
        ('[mail]\nfrom = "bench"\n', 'mail.from: expected a mail address such as "bench@example.org", got "bench"'),
        ('[mail]\nto = ["a@b.org\\nBcc: c@d.org"]\n', "mail.to.1: expected a mail address"),
        ('[mail]\nto = ["a@b.org, c@d.org"]\n', "mail.to.1: expected a mail address"),
        ('[mail]\nsecurity = "ssl"\n', 'mail.security: expected "starttls", "tls" or "none", got "ssl"'),
        ("[mail]\nport = 70000\n", "mail.port: expected a whole number from 1 to 65535, got 70000"),
        ("[mail]\ntimeout_seconds = 0\n", "mail.timeout_seconds: expected a number above 0 and at most 120, got 0"),
        ('[mail]\nquiet_hours = "18-6"\n', 'mail.quiet_hours: expected hours of the day such as "18:00-06:30"'),
        ('[mail]\nquiet_hours = "18:00-18:00"\n', "mail.quiet_hours: expected hours of the day"),
        ("[mail]\nquiet_hours = 18\n", "mail.quiet_hours: expected hours of the day"),
        ('[mail]\npassword = "p"\n', "mail.password: unknown key; expected one of"),
        ('[mail]\ndashboard = "bench-pc"\n', "mail.dashboard: expected an address such as"),
        ('[[webhook]]\nname = "hall"\nurl = "ftp://x"\n', "webhook.hall.url: expected an address such as"),
        ('[[webhook]]\nname = "hall"\nurl = "https://x:y/"\n', "webhook.hall.url: expected an address such as"),
        ('[[webhook]]\nname = "hall"\nurl = "https://x/\\r\\nA: b"\n', "webhook.hall.url: expected an address such as"),
        ('[[webhook]]\nname = "hall"\n', "webhook.hall.url: is missing; add it"),
        (f'{HOOK}secret = "what we agreed"\n', "webhook.hall.secret: expected the name of an environment variable"),
        (HOOK * 2, 'webhook.hall: expected each webhook once, got "hall" twice'),
        (f'{HOOK}[[route]]\nwebhook = ["yard"]\n', 'route.1.webhook: expected "hall", got "yard"'),
        ('[[route]]\nwebhook = ["yard"]\n', 'route.1.webhook: expected a declared [[webhook]], got "yard"'),
        ('[[route]]\ngrade = ["red"]\n', 'route.1.grade.1: expected "act", "look" or "note", got "red"'),
        ('[[route]]\nkind = ["tear"]\n', 'route.1.kind.1: expected "limit", "point"'),
        ('[[route]]\nat_once = "yes"\n', 'route.1.at_once: expected true or false, got "yes"'),
        ('[digest]\nto = ["nobody"]\n', "digest.to.1: expected a mail address"),
    ],
)
def test_each_mistake_names_the_key_and_what_was_expected(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(LabFileError) as caught:
        declared(tmp_path, text)

    assert str(caught.value).startswith(f"lab.toml, {said}")


def test_an_address_with_a_password_in_it_is_refused_and_not_repeated(tmp_path: Path) -> None:
    with pytest.raises(LabFileError, match="without user or password") as caught:
        declared(tmp_path, '[[webhook]]\nname = "hall"\nurl = "https://user:hunter2@x/"\n')

    assert "hunter2" not in str(caught.value)


@pytest.mark.parametrize(
    "text",
    [
        '[[webhook]]\nname = "hall"\nurl = "htps://hall.example.org/T0/sesame"\n',
        '[[webhook]]\nname = "hall"\nurl = "https://hall.example.org:x/T0/sesame"\n',
        '[[webhook]]\nname = "hall"\nurl = ["https://hall.example.org/T0/sesame"]\n',
        '[mail]\ndashboard = "hall/sesame"\n',
        'webhook = "https://hall.example.org/T0/sesame"\n',
        'webhook = ["https://hall.example.org/T0/sesame"]\n',
    ],
)
def test_a_wrong_address_is_in_no_message(tmp_path: Path, text: str) -> None:
    (tmp_path / "lab.toml").write_text(text + LAB_TOML if text.startswith("webhook") else LAB_TOML + text)

    with pytest.raises(LabFileError, match="expected") as told:
        load(tmp_path)

    assert "sesame" not in str(told.value)
    assert "sesame" not in str(told.value.__cause__)
