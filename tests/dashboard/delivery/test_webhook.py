"""Posts to a program: the signature against the published standard, and conversations that go wrong."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import re
import time
from datetime import timedelta
from pathlib import Path

import pytest
from support.alarms import LATER, WEDNESDAY, Alarms
from support.receivers import Receiver, authority_file, dripping, free_port, receiver

from dashboard.delivery.dispatch import BULK
from dashboard.delivery.webhook import MOST_ALERTS, body_of, content_digest, sign, signature_base
from dashboard.text.formatting import CAUTIONS

PATIENCE = 60  # seconds
SECRET = "agreed on"
ENVIRON = {"LOTDRIFT_WEBHOOK_SECRET": SECRET}


def declared(port: int, scheme: str = "http", host: str = "127.0.0.1", seconds: float = 2.0, path: str = "/in") -> str:
    return (
        f'[[webhook]]\nname = "hall"\nurl = "{scheme}://{host}:{port}{path}"\ntimeout_seconds = {seconds}\n'
        '[[route]]\nwebhook = ["hall"]\n'
    )


# The signature


def test_the_signature_is_that_of_the_standards_example() -> None:
    # RFC 9421, HTTP Message Signatures (2024), appendix B.2.5: the request, the shared secret and the signature as printed.
    secret = base64.b64decode(
        "uzvJfB4u3N0Jy4T7NZ75MDVcr8zSTInedJtkgcu46YW4XByzNJjxBdtjUkdJPBtbmHhIDi6pcl8jsasjlTMtDQ=="
    )
    values = {
        "date": "Tue, 20 Apr 2021 02:07:55 GMT",
        "@authority": "example.com",
        "content-type": "application/json",
    }
    parameters = '("date" "@authority" "content-type");created=1618884473;keyid="test-shared-secret"'

    assert sign(signature_base(values, parameters), secret) == "pxcQw6G3AjtMBQjwo8XzkZf/bws5LelbaMk5rGIGtE8="


def test_the_digest_of_the_body_is_that_of_the_standards_example() -> None:
    # RFC 9530, Digest Fields (2024), the SHA-256 of {"hello": "world"} as printed in its examples; from memory, and
    # recomputed with hashlib.
    assert content_digest(b'{"hello": "world"}') == "sha-256=:X48E9qOokqqrvdts8nOJRJN3OWDUoyWxBf7kbu9DBPE=:"


# What a receiver asks to be signed, whatever a sender lists: a part that is not signed could be another's.
ASKED_FOR = ["@method", "@target-uri", "content-digest", "content-type", "idempotency-key"]


def verify(path: str, headers: dict[str, str], body: bytes, authority: str, secret: str = SECRET) -> bool:
    """A receiver's own check, put together from what came over the wire alone (RFC 9421, section 3.2)."""
    digest = base64.b64encode(hashlib.sha256(body).digest()).decode()
    if headers["Content-Digest"] != f"sha-256=:{digest}:":
        return False
    label, parameters = headers["Signature-Input"].split("=", 1)
    if sorted(re.findall(r'"([^"]+)"', parameters.partition(")")[0])) != ASKED_FOR:
        return False
    derived = {"@method": "POST", "@target-uri": f"{authority}{path}"}
    lower = {name.lower(): value for name, value in headers.items()}
    lines = [f'"{name}": {derived[name] if name.startswith("@") else lower[name]}' for name in ASKED_FOR]
    base = "\n".join([*lines, f'"@signature-params": {parameters}'])
    signature = base64.b64encode(hmac.new(secret.encode(), base.encode(), hashlib.sha256).digest()).decode()
    return headers["Signature"] == f"{label}=:{signature}:"


def test_a_receiver_can_check_who_posted_what(tmp_path: Path) -> None:
    told, port = Receiver(), free_port()
    alarms = Alarms(tmp_path, declared(port, path="/in?room=3"))
    alarms.raise_alert("one")

    with receiver(told, port):
        assert alarms.deliver(ENVIRON) == []

    ((path, headers, body),) = told.posts
    authority = f"http://127.0.0.1:{port}"
    assert verify(path, headers, body, authority)
    assert not verify(path, headers, body.replace(b"16.3", b"11.3"), authority)
    assert not verify("/other", headers, body, authority)
    assert not verify(path, headers, body, authority, secret="guessed")
    assert f"created={int(WEDNESDAY.timestamp())};" in headers["Signature-Input"]
    assert SECRET.encode() not in body
    assert SECRET not in str(headers)


