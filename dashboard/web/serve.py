"""Serve the dashboard and do the scheduled rounds in one process, until SIGINT or SIGTERM."""

from __future__ import annotations

import gc
import logging
import os
import signal
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from pathlib import Path
from types import FrameType
from typing import Any

from apscheduler.schedulers.background import BackgroundScheduler
from flask import Flask
from waitress.channel import HTTPChannel
from waitress.server import TcpWSGIServer, create_server

from dashboard.delivery.dispatch import deliver
from dashboard.delivery.weekly_digest import HOUR
from dashboard.web.app import make_app
from dashboard.web.request_guard import is_loopback, stands_for_many
from ingest.audit.accounts import accounts
from ingest.common.clock import now
from ingest.common.errors import CallError, StoreError
from ingest.config.lab import load
from ingest.quarter.full_round import full_round
from ingest.rounds.schedule import Mondays, next_round, rounds_scheduled
from ingest.store.store import known_store

__all__ = ["serve"]

log = logging.getLogger(__name__)

THREADS = 8
# Silent connections are closed after so many seconds, and one computer may hold only a part of all connections, so that
# nobody can lock the others out by opening many.
IDLE_SECONDS = 20
CLEANUP_SECONDS = 5
MOST_CONNECTIONS = 500
MOST_OF_ONE_PEER = 100


class _Stop(SystemExit):
    """The process was asked to end.

    The server ends on this kind of exception; any other one that comes while it reads a connection ends that
    connection only.
    """


@dataclass(slots=True)
class _Upcoming:
    """The time of the next round, for the pages, which are made before the scheduler: a port in use is reported first."""

    scheduler: BackgroundScheduler | None = None

    def __call__(self) -> datetime | None:
        return None if self.scheduler is None else next_round(self.scheduler)


def serve(folder: Path, host: str, port: int, say: Callable[[str], None], warn: Callable[[str], None]) -> None:
    """Serve until SIGINT or SIGTERM; a round in progress is finished first.

    Raises
    ------
    CallError
        If `lab.toml` is wrong, the port is in use, or other computers could reach it and no user is declared.
    StoreError
        If the store can't be used, or needs an upgrade.
    """
    lab = load(folder)
    known_store(folder)
    if not is_loopback(host):
        _check_users(folder, host)
        warn(
            f"serve: {host} is served over plain http: passwords are sent unencrypted; put a server with TLS in front "
            "(see Users in the README)"
        )
    logging.basicConfig(level=logging.WARNING, format="%(message)s")
    upcoming = _Upcoming()
    server = _server(make_app(folder, host, next_round=upcoming).server, _socket(host, port), lab.serve.trusted_proxy)
    # Loaded modules stay for good; frozen, no full garbage collection scans them while a page is made.
    gc.collect()
    gc.freeze()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, _stop)
    try:
        mondays = Mondays(HOUR, lambda: _monday(folder))
        with rounds_scheduled(lab.schedule, lambda: _round(folder), lab.zone, mondays) as upcoming.scheduler:
            say(f"Serving {lab.name} on http://{_address(host)}:{server.effective_port}/ (stop with Ctrl-C)")
            # Returns once it is stopped.
            server.run()
    except _Stop:
        # The signal came before the server ran.
        pass
    finally:
        server.close()
    say("Stopped.")


def _server(app: Flask, bound: socket.socket, proxy: str | None) -> TcpWSGIServer:
    """The server, not yet running. It trusts forwarded addresses from the declared proxy only."""
    server = create_server(
        app,
        sockets=[bound],
        threads=THREADS,
        channel_timeout=IDLE_SECONDS,
        cleanup_interval=CLEANUP_SECONDS,
        connection_limit=MOST_CONNECTIONS,
        trusted_proxy=proxy,
        trusted_proxy_headers={"x-forwarded-for"} if proxy else set(),
        clear_untrusted_proxy_headers=True,
    )
    server.channel_class = partial(_channel, proxy)
    return server


def _channel(
    proxy: str | None, server: TcpWSGIServer, connection: socket.socket, peer: Any, *more: Any, **named: Any
) -> None:
    """A new connection; closed at once if its peer has too many already."""
    held = sum(channel.addr[0] == peer[0] for channel in list(server.active_channels.values()))
    if held >= MOST_OF_ONE_PEER and not stands_for_many(peer[0], proxy):
        connection.close()
    else:
        HTTPChannel(server, connection, peer, *more, **named)


def _check_users(folder: Path, host: str) -> None:
    """CallError if nobody could log in."""
    store = known_store(folder)
    if store is not None:
        with store.reading() as connection:
            if any(account.closed is None for account in accounts(connection)):
                return
    raise CallError(
        f"serve: other computers can reach {host} and no user is declared; declare one first with "
        "lotdrift user add NAME --role specialist, or serve on 127.0.0.1"
    )


def _round(folder: Path) -> None:
    with _errors_logged():
        for line in full_round(load(folder), now()).notes:
            log.warning("%s", line)
        _send(folder)


def _monday(folder: Path) -> None:
    """Send the weekly digest at its hour, unless a round has sent it already."""
    with _errors_logged():
        _send(folder)


def _send(folder: Path) -> None:
    store = known_store(folder)
    unsent = [] if store is None else deliver(store, load(folder), now(), os.environ)
    for line in unsent:
        log.warning("%s", line)


@contextmanager
def _errors_logged() -> Iterator[None]:
    """Log an expected error of a background job in one line; the next job runs all the same."""
    try:
        yield
    except (CallError, StoreError) as error:
        log.error("%s", error)


def _stop(_number: int, _frame: FrameType | None) -> None:
    raise _Stop


def _address(host: str) -> str:
    return f"[{host}]" if ":" in host else host


def _socket(host: str, port: int) -> socket.socket:
    """A bound socket, so that a port in use is reported before anything starts."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    bound = socket.socket(family, socket.SOCK_STREAM)
    try:
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.bind((host, port))
    except OSError as error:
        bound.close()
        raise CallError(
            f"serve: {host} port {port} can't be used ({error.strerror}); choose another with --port"
        ) from error
    return bound
