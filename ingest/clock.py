"""The only place that reads the clock; all else is handed `now`."""

from __future__ import annotations

from datetime import UTC, datetime

__all__ = ["now"]


def now() -> datetime:
    """The present moment, aware, in UTC."""
    return datetime.now(UTC)
