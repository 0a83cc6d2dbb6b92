"""The only module that reads a clock. All other code receives `now`, or the steady time to measure a duration."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta

__all__ = ["now", "steady"]


def now() -> datetime:
    """Return the present time, aware, in UTC."""
    return datetime.now(UTC)


def steady() -> timedelta:
    """Return a time that never goes back, even if the computer's clock is changed; only differences have a meaning."""
    return timedelta(seconds=time.monotonic())
