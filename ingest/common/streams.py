"""The key of a stream: supplier, product and characteristic."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Stream"]


@dataclass(frozen=True, slots=True)
class Stream:
    """Supplier × product × characteristic, with its id in the store."""

    id: int
    supplier: str
    product: str
    characteristic: str
