"""Failed logins slow the next ones down, by name and by address, without a thread that waits.

An attempt counts as failed from the moment it begins, so that many at once are no way around it. Counts live in memory:
bounded in number, and forgotten after a quiet hour.

Strangers get fewer than 300 guesses at a name a day, however many they are: after a dozen they wait for five minutes each.
NIST SP 800-63B, section 5.2.2 (from memory), asks for a bound on guesses and leaves the wait open. While they guess, the
owner waits too, but not in a browser of which the owner logged in before: its attempts are counted apart.
"""

from __future__ import annotations

from collections import OrderedDict, deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import timedelta
from math import ceil
from threading import Lock

__all__ = ["Throttle", "keys_of"]

QUIET = timedelta(hours=1)
MOST_KEPT = 10_000
# How many failures are free, and the longest wait after more.
FREE = {"name": 3, "browser": 3, "address": 10}
LONGEST_SECONDS = 300
# Failures that are told apart: more than it takes to come to the longest wait.
MOST_FAILURES = 20

Key = tuple[str, str]


@dataclass(slots=True)
class _Count:
    """When the last attempts began that failed or are still under way."""

    failures: deque[timedelta] = field(default_factory=lambda: deque(maxlen=MOST_FAILURES))

    def wait_until(self, kind: str) -> timedelta:
        """The wait doubles with each failure past the free ones."""
        past = len(self.failures) - FREE[kind]
        seconds = 0 if past < 0 else min(2**past, LONGEST_SECONDS)
        return self.failures[-1] + timedelta(seconds=seconds)


def keys_of(name: str, address: str | None, browser: str | None) -> tuple[Key, ...]:
    """What an attempt counts against.

    Parameters
    ----------
    name : str
        The name that wants to log in.
    address : str or None
        The address of whoever asks; None where many people ask from it.
    browser : str or None
        The mark of the browser, where the name logged in with it before.
    """
    if browser is not None:
        return (("browser", f"{browser} {name}"),)
    return (("name", name),) if address is None else (("name", name), ("address", address))


class Throttle:
    """Counts of failed logins; safe to share between threads. `now` is the steady time, which is never set back."""

    def __init__(self) -> None:
        self._counts: OrderedDict[Key, _Count] = OrderedDict()
        self._lock = Lock()

    def begin(self, keys: Iterable[Key], now: timedelta) -> int:
        """Seconds to wait before an attempt; at 0 the attempt is under way and counted as failed until `succeed`."""
        with self._lock:
            wait = max(self._wait(key, now) for key in keys)
            if wait == 0:
                self._count(keys, now)
            return wait

    def succeed(self, keys: Iterable[Key], began: timedelta) -> None:
        """The attempt was right: the name starts anew, and the address stands as if it had not been made."""
        with self._lock:
            for key in keys:
                count = self._counts.get(key)
                if count is not None and began in count.failures:
                    count.failures.remove(began)
                if count is not None and (key[0] != "address" or not count.failures):
                    del self._counts[key]

    def _wait(self, key: Key, now: timedelta) -> int:
        count = self._counts.get(key)
        if count is None:
            return 0
        if now - count.failures[-1] > QUIET:
            del self._counts[key]
            return 0
        return max(0, ceil((count.wait_until(key[0]) - now).total_seconds()))

    def _count(self, keys: Iterable[Key], now: timedelta) -> None:
        for key in keys:
            self._counts.setdefault(key, _Count()).failures.append(now)
            self._counts.move_to_end(key)
        while len(self._counts) > MOST_KEPT:
            self._counts.popitem(last=False)
