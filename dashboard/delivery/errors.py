"""The one exception of delivery: a message that did not go out, why, and what that means for the next try."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from ingest.common.text import printable

__all__ = ["DeliveryError", "cut_off_after"]

REASON_CHARACTERS = 200


class DeliveryError(Exception):
    """A message that was not taken.

    `unsure`: it may have arrived all the same. `lasting`: asking again soon is of no use. `everywhere`: the server as a
    whole is out of reach, so the other messages to it need not be tried now.
    """

    def __init__(self, reason: str, *, unsure: bool = False, lasting: bool = False, everywhere: bool = False) -> None:
        # What a server says ends up on a screen.
        super().__init__(printable(" ".join(reason.split()))[:REASON_CHARACTERS])
        self.unsure, self.lasting, self.everywhere = unsure, lasting, everywhere


@contextmanager
def cut_off_after(seconds: float, cut: Callable[[], None]) -> Iterator[None]:
    """Call `cut` if the block takes longer: a server that sends a byte now and then never runs into a socket's timeout."""
    watch = threading.Timer(seconds, cut)
    watch.daemon = True
    watch.start()
    try:
        yield
    finally:
        watch.cancel()
