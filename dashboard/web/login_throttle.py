"""Failed logins slow the next ones down, by name and by address, without a thread that waits.

An attempt counts as failed when it begins, so parallel attempts gain nothing. The counts are kept in memory, limited in
number, and dropped after an hour without an attempt.

Strangers together get fewer than 300 guesses at a name a day: after a dozen, each guess has to wait five minutes. NIST SP
800-63B, section 5.2.2 (from memory), asks for a limit on guesses and leaves the wait open. The user waits too while strangers
guess, except in a browser used for an earlier login, whose attempts are counted separately.
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
# Failures without a wait, and the longest wait after more.
FREE = {"name": 3, "browser": 3, "address": 10}
LONGEST_SECONDS = 300
# Failures kept for each count: more than it takes to reach the longest wait.
MOST_FAILURES = 20

Key = tuple[str, str]


@dataclass(slots=True)
class _Count:
    """The start times of the last attempts that failed or are in progress."""

    failures: deque[timedelta] = field(default_factory=lambda: deque(maxlen=MOST_FAILURES))

    def wait_until(self, kind: str) -> timedelta:
        """The end of the wait, which doubles with each failure beyond the free ones."""
        past = len(self.failures) - FREE[kind]
        seconds = 0 if past < 0 else min(2**past, LONGEST_SECONDS)
        return self.failures[-1] + timedelta(seconds=seconds)


def keys_of(name: str, address: str | None, browser: str | None) -> tuple[Key, ...]:
    """The counts that an attempt belongs to.

    Parameters
    ----------
    name : str
        The user name of the login.
    address : str or None
        The address of the request; None if it may stand for many users.
    browser : str or None
        The mark of the browser, if the user has logged in with it before.
    """
    if browser is not None:
        return (("browser", f"{browser} {name}"),)
    return (("name", name),) if address is None else (("name", name), ("address", address))


class Throttle:
    """Counts of failed logins, safe to share between threads. `now` comes from a clock that is never set back."""

    def __init__(self) -> None:
        self._counts: OrderedDict[Key, _Count] = OrderedDict()
        self._lock = Lock()

    def begin(self, keys: Iterable[Key], now: timedelta) -> int:
        """The seconds to wait; at 0 the attempt begins and counts as failed until `succeed`."""
        with self._lock:
            wait = max(self._wait(key, now) for key in keys)
            if wait == 0:
                self._count(keys, now)
            return wait

    def succeed(self, keys: Iterable[Key], began: timedelta) -> None:
        """The login succeeded: clear the count of the name, and remove the attempt from that of the address."""
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
