"""The callback by which long work reports its progress."""

from __future__ import annotations

from collections.abc import Callable

__all__ = ["Progress", "no_progress"]

Progress = Callable[[str, int, int], None]
"""Called with the noun of what is counted, the number done and the total."""


def no_progress(_what: str, _done: int, _total: int) -> None:
    """Ignore the report."""
