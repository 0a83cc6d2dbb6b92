"""A mail server and a program that is posted to, on loopback, which tests can slow down, break, kill and start again."""

from __future__ import annotations

import asyncio
import socket
import ssl
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from functools import lru_cache
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import trustme
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

USER, PASSWORD = "bench", "right, and long"


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@lru_cache
def authority() -> trustme.CA:
    """A certificate authority that nobody else trusts."""
    return trustme.CA()


@lru_cache
def certificate() -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority().issue_cert("localhost").configure_cert(context)
    return context


def authority_file(folder: Path) -> str:
    path = folder / "authority.pem"
    authority().cert_pem.write_to_path(str(path))
    return str(path)


@dataclass
class MailBox:
    """What arrived; `to_recipient` and `to_data` are the server's answers, `seconds` how long it takes to think."""

    mails: list[tuple[str, EmailMessage]] = field(default_factory=list)
    to_recipient: str = "250 OK"
    to_data: str = "250 OK"
    seconds: float = 0.0
    # Done after the mail was taken and before its sender hears so.
    then: Callable[[], object] | None = None
    hang_up: bool = False
    # How many mails it began to take.
    begun: int = 0

    @property
    def names(self) -> list[str]:
        return [str(mail["Message-ID"]) for _, mail in self.mails]

    async def handle_RCPT(
        self, _server: SMTP, _session: Session, envelope: Envelope, address: str, _options: list[str]
    ) -> str:
        if self.to_recipient.startswith("250"):
            envelope.rcpt_tos.append(address)
        return self.to_recipient

    async def handle_DATA(self, server: SMTP, _session: Session, envelope: Envelope) -> str:
        self.begun += 1
        await asyncio.sleep(self.seconds)
        if not self.to_data.startswith("250"):
            return self.to_data
        mail = message_from_bytes(envelope.original_content or b"", policy=default)
        assert isinstance(mail, EmailMessage)
        self.mails.append((envelope.rcpt_tos[0], mail))
        if self.then is not None:
            self.then()
        if self.hang_up:
            assert server.transport is not None
            server.transport.abort()
        return self.to_data


def _check(_server: SMTP, _session: Session, _envelope: Envelope, mechanism: str, data: Any) -> AuthResult:
    right = LoginPassword(USER.encode(), PASSWORD.encode())
    return AuthResult(success=mechanism in ("LOGIN", "PLAIN") and data == right, handled=False)


@contextmanager
def mail_server(box: MailBox, port: int, security: str = "none", *, login: bool = False) -> Iterator[None]:
    """The server as long as the block lasts; ended in the middle of whatever it does."""
    settings: dict[str, Any] = {"hostname": "127.0.0.1", "port": port, "server_hostname": "localhost"}
    if login:
        settings |= {"authenticator": _check, "auth_required": True}
    if security == "starttls":
        settings |= {"tls_context": certificate(), "require_starttls": True}
    if security == "tls":
        settings |= {"ssl_context": certificate()}
    if security != "starttls":
        settings |= {"auth_require_tls": False}
    server = Controller(box, **settings)
    server.start()
    try:
        yield
    finally:
        server.stop()


@dataclass
class Receiver:
    """What was posted; `status` is the answer, `seconds` how long it takes, `hang_up` whether it answers at all."""

    posts: list[tuple[str, dict[str, str], bytes]] = field(default_factory=list)
    status: int = 204
    seconds: float = 0.0
    hang_up: bool = False
    # How many posts it began to take.
    begun: int = 0


@contextmanager
def receiver(told: Receiver, port: int, *, tls: bool = False) -> Iterator[None]:
    awake = threading.Event()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            told.begun += 1
            awake.wait(told.seconds)
            if 200 <= told.status < 300:
                told.posts.append((self.path, dict(self.headers.items()), body))
            if told.hang_up:
                self.close_connection = True
                return
            self.send_response(told.status)
            self.send_header("Location", "/elsewhere")
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", port), Handler)
    server.daemon_threads = True
    if tls:
        server.socket = certificate().wrap_socket(server.socket, server_side=True)
    thread = threading.Thread(target=server.serve_forever, args=(0.02,))
    thread.start()
    try:
        yield
    finally:
        awake.set()
        server.shutdown()
        server.server_close()
        thread.join()


@contextmanager
def dripping(port: int) -> Iterator[None]:
    """A server that sends a byte now and then and never an answer: no timeout of a socket ends it."""
    over = threading.Event()
    listening = socket.create_server(("127.0.0.1", port))

    def drip() -> None:
        line, _ = listening.accept()
        with line:
            while not over.wait(0.05):
                try:
                    line.sendall(b"2")
                except OSError:
                    return

    thread = threading.Thread(target=drip, daemon=True)
    thread.start()
    try:
        yield
    finally:
        over.set()
        listening.close()
        thread.join()
