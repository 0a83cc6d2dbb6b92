"""Every address and callback there is, tried without a login, with the wrong role, from elsewhere and with broken bodies.

They are found in the application itself, so that a new one can't be forgotten; one that shall be open has to be named here.
"""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from hashlib import sha256
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from sqlalchemy import inspect
from support.demolab import copy_of, demo_lab
from support.people import HERE, NOW, PAGE, Watch, declare, log_in, resume, session_of

from dashboard.web.app import make_app
from ingest.config.lab import load
from ingest.documents.served import iso
from ingest.store.schema import metadata
from ingest.store.store import STORE_NAME, open_store

CALLBACK = "/_dash-update-component"
OPEN = {"/healthz", "/assets/<path:filename>", "/_favicon.ico", "/login"}
# What a viewer may send: the reading callbacks, and the way in and out.
READING_POSTS = {CALLBACK, "/login", "/logout"}
METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS")
ELSEWHERE = (
    {**HERE, "Origin": "http://evil.example"},
    {**HERE, "Origin": "null"},
    {**PAGE, "Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "cors"},
)
# Of each file the addresses as the pages link to them; a new file has to be named here.
FILES = {
    "/stream-file": ["?supplier=Brackenfoil&product=BF-110&characteristic=shielding_energy"],
    "/history-file": ["?who=Sam"],
    "/sheet-file": ["?instrument=shielding+tester+1&found={calibrated}"],
    "/notice-file": ["?alert={alert}"],
    "/scorecard-file": ["?quarter=2026-Q3&form=html", "?quarter=2026-Q3&supplier=Tarnwick&form=csv"],
    "/stock-file": ["", "?form=xlsx"],
    "/comparison-file": ['?characteristic=shielding_energy&c1=["Umberfold","UM-7"]&c2=["Umberfold","UM-9"]&margin=5'],
    "/report-file": ["?supplier=Umberfold&lot=UM08224&characteristic=shielding_energy"],
    "/evidence-file": ["?quarter=2026-Q3", "?supplier=Tarnwick&lot=TW00076"],
}
NAVIGATION = {**HERE, "Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate"}
# What a logout has to write: that the session has ended.
ENDED = "ended_session:"
BROKEN = (
    b"",
    b"{",
    b"[]",
    b"null",
    b"\xff\xfe\x00",
    b"[" * 50_000,
    b"=&=&%zz",
    b"subject=%ff&what=%00&reason=%ed%a0%80",
)
KINDS = ("application/json", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x", "nonsense", "")


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = copy_of(demo_lab(tmp_path_factory.getbasetemp()), tmp_path_factory.mktemp("gate") / "lab")
    declare(folder, ("Ann", "viewer"), ("Sam", "specialist"))
    return folder


@pytest.fixture(scope="module")
def app(lab: Path) -> Any:
    made = make_app(lab, clock=Watch())
    # Its callbacks are known once it has answered.
    made.server.test_client().get("/", headers=HERE)
    return made


@pytest.fixture
def stranger(app: Any) -> Any:
    return app.server.test_client()


@pytest.fixture(scope="module")
def cookies(app: Any) -> dict[str, str]:
    """A session of each person, kept for all tests: a login is slow work by design."""
    return {name: session_of(entered(app, name)) for name in ("Ann", "Sam")}


def entered(app: Any, name: str) -> Any:
    client = app.server.test_client()
    assert log_in(client, name).status_code == 303
    return client


@pytest.fixture(params=["Ann", "Sam"])
def person(app: Any, cookies: dict[str, str], request: pytest.FixtureRequest) -> Any:
    client = app.server.test_client()
    resume(client, cookies[request.param])
    return client


@pytest.fixture(scope="module")
def state_before(lab: Path, cookies: dict[str, str]) -> dict[str, str]:
    """What is kept once each person has logged in, before all tests of this file."""
    return state(lab)


@pytest.fixture(scope="module")
def unchanged(lab: Path, state_before: dict[str, str]) -> Iterator[Callable[[], bool]]:
    """Whether the store is as it was before all tests.

    To read every row takes as long as many of the tests: it is done once another connection has committed, which changes a
    number (https://sqlite.org/pragma.html#pragma_data_version).
    """
    with closing(sqlite3.connect(lab / STORE_NAME)) as connection:
        compared = -1

        def same() -> bool:
            nonlocal compared
            (commits,) = connection.execute("PRAGMA data_version").fetchone()
            if commits == compared:
                return True
            compared = commits
            return state(lab) == state_before

        yield same


@pytest.fixture(autouse=True)
def nothing_changes(unchanged: Callable[[], bool]) -> Iterator[None]:
    """No request of these tests may leave a trace in what is kept; nor fill the screen."""
    logging.disable(logging.CRITICAL)
    yield
    logging.disable(logging.NOTSET)
    assert unchanged()


def state(lab: Path) -> dict[str, str]:
    """The digest of every row of every table there is, but for the marks of ended sessions."""
    found = {}
    with open_store(lab).reading() as connection:
        for table in inspect(connection).get_table_names():
            rows = connection.exec_driver_sql(f'SELECT * FROM "{table}"').all()
            kept = sorted(repr(row) for row in rows if not (table == "meta" and row[0].startswith(ENDED)))
            found[table] = sha256("\n".join(kept).encode()).hexdigest()
    return found


def addresses(app: Any) -> list[tuple[str, str, set[str]]]:
    """Rule, an address that fits it, and its methods; of each rule that the application knows."""
    return [
        (
            rule.rule,
            rule.rule.replace("<path:", "<").replace("<string:", "<").replace("<", "x").replace(">", ""),
            rule.methods,
        )
        for rule in app.server.url_map.iter_rules()
    ]


def bodies(app: Any) -> Iterator[dict[str, Any]]:
    """A body in the shape of each callback."""
    for name, known in app.callback_map.items():
        places = known["output"]
        listed = [{"id": one.component_id, "property": one.component_property} for one in many(places)]
        inputs, states = ([{**one, "value": None} for one in known[part]] for part in ("inputs", "state"))
        outputs = listed if isinstance(places, (list, tuple)) else listed[0]
        changed = [f"{one['id']}.{one['property']}" for one in inputs]
        yield {"output": name, "outputs": outputs, "inputs": inputs, "state": states, "changedPropIds": changed}


def many(places: Any) -> list[Any]:
    return list(places) if isinstance(places, (list, tuple)) else [places]


def asked(client: Any, method: str, path: str, headers: dict[str, str], **more: Any) -> int:
    with client.open(path, method=method, headers=headers, **more) as answer:
        assert b"Traceback" not in answer.data, (method, path)
        assert "frame-ancestors 'none'" in answer.headers["Content-Security-Policy"], (method, path)
        return int(answer.status_code)


def test_there_is_something_to_try(app: Any) -> None:
    assert {"/", "/entry", "/stream-file", "/scorecard-file", "/history-file", "/digest", CALLBACK} <= {
        rule for rule, _, _ in addresses(app)
    }
    assert len(list(bodies(app))) == len(app.callback_map) > 1


def test_every_table_is_watched(lab: Path) -> None:
    assert state(lab).keys() >= set(metadata.tables)


def test_files_are_read_and_leave_no_trace_whoever_asks_and_from_wherever(app: Any, person: Any, lab: Path) -> None:
    assert FILES.keys() == {rule for rule, _, _ in addresses(app) if rule.endswith("-file")}
    with open_store(lab).reading() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM drawn_quarter").scalar() == 0
        alert = connection.exec_driver_sql("SELECT id FROM alert WHERE kind = 'limit' LIMIT 1").scalar_one()
        calibrated_us = connection.exec_driver_sql(
            "SELECT max(done_us) FROM calibration WHERE as_found = '11.2'"
        ).scalar_one()
    calibrated = quote(iso(calibrated_us, load(lab).zone))
    for path, queries in FILES.items():
        for query in queries:
            for method, headers in (("GET", HERE), ("GET", NAVIGATION), ("HEAD", HERE)):
                assert asked(person, method, path + query.format(alert=alert, calibrated=calibrated), headers) == 200, (
                    path
                )


def test_without_a_login_nothing_is_answered(app: Any, stranger: Any) -> None:
    for rule, path, _ in addresses(app):
        for method in METHODS:
            status = asked(stranger, method, path, PAGE)
            if rule in OPEN:
                assert status in (200, 401, 404), (method, rule)
            elif rule != CALLBACK:
                assert status == 401, (method, rule)
            else:
                assert status in (400, 401), (method, rule)


def test_without_a_login_no_callback_runs(app: Any, stranger: Any) -> None:
    assert [asked(stranger, "POST", CALLBACK, PAGE, json=body) for body in bodies(app)] == [401] * len(app.callback_map)


def test_a_forged_session_is_no_login(app: Any, stranger: Any) -> None:
    from flask import Flask

    forger = Flask("forger")
    forger.secret_key = "guessed"
    serializer = forger.session_interface.get_signing_serializer(forger)
    forged = {"id": "1", "name": "Sam", "password": "x", "began": NOW.isoformat(), "seen": NOW.isoformat()}
    for value in (serializer.dumps(forged), "x", "", "\x00"):
        resume(stranger, value)

        assert asked(stranger, "GET", "/", HERE) == 401


def test_a_viewer_sees_everything_and_changes_nothing(app: Any) -> None:
    viewer = entered(app, "Ann")
    for rule, path, known in addresses(app):
        for method in sorted(known):
            status = asked(viewer, method, path, PAGE)
            if method != "POST":
                assert status in (200, 400, 404), (method, rule)
            elif rule not in READING_POSTS:
                assert status == 403, rule
            elif rule == "/logout":
                assert asked(viewer, "GET", "/", HERE) == 401
                viewer = entered(app, "Ann")


def test_a_viewer_s_entry_in_its_right_shape_is_refused_too(app: Any, lab: Path) -> None:
    with open_store(lab).reading() as connection:
        alert = connection.exec_driver_sql("SELECT id FROM alert WHERE state = 'open' LIMIT 1").scalar_one()
    entry = {"subject": f"alert:{alert}", "what": "acknowledge", "who": "Sam", "reason": "seen"}

    assert asked(entered(app, "Ann"), "POST", "/entry", PAGE, data=entry) == 403


def test_every_callback_answers_who_is_logged_in(app: Any, person: Any) -> None:
    for body in bodies(app):
        assert asked(person, "POST", CALLBACK, PAGE, json=body) in (200, 204), body["output"]


def test_requests_from_elsewhere_are_turned_away_whoever_is_logged_in(app: Any, person: Any) -> None:
    for _, path, known in addresses(app):
        for method in known:
            for headers in ELSEWHERE:
                assert asked(person, method, path, headers) == 403, (method, path, headers)
    for body in bodies(app):
        assert asked(person, "POST", CALLBACK, ELSEWHERE[0], json=body) == 403


def test_what_changes_something_comes_from_a_page_of_ours(app: Any, person: Any) -> None:
    for rule, path, known in addresses(app):
        if "POST" in known and rule != CALLBACK:
            for headers in (HERE, {**PAGE, "Sec-Fetch-Site": "same-site"}, {**PAGE, "Origin": "http://127.0.0.1:1"}):
                assert asked(person, "POST", path, headers) == 403, (rule, headers)


def test_oversized_bodies_are_turned_away(app: Any, person: Any) -> None:
    for _, path, known in addresses(app):
        for method in known - {"OPTIONS", "HEAD"}:
            assert asked(person, method, path, PAGE, data=b"x" * 1_000_001) == 413, (method, path)


def test_broken_bodies_are_told_and_no_fault_of_ours(app: Any) -> None:
    person = entered(app, "Sam")
    for rule, path, known in addresses(app):
        if "POST" not in known or rule == "/logout":
            continue
        for body in BROKEN:
            for kind in KINDS:
                status = asked(person, "POST", path, PAGE, data=body, content_type=kind)
                assert 400 <= status < 500, (path, body[:20], kind, status)


def test_a_callback_that_does_not_exist_is_turned_away(app: Any, person: Any) -> None:
    for body in bodies(app):
        for name in ("nowhere.children", "", "..page.children..", body["output"] + "x"):
            assert asked(person, "POST", CALLBACK, PAGE, json={**body, "output": name}) == 400


def test_what_needed_a_login_is_kept_nowhere(app: Any, person: Any) -> None:
    for path in ("/", "/digest", "/history-file", "/_dash-layout"):
        with person.get(path, headers=HERE) as answer:
            assert answer.headers["Cache-Control"] == "no-store", path
