"""Post a message to a program, signed so that it can verify the sender and the content.

The signature follows RFC 9421 (HTTP Message Signatures): hmac-sha256 over method, address, digest of the body (RFC 9530), type
and message name. With `created` the receiver can reject old messages. urllib3 carries the post, as it separates the errors of
connecting from those of reading; no redirect is followed and no proxy of the environment is used.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import hmac
import json
import ssl
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from http.client import HTTPException
from urllib.parse import urlsplit

from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.exceptions import HTTPError

from dashboard.delivery.errors import AUTHORITY, DeliveryError, cut_off_after, describe
from dashboard.queries.alert_order import urgent_first
from dashboard.text.formatting import CAUTIONS
from ingest.config.notification_models import Webhook
from ingest.documents.alert import Alert

__all__ = ["Post", "body_of", "content_digest", "post", "sign", "signature_base"]

KEY_NAME, LABEL = "lotdrift", "lotdrift"
COVERED = ("@method", "@target-uri", "content-digest", "content-type", "idempotency-key")
# A first round over a long history may raise thousands of alerts: all are counted, the most urgent are sent.
MOST_ALERTS = 100
# A post waits for two answers, of the connection and of the receiver. One that takes longer than this in total is stuck.
ANSWERS = 3
# RFC 9110, section 15.5: refusals that end by themselves, or once both sides have the same secret.
PASSING = (401, 403, 408, 429)


@dataclass(frozen=True, slots=True)
class Post:
    """A message: its name, by which the receiver recognises a repeat, its body, and its time."""

    name: str
    body: bytes
    moment: datetime


def body_of(name: str, lab_name: str, alerts: Sequence[Alert], dashboard: str | None) -> bytes:
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


def post(hook: Webhook, message: Post, environ: Mapping[str, str]) -> None:
    """Post one message; DeliveryError unless the receiver accepts it with a status of 2xx."""
    secret = environ.get(hook.secret)
    if not secret:
        raise DeliveryError(
            f"{hook.secret} is not set in the environment; set it to the secret agreed on", server_wide=True
        )
    address, seconds = urlsplit(hook.url), hook.timeout_seconds
    connection: HTTPConnection = (
        HTTPConnection(str(address.hostname), address.port, timeout=seconds)
        if address.scheme == "http"
        else HTTPSConnection(
            str(address.hostname),
            address.port,
            timeout=seconds,
            ssl_context=ssl.create_default_context(cafile=environ.get(AUTHORITY) or None),
        )
    )
    target = f"{address.path or '/'}{'?' + address.query if address.query else ''}"
    headers = _headers(f"{address.scheme}://{address.netloc}{target}", message, secret.encode())
    with cut_off_after(ANSWERS * seconds, lambda: connection.sock), contextlib.closing(connection):
        try:
            connection.connect()
        except ssl.SSLCertVerificationError as error:
            reason = f"its certificate is not trusted ({error.verify_message}); name your own authority in {AUTHORITY}"
            raise DeliveryError(reason, server_wide=True) from error
        except (OSError, HTTPError, HTTPException) as error:
            # urllib3 puts its own sentence around the error of the system, which says enough.
            raise DeliveryError(f"can't be reached ({describe(error.__cause__ or error)})", server_wide=True) from error
        try:
            connection.request("POST", target, message.body, headers)
            status = connection.getresponse().status
        except (OSError, HTTPError, HTTPException) as error:
            reason = f"did not answer ({describe(error)})"
            raise DeliveryError(reason, maybe_delivered=True, server_wide=True) from error
    if not 200 <= status < 300:
        permanent = status < 500 and status not in PASSING
        raise DeliveryError(f"did not accept it (status {status})", permanent=permanent, server_wide=not permanent)


# Signing


def _headers(uri: str, message: Post, secret: bytes) -> dict[str, str]:
    fields = {
        "content-digest": content_digest(message.body),
        "content-type": "application/json",
        "idempotency-key": f'"{message.name}"',
    }
    values = {"@method": "POST", "@target-uri": uri, **fields}
    names = " ".join(f'"{name}"' for name in COVERED)
    parameters = f'({names});created={int(message.moment.timestamp())};keyid="{KEY_NAME}";alg="hmac-sha256"'
    signature = sign(signature_base({name: values[name] for name in COVERED}, parameters), secret)
    return {
        "User-Agent": "lotdrift",
        **{name.title(): value for name, value in fields.items()},
        "Signature-Input": f"{LABEL}={parameters}",
        "Signature": f"{LABEL}=:{signature}:",
    }


def content_digest(body: bytes) -> str:
    """The field Content-Digest of a body (RFC 9530, section 2)."""
    return f"sha-256=:{base64.b64encode(hashlib.sha256(body).digest()).decode()}:"


def signature_base(values: Mapping[str, str], parameters: str) -> bytes:
    """The lines to sign (RFC 9421, section 2.5): one for each covered component, then the parameters."""
    lines = [f'"{name}": {value}' for name, value in values.items()]
    return "\n".join([*lines, f'"@signature-params": {parameters}']).encode("ascii")


def sign(base: bytes, secret: bytes) -> str:
    """HMAC-SHA256 of the signature base, in base64 (RFC 9421, section 3.3.3)."""
    return base64.b64encode(hmac.digest(secret, base, "sha256")).decode()
