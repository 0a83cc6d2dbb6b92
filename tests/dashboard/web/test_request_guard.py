"""Requests from elsewhere and broken ones are turned away with 4xx; what changes something needs a page of ours."""

from __future__ import annotations

import http.client
import json
import logging
import signal
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor, wait
from pathlib import Path
from threading import Event
from typing import Any

import pytest
from support.browser import free_port, served
from support.demolab import copy_of, demo_lab
from support.labs import Bench

from dashboard.queries import stored_documents
from dashboard.queries.lab_reader import LabReader
from dashboard.web.app import make_app
from ingest.store.store import open_store

CALLBACK = "/_dash-update-component"
HERE = {"Host": "127.0.0.1"}
PAGE = {
    "Host": "127.0.0.1",
    "Origin": "http://127.0.0.1",
    "Sec-Fetch-Site": "same-origin",
    "Accept": "text/html,application/xhtml+xml,*/*;q=0.8",
}
SHOW = {
    "output": "page.children",
    "outputs": {"id": "page", "property": "children"},
    "inputs": [
        {"id": "address", "property": "pathname", "value": "/"},
        {"id": "address", "property": "search", "value": ""},
    ],
    "changedPropIds": ["address.pathname"],
}


@pytest.fixture
def lab(tmp_path_factory: pytest.TempPathFactory, tmp_path: Path) -> Path:
    return copy_of(demo_lab(tmp_path_factory.getbasetemp()), tmp_path / "lab")


@pytest.fixture
def client(lab: Path) -> Any:
    return make_app(lab).server.test_client()


def test_every_answer_carries_the_security_headers(client: Any) -> None:
    for path in ("/", "/no-such-thing", "/healthz", "/assets/lotdrift.css", "/stream-file"):
        with client.get(path, headers=HERE) as answer:
            headers = answer.headers
        policy = headers["Content-Security-Policy"]

        assert "frame-ancestors 'none'" in policy
        assert "http" not in policy
        assert "unsafe-eval" not in policy
        # Scripts come from us or are named by their hash; nothing else runs.
        scripts = directives(policy)["script-src"]
        assert scripts[0] == "'self'"
        assert len(scripts) > 1
        assert all(one.startswith("'sha256-") for one in scripts[1:])
        assert directives(policy) == {
            "default-src": ["'self'"], "script-src": scripts, "style-src": ["'self'", "'unsafe-inline'"],
            "img-src": ["'self'", "data:", "blob:"], "font-src": ["'self'", "data:"], "frame-ancestors": ["'none'"],
            "base-uri": ["'self'"], "form-action": ["'self'"], "object-src": ["'none'"],
        }  # fmt: skip
        assert headers["X-Content-Type-Options"] == "nosniff"
        # For browsers that know no frame-ancestors.
        assert headers["X-Frame-Options"] == "DENY"
        assert headers["Referrer-Policy"] == "same-origin"


def directives(policy: str) -> dict[str, list[str]]:
    """The sources that a policy allows, by what they are for."""
    return {words[0]: words[1:] for words in (part.split() for part in policy.split(";"))}


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1.evil.example", "127.0.0.1@evil.example", "", "[::1", "127.0.0.1:port"]
)
def test_a_foreign_host_is_not_answered(client: Any, host: str) -> None:
    # The name in the address bar of a page that was made to point here: common practice against rebinding of names.
    assert client.get("/", headers={"Host": host}).status_code == 400


@pytest.mark.parametrize(
    ("bound_to", "host", "status"),
    [
        ("127.0.0.1", "192.0.2.7:8050", 400),
        ("0.0.0.0", "192.0.2.7:8050", 200),
        ("::", "[2001:db8::7]:8050", 200),
        # A name of another site may point to this computer's address.
        ("0.0.0.0", "evil.example:8050", 400),
    ],
)
def test_an_address_as_host_is_answered_only_where_every_address_is_served(
    lab: Path, bound_to: str, host: str, status: int
) -> None:
    client = make_app(lab, bound_to).server.test_client()
    assert client.get("/healthz", headers={"Host": host}).status_code == status


