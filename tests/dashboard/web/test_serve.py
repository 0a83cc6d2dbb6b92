"""The served process over real sockets: whose address counts, and what connections that say nothing do to others."""

from __future__ import annotations

import http.client
import signal
import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from urllib.parse import urlencode

import pytest
from support.browser import served
from support.labs import LAB_TOML, Bench
from support.people import declare
from waitress import wasyncore

from dashboard.web import serve

STRANGER, OTHER = "203.0.113.5", "203.0.113.6"
HALF_A_REQUEST = b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n"


def lab(folder: Path, proxy: str | None) -> Path:
    """A lab with a user, and the proxy that it declares."""
    bench = Bench(folder / "lab", LAB_TOML + (f'[serve]\ntrusted_proxy = "{proxy}"\n' if proxy else ""))
    bench.run()
    declare(bench.folder, ("Sam", "specialist"))
    return bench.folder


@pytest.fixture
def served_lab(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[tuple[str, int]]:
    """Host and port of a served lab."""
    with served(lab(tmp_path, request.param)) as base:
        host, _, port = base.removeprefix("http://").partition(":")
        yield host, int(port)


def attempt(place: tuple[str, int], name: str, forwarded_for: str, peer: str = "127.0.0.1") -> int:
    """A wrong login from a peer that says for whom it asks; how many seconds to wait, 0 where it was looked at."""
    connection = http.client.HTTPConnection(*place, timeout=30, source_address=(peer, 0))
    origin = f"http://{place[0]}:{place[1]}"
    headers = {"Origin": origin, "Content-Type": "application/x-www-form-urlencoded", "X-Forwarded-For": forwarded_for}
    connection.request("POST", "/login", urlencode({"name": name, "password": "a wrong password"}), headers)
    answer = connection.getresponse()
    connection.close()
    assert answer.status in (401, 429)
    return int(answer.headers.get("Retry-After", 0))


def shut_out(place: tuple[str, int], forwarded_for: str, peer: str = "127.0.0.1") -> None:
    """Fail with ever other names, as soon as it may be, until the wait is too long to pass by the way."""
    for number in range(30):
        wait = attempt(place, f"name {number}", forwarded_for.format(number), peer)
        if wait > 8:
            assert number > 10
            return
        time.sleep(wait)
    raise AssertionError("nothing slowed these attempts down")


@pytest.mark.parametrize("served_lab", ["127.0.0.1"], indirect=True)
def test_behind_a_declared_proxy_the_address_of_the_client_counts(served_lab: tuple[str, int]) -> None:
    shut_out(served_lab, STRANGER)

    assert attempt(served_lab, "another name", OTHER) == 0
    # The client may write what it likes: the proxy's own entry is the last.
    assert attempt(served_lab, "one more name", f"{OTHER}, {STRANGER}") > 0


@pytest.mark.parametrize("served_lab", ["127.0.0.1"], indirect=True)
def test_who_is_not_the_declared_proxy_asks_for_itself(served_lab: tuple[str, int]) -> None:
    shut_out(served_lab, "203.0.113.{}", "127.0.0.2")

    assert attempt(served_lab, "another name", STRANGER, "127.0.0.2") > 0
    assert attempt(served_lab, "another name", STRANGER) == 0


@pytest.mark.parametrize("served_lab", [None], indirect=True)
def test_without_a_declared_proxy_what_is_forwarded_is_not_read_and_this_computer_is_not_counted(
    served_lab: tuple[str, int],
) -> None:
    assert [attempt(served_lab, f"name {number}", STRANGER) for number in range(15)] == [0] * 15


@contextmanager
def half_open(place: tuple[str, int], count: int, peer: str) -> Iterator[list[socket.socket]]:
    """Connections that begin a request and never end it."""
    with ExitStack() as stack:
        held = [
            stack.enter_context(socket.create_connection(place, timeout=30, source_address=(peer, 0)))
            for _ in range(count)
        ]
        for one in held:
            # One that was closed already is what is hoped for.
            try:
                one.sendall(HALF_A_REQUEST)
            except OSError:
                continue
        yield held


def answered_within(place: tuple[str, int], seconds: float, peer: str) -> int:
    connection = http.client.HTTPConnection(*place, timeout=seconds, source_address=(peer, 0))
    connection.request("GET", "/healthz")
    status = connection.getresponse().status
    connection.close()
    return status


@pytest.mark.parametrize("served_lab", [None], indirect=True)
def test_half_open_requests_do_not_silence_the_dashboard(served_lab: tuple[str, int]) -> None:
    with half_open(served_lab, 120, "127.0.0.1"):
        assert answered_within(served_lab, 10, "127.0.0.1") == 200


def test_a_signal_that_comes_while_a_connection_is_read_is_not_lost() -> None:
    connection = wasyncore.dispatcher(map={})
    connection.handle_read_event = lambda: serve._stop(signal.SIGTERM, None)

    with pytest.raises(serve._Stop):
        wasyncore.read(connection)


@pytest.mark.parametrize("served_lab", ["127.0.0.9"], indirect=True)
def test_one_peer_holds_a_part_of_the_connections_only(served_lab: tuple[str, int]) -> None:
    # With a proxy elsewhere a peer of this computer is one like any other.
    with half_open(served_lab, 600, "127.0.0.1"):
        assert answered_within(served_lab, 10, "127.0.0.2") == 200


@pytest.mark.parametrize("served_lab", [None], indirect=True)
def test_a_connection_that_says_nothing_is_closed_in_half_a_minute(served_lab: tuple[str, int]) -> None:
    with half_open(served_lab, 1, "127.0.0.1") as (held,):
        began = time.monotonic()
        held.settimeout(60)

        assert held.recv(1) == b""
        assert time.monotonic() - began < 30