def test_no_part_of_a_post_can_be_changed_on_its_way(tmp_path: Path) -> None:
    told, port = Receiver(), free_port()
    alarms = Alarms(tmp_path, declared(port))
    alarms.raise_alert("one")
    with receiver(told, port):
        alarms.deliver(ENVIRON)
    ((path, headers, body),) = told.posts
    authority = f"http://127.0.0.1:{port}"
    other = body.replace(b"16.3", b"11.3")
    assert other != body

    # The digest alone proves nothing: whoever changes the body works it out anew.
    assert not verify(path, {**headers, "Content-Digest": content_digest(other)}, other, authority)
    for name, value in (
        ("Content-Type", "text/plain"),
        ("Idempotency-Key", '"two"'),
        ("Signature-Input", headers["Signature-Input"].replace("created=1", "created=2")),
        ("Signature-Input", headers["Signature-Input"].replace(' "content-digest"', "")),
    ):
        assert headers[name] != value
        assert not verify(path, {**headers, name: value}, body, authority), name


# The body


def test_the_body_holds_the_alert_as_the_command_prints_it(tmp_path: Path) -> None:
    told, port = Receiver(), free_port()
    alarms = Alarms(tmp_path, declared(port) + '[mail]\ndashboard = "http://bench-pc:8050"\n')
    alarms.raise_alert("one", supplier='Alder "Film"\n<b>')

    with receiver(told, port):
        alarms.deliver(ENVIRON)

    ((_, headers, body),) = told.posts
    document = json.loads(body)
    assert headers["Content-Type"] == "application/json"
    assert headers["Idempotency-Key"] == '"one"'
    assert (document["message"], document["lab"], document["count"]) == ("one", "Test bench", 1)
    assert document["dashboard"] == "http://bench-pc:8050"
    assert document["caution"] == CAUTIONS
    (alert,) = document["alerts"]
    assert alert["supplier"] == 'Alder "Film"\n<b>'
    assert alert["evidence"]["level"] == 16.3
    assert set(alert) >= {"id", "kind", "grade", "supplier", "product", "characteristic", "lot", "raised_at", "message", "state"}  # fmt: skip


def test_a_storm_is_one_post(tmp_path: Path) -> None:
    told, port = Receiver(), free_port()
    alarms = Alarms(tmp_path, declared(port))
    for number in range(BULK + 1):
        alarms.raise_alert(f"a{number}", grade="look" if number else "act", raised_us=number)

    with receiver(told, port):
        alarms.deliver(ENVIRON)

    ((_, _, body),) = told.posts
    document = json.loads(body)
    assert document["count"] == len(document["alerts"]) == BULK + 1
    assert document["alerts"][0]["id"] == "a0"


def test_a_long_history_is_counted_in_full_and_listed_in_part() -> None:
    alert = {"grade": "act", "state": "open", "raised_at": "2026-01-01T00:00:00+00:00"}

    document = json.loads(body_of("m", "Test bench", [alert] * 3000, None))

    assert (document["count"], len(document["alerts"])) == (3000, MOST_ALERTS)


# Conversations


def test_posts_go_encrypted(tmp_path: Path) -> None:
    told, port = Receiver(), free_port()
    alarms = Alarms(tmp_path, declared(port, "https", "localhost"))
    alarms.raise_alert("one")

    with receiver(told, port, tls=True):
        (line,) = alarms.deliver(ENVIRON)
        assert told.posts == []
        alarms.deliver({**ENVIRON, "SSL_CERT_FILE": authority_file(tmp_path)}, after=LATER)

    assert line.startswith("webhook hall: its certificate is not trusted (")
    ((path, headers, body),) = told.posts
    assert verify(path, headers, body, f"https://localhost:{port}")