@pytest.mark.parametrize("host", ["localhost:8050", "127.0.0.1:8050", "[::1]:8050"])
def test_the_names_of_this_computer_are_answered(client: Any, host: str) -> None:
    assert client.get("/", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://["},
        {"Origin": "http://127.0.0.1:9999"},
        {"Sec-Fetch-Site": "cross-site"},
    ],
)
def test_requests_from_other_sites_are_turned_away(client: Any, headers: dict[str, str]) -> None:
    assert client.post(CALLBACK, json=SHOW, headers={**HERE, **headers}).status_code == 403
    assert client.get("/stream-file", headers={**HERE, **headers}).status_code == 403


# Bodies

WRONG = [None, 5, "x", [], {}, [1], {"a": 1}, True, "\ud800", "../..", [[]], {"id": {}}]


@pytest.mark.parametrize("body", [b"", b"{", b"[]", b"null", b'{"output": 3}', b"{}", b"\xff\xfe", b"[" * 50_000])
def test_a_malformed_body_is_told_and_no_fault_of_ours(client: Any, body: bytes) -> None:
    answer = client.post(CALLBACK, data=body, content_type="application/json", headers=HERE)

    assert answer.status_code == 400
    assert b"Traceback" not in answer.data


def test_any_part_of_a_callback_may_be_wrong(client: Any) -> None:
    statuses = {answered(client, {**SHOW, key: value}) for key in [*SHOW, "state", "more"] for value in WRONG}
    statuses |= {answered(client, {other: SHOW[other] for other in SHOW if other != key}) for key in SHOW}
    statuses |= {
        answered(client, {**SHOW, "inputs": [{**SHOW["inputs"][0], key: value}, SHOW["inputs"][1]]})
        for key in ("id", "property", "value")
        for value in WRONG
    }

    # A wrong address is a page that says so; all else is turned away.
    assert statuses == {200, 400}


@pytest.mark.parametrize("value", [*WRONG, *({"points": [{"customdata": one}]} for one in WRONG)])
def test_a_click_may_hold_anything(client: Any, value: object) -> None:
    clicked = {
        "output": "stream-goes-to.href",
        "outputs": {"id": "stream-goes-to", "property": "href"},
        "inputs": [{"id": "stream-figure", "property": "clickData", "value": value}],
        "state": [{"id": "stream-supplier", "property": "data", "value": value}],
        "changedPropIds": ["stream-figure.clickData"],
    }

    assert answered(client, clicked) in (200, 204)


def answered(client: Any, body: object) -> int:
    answer = client.post(CALLBACK, data=json.dumps(body), content_type="application/json", headers=HERE)
    assert b"Traceback" not in answer.data
    return int(answer.status_code)


def test_an_oversized_body_is_turned_away(client: Any) -> None:
    for path in (CALLBACK, "/entry"):
        answer = client.post(path, data=b"x" * 2_000_000, content_type="application/json", headers=PAGE)

        assert answer.status_code == 413


@pytest.mark.parametrize(
    "search", ["?supplier=%00", "?supplier=%ed%a0%80", "?supplier=a&supplier=b&desk=c&self=d", "?%"]
)
@pytest.mark.parametrize("path", ["/", "/stream", "/lot", "/alerts", "/bench", "/supplier", "/nowhere", "/lot/../.."])
def test_an_address_may_ask_for_anything(client: Any, path: str, search: str) -> None:
    inputs = [{**SHOW["inputs"][0], "value": path}, {**SHOW["inputs"][1], "value": search}]

    assert answered(client, {**SHOW, "inputs": inputs}) == 200


# Entries


