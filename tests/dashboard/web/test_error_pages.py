"""A broken lab.toml, a store that can't be used and no store yet: every address says so, to whoever may know, and none fails."""

from __future__ import annotations

import logging
import os
import re
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.error import HTTPError

import pytest
from support.browser import served
from support.labs import LAB_TOML, Bench
from support.people import HERE, PAGE, PASSWORD, Watch, declare, log_in

from dashboard.web.app import make_app

BROWSER = {"Accept": "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8"}
ENTRY = {"subject": "alert:1", "what": "close", "who": "Bench 2", "reason": "done"}
LOGIN = {"name": "Sam", "password": PASSWORD}
GETS = (
    "/", "/alerts", "/nowhere", "/_dash-layout", "/_dash-dependencies", "/digest", "/history-file", "/stream-file?supplier=a",
    "/notice-file?alert=1", "/scorecard-file?quarter=2026-Q3&form=html", "/evidence-file?quarter=2026-Q3",
)  # fmt: skip
SYNTAX, KEY, UNITS = "nonsense = = 1\n", "[lab]\nname = 3\n", LAB_TOML.replace('"nJ"', '"uJ"')


def gone(bench: Bench) -> None:
    (bench.folder / "lab.toml").unlink()


def no_toml(bench: Bench) -> None:
    bench.declare(SYNTAX)


def wrong_key(bench: Bench) -> None:
    bench.declare(KEY)


def other_unit(bench: Bench) -> None:
    bench.declare(UNITS)
    os.utime(bench.folder / "lab.toml", (1, 1))


def no_database(bench: Bench) -> None:
    (bench.folder / "lotdrift.db").write_bytes(b"no database" * 5000)


# What breaks, and the words that say what and where.
BROKEN: dict[str, tuple[Callable[[Bench], None], str]] = {
    "gone": (gone, "lab.toml: can't be found in"),
    "no toml": (no_toml, "lab.toml: is not TOML"),
    "wrong key": (
        wrong_key,
        "lab.toml, lab.name: expected a text that is not blank and holds no control characters, got 3",
    ),
    "other unit": (other_unit, "lab.toml, characteristic.shielding_energy.unit: expected"),
    "no database": (no_database, "lotdrift.db: is not a database"),
}


@pytest.fixture(params=list(BROKEN))
def trouble(request: pytest.FixtureRequest) -> tuple[Callable[[Bench], None], str]:
    return BROKEN[request.param]


@pytest.fixture(params=[False, True], ids=["asked before", "first request"])
def at_once(request: pytest.FixtureRequest) -> bool:
    """Whether the trouble comes before anything was asked."""
    return bool(request.param)


@pytest.fixture(autouse=True)
def quiet() -> Iterator[None]:
    logging.disable(logging.CRITICAL)
    yield
    logging.disable(logging.NOTSET)


@pytest.fixture
def tested(bench: Bench) -> Bench:
    """A lab that holds a value, so that its unit is fixed."""
    from support.labs import MONDAY, lot_rows

    bench.drop_tests("t.csv", lot_rows("L1", MONDAY, [[9.0, 9.1]]))
    bench.run()
    return bench


def answers(client: Any, path: str, status: int) -> Iterator[str]:
    """What a program and a browser are answered."""
    for more in ({}, BROWSER):
        with client.get(path, headers={**HERE, **more}) as answer:
            assert answer.status_code == status, (path, answer.status_code)
            assert "Traceback" not in answer.text
            assert answer.mimetype == ("text/html" if more else "text/plain"), path
            assert "frame-ancestors 'none'" in answer.headers["Content-Security-Policy"]
            yield answer.text.replace("&#39;", "'").replace("&#34;", '"')


def one_line(text: str) -> str:
    """What an answer says: all of it to a program, its alert to a browser."""
    if not text.startswith("<!doctype html>"):
        return text.removesuffix("\n")
    (alert,) = re.findall(r'<p role="alert">(.*?)</p>', text, re.DOTALL)
    return str(alert)


def test_without_users_every_address_says_what_is_wrong(
    tested: Bench, trouble: tuple[Callable[[Bench], None], str], at_once: bool
) -> None:
    client = make_app(tested.folder, clock=Watch()).server.test_client()
    if not at_once:
        assert client.get("/", headers=HERE).status_code == 200
    break_it, words = trouble
    break_it(tested)

    for path in GETS:
        for text in answers(client, path, 503):
            line = one_line(text)
            assert words in line, path
            assert "\n" not in line, path
    entry = client.post("/entry", data=ENTRY, headers={**PAGE, **BROWSER})
    assert (entry.status_code, "The entry was not saved." in entry.text) == (503, True)
    assert client.post("/login", data=LOGIN, headers=PAGE).status_code in (401, 503)
    assert client.get("/healthz", headers=HERE).status_code == 200
    with client.get("/assets/lotdrift.css", headers=HERE) as style:
        assert style.status_code == 200