def test_a_proxy_of_the_environment_is_not_used(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    told, port = Receiver(), free_port()
    alarms = Alarms(tmp_path, declared(port))
    alarms.raise_alert("one")
    for name in ("http_proxy", "HTTP_PROXY", "all_proxy"):
        monkeypatch.setenv(name, f"http://127.0.0.1:{free_port()}")

    with receiver(told, port):
        assert alarms.deliver(ENVIRON) == []

    assert len(told.posts) == 1


def test_without_a_secret_nothing_is_posted(tmp_path: Path) -> None:
    told, port = Receiver(), free_port()
    alarms = Alarms(tmp_path, declared(port))
    alarms.raise_alert("one")

    with receiver(told, port):
        lines = alarms.deliver({})

    assert told.posts == []
    assert lines == [
        "webhook hall: LOTDRIFT_WEBHOOK_SECRET is not set in the environment; set it to the secret agreed on; "
        "1 message to send again"
    ]


@pytest.mark.parametrize(
    ("status", "minutes"),
    [(500, 5), (503, 5), (401, 5), (403, 5), (408, 5), (429, 5), (302, 360), (400, 360), (404, 360), (410, 360)],
)
def test_what_is_not_taken_goes_again_later(tmp_path: Path, status: int, minutes: int) -> None:
    told, port = Receiver(status=status), free_port()
    alarms = Alarms(tmp_path, declared(port))
    alarms.raise_alert("one")

    with receiver(told, port):
        lines = alarms.deliver(ENVIRON)
        told.status = 200
        alarms.deliver(ENVIRON, after=timedelta(minutes=minutes - 1))
        too_early = len(told.posts)
        alarms.deliver(ENVIRON, after=timedelta(minutes=1))
        alarms.deliver(ENVIRON, after=LATER)

    assert lines == [f"webhook hall: did not accept it (status {status}); 1 message to send again"]
    assert (too_early, len(told.posts)) == (0, 1)


def test_a_receiver_that_hangs_up_sees_the_same_message_again(tmp_path: Path) -> None:
    told, port = Receiver(hang_up=True), free_port()
    alarms = Alarms(tmp_path, declared(port))
    alarms.raise_alert("one")

    with receiver(told, port):
        (line,) = alarms.deliver(ENVIRON)
        told.hang_up = False
        alarms.raise_alert("two")
        alarms.deliver(ENVIRON, after=LATER)

    assert line.startswith("webhook hall: did not answer (")
    assert [headers["Idempotency-Key"] for _, headers, _ in told.posts] == ['"one"', '"one"', '"two"']
    first, second = (body for _, _, body in told.posts[:2])
    assert first == second


def test_a_receiver_killed_and_started_again_gets_each_message_once(tmp_path: Path) -> None:
    told, port = Receiver(), free_port()
    alarms = Alarms(tmp_path, declared(port))
    for name in ("one", "two", "three", "four"):
        alarms.raise_alert(name)
        if name in ("one", "four"):
            with receiver(told, port):
                alarms.deliver(ENVIRON, after=LATER)
        else:
            (line,) = alarms.deliver(ENVIRON, after=LATER)
            assert line.startswith("webhook hall: can't be reached (")

    keys = [headers["Idempotency-Key"] for _, headers, _ in told.posts]
    assert sorted(keys) == ['"four"', '"one"', '"three"', '"two"']
    assert alarms.states() == {"sent": 4}


def test_a_slow_receiver_is_given_up_for_the_round(tmp_path: Path) -> None:
    told, port = Receiver(seconds=PATIENCE), free_port()
    alarms = Alarms(tmp_path, declared(port, seconds=0.2))
    for number in range(4):
        alarms.raise_alert(f"a{number}")

    with receiver(told, port):
        began = time.monotonic()
        lines = alarms.deliver(ENVIRON)
        took = time.monotonic() - began

    assert lines == ["webhook hall: did not answer (timed out); 4 messages to send again"]
    # Long before it would have answered, and without a try of the other messages.
    assert took < PATIENCE / 2
    assert told.begun <= 1


def test_a_receiver_that_drips_is_cut_off(tmp_path: Path) -> None:
    port = free_port()
    alarms = Alarms(tmp_path, declared(port, seconds=0.2))
    alarms.raise_alert("one")

    with dripping(port):
        began = time.monotonic()
        (line,) = alarms.deliver(ENVIRON)

    assert line.startswith("webhook hall: did not answer (")
    # It would drip for as long as the block lasts.
    assert time.monotonic() - began < PATIENCE


def test_each_webhook_has_its_own_secret(tmp_path: Path) -> None:
    told, port = Receiver(), free_port()
    alarms = Alarms(tmp_path, declared(port).replace('name = "hall"', 'name = "hall"\nsecret = "HALL_SECRET"'))
    alarms.raise_alert("one")

    with receiver(told, port):
        alarms.deliver({"HALL_SECRET": "of the hall", **ENVIRON})

    ((path, headers, body),) = told.posts
    assert verify(path, headers, body, f"http://127.0.0.1:{port}", secret="of the hall")
