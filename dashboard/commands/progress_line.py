"""One line on a terminal that tells how far long work is and how long it will take; silent in pipes."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TextIO

from ingest.common.progress import Progress, no_progress

__all__ = ["progress_on", "told"]

# Often enough to be seen moving, too seldom to slow the work.
EVERY_SECONDS = 0.1
# Before that an estimate of the time left swings wildly.
ESTIMATE_AFTER_SECONDS = 2.0
CLEAR = "\r\x1b[K"


@contextmanager
def progress_on(
    terminal: TextIO, *, wanted: bool = True, clock: Callable[[], float] = time.monotonic
) -> Iterator[Progress]:
    """What to hand to long work: it draws on `terminal` where that is one, and wipes its line in the end."""
    if not (wanted and terminal.isatty()):
        yield no_progress
        return
    line = _Line(terminal, clock)
    try:
        yield line.draw
    finally:
        terminal.write(CLEAR)
        terminal.flush()


class _Line:
    def __init__(self, terminal: TextIO, clock: Callable[[], float]) -> None:
        self._terminal, self._clock = terminal, clock
        self._what, self._began, self._drawn = "", 0.0, float("-inf")

    def draw(self, what: str, done: int, total: int) -> None:
        now = self._clock()
        if what != self._what:
            self._what, self._began, self._drawn = what, now, float("-inf")
        if now - self._drawn >= EVERY_SECONDS:
            self._drawn = now
            self._terminal.write(CLEAR + told(what, done, total, now - self._began))
            self._terminal.flush()


def told(what: str, done: int, total: int, seconds: float) -> str:
    """How far work is after `seconds`: "readings stored: 50,000 of 1,000,000, 38 s left"."""
    so_far = f"{what}: {done:,} of {total:,}"
    if not done or seconds < ESTIMATE_AFTER_SECONDS:
        return so_far
    left = round(seconds / done * (total - done))
    return f"{so_far}, {left} s left" if left < 120 else f"{so_far}, {left // 60} min left"
