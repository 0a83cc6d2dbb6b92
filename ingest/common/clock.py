"""The only place that reads a clock; all else is handed `now`, or the steady time where only a length matters."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta

__all__ = ["now", "steady"]


def now() -> datetime:
    """The present moment, aware, in UTC."""
    return datetime.now(UTC)


def steady() -> timedelta:
    """The time since some moment of the past. It never goes back, whatever the computer's clock is set to."""
    return timedelta(seconds=time.monotonic())
