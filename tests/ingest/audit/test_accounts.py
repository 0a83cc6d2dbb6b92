"""Users on the command line and in the store: who may be declared, what is kept of a password, what stays in the history."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from support.labs import Bench
from support.people import NOW, PASSWORD, declare
from support.stores import on_both_stores

from dashboard.cli import main
from dashboard.web.login import LONGEST
from ingest.audit import accounts, passwords
from ingest.audit.audit_log import entries_on
from ingest.audit.subjects import Subject
from ingest.common.errors import CallError
from ingest.store.store import open_store


def call(bench: Bench, *arguments: str, given: str = f"{PASSWORD}\n", variable: str = "") -> Result:
    command = ["user", *arguments, "--lab", str(bench.folder)]
    return CliRunner().invoke(main, command, input=given, env={"LOTDRIFT_PASSWORD": variable})


def kept_hash(bench: Bench, name: str) -> str:
    with open_store(bench.folder).reading() as connection:
        return str(connection.exec_driver_sql("SELECT hash FROM account WHERE name = ?", (name,)).scalar_one())


def entries(bench: Bench) -> list[tuple[str, str]]:
    with open_store(bench.folder).reading() as connection:
        return [tuple(row) for row in connection.exec_driver_sql("SELECT what, subject FROM act ORDER BY id")]


def test_a_user_is_declared_listed_and_closed_and_each_change_is_an_entry(bench: Bench) -> None:
    assert call(bench, "add", "Ann", "--role", "viewer").exit_code == 0
    assert call(bench, "add", "Sam", "--role", "specialist").exit_code == 0
    assert call(bench, "password", "Sam", given="another long one\n").exit_code == 0
    assert call(bench, "close", "Ann").exit_code == 0

    said = call(bench, "list").stdout
    assert [line.split()[:2] for line in said.splitlines()[1:]] == [["Ann", "viewer"], ["Sam", "specialist"]]
    assert "closed" in said.splitlines()[1]
    assert entries(bench) == [
        ("add user", "account:Ann"),
        ("add user", "account:Sam"),
        ("change password", "account:Sam"),
        ("close user", "account:Ann"),
    ]
    assert passwords.is_right(kept_hash(bench, "Sam"), "another long one")
    assert not passwords.is_right(kept_hash(bench, "Sam"), PASSWORD)


def test_the_password_comes_from_a_line_or_the_environment(bench: Bench) -> None:
    call(bench, "add", "Ann", "--role", "viewer", given="typed by a program\r\n")
    call(bench, "add", "Sam", "--role", "viewer", given="", variable="from the variable")

    assert passwords.is_right(kept_hash(bench, "Ann"), "typed by a program")
    assert passwords.is_right(kept_hash(bench, "Sam"), "from the variable")
    none = call(bench, "add", "Joe", "--role", "viewer", given="")
    assert (none.exit_code, none.stderr.startswith("password: is empty")) == (2, True)


@pytest.mark.parametrize(("typed", "status"), [([PASSWORD, PASSWORD], 0), ([PASSWORD, "something else!", "\x04"], 1)])
def test_at_a_terminal_the_password_is_asked_for_twice_and_not_shown(
    bench: Bench, typed: list[str], status: int
) -> None:
    ours, theirs = pty.openpty()
    command = [
        sys.executable,
        "-m",
        "dashboard.cli",
        "user",
        "add",
        "Ann",
        "--role",
        "viewer",
        "--lab",
        str(bench.folder),
    ]
    with subprocess.Popen(
        command, stdin=theirs, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, start_new_session=True
    ) as process:
        os.close(theirs)
        assert process.stdout is not None
        said = b""
        for line in typed:
            # What is typed before the question is thrown away. Where the two differ it asks again: \x04 ends that.
            while not said.endswith((b"Ann: ", b"confirmation: ")):
                part = process.stdout.read(1)
                assert part, said
                said += part
            said += b"..."
            os.write(ours, f"{line}\n".encode() if line != "\x04" else b"\x04")
        said += process.stdout.read()
    os.close(ours)

    assert process.returncode == status
    assert PASSWORD.encode() not in said
    assert (b"Ann can now log in as viewer" in said) == (status == 0)


@pytest.mark.parametrize(
    ("arguments", "given", "line"),
    [
        (["add", "Ann", "--role", "viewer"], "elevenchars", "password: has 11 characters; choose one of 12 to 200"),
        (["add", "Ann", "--role", "viewer"], "x" * 201, "password: has 201 characters"),
        (["add", "Ann", "--role", "viewer"], "a tab\tin the middle", "password: holds a character that is not"),
        (["add", "  ", "--role", "viewer"], PASSWORD, 'user add: "  " is no name'),
        (["add", "A\x07nn", "--role", "viewer"], PASSWORD, 'user add: "A\ufffdnn" is no name'),
        (["add", "x" * 81, "--role", "viewer"], PASSWORD, "user add: "),
        (
            ["add", "Sam", "--role", "specialist"],
            PASSWORD,
            'user add: "Sam" is there already, as viewer; lotdrift user',
        ),
        (["add", "Gone", "--role", "viewer"], PASSWORD, 'user add: "Gone" was closed and stays in the history'),
        (["close", "Gone"], "", 'user close: "Gone" was closed already'),
        (["close", "Nobody"], "", 'user close: there is no user "Nobody"'),
        (["password", "Gone"], PASSWORD, 'user password: "Gone" was closed already'),
        (["password", "Nobody"], PASSWORD, 'user password: there is no user "Nobody"'),
    ],
)
def test_what_can_not_be_is_one_line_and_changes_nothing(
    bench: Bench, arguments: list[str], given: str, line: str
) -> None:
    declare(bench.folder, ("Sam", "viewer"), ("Gone", "viewer"))
    call(bench, "close", "Gone")
    before = entries(bench)

    said = call(bench, *arguments, given=f"{given}\n")

    assert said.exit_code == 2
    assert said.stderr.startswith(line)
    assert said.stderr.count("\n") == 1
    assert entries(bench) == before


def test_a_name_is_one_name_however_its_letters_are_composed(bench: Bench) -> None:
    call(bench, "add", "Zo\u00eb", "--role", "viewer")

    assert "is there already" in call(bench, "add", " Zoe\u0308 ", "--role", "viewer").stderr


def test_without_a_lab_no_store_is_made(tmp_path: Path) -> None:
    said = CliRunner().invoke(
        main, ["user", "add", "Ann", "--role", "viewer", "--lab", str(tmp_path)], input=f"{PASSWORD}\n"
    )

    assert said.exit_code == 2
    assert list(tmp_path.iterdir()) == []


def test_users_of_an_empty_lab_are_none(bench: Bench) -> None:
    assert call(bench, "list").stdout == "No user account: on this computer the dashboard needs no login.\n"


def test_a_name_may_have_eighty_characters_and_names_are_listed_in_order(bench: Bench) -> None:
    longest = "x" * 80
    declare(bench.folder, (longest, "viewer"), ("Sam", "specialist"))

    with open_store(bench.folder).reading() as connection:
        listed = accounts.accounts(connection)
    assert listed == [
        accounts.Account("Sam", accounts.Role.SPECIALIST, kept_hash(bench, "Sam"), NOW, None),
        accounts.Account(longest, accounts.Role.VIEWER, kept_hash(bench, longest), NOW, None),
    ]


def test_an_entry_about_a_user_says_who_made_it_when_and_how(bench: Bench) -> None:
    declare(bench.folder, ("Ann", "viewer"))
    with open_store(bench.folder).writing() as connection:
        accounts.change_password(connection, "Ann", "another hash", "Sam", NOW + timedelta(hours=1))
        accounts.close_account(connection, "Ann", "Joe", NOW + timedelta(hours=2))
        closed = accounts.account_named(connection, "Ann")
        entries_made = entries_on(connection, Subject.account("Ann"))

    assert closed == accounts.Account("Ann", accounts.Role.VIEWER, "another hash", NOW, NOW + timedelta(hours=2))
    assert [(act.at, act.who, act.reason, act.body) for act in entries_made] == [
        (NOW, "bench", "on the command line", {"role": "viewer"}),
        (NOW + timedelta(hours=1), "Sam", "on the command line", {}),
        (NOW + timedelta(hours=2), "Joe", "on the command line", {}),
    ]


# Sessions


@on_both_stores
def test_a_session_that_was_left_stays_left_for_as_long_as_it_could_have_lasted(bench: Bench) -> None:
    with open_store(bench.folder).writing() as connection:
        accounts.end_session(connection, "copied", NOW)
        accounts.end_session(connection, "of another", NOW + LONGEST)
        assert accounts.has_ended(connection, "copied")
        assert not accounts.has_ended(connection, "never seen")

        # Marks that no cookie can outlive are cleared away, so they do not pile up.
        accounts.end_session(connection, "much later", NOW + timedelta(days=3))
        assert not accounts.has_ended(connection, "copied")
        assert accounts.has_ended(connection, "of another")
        assert accounts.has_ended(connection, "much later")


def test_the_key_of_the_sessions_is_made_once_and_has_256_bits(bench: Bench) -> None:
    def key() -> str | None:
        with open_store(bench.folder).reading() as connection:
            return accounts.session_key(connection)

    declare(bench.folder, ("Ann", "viewer"))
    first = key()
    declare(bench.folder, ("Sam", "viewer"))

    assert first is not None
    assert len(bytes.fromhex(first)) * 8 == 256
    assert key() == first


# Passwords


def test_hashes_have_the_parameters_of_the_standard() -> None:
    # RFC 9106, section 4, second recommended option: argon2id, 3 passes, 4 lanes, 64 MiB, a salt of 128 bits, a tag of 256.
    _, kind, version, parameters, salt, tag = passwords.hashed(PASSWORD).split("$")

    assert (kind, version, parameters) == ("argon2id", "v=19", "m=65536,t=3,p=4")
    # Base 64 without padding: 4 characters for 3 bytes.
    assert (len(salt), len(tag)) == (22, 43)
    assert passwords.hashed(PASSWORD) != passwords.hashed(PASSWORD)


def test_a_password_is_the_same_however_its_letters_are_composed() -> None:
    kept = passwords.hashed("Zo\u00eb has a key")

    assert passwords.is_right(kept, "Zoe\u0308 has a key")
    assert not passwords.is_right(kept, "Zoe has a key!")


def test_an_unknown_name_costs_the_same_work(monkeypatch: pytest.MonkeyPatch) -> None:
    from argon2 import PasswordHasher

    kept, worked = passwords.hashed(PASSWORD), []
    verify = PasswordHasher.verify
    monkeypatch.setattr(PasswordHasher, "verify", lambda self, *given: worked.append(given) or verify(self, *given))

    assert passwords.is_right(kept, PASSWORD)
    assert not passwords.is_right(None, PASSWORD)
    assert not passwords.is_right(None, "nobody's password")
    assert [one[0].split("$")[:4] for one in worked] == [kept.split("$")[:4]] * 3


def test_a_refused_password_is_not_repeated() -> None:
    with pytest.raises(CallError) as refused:
        passwords.checked("secret\x00")

    assert "secret" not in str(refused.value)


# Serving


def test_another_address_is_not_served_before_there_is_a_user(bench: Bench) -> None:
    command = [sys.executable, "-m", "dashboard.cli", "serve", "--lab", str(bench.folder), "--host", "0.0.0.0"]
    done = subprocess.run([*command, "--port", "0"], capture_output=True, text=True, timeout=60, check=False)

    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.count("\n") == 1
    assert "lotdrift user add" in done.stderr
    call(bench, "add", "Ann", "--role", "viewer")
    call(bench, "close", "Ann")
    still = subprocess.run([*command, "--port", "0"], capture_output=True, text=True, timeout=60, check=False)
    assert (still.returncode, still.stdout) == (2, "")


def test_a_login_over_plain_http_is_warned_of_in_a_line(bench: Bench) -> None:
    call(bench, "add", "Ann", "--role", "viewer")
    command = [sys.executable, "-m", "dashboard.cli", "serve", "--lab", str(bench.folder), "--host", "0.0.0.0"]
    process = subprocess.Popen([*command, "--port", "0"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert process.stdout.readline().startswith("Serving Test bench on http://0.0.0.0:")
    process.terminate()
    _, trouble = process.communicate(timeout=60)

    assert process.returncode == 0
    assert trouble.count("\n") == 1
    assert "over plain http" in trouble