def test_with_users_a_stranger_learns_nothing_and_gets_nowhere(
    tested: Bench, trouble: tuple[Callable[[Bench], None], str], at_once: bool
) -> None:
    declare(tested.folder, ("Ann", "viewer"), ("Sam", "specialist"))
    client = make_app(tested.folder, clock=Watch()).server.test_client()
    if not at_once:
        assert client.get("/", headers=HERE).status_code == 401
    trouble[0](tested)

    for path in GETS:
        for more in ({}, BROWSER):
            with client.get(path, headers={**HERE, **more}) as answer:
                assert answer.status_code in (401, 503), path
                assert not any(word in answer.text for word in ("lab.toml", ".db", "Traceback", str(tested.folder))), (
                    path
                )
    refused = client.post("/entry", data=ENTRY, headers=PAGE)
    assert refused.status_code in (401, 503)
    assert "lab.toml" not in refused.text
    assert log_in(client, "Sam", "a wrong password").status_code in (401, 503)
    assert client.get("/healthz", headers=HERE).status_code == 200


@pytest.mark.parametrize("address", ["127.0.0.1", "0.0.0.0"])
def test_the_reason_is_shown_only_on_this_computer_where_no_user_was_declared(tested: Bench, address: str) -> None:
    """What was never read may hold users; from elsewhere nobody may know, with users or without."""
    place = {"Host": "127.0.0.1" if address == "127.0.0.1" else "192.0.2.7"}
    asked_before = make_app(tested.folder, address, clock=Watch()).server.test_client()
    asked_before.get("/", headers=place)
    no_database(tested)
    first = make_app(tested.folder, address, clock=Watch()).server.test_client()

    answers_now = [client.get("/", headers=place) for client in (asked_before, first)]

    assert [answer.status_code for answer in answers_now] == [503, 503]
    assert ["lotdrift.db" in answer.text for answer in answers_now] == [address == "127.0.0.1", False]


@pytest.mark.parametrize("name", ["gone", "no toml", "wrong key", "other unit"])
def test_who_logs_in_reads_what_is_wrong_with_the_lab_file(tested: Bench, name: str) -> None:
    declare(tested.folder, ("Ann", "viewer"), ("Sam", "specialist"))
    client = make_app(tested.folder, clock=Watch()).server.test_client()
    assert client.get("/", headers=HERE).status_code == 401
    break_it, words = BROKEN[name]
    break_it(tested)

    assert log_in(client, "Sam").status_code == 303
    for path in GETS:
        for text in answers(client, path, 503):
            assert words in text, path
    tested.declare(LAB_TOML)
    assert client.get("/", headers=HERE).status_code == 200
    no_toml(tested)
    assert client.post("/logout", headers=PAGE).status_code == 303
    assert client.get("/", headers=HERE).status_code == 401


@pytest.mark.parametrize("users", [False, True])
def test_a_store_that_breaks_lets_nobody_in(tested: Bench, users: bool) -> None:
    if users:
        declare(tested.folder, ("Sam", "specialist"))
    client = make_app(tested.folder, clock=Watch()).server.test_client()
    assert log_in(client, "Sam").status_code == (303 if users else 401)
    no_database(tested)

    answer = client.get("/", headers=HERE)

    assert answer.status_code == 503
    # With users nobody is known any more, so nobody learns more.
    assert ("lotdrift.db" in answer.text) != users
    assert log_in(client, "Sam").status_code == 503


def test_before_the_first_round_the_frame_stands_and_files_say_so(bench: Bench) -> None:
    client = make_app(bench.folder, clock=Watch()).server.test_client()

    assert client.get("/", headers=HERE).status_code == 200
    for path in GETS[5:]:
        for text in answers(client, path, 404):
            assert "No data yet." in text
    entry = client.post("/entry", data=ENTRY, headers={**PAGE, **BROWSER})
    assert (entry.status_code, "No data yet." in entry.text) == (404, True)
    assert log_in(client, "Sam").status_code == 401


def test_the_reason_that_a_stranger_is_not_told_stands_in_the_log(
    tested: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    declare(tested.folder, ("Sam", "specialist"))
    client = make_app(tested.folder, clock=Watch()).server.test_client()
    no_database(tested)
    logging.disable(logging.NOTSET)

    assert log_in(client, "Sam").status_code == 503
    assert "lotdrift.db: is not a database" in caplog.text


def test_a_lab_file_that_breaks_while_the_process_serves_is_told_on_the_page(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "lab")
    bench.run()
    with served(bench.folder) as base:
        with urllib.request.urlopen(base) as answer:
            assert answer.status == 200
        no_toml(bench)
        for path in ("/", "/digest", "/_dash-layout"):
            with pytest.raises(HTTPError) as refused:
                urllib.request.urlopen(f"{base}{path}")
            assert refused.value.code == 503
            assert b"lab.toml: is not TOML" in refused.value.read()
            refused.value.close()


def test_an_address_that_names_no_page_is_answered_with_404_in_the_frame_of_the_pages(bench: Bench) -> None:
    client = make_app(bench.folder).server.test_client()

    page, missing, deeper = (client.get(path, headers=HERE) for path in ("/bench", "/nowhere", "/bench/nowhere"))

    assert [answer.status_code for answer in (page, missing, deeper)] == [200, 404, 404]
    assert b"react-entry-point" in missing.data
    assert missing.mimetype == page.mimetype == "text/html"
