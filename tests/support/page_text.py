"""What a page says, apart from how it looks."""

from __future__ import annotations

from typing import Any

__all__ = ["words"]


def words(part: Any) -> list[str]:
    """The text of a page, in order."""
    if isinstance(part, (list, tuple)):
        return [word for one in part for word in words(one)]
    if hasattr(part, "to_plotly_json"):
        return words(getattr(part, "children", None))
    return [] if part is None else [str(part)]
