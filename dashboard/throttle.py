"""Failed logins slow the next ones down, by name and by address, without a thread that waits.

An attempt counts as failed from the moment it begins, so that many at once are no way around it. Counts live in memory:
bounded in number, and forgotten after a quiet hour.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import timedelta
from math import ceil
from threading import Lock

__all__ = ["Throttle"]

QUIET = timedelta(hours=1)
MOST_KEPT = 10_000
# How many failures are free, and the longest wait after more. A name waits less long at most: a stranger who keeps
# guessing must not shut its owner out for good.
FREE = {"name": 3, "address": 10}
LONGEST_SECONDS = {"name": 60, "address": 300}

Key = tuple[str, str]


@dataclass(slots=True)
class _Count:
    failures: int
    last: timedelta

    def wait_until(self, kind: str) -> timedelta:
        """The wait doubles with each failure past the free ones."""
        past = self.failures - FREE[kind]
        seconds = 0 if past < 0 else min(2.0 ** min(past, 30), LONGEST_SECONDS[kind])
        return self.last + timedelta(seconds=seconds)


class Throttle:
    """Counts of failed logins; safe to share between threads. `now` is the steady time, which is never set back."""

    def __init__(self) -> None:
        self._counts: OrderedDict[Key, _Count] = OrderedDict()
        self._lock = Lock()

    def begin(self, name: str, address: str, now: timedelta) -> int:
        """Seconds to wait before an attempt; at 0 the attempt is under way and counted as failed until `succeed`."""
        keys = (("name", name), ("address", address))
        with self._lock:
            wait = max(self._wait(key, now) for key in keys)
            if wait == 0:
                self._count(keys, now)
            return wait

    def succeed(self, name: str, address: str) -> None:
        """The attempt was right: the name starts anew, and the address gets this one back."""
        with self._lock:
            self._counts.pop(("name", name), None)
            count = self._counts.get(("address", address))
            if count is not None:
                count.failures -= 1

    def _wait(self, key: Key, now: timedelta) -> int:
        count = self._counts.get(key)
        if count is None:
            return 0
        if now - count.last > QUIET:
            del self._counts[key]
            return 0
        return max(0, ceil((count.wait_until(key[0]) - now).total_seconds()))

    def _count(self, keys: Iterable[Key], now: timedelta) -> None:
        for key in keys:
            count = self._counts.setdefault(key, _Count(0, now))
            count.failures, count.last = count.failures + 1, now
            self._counts.move_to_end(key)
        while len(self._counts) > MOST_KEPT:
            self._counts.popitem(last=False)
