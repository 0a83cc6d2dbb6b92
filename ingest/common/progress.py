"""How long work tells how far it is; who listens decides whether anybody sees it."""

from __future__ import annotations

from collections.abc import Callable

__all__ = ["Progress", "no_progress"]

Progress = Callable[[str, int, int], None]
"""Called with what is being counted, how many are done, and how many there are."""


def no_progress(_what: str, _done: int, _all: int) -> None:
    """Nobody listens."""