def test_an_alert_is_answered_and_the_answer_outlives_its_evaluation(lab: Path, client: Any) -> None:
    alert = open_alert(lab, "limit")
    entry = {"subject": f"alert:{alert['id']}", "what": "acknowledge", "who": " Bench 2 ", "reason": "supplier called"}

    answer = client.post("/entry", data=entry, headers=PAGE)

    assert (answer.status_code, answer.headers["Location"]) == (303, f"/cases?case={alert['id']}")
    assert state_of(lab, alert) == "acknowledged"
    Again(lab).run()
    assert state_of(lab, alert) == "acknowledged"
    client.post("/entry", data={**entry, "what": "close"}, headers=PAGE)
    assert state_of(lab, alert) == "closed"
    client.post("/entry", data={**entry, "what": "open again"}, headers=PAGE)
    assert state_of(lab, alert) == "open"
    assert acts(lab) == [("Bench 2", what, "supplier called") for what in ("acknowledge", "close", "open again")]


class Again(Bench):
    """The lab with one stream to evaluate again."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        with open_store(folder).writing() as connection:
            connection.exec_driver_sql("INSERT OR IGNORE INTO stale_lot SELECT DISTINCT stream_id, lot_id FROM session")


@pytest.mark.parametrize(
    ("wrong", "status"),
    [
        ({"reason": "  "}, 400),
        ({"who": ""}, 400),
        ({"who": "x" * 81}, 400),
        ({"what": "delete"}, 400),
        ({"subject": "alert:none"}, 400),
        ({"subject": ""}, 400),
        ({"subject": "lot:" + "[" * 5000}, 400),
        ({"subject": 'lot:["Umberfold", 3]', "what": "hold"}, 400),
        ({"subject": '["Umberfold","UM-9","shielding_energy"]', "what": "note", "on": "tomorrow"}, 400),
    ],
)
def test_an_entry_that_says_too_little_changes_nothing(
    lab: Path, client: Any, wrong: dict[str, str], status: int
) -> None:
    alert = open_alert(lab, "limit")
    entry = {"subject": f"alert:{alert['id']}", "what": "close", "who": "Bench 2", "reason": "done", **wrong}

    answer = client.post("/entry", data=entry, headers=PAGE)

    assert answer.status_code == status
    assert b"The entry was not saved." in answer.data
    assert (state_of(lab, alert), acts(lab)) == ("open", [])


def test_an_entry_waits_for_a_round_that_is_writing(lab: Path, client: Any) -> None:
    alert = open_alert(lab, "limit")
    entry = {"subject": f"alert:{alert['id']}", "what": "close", "who": "Bench 2", "reason": "done"}
    writes, may_end = Event(), Event()

    def round_writes() -> None:
        with open_store(lab).writing() as connection:
            connection.exec_driver_sql("UPDATE alert SET state = state")
            writes.set()
            may_end.wait(30)

    with ThreadPoolExecutor(2) as threads:
        written = threads.submit(round_writes)
        assert writes.wait(30)
        answer = threads.submit(client.post, "/entry", data=entry, headers=PAGE)
        # Time for the entry to read what it will change, which it may not before the round has ended.
        done, _ = wait([answer], timeout=1)
        may_end.set()
        written.result()

        assert not done
        assert answer.result().status_code == 303
    assert acts(lab) == [("Bench 2", "close", "done")]


@pytest.mark.parametrize(
    "headers",
    [
        HERE,
        {**PAGE, "Origin": "http://evil.example"},
        {**PAGE, "Origin": "http://127.0.0.1:1"},
        {**PAGE, "Sec-Fetch-Site": "same-site"},
        {**PAGE, "Sec-Fetch-Site": "none"},
    ],
)
def test_an_entry_is_taken_from_a_page_of_ours_only(lab: Path, client: Any, headers: dict[str, str]) -> None:
    alert = open_alert(lab, "limit")
    entry = {"subject": f"alert:{alert['id']}", "what": "close", "who": "Bench 2", "reason": "done"}

    assert client.post("/entry", data=entry, headers=headers).status_code == 403
    assert (state_of(lab, alert), acts(lab)) == ("open", [])


def test_on_another_address_nobody_is_known_and_nothing_is_taken(lab: Path) -> None:
    alert = open_alert(lab, "limit")
    client = make_app(lab, "192.0.2.7").server.test_client()
    entry = {"subject": f"alert:{alert['id']}", "what": "close", "who": "Bench 2", "reason": "done"}

    headers = {**PAGE, "Host": "192.0.2.7:8050", "Origin": "http://192.0.2.7:8050"}
    assert client.post("/entry", data=entry, headers=headers).status_code == 403
    assert state_of(lab, alert) == "open"


def test_what_a_person_wrote_is_text_in_the_page_that_refuses_it(client: Any) -> None:
    entry = {"subject": "alert:x", "what": "<script>1</script>", "who": "a", "reason": "b"}

    assert b"<script>" not in client.post("/entry", data=entry, headers=PAGE).data


def open_alert(lab: Path, kind: str) -> dict[str, Any]:
    desk = LabReader(lab)
    with desk.reading() as connection:
        return next(alert for alert in stored_documents.alerts(connection, desk.lab) if alert["kind"] == kind)


def state_of(lab: Path, alert: dict[str, Any]) -> str:
    desk = LabReader(lab)
    with desk.reading() as connection:
        (found,) = stored_documents.alerts_named(connection, desk.lab, [alert["id"]])
    return str(found["state"])


def acts(lab: Path) -> list[tuple[str, str, str]]:
    with open_store(lab).reading() as connection:
        return [tuple(row) for row in connection.exec_driver_sql("SELECT who, what, reason FROM act ORDER BY id")]


# The process


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder = copy_of(demo_lab(tmp_path_factory.getbasetemp()), tmp_path_factory.mktemp("process") / "lab")
    with served(folder) as base:
        yield base.removeprefix("http://")


@pytest.mark.parametrize(
    ("method", "path", "headers", "body", "status"),
    [
        ("GET", "/", {}, None, 200),
        ("GET", "/", {"Host": "evil.example"}, None, 400),
        ("POST", CALLBACK, {"Content-Type": "application/json"}, "{", 400),
        ("POST", CALLBACK, {"Origin": "http://evil.example"}, "{}", 403),
        ("POST", CALLBACK, {"Content-Length": "99999999999"}, None, 413),
        ("POST", CALLBACK, {"Content-Length": "-5"}, None, 400),
        ("POST", "/entry", {}, "subject=x", 403),
        ("PUT", "/", {}, None, 405),
        ("GET", "/assets/..%2f..%2fpyproject.toml", {}, None, 404),
    ],
)
def test_the_running_server_answers_in_words(
    address: str, method: str, path: str, headers: dict[str, str], body: str | None, status: int
) -> None:
    connection = http.client.HTTPConnection(address, timeout=30)
    connection.request(method, path, body, headers)
    answer = connection.getresponse()

    assert answer.status == status
    assert b"Traceback" not in answer.read()
    connection.close()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_in_the_middle_of_a_round_ends_it_quietly(tmp_path: Path, number: signal.Signals) -> None:
    bench = Bench(tmp_path / "lab")
    command = [sys.executable, "-m", "dashboard.cli", "serve", "--lab", str(bench.folder), "--port", str(free_port())]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert process.stdout.readline().startswith("Serving Test bench on http://127.0.0.1:")
    process.send_signal(number)
    said, trouble = process.communicate(timeout=60)

    assert (process.returncode, said, trouble) == (0, "Stopped.\n", "")


def test_a_port_in_use_is_told_in_a_line(address: str, tmp_path: Path) -> None:
    bench = Bench(tmp_path / "lab")
    port = address.partition(":")[2]
    command = [sys.executable, "-m", "dashboard.cli", "serve", "--lab", str(bench.folder), "--port", port]

    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)

    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.count("\n") == 1
    assert f"127.0.0.1 port {port} can't be used (Address already in use); choose another with --port" in done.stderr


@pytest.fixture(autouse=True)
def quiet() -> Iterator[None]:
    """The framework logs each malformed request of the test; a failed assertion tells enough."""
    logging.disable(logging.CRITICAL)
    yield
    logging.disable(logging.NOTSET)
