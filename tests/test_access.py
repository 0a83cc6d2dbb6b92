"""Requests from elsewhere and broken ones are turned away with 4xx, and every answer carries the security headers."""

from __future__ import annotations

from typing import Any

import pytest
from labs import Bench

from dashboard.app import make_app

CALLBACK = "/_dash-update-component"


@pytest.fixture
def client(bench: Bench) -> Any:
    return make_app(bench.folder).server.test_client()


def test_every_answer_carries_the_security_headers(client: Any) -> None:
    headers = client.get("/", headers={"Host": "127.0.0.1:8050"}).headers

    assert "frame-ancestors 'none'" in headers["Content-Security-Policy"]
    assert "http" not in headers["Content-Security-Policy"]
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Referrer-Policy"] == "same-origin"


@pytest.mark.parametrize(
    "headers",
    [
        {"Host": "evil.example"},
        {"Host": "127.0.0.1", "Origin": "http://evil.example"},
        {"Host": "127.0.0.1", "Sec-Fetch-Site": "cross-site"},
    ],
)
def test_requests_from_elsewhere_are_turned_away(client: Any, headers: dict[str, str]) -> None:
    assert 400 <= client.post(CALLBACK, json={}, headers=headers).status_code < 500


@pytest.mark.parametrize("body", [b"", b"{", b"[]", b"null", b'{"output": 3}', b"{}", b"\xff\xfe"])
def test_a_malformed_body_is_told_and_no_fault_of_ours(client: Any, body: bytes) -> None:
    answer = client.post(CALLBACK, data=body, content_type="application/json", headers={"Host": "127.0.0.1"})

    assert 400 <= answer.status_code < 500
    assert b"Traceback" not in answer.data


def test_an_oversized_body_is_turned_away(client: Any) -> None:
    answer = client.post(
        CALLBACK, data=b"x" * 2_000_000, content_type="application/json", headers={"Host": "127.0.0.1"}
    )

    assert answer.status_code == 413
