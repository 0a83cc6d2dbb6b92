"""What a search found."""

from __future__ import annotations

from typing import Literal

from typing_extensions import TypedDict

from ingest.documents.fields import Count

__all__ = ["FindAnswer", "FindDocument", "FindKind", "LotName"]

FindKind = Literal["lot", "product", "supplier", "alert", "file", "operator"]


class LotName(TypedDict):
    """A lot by its names."""

    supplier: str
    product: str
    lot: str


class FindAnswer(TypedDict):
    """One answer with its page; of a file and an operator also its newest lots."""

    kind: FindKind
    name: str
    supplier: str | None
    product: str | None
    detail: str
    page: str
    lots: list[LotName]
    lots_in_all: Count


class FindDocument(TypedDict):
    """The answers to a search, the closest first; `more` is true where it is too wide to list all."""

    text: str
    answers: list[FindAnswer]
    more: bool
