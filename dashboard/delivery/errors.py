"""The exception of delivery: why a message was not delivered, and what that means for the next attempt."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from ingest.common.text import printable

__all__ = ["AUTHORITY", "DeliveryError", "cut_off_after", "describe"]

# The environment variable that names trusted authorities in place of the system's.
AUTHORITY = "SSL_CERT_FILE"
REASON_CHARACTERS = 200


class DeliveryError(Exception):
    """A message that was not accepted.

    `maybe_delivered`: it may have arrived nevertheless. `permanent`: another attempt soon is of no use. `server_wide`: the
    whole server is out of reach, so other messages to it are not attempted in this round.
    """

    def __init__(
        self, reason: str, *, maybe_delivered: bool = False, permanent: bool = False, server_wide: bool = False
    ) -> None:
        # The reason may quote the server and is shown on screen.
        super().__init__(printable(" ".join(reason.split()))[:REASON_CHARACTERS])
        self.maybe_delivered, self.permanent, self.server_wide = maybe_delivered, permanent, server_wide


def describe(error: BaseException) -> str:
    """The text of an error, or its type if it has none."""
    return str(error) or type(error).__name__


@contextmanager
def cut_off_after(seconds: float, connected: Callable[[], socket.socket | None]) -> Iterator[None]:
    """Shut the socket of a connection if the block takes longer.

    A timeout of the socket is no limit in total: a server that sends a byte now and then never reaches it.
    """

    def cut() -> None:
        line = connected()
        if line is not None:
            with contextlib.suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)

    timer = threading.Timer(seconds, cut)
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()
