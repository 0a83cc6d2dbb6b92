"""Logging in and out: who is let in, how long it lasts, what ends it, what is shown to whom, and where one goes after."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from support.demolab import copy_of, demo_lab
from support.people import HERE, NOW, PAGE, PASSWORD, Watch, declare, log_in, resume, session_of

from dashboard.components.current_user import NO_LOGIN, NOBODY, CurrentUser
from dashboard.queries.lab_reader import LabReader
from dashboard.web.app import make_app, page
from dashboard.web.login import own_path
from ingest.audit import accounts, passwords
from ingest.store.store import open_store

PLACES = (
    "/alerts?show=all", "/lot?supplier=Tarnwick&lot=TW00076",
    "/stream?supplier=Brackenfoil&product=BF-110&characteristic=shielding_energy", "/supplier?name=Tarnwick",
)  # fmt: skip
# Some of them enter dozens of passwords.
pytestmark = pytest.mark.usefixtures("quick_passwords")

BROWSER = {**HERE, "Accept": "text/html,application/xhtml+xml,*/*;q=0.8"}


@pytest.fixture
def lab(tmp_path_factory: pytest.TempPathFactory, tmp_path: Path) -> Path:
    folder = copy_of(demo_lab(tmp_path_factory.getbasetemp()), tmp_path / "lab")
    declare(folder, ("Ann", "viewer"), ("Sam", "specialist"))
    return folder


@pytest.fixture
def watch() -> Watch:
    return Watch()


@pytest.fixture
def client(lab: Path, watch: Watch) -> Any:
    return make_app(lab, clock=watch, steady=watch.steady).server.test_client()


def is_in(client: Any) -> bool:
    status = client.get("/", headers=HERE).status_code
    assert status in (200, 401)
    return bool(status == 200)


def test_the_right_password_lets_in_and_the_logout_ends_it(client: Any) -> None:
    assert not is_in(client)
    assert log_in(client, "Ann").headers["Location"] == "/"
    assert is_in(client)

    copied = session_of(client)
    left = client.post("/logout", headers=PAGE)

    assert (left.status_code, left.headers["Location"]) == (303, "/login")
    assert not is_in(client)
    resume(client, copied)
    assert not is_in(client)
    assert log_in(client, "Ann").status_code == 303
    assert is_in(client)


@pytest.mark.parametrize(
    ("name", "password"), [("Ann", "a wrong password"), ("Nobody", PASSWORD), ("", ""), ("Ann", "")]
)
def test_what_does_not_match_is_told_in_the_same_words(client: Any, name: str, password: str) -> None:
    answer = log_in(client, name, password)

    assert answer.status_code == 401
    assert b">Wrong name or password.<" in answer.data
    assert not is_in(client)
    assert log_in(client, "Ann").status_code == 303


def test_failures_are_answered_with_a_wait_also_to_the_right_password(client: Any, watch: Watch) -> None:
    for name in ("Ann", "Nobody"):
        said = [log_in(client, name, "a wrong password") for _ in range(5)]

        assert [answer.status_code for answer in said] == [401, 401, 401, 429, 429]
        assert said[-1].headers["Retry-After"] == "1"
        assert log_in(client, name).status_code == 429
        assert not is_in(client)
    watch.move(seconds=1)
    assert log_in(client, "Ann").status_code == 303


def test_a_clock_that_is_set_back_makes_no_wait_longer(client: Any, watch: Watch) -> None:
    assert [log_in(client, "Ann", "a wrong password").status_code for _ in range(4)] == [401, 401, 401, 429]
    watch.set_back(hours=6)
    assert log_in(client, "Ann").headers["Retry-After"] == "1"
    watch.move(seconds=1)

    assert log_in(client, "Ann").status_code == 303


def test_a_session_that_began_while_the_clock_was_ahead_does_not_outlive_the_correction(
    client: Any, watch: Watch
) -> None:
    log_in(client, "Ann")
    # So small a correction logs nobody out.
    watch.set_back(minutes=1)
    assert is_in(client)
    watch.set_back(days=365)

    assert not is_in(client)
    assert log_in(client, "Ann").status_code == 303
    assert is_in(client)


def test_a_session_ends_eight_hours_after_its_last_use(client: Any, watch: Watch) -> None:
    log_in(client, "Ann")
    watch.move(hours=7, minutes=59)
    assert is_in(client)
    watch.move(hours=7, minutes=59)
    assert is_in(client)
    watch.move(hours=8, seconds=1)

    assert not is_in(client)


def test_a_session_ends_a_day_after_it_began_however_much_it_is_used(client: Any, watch: Watch) -> None:
    log_in(client, "Ann")
    for _ in range(24):
        assert is_in(client)
        watch.move(hours=1)
    assert is_in(client)
    watch.move(seconds=1)

    assert not is_in(client)


def test_a_closed_account_is_out_at_once_and_for_good(lab: Path, client: Any) -> None:
    log_in(client, "Ann")
    with open_store(lab).writing() as connection:
        accounts.close_account(connection, "Ann", "bench", NOW)

    assert not is_in(client)
    assert log_in(client, "Ann").status_code == 401
    # Closing the last one opens nothing.
    with open_store(lab).writing() as connection:
        accounts.close_account(connection, "Sam", "bench", NOW)
    assert not is_in(client)


def test_another_password_ends_the_sessions_of_the_one_before(lab: Path, client: Any) -> None:
    log_in(client, "Ann")
    with open_store(lab).writing() as connection:
        accounts.change_password(connection, "Ann", passwords.hashed("another long one"), "bench", NOW)

    assert not is_in(client)
    assert log_in(client, "Ann").status_code == 401
    assert log_in(client, "Ann", "another long one").status_code == 303


def test_a_session_outlives_the_server(lab: Path, client: Any, watch: Watch) -> None:
    log_in(client, "Ann")
    again = make_app(lab, clock=watch, steady=watch.steady).server.test_client()
    resume(again, session_of(client))

    assert is_in(again)


def test_users_that_are_declared_while_it_serves_hold_at_once(
    tmp_path_factory: pytest.TempPathFactory, tmp_path: Path, watch: Watch
) -> None:
    lab = copy_of(demo_lab(tmp_path_factory.getbasetemp()), tmp_path / "lab")
    client = make_app(lab, clock=watch, steady=watch.steady).server.test_client()
    assert is_in(client)
    assert log_in(client, "Ann").status_code == 401
    declare(lab, ("Ann", "viewer"))

    assert not is_in(client)
    log_in(client, "Ann")
    assert is_in(client)


def test_a_session_that_was_there_before_is_not_taken_over(client: Any) -> None:
    # Session fixation: the login begins a session with a name of its own.
    log_in(client, "Ann")
    before = session_of(client)
    log_in(client, "Sam")

    assert session_of(client) != before
    layout = json.dumps(client.get("/_dash-layout", headers=HERE).json)
    assert ("Sam" in layout, "Ann" in layout) == (True, False)


def test_the_cookie_is_kept_from_scripts_from_other_sites_and_from_plain_http(client: Any) -> None:
    plain = log_in(client, "Ann").headers["Set-Cookie"]
    assert "HttpOnly" in plain
    assert "SameSite=Lax" in plain
    assert "Secure" not in plain

    # Behind a server with TLS, what the browser calls the page's origin is https.
    over_tls = {**PAGE, "Origin": "https://127.0.0.1"}
    answer = client.post("/login", data={"name": "Ann", "password": PASSWORD}, headers=over_tls)
    assert "Secure" in answer.headers["Set-Cookie"]


def test_a_cookie_that_began_over_tls_stays_secure(client: Any, watch: Watch) -> None:
    client.post("/login", data={"name": "Ann", "password": PASSWORD}, headers={**PAGE, "Origin": "https://127.0.0.1"})
    watch.move(hours=1)
    # The client of the test would not send a secure cookie over http.
    kept = session_of(client)
    again = client.application.test_client()
    resume(again, kept)

    assert "Secure" in again.get("/", headers=HERE).headers["Set-Cookie"]


def test_a_copied_cookie_stays_dead_after_others_have_logged_out(client: Any, watch: Watch) -> None:
    log_in(client, "Ann")
    copied = session_of(client)
    client.post("/logout", headers=PAGE)
    # Each logout forgets the marks of sessions that are too old to live on.
    watch.move(hours=7, minutes=59)
    log_in(client, "Sam")
    client.post("/logout", headers=PAGE)

    resume(client, copied)
    assert not is_in(client)


def test_labs_on_one_computer_keep_their_logins_apart(lab: Path, client: Any, watch: Watch, tmp_path: Path) -> None:
    other = make_app(copy_of(lab, tmp_path / "other"), clock=watch).server

    names = {server.config["SESSION_COOKIE_NAME"] for server in (client.application, other)}

    assert len(names) == 2
    # The same lab keeps its name, also through another way to its folder.
    (tmp_path / "link").symlink_to(lab)
    assert make_app(tmp_path / "link").server.config["SESSION_COOKIE_NAME"] in names


@pytest.mark.parametrize("name", ["remember_token", "session", "session-browser"])
@pytest.mark.parametrize("value", ["a|\u00e9", "\u00e9", "a.b.c", "..", "|", "1|" + "0" * 128, "\x7f"])
def test_a_cookie_may_hold_anything(client: Any, name: str, value: str) -> None:
    name = name.replace("session", client.application.config["SESSION_COOKIE_NAME"])
    # As it stands in the header: a client that keeps cookies would spell it otherwise.
    sent, plain = {**PAGE, "Cookie": f"{name}={value}"}, client.application.test_client(use_cookies=False)

    assert plain.get("/", headers=sent).status_code == 401
    wrong = plain.post("/login", data={"name": "Ann", "password": "a wrong password"}, headers=sent)
    assert wrong.status_code == 401
    assert plain.post("/logout", headers=sent).status_code == 401


# Guesses

WRONG = "a wrong password"


def guess(client: Any, watch: Watch, name: str, times: int, address: str = "127.0.0.1") -> None:
    """Wrong passwords for a name, each as soon as one is taken."""
    for _ in range(times):
        answer = attempt(client, name, WRONG, address)
        if answer.status_code == 429:
            watch.move(seconds=int(answer.headers["Retry-After"]))
            answer = attempt(client, name, WRONG, address)
        assert answer.status_code == 401


def attempt(client: Any, name: str, password: str, address: str) -> Any:
    return client.post(
        "/login",
        data={"name": name, "password": password},
        headers=PAGE,
        environ_overrides={"REMOTE_ADDR": address},
    )


def test_a_stranger_who_keeps_guessing_does_not_shut_the_owner_out_of_a_browser_used_before(
    client: Any, watch: Watch
) -> None:
    log_in(client, "Sam")
    client.post("/logout", headers=PAGE)
    stranger = client.application.test_client()
    guess(stranger, watch, "Sam", 12)
    assert log_in(stranger, "Sam", WRONG).status_code == 429

    assert log_in(client, "Sam").status_code == 303
    # Nobody else has this browser, and it speaks for Sam alone.
    assert log_in(stranger, "Sam").status_code == 429
    guess(stranger, watch, "Ann", 12)
    assert log_in(client, "Ann").status_code == 429


def test_the_mark_of_a_browser_can_be_read_by_the_login_alone_and_not_be_forged(client: Any, watch: Watch) -> None:
    marks = [one for one in log_in(client, "Sam").headers.getlist("Set-Cookie") if "-browser=" in one]
    assert len(marks) == 1
    assert all(part in marks[0] for part in ("HttpOnly", "Path=/login", "SameSite=Lax"))
    stranger = client.application.test_client()
    guess(stranger, watch, "Sam", 12)
    name, _, value = marks[0].partition(";")[0].partition("=")

    for forged in (
        f"{value.rpartition('.')[0]}.{'A' * 27}",
        "WyJ4IixbIlNhbSJdXQ." + value.partition(".")[2],
        session_of(client),
    ):
        stranger.set_cookie(name, forged, domain="127.0.0.1", path="/login")
        assert log_in(stranger, "Sam").status_code == 429, forged
    stranger.set_cookie(name, value, domain="127.0.0.1", path="/login")
    assert log_in(stranger, "Sam").status_code == 303


def test_people_of_one_address_do_not_wait_for_each_other(client: Any, watch: Watch) -> None:
    for number in range(19):
        guess(client.application.test_client(), watch, f"name {number}", 1, "192.0.2.9")
    watch.move(seconds=300)
    assert attempt(client, "Sam", PASSWORD, "192.0.2.9").status_code == 303

    assert attempt(client.application.test_client(), "Ann", PASSWORD, "192.0.2.9").status_code == 303


def test_guesses_through_an_undeclared_proxy_of_this_computer_shut_nobody_else_out(client: Any, watch: Watch) -> None:
    for number in range(30):
        assert attempt(client, f"name {number}", WRONG, "127.0.0.1").status_code == 401

    assert attempt(client, "Sam", PASSWORD, "127.0.0.1").status_code == 303


# Where to


@pytest.mark.parametrize("address", ["/", "/alerts?show=all", "/lot?supplier=a%2Fb&lot=x", "/history"])
def test_the_login_leads_on_to_the_page_that_was_asked_for(client: Any, address: str) -> None:
    asked = client.get(address, headers=BROWSER)
    assert asked.status_code == 401
    assert f'name="next" value="{address.replace("&", "&amp;")}"'.encode() in asked.data

    assert log_in(client, "Ann", next=address).headers["Location"] == address


@pytest.mark.parametrize(
    "address",
    [
        "https://evil.example/", "//evil.example/", "/\\evil.example", "\\\\evil.example", "/\t/evil.example", "/\n/evil.example",
        "javascript:alert(1)", "evil.example", "", " //evil.example", "///evil.example", "/login", "/logout", "/login?next=/",
        "http:evil.example", "//[", "/\u2028/x",
    ],
)  # fmt: skip
def test_the_login_leads_to_no_other_site(client: Any, address: str) -> None:
    assert own_path(address) == "/"
    assert log_in(client, "Ann", next=address).headers["Location"] == "/"


def test_what_the_address_says_is_text_in_the_login_page(client: Any) -> None:
    for address in ("/lot?lot=%22%3E%3Cscript%3E1", '/login?next=/"><script>1'):
        answer = client.get(address, headers=BROWSER)
        assert b"<form" in answer.data
        assert b"<script>" not in answer.data


def test_a_part_of_a_page_is_refused_in_words(client: Any) -> None:
    answer = client.get("/_dash-layout", headers={**HERE, "Accept": "application/json"})

    assert (answer.status_code, answer.data) == (401, b"Please log in.\n")
    # RFC 9110, section 15.5.2: a 401 names a challenge.
    assert answer.headers["WWW-Authenticate"]


# What is shown to whom


@pytest.mark.parametrize(
    ("person", "forms", "names"),
    [
        (NO_LOGIN, True, True),
        (CurrentUser("Sam", "specialist", may_enter=True), True, False),
        (CurrentUser("Ann", "viewer", may_enter=False), False, False),
        (NOBODY, False, False),
    ],
)
def test_forms_are_shown_to_who_may_enter_and_ask_a_name_of_who_has_none(
    lab: Path, client: Any, person: CurrentUser, forms: bool, names: bool
) -> None:
    from flask import g

    desk = LabReader(lab)
    with client.application.test_request_context("/"):
        g.user = person
        for place in PLACES:
            path, _, search = place.partition("?")
            shown = str(page(desk, path, search))
            assert ("'/entry'" in shown, "'who'" in shown) == (forms, names), place
            assert "Respond:" not in shown or forms, place


def test_an_entry_is_signed_with_the_name_of_the_login(lab: Path, client: Any, watch: Watch) -> None:
    log_in(client, "Sam")
    watch.move(minutes=5)
    entry = {"subject": 'lot:["Tarnwick", "TW00076"]', "what": "hold", "who": "Somebody else", "reason": "seen"}

    assert client.post("/entry", data=entry, headers=PAGE).status_code == 303
    with open_store(lab).reading() as connection:
        row = connection.exec_driver_sql("SELECT who, what, at_us FROM act ORDER BY id DESC LIMIT 1").one()
    assert tuple(row) == ("Sam", "hold", int(watch.now.timestamp()) * 1_000_000)


def test_on_every_address_of_the_computer_only_addresses_are_answered(lab: Path, watch: Watch) -> None:
    client = make_app(lab, "0.0.0.0", clock=watch, steady=watch.steady).server.test_client()

    assert client.get("/healthz", headers={"Host": "192.0.2.7:8050"}).status_code == 200
    assert client.get("/healthz", headers={"Host": "evil.example"}).status_code == 400
    assert client.get("/", headers={"Host": "192.0.2.7:8050"}).status_code == 401


def test_without_users_another_address_than_this_computers_is_refused_in_words(
    tmp_path_factory: pytest.TempPathFactory, watch: Watch
) -> None:
    client = make_app(demo_lab(tmp_path_factory.getbasetemp()), "0.0.0.0", clock=watch).server.test_client()

    answer = client.get("/", headers={"Host": "192.0.2.7:8050"})

    words = b"No user is declared: the dashboard answers on this computer only.\n"
    assert (answer.status_code, answer.mimetype, answer.data) == (403, "text/plain", words)


def test_a_store_that_can_not_be_read_lets_nobody_in(lab: Path, client: Any) -> None:
    log_in(client, "Ann")
    (lab / "lotdrift.db").write_bytes(b"no database" * 5000)

    answer = client.get("/", headers=HERE)

    assert answer.status_code == 503
    assert b"lotdrift.db" not in answer.data
    assert b"Traceback" not in answer.data
