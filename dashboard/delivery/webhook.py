"""Post a message to a program, signed so that it can tell that it comes from here and was not changed.

Signed as RFC 9421 (HTTP Message Signatures) says, with hmac-sha256 over method, address, digest of the body (RFC 9530),
type and message name; `created` lets the receiver turn away what is old. A redirect is not followed.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import hmac
import http.client
import json
import socket
import ssl
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from urllib.parse import urlsplit

from dashboard.delivery.errors import DeliveryError, cut_off_after
from dashboard.queries.alert_order import urgent_first
from dashboard.text.formatting import CAUTIONS
from ingest.config.notification_models import Webhook

__all__ = ["Post", "body_of", "content_digest", "post", "sign", "signature_base"]

Document = Any

AUTHORITY = "SSL_CERT_FILE"
KEY_NAME, LABEL = "lotdrift", "lotdrift"
COVERED = ("@method", "@target-uri", "content-digest", "content-type", "idempotency-key")
# A first look at a long history may raise thousands: the count says so, the most urgent are told.
MOST_ALERTS = 100
# A post has two answers to wait for, the connection's and the receiver's; one that needs longer than this is stuck.
ANSWERS = 3
# RFC 9110, section 15.5: refusals that end by themselves, or once the secret is right on both sides.
PASSING = (401, 403, 408, 429)


@dataclass(frozen=True, slots=True)
class Post:
    """What is posted: the name of the message, by which a receiver knows one it has, its body, and when."""

    name: str
    body: bytes
    moment: datetime


def body_of(name: str, lab_name: str, alerts: Sequence[Document], dashboard: str | None) -> bytes:
    """The JSON body: the alerts as `lotdrift alerts --json` prints them, the most urgent first."""
    document = {
        "message": name,
        "lab": lab_name,
        "count": len(alerts),
        "alerts": urgent_first(alerts)[:MOST_ALERTS],
        "dashboard": dashboard,
        "caution": CAUTIONS,
    }
    return json.dumps(document, ensure_ascii=False, allow_nan=False).encode()


def post(hook: Webhook, what: Post, environ: Mapping[str, str]) -> None:
    """Post one message; Unsent where the receiver did not take it (any answer but 2xx)."""
    secret = environ.get(hook.secret)
    if not secret:
        raise DeliveryError(
            f"{hook.secret} is not set in the environment; set it to the secret agreed on", everywhere=True
        )
    address = urlsplit(hook.url)
    connection = _connection(hook, environ)
    target = f"{address.path or '/'}{'?' + address.query if address.query else ''}"
    with cut_off_after(ANSWERS * hook.timeout_seconds, lambda: _cut(connection)), contextlib.closing(connection):
        try:
            connection.connect()
        except (OSError, http.client.HTTPException) as error:
            raise DeliveryError(_why(error), everywhere=True) from error
        try:
            uri = f"{address.scheme}://{address.netloc}{target}"
            connection.request("POST", target, what.body, _headers(uri, what, secret.encode()))
            status = connection.getresponse().status
        except (OSError, http.client.HTTPException) as error:
            raise DeliveryError(
                f"fell silent ({str(error) or type(error).__name__})", unsure=True, everywhere=True
            ) from error
    if not 200 <= status < 300:
        lasting = status < 500 and status not in PASSING
        raise DeliveryError(f"did not take it (status {status})", lasting=lasting, everywhere=not lasting)


def _connection(hook: Webhook, environ: Mapping[str, str]) -> http.client.HTTPConnection:
    address = urlsplit(hook.url)
    host = str(address.hostname)
    if address.scheme == "http":
        return http.client.HTTPConnection(host, address.port, timeout=hook.timeout_seconds)
    trust = ssl.create_default_context(cafile=environ.get(AUTHORITY) or None)
    return http.client.HTTPSConnection(host, address.port, timeout=hook.timeout_seconds, context=trust)


def _cut(connection: http.client.HTTPConnection) -> None:
    line = connection.sock
    if line is not None:
        with contextlib.suppress(OSError):
            line.shutdown(socket.SHUT_RDWR)


def _why(error: Exception) -> str:
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"its certificate does not hold ({error.verify_message}); name your own authority in {AUTHORITY}"
    return f"can't be reached ({str(error) or type(error).__name__})"


# Signing


def _headers(uri: str, what: Post, secret: bytes) -> dict[str, str]:
    fields = {
        "content-digest": content_digest(what.body),
        "content-type": "application/json",
        "idempotency-key": f'"{what.name}"',
    }
    values = {"@method": "POST", "@target-uri": uri, **fields}
    parameters = _parameters(COVERED, int(what.moment.timestamp()), KEY_NAME, algorithm="hmac-sha256")
    signature = sign(signature_base({name: values[name] for name in COVERED}, parameters), secret)
    return {
        "User-Agent": "lotdrift",
        **{name.title(): value for name, value in fields.items()},
        "Signature-Input": f"{LABEL}={parameters}",
        "Signature": f"{LABEL}=:{signature}:",
    }


def _parameters(covered: Sequence[str], created: int, key: str, algorithm: str) -> str:
    names = " ".join(f'"{name}"' for name in covered)
    return f'({names});created={created};keyid="{key}";alg="{algorithm}"'


def content_digest(body: bytes) -> str:
    """The field Content-Digest of a body (RFC 9530, section 2)."""
    return f"sha-256=:{base64.b64encode(hashlib.sha256(body).digest()).decode()}:"


def signature_base(values: Mapping[str, str], parameters: str) -> bytes:
    """The lines that are signed (RFC 9421, section 2.5): a covered component each, then the parameters."""
    lines = [f'"{name}": {value}' for name, value in values.items()]
    return "\n".join([*lines, f'"@signature-params": {parameters}']).encode("ascii")


def sign(base: bytes, secret: bytes) -> str:
    """HMAC-SHA256 of the signature base, in base64 (RFC 9421, section 3.3.3)."""
    return base64.b64encode(hmac.digest(secret, base, "sha256")).decode()
